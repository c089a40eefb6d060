// A protocol definition prepared for judging records: ids resolved once, units turned into
// conversions, rules into structs with integer handles.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "absl/types/optional.h"
#include "absl/types/span.h"
#include "plumule/intake/v1/record.pb.h"
#include "plumule/study/v1/protocol.pb.h"
#include "server/protocol/units.h"

namespace plumule::protocol {

// Handles are positions in the definition's lists; this one stands for none.
inline constexpr int kNone = -1;

// The answer to a choice variable.
struct ChosenCodes {
  // Positions in the variable's options, ascending, without repetition.
  std::vector<int> options;
  // Free words; empty for none.
  std::string other;

  friend bool operator==(const ChosenCodes&, const ChosenCodes&) = default;
};

// An answer as the analysis sees it, by type of its variable: number (double, in the canonical
// unit), count (int64_t), date, yes_no (bool), choice, and text, country or photo (std::string).
using CanonicalValue =
    std::variant<double, std::int64_t, absl::CivilDay, bool, ChosenCodes, std::string>;

// Most problems that ReadValues lists; one more says that there are more.
inline constexpr int kMostFieldProblems = 100;

// What was read from one fact's values. Reusable: ReadValues clears it and keeps its memory.
struct Reading {
  // By variable handle, ascending; one a variable. Those with a problem are left out.
  std::vector<std::pair<int, CanonicalValue>> values;
  // What keeps the fact from being taken, all of it. See field_reasons.h for the reasons.
  std::vector<intake::v1::FieldProblem> problems;
  // Broken rules whose outcome is `deviation`.
  std::vector<intake::v1::Finding> deviations;
  // Broken rules whose outcome is `note`, and `implausible_value`.
  std::vector<intake::v1::Finding> notes;

  void Clear();
  // The value of `variable`; null if it is not there. O(log n).
  const CanonicalValue* Find(int variable) const;
};

// Whether a NamedValue without a value is a mistake, or clears an earlier answer.
enum class AbsentValue { kIsRefused, kClears };

// The day of a unit, its block or its grower that a rule speaks of.
struct CompiledMoment {
  enum class At { kDateVariable, kMilestone, kThreshold };
  At at = At::kMilestone;
  // Variable or threshold handle; kNone for a milestone.
  int handle = kNone;
  study::v1::Milestone milestone = study::v1::MILESTONE_UNSPECIFIED;
};

// Rules that need other records than the one at hand. `rule` is the rule's handle.
struct CompiledWithinDays {
  int rule;
  CompiledMoment a, b;
  int max_days;
};
struct CompiledNotBefore {
  int rule;
  CompiledMoment later, earlier;
};
struct CompiledSameAcrossArms {
  int rule;
  // A unit variable; kNone: the start day.
  int variable;
};
struct CompiledMonotone {
  int rule;
  int variable;
  double tolerated_drop;
};
struct CompiledLookInterval {
  int rule;
  int max_days;
};
struct CompiledUnique {
  int rule;
  int variable;
};

// Immutable once made, so safe to share between threads.
class CompiledProtocol {
 public:
  ~CompiledProtocol();
  CompiledProtocol(const CompiledProtocol&) = delete;
  CompiledProtocol& operator=(const CompiledProtocol&) = delete;

  const study::v1::Protocol& definition() const { return definition_; }
  int revision() const { return revision_; }

  // Calendar, decoded.
  absl::CivilDay opens_on() const { return opens_on_; }
  // Absent: a start is never late.
  absl::optional<absl::CivilDay> start_by() const { return start_by_; }
  // Last day that is on time: `start_by` and its tolerance. Absent as above.
  absl::optional<absl::CivilDay> last_start() const { return last_start_; }
  absl::CivilDay closes_on() const { return closes_on_; }
  // Last day on which looks may be sent: `closes_on` and the grace.
  absl::CivilDay last_receipt() const { return last_receipt_; }
  absl::TimeZone time_zone() const { return time_zone_; }

  // Handles of ids; kNone if there is no such id. O(1), without allocation.
  int FindArm(absl::string_view id) const;
  int FindVariable(absl::string_view id) const;
  int FindThreshold(absl::string_view id) const;
  int FindLoss(absl::string_view id) const;

