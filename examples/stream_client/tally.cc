#include "examples/stream_client/tally.h"

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"

namespace plumule::stream_client {
namespace {

constexpr std::size_t kRefusalsShown = 10;

std::string Row(const char* what, std::size_t count, const std::string& more = "") {
  return absl::StrFormat("  %-16s%8d%s%s\n", what, count, more.empty() ? "" : "   ", more);
}

}  // namespace

void Tally::Add(const intake::v1::Receipt& receipt) {
  const std::size_t place = answered_++;
  if (receipt.repeated()) ++duplicates_;
  switch (receipt.judgement().outcome()) {
    case intake::v1::OUTCOME_TAKEN:
      ++taken_;
      break;
    case intake::v1::OUTCOME_DEVIATION:
      ++with_deviations_;
      for (const auto& finding : receipt.judgement().deviations()) ++by_rule_[finding.rule()];
      break;
    case intake::v1::OUTCOME_PENDING:
      pending_.push_back(place);
      break;
    default:
      ++refused_;
      if (first_refused_.size() < kRefusalsShown) {
        first_refused_.push_back({place, receipt.judgement()});
      }
  }
}

std::string Tally::Counts(const std::string& of_pending) const {
  return absl::StrCat(
      Row("taken", taken_),
      Row("with deviations", with_deviations_,
          absl::StrJoin(by_rule_, ", ", absl::PairFormatter(" "))),
      Row("pending", pending_.size(), of_pending), Row("refused", refused_),
      Row("duplicates", duplicates_, duplicates_ == 0 ? "" : "counted above; sent before"));
}

std::string Tally::Refusals(const std::vector<Line>& lines) const {
  std::string text;
  for (const Refusal& refusal : first_refused_) {
    absl::StrAppend(&text, "line ", lines[refusal.place].number, " refused\n");
    for (const auto& problem : refusal.judgement.problems()) {
      absl::StrAppend(&text, "  ", problem.field(), ": ", problem.message(), " (", problem.reason(),
                      ")\n    ", problem.remedy(), "\n");
    }
  }
  if (refused_ > first_refused_.size()) {
    absl::StrAppend(&text, "and ", refused_ - first_refused_.size(), " more refused\n");
  }
  return text;
}

}  // namespace plumule::stream_client
