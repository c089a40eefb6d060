#include "clients/cli/print/problem_text.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "clients/cli/print/result_text.h"

namespace plumule::cli {
namespace {

void Write(const study::v1::Problem& problem, std::string* out) {
  absl::StrAppend(out, problem.path().empty() ? "(the whole definition)" : problem.path(), "  [",
                  problem.reason(), "]\n", Wrapped(problem.what(), 2));
  if (!problem.why().empty())
    absl::StrAppend(out, Wrapped(absl::StrCat("Why: ", problem.why()), 2));
  if (!problem.remedy().empty()) {
    absl::StrAppend(out, Wrapped(absl::StrCat("Do: ", problem.remedy()), 2));
  }
  absl::StrAppend(out, "\n");
}

std::string Counted(int64_t count, const char* one, const char* many) {
  return absl::StrCat(count, " ", count == 1 ? one : many);
}

}  // namespace

std::string ProblemText(const std::vector<study::v1::Problem>& problems) {
  const auto advice = std::count_if(problems.begin(), problems.end(),
                                    [](const auto& problem) { return problem.advice(); });
  const auto wrong = static_cast<int64_t>(problems.size()) - advice;
  std::string out;
  for (const auto& problem : problems) {
    if (!problem.advice()) Write(problem, &out);
  }
  if (advice > 0) absl::StrAppend(&out, "Advice (does not stop publishing)\n\n");
  for (const auto& problem : problems) {
    if (problem.advice()) Write(problem, &out);
  }
  if (wrong > 0) {
    absl::StrAppend(&out, Counted(wrong, "problem", "problems"),
                    " to mend before this can be "
                    "published");
  } else {
    absl::StrAppend(&out, "This definition can be published");
  }
  if (advice > 0) absl::StrAppend(&out, "; ", Counted(advice, "piece", "pieces"), " of advice");
  absl::StrAppend(&out, ".\n");
  return out;
}

}  // namespace plumule::cli
