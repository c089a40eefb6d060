// What the parts of Check share: the list of problems, and the definition's ids.
#pragma once

#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/container/flat_hash_set.h"
#include "absl/strings/string_view.h"
#include "absl/time/civil_time.h"
#include "absl/types/optional.h"
#include "plumule/study/v1/protocol.pb.h"
#include "plumule/study/v1/study_service.pb.h"
#include "server/protocol/check_reasons.h"

namespace plumule::protocol {

// Collects problems in the order in which they are found.
class Report {
 public:
  // `what` is wrong at `path`; `remedy` says what to do. The rest comes from the table.
  void Add(absl::string_view path, ReasonRow reason, std::string what, std::string remedy);
  std::vector<study::v1::Problem> Take() { return std::move(problems_); }

 private:
  std::vector<study::v1::Problem> problems_;
};

// Ids of a definition, for references. Views into the definition, which must outlive it.
struct DefinitionIndex {
  explicit DefinitionIndex(const study::v1::Protocol& protocol);

  const study::v1::Variable* FindVariable(absl::string_view id) const;
  const study::v1::Threshold* FindThreshold(absl::string_view id) const;
  bool HasArm(absl::string_view id) const;
  // True if `variable` is for organizers only.
  bool IsHidden(absl::string_view variable) const;

  const study::v1::Protocol& definition;
  // In the order of the definition, empty ones left out.
  std::vector<absl::string_view> arm_ids, variable_ids, threshold_ids;
  absl::flat_hash_map<absl::string_view, const study::v1::Variable*> variables;
  absl::flat_hash_map<absl::string_view, const study::v1::Threshold*> thresholds;
  absl::flat_hash_set<absl::string_view> arms, hidden;
};

// The checks of each part of a definition.
void CheckWords(const DefinitionIndex& index, Report* report);
void CheckMaterial(const DefinitionIndex& index, Report* report);
void CheckCalendar(const DefinitionIndex& index, Report* report);
void CheckArms(const DefinitionIndex& index, Report* report);
void CheckBlockAndAllocation(const DefinitionIndex& index, Report* report);
void CheckVariables(const DefinitionIndex& index, Report* report);
void CheckThresholds(const DefinitionIndex& index, Report* report);
void CheckLosses(const DefinitionIndex& index, Report* report);
void CheckRules(const DefinitionIndex& index, Report* report);
void CheckAnalyses(const DefinitionIndex& index, Report* report);
void CheckPrivacy(const DefinitionIndex& index, Report* report);

// Whether an id must start with a letter, or may start with a digit as options' codes may.
enum class IdShape { kId, kCode };

// Checks length of a list and the ids of its members, and returns the path of each member that is
// to be checked further: by its id if that is good and new, by its position else.
std::vector<std::string> CheckIds(absl::string_view list, const std::vector<absl::string_view>& ids,
                                  size_t most, IdShape shape, Report* report);

// Reports a list of more than `most` members; returns how many are to be checked further.
int CheckLength(absl::string_view path, int size, int most, Report* report);

// Reports a `tag` that is no BCP 47 tag by its shape; false then.
bool CheckLanguage(absl::string_view path, absl::string_view tag, Report* report);

// Whether words must be there.
enum class Words { kRequired, kOptional };

// Longest text of any kind, in characters.
inline constexpr size_t kLongestText = 20000;

// Checks words and their translations. `most` is the longest text in characters.
void CheckText(const DefinitionIndex& index, absl::string_view path,
               const study::v1::LocalizedText& text, Words presence, Report* report,
               size_t most = kLongestText);

// The day of `text`; reports at `path` if it is no date.
absl::optional<absl::CivilDay> CheckDate(absl::string_view path, absl::string_view text,
                                         Report* report);

// Reports a variable, threshold or arm that does not exist; null or false then.
const study::v1::Variable* CheckVariableReference(const DefinitionIndex& index,
                                                  absl::string_view path, absl::string_view id,
                                                  Report* report);
const study::v1::Threshold* CheckThresholdReference(const DefinitionIndex& index,
                                                    absl::string_view path, absl::string_view id,
                                                    Report* report);

// Reports at `path` a unit that is missing or unknown; false then.
bool CheckUnit(absl::string_view path, absl::string_view unit, Report* report);

// The canonical value of `quantity` in `canonical` (empty quantity unit: canonical). Reports below
// `path`, and is absent, if it is not finite or its unit does not convert.
absl::optional<double> CheckQuantity(absl::string_view path, const study::v1::Quantity& quantity,
                                     absl::string_view canonical, Report* report);

// Checks that `codes` are options of the choice or country `variable`, at least one, none twice.
// True if all are good.
bool CheckCodes(absl::string_view path, const study::v1::Variable& variable,
                const google::protobuf::RepeatedPtrField<std::string>& codes, Report* report);

// "number", "choice" …; "nothing" without a type.
absl::string_view TypeName(const study::v1::Variable& variable);
// "grower", "block", "unit", "observation".
absl::string_view ScopeName(study::v1::Scope scope);

// `path.field`.
std::string At(absl::string_view path, absl::string_view field);
// `path[position]`.
std::string At(absl::string_view path, int position);

}  // namespace plumule::protocol
