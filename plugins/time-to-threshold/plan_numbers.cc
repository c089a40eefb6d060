#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/judgement.h"
#include "plugins/stats/arguments.h"
#include "plugins/time-to-threshold/plan.h"

namespace plumule::time_to_threshold {
namespace {

using stats::PlannedTest;

constexpr PlannedTest kPrimary = PlannedTest::kRestrictedMeanDifference;
// Units of all simulated studies of one number of blocks: a few seconds' work.
constexpr double kMostUnits = 6e6;
constexpr int kFewestReplicates = 200;
constexpr int kSteps = 3;  // of the search for the number of blocks
// Points of the power curve beside the number at issue, as shares of it.
constexpr double kCurve[] = {0.5, 0.75, 1.5, 2.0};

// Simulates numbers of blocks, each once, and tells how far all of it is.
class Simulator {
 public:
  Simulator(const PlanQuestion& question, const sdk::Progress& progress)
      : question_(question), design_(DesignOf(question.expected)), progress_(progress) {}

  // Studies of that size that can be simulated in reasonable time; 0: too large.
  int Replicates(std::int64_t blocks) const {
    const double units = 2.0 * static_cast<double>(blocks) * design_.units_per_arm;
    const double affordable = std::min<double>(question_.replicates, kMostUnits / units);
    return affordable < kFewestReplicates && affordable < question_.replicates
               ? 0
               : static_cast<int>(affordable);
  }

  // Adds what it finds to `simulated`, unless that number of blocks is there.
  absl::Status Add(std::int64_t blocks, std::vector<SimulatedBlocks>& simulated) {
    const auto same = [blocks](const SimulatedBlocks& one) { return one.blocks == blocks; };
    if (std::any_of(simulated.begin(), simulated.end(), same)) return absl::OkStatus();
    const int replicates = Replicates(blocks);
    if (replicates == 0) return absl::OkStatus();
    stats::SimulationOptions options;
    options.blocks = static_cast<int>(blocks);
    options.replicates = replicates;
    options.seed = static_cast<std::uint64_t>(question_.seed);
    options.alpha = question_.alpha;
    const std::string doing = absl::StrCat("simulating studies of ", blocks, " blocks");
    options.go_on = [&, shown = -1](int done) mutable {
      const int twentieth = 20 * done / replicates;
      if (twentieth > shown) {
        shown = twentieth;
        progress_((static_cast<double>(runs_) + static_cast<double>(done) / replicates) / kRuns,
                  doing);
      }
      return true;
    };
    auto found = stats::Simulate(design_, options);
    if (!found.ok()) return found.status();
    runs_ = std::min(runs_ + 1, kRuns - 1);
    simulated.push_back({blocks, *std::move(found)});
    std::sort(
        simulated.begin(), simulated.end(),
        [](const SimulatedBlocks& a, const SimulatedBlocks& b) { return a.blocks < b.blocks; });
    return absl::OkStatus();
  }

