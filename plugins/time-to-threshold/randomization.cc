#include "plugins/stats/randomization.h"

#include <algorithm>
#include <cstdint>
#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

// Arrangements that are drawn where they are too many to list: fewer for large studies, so that the
// test takes a fraction of a second.
constexpr std::int64_t kMostDraws = 9999;
constexpr std::int64_t kFewestDraws = 999;
constexpr double kMostDrawnUnits = 2e8;

std::int64_t DrawsFor(std::size_t units) {
  const auto draws = static_cast<std::int64_t>(kMostDrawnUnits / static_cast<double>(units));
  return std::clamp(draws, kFewestDraws, kMostDraws);
}

absl::Status TestArm(const Question& question, const SurvivalRows& rows, int arm,
                     std::uint64_t seed, sdk::ResultBuilder& builder) {
  const SurvivalRows pair = rows.Pair(arm, question.control());
  const stats::Survival data = pair.view();
  if (pair.units(0) == 0 || pair.units(1) == 0) return absl::OkStatus();
  const auto scores = stats::RestrictedMeanScores(data.time, data.event, question.horizon);
  if (!scores.ok()) return scores.status();
  std::vector<std::uint8_t> treated;
  treated.reserve(data.units());
  for (const std::int32_t position : data.arm) treated.push_back(position == 1 ? 1 : 0);
  const auto found = stats::TestRandomizationWithinBlock(
      {.score = *scores, .treated = treated, .block = data.block},
      {.draws = DrawsFor(data.units()), .seed = seed});
  if (!found.ok()) return found.status();
  auto test =
      sdk::MakeTest(question, "randomization_within_block", found->exact ? "exact" : "monte_carlo",
                    arm, analysis::v1::STANDING_SECONDARY);
  if (!found->p_value) {
    builder.Warn("nothing_to_exchange",
                 absl::StrCat("No block has ", question.noun.plural, " of both ",
                              question.Quoted(arm), " and ", question.Quoted(question.control()),
                              " that fared differently, so exchanging their arms changes nothing "
                              "and the test by randomization can't be had."));
    builder.Add(std::move(test), "nothing_to_exchange");
    return absl::OkStatus();
  }
  test.set_statistic(found->difference);
  test.set_p_value(*found->p_value);
  builder.Add(std::move(test));
  return absl::OkStatus();
}

}  // namespace

absl::Status AddRandomizationTests(const Question& question, const sdk::AnalysisInput& input,
                                   const SurvivalRows& rows, sdk::ResultBuilder& builder) {
  if (input.setup.protocol().allocation().method() == study::v1::ALLOCATION_METHOD_GROWER_CHOOSES) {
    return absl::OkStatus();  // nothing was drawn; the assumptions say so
  }
  for (const int arm : question.treatments) {
    const auto seed = static_cast<std::uint64_t>(input.setup.seed());
    if (auto status = TestArm(question, rows, arm, seed, builder); !status.ok()) return status;
  }
  builder.Cite("Fisher RA (1935). The Design of Experiments. Oliver & Boyd, Edinburgh", "",
               "randomization test within blocks");
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
