#include "plugins/stats/survival_simulation.h"

#include <atomic>
#include <cmath>
#include <cstddef>
#include <mutex>
#include <thread>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/compensated_sum.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/restricted_mean.h"
#include "plugins/stats/survival.h"
#include "plugins/stats/survival_draw.h"

namespace plumule::stats {
namespace {

// What an analysis says of one study.
struct Answer {
  bool given = false;
  bool significant = false;
  double estimate = 0;
  Interval limits = {};
};

Answer AnswerOf(double estimate, double error, double p_value, double alpha) {
  const double half_width = TwoSidedNormalQuantile(1 - alpha) * error;
  return {.given = true,
          .significant = p_value < alpha,
          .estimate = estimate,
          .limits = {.lower = estimate - half_width, .upper = estimate + half_width}};
}

// Both arms have units, and arguments have been checked, so the analyses have no errors to report.
Answer ByRestrictedMean(const Survival& data, double horizon, double alpha) {
  const RestrictedMeanContrast contrast =
      CompareRestrictedMeans(data, SurvivalDraw::kTreatment, SurvivalDraw::kControl, horizon,
                             ErrorModel::kClusterRobust, 1 - alpha)
          .value();
  if (!contrast.difference_p_value) return {};
  return AnswerOf(contrast.difference, contrast.difference_standard_error,
                  *contrast.difference_p_value, alpha);
}

Answer ByLogRank(const Survival& data, double alpha) {
  const LogRank log_rank = TestLogRank(data, Stratification::kByBlock).value();
  if (!log_rank.test.p_value) return {};
  const double excess = static_cast<double>(log_rank.observed[SurvivalDraw::kTreatment]) -
                        log_rank.expected[SurvivalDraw::kTreatment];
  const double variance = log_rank.covariance.back();
  return AnswerOf(excess / variance, 1 / std::sqrt(variance), *log_rank.test.p_value, alpha);
}

struct Answers {
  Answer restricted_mean = {};
  Answer log_rank = {};
};

// Shares replicates among threads, whoever is free takes the next.
class Runner {
 public:
  Runner(const SurvivalDesign& design, const SimulationOptions& options)
      : design_(design),
        options_(options),
        answers_(static_cast<std::size_t>(options.replicates)) {}

  // False when it was stopped.
  bool Run() {
    {
      std::vector<std::jthread> others;
      for (int i = 1; i < options_.threads; ++i) others.emplace_back([this] { Work(); });
      Work();
    }
    return !stopped_;
  }

  const std::vector<Answers>& answers() const { return answers_; }

 private:
  void Work() {
    SurvivalDraw study(design_, options_.blocks);
    for (int replicate = next_++; replicate < options_.replicates && !stopped_;
         replicate = next_++) {
      study.Draw(options_.seed, replicate);
      const Survival data = study.view();
      answers_[static_cast<std::size_t>(replicate)] = {
          .restricted_mean = ByRestrictedMean(data, design_.horizon, options_.alpha),
          .log_rank = ByLogRank(data, options_.alpha)};
      Report();
    }
  }

  void Report() {
    if (!options_.go_on) return;
    const std::lock_guard lock(reporting_);
    if (!stopped_ && !options_.go_on(++done_)) stopped_ = true;
  }

  const SurvivalDesign& design_;
  const SimulationOptions& options_;
  std::vector<Answers> answers_;
  std::atomic<int> next_ = 0;
  std::atomic<bool> stopped_ = false;
  std::mutex reporting_;
  int done_ = 0;
};

SimulatedTest Summarize(const std::vector<Answers>& answers, Answer Answers::*analysis) {
  const auto replicates = static_cast<double>(answers.size());
  double significant = 0, given = 0;
  CompensatedSum estimates, widths;
  for (const Answers& all : answers) {
    const Answer& answer = all.*analysis;
    if (!answer.given) continue;
    ++given;
    significant += answer.significant;
    estimates.Add(answer.estimate);
    widths.Add(answer.limits.upper - answer.limits.lower);
  }
  SimulatedTest test{.power = significant / replicates, .no_answer = 1 - given / replicates};
  test.power_error = std::sqrt(test.power * (1 - test.power) / replicates);
  if (given == 0) return test;
  test.mean_estimate = estimates.value() / given;
  test.mean_width = widths.value() / given;
  if (given == 1) return test;
  CompensatedSum squares;
  for (const Answers& all : answers) {
    const Answer& answer = all.*analysis;
    if (answer.given) squares.Add(std::pow(answer.estimate - *test.mean_estimate, 2));
  }
  test.mean_estimate_error = std::sqrt(squares.value() / (given - 1) / given);
  return test;
}

std::optional<double> Coverage(const std::vector<Answers>& answers, double true_difference) {
  double given = 0, covered = 0;
  for (const Answers& all : answers) {
    const Answer& answer = all.restricted_mean;
    if (!answer.given) continue;
    ++given;
    covered += answer.limits.lower <= true_difference && true_difference <= answer.limits.upper;
  }
  if (given == 0) return std::nullopt;
  return covered / given;
}

absl::Status CheckWhole(const char* field, int value, int most) {
  if (value >= 1 && value <= most) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat(field, " is ", value, "; it must lie between 1 and ", most));
}

}  // namespace

absl::StatusOr<Simulation> Simulate(const SurvivalDesign& design,
                                    const SimulationOptions& options) {
  for (const absl::Status& status :
       {CheckWhole("blocks", options.blocks, kMostSimulatedBlocks),
        CheckWhole("replicates", options.replicates, kMostReplicates),
        CheckWhole("threads", options.threads, 2), CheckAlpha(options.alpha)}) {
    if (!status.ok()) return status;
  }
  const absl::StatusOr<ExpectedDesign> expected = Expect(design);
  if (!expected.ok()) return expected.status();

  Runner runner(design, options);
  if (!runner.Run()) return absl::CancelledError("the simulation was stopped");
  Simulation simulation{.restricted_mean = Summarize(runner.answers(), &Answers::restricted_mean),
                        .log_rank = Summarize(runner.answers(), &Answers::log_rank),
                        .true_difference = expected->difference};
  simulation.coverage = Coverage(runner.answers(), expected->difference);
  return simulation;
}

}  // namespace plumule::stats