  // Members by handle, which must be one of those above.
  const study::v1::Arm& arm(int handle) const { return definition_.arms(handle); }
  const study::v1::Variable& variable(int handle) const { return definition_.variables(handle); }
  const study::v1::Threshold& threshold(int handle) const { return definition_.thresholds(handle); }
  const study::v1::LossCause& loss(int handle) const { return definition_.losses(handle); }
  const study::v1::Rule& rule(int handle) const { return definition_.rules(handle); }
  int control_arm() const { return control_arm_; }

  // Variable that a threshold looks at.
  int ThresholdVariable(int threshold) const;
  // True if `threshold` is for units of `arm`.
  bool AppliesToArm(int threshold, int arm) const;
  // True if `value`, an answer to the threshold's variable, meets it.
  bool Meets(int threshold, const CanonicalValue& value) const;
  // Longest span between looks that a look_interval rule allows; absent without such a rule.
  absl::optional<int> longest_look_interval() const { return longest_look_interval_; }

  // Rules for intake to judge with what is known of the block.
  absl::Span<const CompiledWithinDays> within_days() const { return within_days_; }
  absl::Span<const CompiledNotBefore> not_before() const { return not_before_; }
  absl::Span<const CompiledSameAcrossArms> same_across_arms() const { return same_across_arms_; }
  absl::Span<const CompiledMonotone> monotone() const { return monotone_; }
  absl::Span<const CompiledLookInterval> look_interval() const { return look_interval_; }
  absl::Span<const CompiledUnique> unique_in_study() const { return unique_; }

  // The finding that `rule` was broken: its id, what happened (`happened`, a sentence with the
  // values concerned) followed by the rule's own words, and whether the unit leaves the primary
  // set.
  intake::v1::Finding BrokenRule(int rule, absl::string_view happened) const;

  // Reads and judges everything that can be said of one fact's values without knowing other
  // records: unknown variables, wrong scope or type, units, ranges, codes, lengths, required ones
  // missing, repetitions, and the rules one_of, not_only, range and required_when.
  //
  // `path_prefix` is where the values stand in the record, "observed.values"; problems name paths
  // such as `observed.values[shoot_length].number.unit`. `reading` is cleared first. Does not
  // allocate for a good fact but for growth of `reading`, choices and texts of more than 15 bytes.
  void ReadValues(const google::protobuf::RepeatedPtrField<study::v1::NamedValue>& values,
                  study::v1::Scope scope, absl::string_view path_prefix, Reading* reading,
                  AbsentValue absent = AbsentValue::kIsRefused) const;

  // `value`, an answer to `variable`, as people read it: "12.5 mm", "4 Mar 2027", "water, perlite".
  // For messages.
  std::string Describe(int variable, const CanonicalValue& value) const;

 private:
  friend absl::StatusOr<std::shared_ptr<const CompiledProtocol>> Compile(study::v1::Protocol, int);
  struct CompiledVariable;
  struct CompiledThreshold;
  struct FactRule;
  class Compiler;
  class ValueReader;
  using Handles = absl::flat_hash_map<std::string, int>;

  CompiledProtocol();

  study::v1::Protocol definition_;
  int revision_ = 0;
  absl::CivilDay opens_on_, closes_on_, last_receipt_;
  absl::optional<absl::CivilDay> start_by_, last_start_;
  absl::TimeZone time_zone_;
  int control_arm_ = kNone;
  Handles arms_, variable_handles_, threshold_handles_, losses_;
  std::vector<CompiledVariable> variables_;
  std::vector<CompiledThreshold> thresholds_;
  // Rules on a single fact, and required variables, by scope.
  std::vector<FactRule> fact_rules_[study::v1::Scope_ARRAYSIZE];
  std::vector<int> required_[study::v1::Scope_ARRAYSIZE];
  absl::optional<int> longest_look_interval_;
  std::vector<CompiledWithinDays> within_days_;
  std::vector<CompiledNotBefore> not_before_;
  std::vector<CompiledSameAcrossArms> same_across_arms_;
  std::vector<CompiledMonotone> monotone_;
  std::vector<CompiledLookInterval> look_interval_;
  std::vector<CompiledUnique> unique_;
};

// Prepares `definition`, published as `revision` (from 1; 0 for a dry run). INVALID_ARGUMENT
// (`protocol_has_problems`) if Check finds more than advice, with one violation a problem, whose
// field is the problem's path.
absl::StatusOr<std::shared_ptr<const CompiledProtocol>> Compile(study::v1::Protocol definition,
                                                                int revision);

}  // namespace plumule::protocol
