#include "server/protocol/check.h"

#include <algorithm>

#include "server/protocol/report.h"

namespace plumule::protocol {

std::vector<study::v1::Problem> Check(const study::v1::Protocol& definition) {
  const DefinitionIndex index(definition);
  Report report;
  CheckWords(index, &report);
  CheckCalendar(index, &report);
  CheckArms(index, &report);
  CheckBlockAndAllocation(index, &report);
  CheckVariables(index, &report);
  CheckThresholds(index, &report);
  CheckLosses(index, &report);
  CheckRules(index, &report);
  CheckAnalyses(index, &report);
  CheckPrivacy(index, &report);
  CheckMaterial(index, &report);
  return report.Take();
}

bool CanBePublished(absl::Span<const study::v1::Problem> problems) {
  return std::all_of(problems.begin(), problems.end(),
                     [](const study::v1::Problem& problem) { return problem.advice(); });
}

}  // namespace plumule::protocol