 private:
  static constexpr int kRuns = kSteps + 1 + static_cast<int>(std::size(kCurve));
  const PlanQuestion& question_;
  const stats::SurvivalDesign design_;
  const sdk::Progress& progress_;
  int runs_ = 0;
};

double PowerIn(const std::vector<SimulatedBlocks>& simulated, std::int64_t blocks) {
  for (const SimulatedBlocks& one : simulated) {
    if (one.blocks == blocks) return one.found.restricted_mean.power;
  }
  return 0;
}

// The number of blocks whose simulated power comes nearest to the wanted one: from the formula's
// number on, each step scales the blocks by the square of the ratio of the distances, wanted and
// found, that the power stands for under a normal distribution.
absl::StatusOr<std::optional<double>> Search(const PlanQuestion& question, double formula,
                                             Simulator& simulator,
                                             std::vector<SimulatedBlocks>& simulated) {
  const double z_alpha = stats::TwoSidedNormalQuantile(1 - question.alpha);
  const auto distance = [&](double power) {
    const double beyond = stats::TwoSidedNormalQuantile(std::max(std::abs(2 * power - 1), 1e-9));
    return z_alpha + (power < 0.5 ? -beyond : beyond);
  };
  auto blocks = static_cast<std::int64_t>(formula);
  for (int step = 0; step < kSteps; ++step) {
    if (simulator.Replicates(blocks) == 0) return std::optional<double>();
    if (auto status = simulator.Add(blocks, simulated); !status.ok()) return status;
    const double found = std::clamp(PowerIn(simulated, blocks), 0.02, 0.98);
    const double ratio = distance(question.power) / distance(found);
    const auto next = std::max<std::int64_t>(
        2, std::llround(static_cast<double>(blocks) * std::clamp(ratio * ratio, 0.5, 2.0)));
    if (std::abs(found - question.power) < 0.01 || next == blocks) break;
    blocks = next;
  }
  if (auto status = simulator.Add(blocks, simulated); !status.ok()) return status;
  return std::optional<double>(static_cast<double>(blocks));
}

// The expectations that are worth changing, one at a time.
std::vector<std::pair<std::string, Expectations>> Alternatives(const PlanQuestion& question) {
  std::vector<std::pair<std::string, Expectations>> alternatives;
  const Expectations& it = question.expected;
  const auto add = [&](std::string words, auto change) {
    Expectations changed = it;
    change(changed);
    alternatives.emplace_back(std::move(words), changed);
  };
  add("the effect is half as large", [](Expectations& e) { e.sooner_days /= 2; });
  add("the effect is a quarter larger", [](Expectations& e) { e.sooner_days *= 1.25; });
  if (it.never_share <= 0.8 && it.treated_never_share <= 0.8) {
    add(absl::StrCat("10 more of 100 ", question.noun.plural, " never make it"),
        [](Expectations& e) {
          e.never_share += 0.1;
          e.treated_never_share += 0.1;
        });
  }
  add("growers differ twice as much", [](Expectations& e) { e.grower_days *= 2; });
  add(absl::StrCat(question.noun.plural, " of one block vary half as much again"),
      [](Expectations& e) { e.late_days = e.control_days + 1.5 * (e.late_days - e.control_days); });
  if (it.lost_share <= 0.45 && it.silent_share <= 0.45) {
    add("twice as many are lost or silent", [](Expectations& e) {
      e.lost_share *= 2;
      e.silent_share *= 2;
    });
  }
  if (it.look_days > 1) add("growers look every day", [](Expectations& e) { e.look_days = 1; });
  add(absl::StrCat("a block has one more ", question.noun.singular, " of each arm"),
      [](Expectations& e) { ++e.units_per_arm; });
  return alternatives;
}

absl::StatusOr<std::vector<WhatIf>> AskWhatIf(const PlanQuestion& question, std::int64_t blocks) {
  std::vector<WhatIf> found;
  for (auto& [words, expected] : Alternatives(question)) {
    const stats::SurvivalDesign design = DesignOf(expected);
    if (!stats::Validate(design).ok()) continue;  // more than any study could be
    const auto seen = stats::Expect(design);
    if (!seen.ok()) return seen.status();
    const auto needed = stats::BlocksFor(*seen, kPrimary, question.power, question.alpha);
    if (!needed.ok()) return needed.status();
    const auto power = stats::PowerWith(*seen, kPrimary, blocks, question.alpha);
    if (!power.ok()) return power.status();
    found.push_back({words, needed->value, power->value});
  }
  return found;
}

absl::Status FindBlocks(const PlanQuestion& question, Simulator& simulator, PlanNumbers& numbers,
                        sdk::ResultBuilder& builder) {
  const auto formula = stats::BlocksFor(numbers.expected, kPrimary, question.power, question.alpha);
  if (!formula.ok()) return formula.status();
  numbers.formula_blocks = formula->value;
  if (!formula->value) {
    builder.Warn(
        "power_out_of_reach",
        absl::StrCat("No number of blocks gives the wanted power: ", formula->reason, "."));
  } else {
    auto searched = Search(question, *formula->value, simulator, numbers.simulated);
    if (!searched.ok()) return searched.status();
    numbers.simulated_blocks = *searched;
  }
  numbers.blocks = question.blocks > 0
                       ? question.blocks
                       : static_cast<std::int64_t>(
                             numbers.simulated_blocks.value_or(numbers.formula_blocks.value_or(0)));
  return absl::OkStatus();
}

}  // namespace

const stats::Simulation* PlanNumbers::at_issue() const {
  for (const SimulatedBlocks& one : simulated) {
    if (one.blocks == blocks) return &one.found;
  }
  return nullptr;
}

absl::StatusOr<PlanNumbers> WorkOut(const PlanQuestion& question, const sdk::Progress& progress,
                                    sdk::ResultBuilder& builder) {
  const stats::SurvivalDesign design = DesignOf(question.expected);
  auto expected = stats::Expect(design);
  if (!expected.ok()) return expected.status();
  PlanNumbers numbers;
  numbers.expected = *std::move(expected);
  Simulator simulator(question, progress);
  if (auto status = FindBlocks(question, simulator, numbers, builder); !status.ok()) return status;
  if (numbers.blocks == 0) return numbers;

  if (simulator.Replicates(numbers.blocks) == 0) {
    builder.Warn("simulation_left_out",
                 absl::StrCat("Studies of ", numbers.blocks,
                              " blocks are too large to be simulated here; the figures by formula "
                              "stand alone."));
  }
  if (auto status = simulator.Add(numbers.blocks, numbers.simulated); !status.ok()) return status;
  for (const double share : kCurve) {
    const auto blocks =
        std::max<std::int64_t>(2, std::llround(share * static_cast<double>(numbers.blocks)));
    if (auto status = simulator.Add(blocks, numbers.simulated); !status.ok()) return status;
  }
  if (question.expected.sooner_days > 0) {
    const auto ratio = stats::SmallestHazardRatio(design, kPrimary, numbers.blocks, question.power,
                                                  question.alpha);
    if (!ratio.ok()) return ratio.status();
    if (ratio->value) numbers.detectable_days = SoonerDays(question.expected, *ratio->value);
  }
  auto what_if = AskWhatIf(question, numbers.blocks);
  if (!what_if.ok()) return what_if.status();
  numbers.what_if = *std::move(what_if);
  if (numbers.blocks < sdk::kComfortableBlocks) {
    builder.Warn("few_blocks", absl::StrCat("With ", numbers.blocks,
                                            " blocks intervals are too narrow for what "
                                            "they claim, and with fewer than ",
                                            sdk::kFewestBlocks, " nothing is concluded; plan for ",
                                            sdk::kComfortableBlocks, " at least."));
  }
  return numbers;
}

}  // namespace plumule::time_to_threshold
