#ifndef PLUMULE_PLUGINS_SDK_RESULT_BUILDER_H_
#define PLUMULE_PLUGINS_SDK_RESULT_BUILDER_H_

#include <set>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/container/flat_hash_set.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/result.pb.h"

namespace plumule::sdk {

// A number of an estimate or test, as it is to stand in a sentence.
struct Number {
  std::string source;  // id that Add() returned
  analysis::v1::QuotedField field = analysis::v1::QUOTED_FIELD_VALUE;
  int decimals = 0;       // 0 to 6
  double factor = 1;      // 100 for percent
  bool absolute = false;  // the words carry the sign
};

// What stands for a `$0` … `$9` of a template: words, or a number bound to its source.
using Slot = std::variant<std::string, Number>;

// Collects a Result that the schema and the host accept.
//
// Numbers that are NaN or infinite become absent. Whatever is absent needs a reason for which there
// is a warning: an estimate without a value, or one whose limit got lost, names it in
// `absent_because`, and Finish() fails without such a warning. Words can't drift from numbers:
// sentences take theirs from estimates by id. Mistakes of the plugin (a repeated id, a quote of an
// absent number, a value outside its limits without a warning `estimate_outside_limits` that holds
// its id …) are collected and reported by Finish() as
// INTERNAL, one line each. Not thread-safe.
class ResultBuilder {
 public:
  // Adds and returns the id; an empty id is made from measure, method, arms, subgroup, at and set.
  std::string Add(analysis::v1::Estimate estimate, absl::string_view absent_because = "");
  std::string Add(analysis::v1::Test test, absl::string_view absent_because = "");

  // A sentence of the findings. `text` holds $0 … $9, each for the slot of that position; $$ is a
  // dollar sign.
  void Say(absl::string_view text, const std::vector<Slot>& slots = {});

  // Repeats of the same reason and message are dropped.
  void Warn(absl::string_view reason, absl::string_view message);
  void Flow(analysis::v1::FlowStep step);
  void Assume(absl::string_view what, absl::string_view check, analysis::v1::Verdict verdict,
              absl::string_view consequence);
  void Add(analysis::v1::Table table);
  void Add(analysis::v1::Figure figure);
  // Dropped when value or variance is not finite or the variance is not above 0.
  void Pool(analysis::v1::PoolableEffect effect);
  // Repeats of the same citation are dropped.
  void Cite(absl::string_view citation, absl::string_view doi, absl::string_view used_for);
  void MethodStatement(absl::string_view text);

  // The estimate as added, or null.
  const analysis::v1::Estimate* Find(absl::string_view id) const;

  // The result, with `status`. INTERNAL: see above. The builder is empty afterwards.
  absl::StatusOr<analysis::v1::Result> Finish(analysis::v1::ResultStatus status);

 private:
  struct Explanation {
    std::string id;
    std::string reason;
  };
  void Mistake(std::string words);
  std::string Claim(std::string id);
  void CheckEstimate(const analysis::v1::Estimate& estimate);
  std::string Fill(const Number& number, analysis::v1::Sentence& sentence);
  void CheckExplanations();
  void CheckLimits();

  analysis::v1::Result result_;
  absl::flat_hash_set<std::string> ids_;
  absl::flat_hash_map<std::string, int> estimates_;  // id → position
  absl::flat_hash_map<std::string, int> tests_;
  std::vector<Explanation> unexplained_;
  std::set<std::pair<std::string, std::string>> warned_;
  std::vector<std::string> mistakes_;
};

// Table cells.
analysis::v1::Cell TextCell(absl::string_view text);
analysis::v1::Cell NumberCell(double number);  // empty where not finite
analysis::v1::Cell CountCell(std::int64_t count);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_RESULT_BUILDER_H_
