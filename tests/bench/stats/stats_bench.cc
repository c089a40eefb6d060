// Time of the survival passes on a study of 100,000 growers with two units each, as a function of
// size. With PLUMULE_BENCH_CSV naming a file of time,event,arm,block rows (as against_r.R writes
// it) that study is used instead, so that other software can be timed on the same rows.
#include <benchmark/benchmark.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <vector>

#include "plugins/stats/cox.h"
#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/proportional_hazards.h"
#include "plugins/stats/restricted_mean.h"

namespace plumule::stats {
namespace {

struct Study {
  std::vector<double> time;
  std::vector<std::uint8_t> event;
  std::vector<std::int32_t> arm;
  std::vector<std::int32_t> block;

  Survival view() const {
    return {.time = time, .event = event, .arm = arm, .block = block, .arms = 2};
  }
};

// Two arms a block, grower frailty, looks every third day to day 60, some lost on the way.
Study DrawStudy(int blocks) {
  std::mt19937_64 random(20270304);
  std::gamma_distribution<double> frailty(2, 0.5);
  std::exponential_distribution<double> exponential(1);
  std::uniform_real_distribution<double> uniform(10, 90);
  Study study;
  for (int block = 0; block < blocks; ++block) {
    const double rate = frailty(random) / 20;
    for (int arm = 0; arm < 2; ++arm) {
      const double reached = exponential(random) / (rate * std::exp(0.4 * arm));
      const double stop = std::min(60.0, uniform(random));
      study.time.push_back(3 * std::ceil(std::min(reached, stop) / 3));
      study.event.push_back(reached <= stop ? 1 : 0);
      study.arm.push_back(arm);
      study.block.push_back(block);
    }
  }
  return study;
}

Study ReadStudy(const char* path) {
  Study study;
  std::FILE* file = std::fopen(path, "r");
  if (file == nullptr) {
    std::fprintf(stderr, "cannot read %s\n", path);
    std::exit(2);
  }
  double time = 0;
  int event = 0, arm = 0, block = 0;
  while (std::fscanf(file, "%lf,%d,%d,%d", &time, &event, &arm, &block) == 4) {
    study.time.push_back(time);
    study.event.push_back(static_cast<std::uint8_t>(event));
    study.arm.push_back(arm);
    study.block.push_back(block);
  }
  std::fclose(file);
  return study;
}

Study StudyOf(const benchmark::State& state) {
  const char* path = std::getenv("PLUMULE_BENCH_CSV");
  return path == nullptr ? DrawStudy(static_cast<int>(state.range(0))) : ReadStudy(path);
}

template <typename Analysis>
void Measure(benchmark::State& state, Analysis analysis) {
  const Study study = StudyOf(state);
  for (auto _ : state) benchmark::DoNotOptimize(analysis(study.view()));
  state.SetItemsProcessed(state.iterations() * static_cast<std::int64_t>(study.time.size()));
  state.SetComplexityN(state.range(0));
}

void KaplanMeierCurves(benchmark::State& state) {
  Measure(state, [](const Survival& data) { return KaplanMeierByArm(data); });
}
void LogRankStratified(benchmark::State& state) {
  Measure(state, [](const Survival& data) { return TestLogRank(data, Stratification::kByBlock); });
}
void CoxStratifiedExact(benchmark::State& state) {
  Measure(state, [](const Survival& data) { return FitCox(data, 0, {}); });
}
void CoxStratifiedBreslow(benchmark::State& state) {
  Measure(state, [](const Survival& data) { return FitCox(data, 0, {.ties = Ties::kBreslow}); });
}
void CoxRobust(benchmark::State& state, Ties ties) {
  Measure(state, [ties](const Survival& data) {
    return FitCox(data, 0, {.ties = ties, .strata = Stratification::kNone, .cluster_robust = true});
  });
}
void PetoPeto(benchmark::State& state) {
  Measure(state, [](const Survival& data) { return TestPetoPeto(data); });
}
void HazardDrift(benchmark::State& state, Stratification strata) {
  Measure(state, [strata](const Survival& data) {
    return TestProportionalHazards(data, 0, strata, TimeScale::kKaplanMeier);
  });
}
void RestrictedMeanRobust(benchmark::State& state) {
  Measure(state, [](const Survival& data) {
    return CompareRestrictedMeans(data, 1, 0, 45, ErrorModel::kClusterRobust);
  });
}

// Blocks; two units each. 500,000 blocks are 10⁶ units.
void Sizes(benchmark::internal::Benchmark* benchmark) {
  benchmark->Arg(1000)->Arg(10000)->Arg(100000)->Arg(500000)->Unit(benchmark::kMillisecond);
  benchmark->Complexity(benchmark::oNLogN);
}

BENCHMARK(KaplanMeierCurves)->Apply(Sizes);
BENCHMARK(LogRankStratified)->Apply(Sizes);
BENCHMARK(CoxStratifiedExact)->Apply(Sizes);
BENCHMARK(CoxStratifiedBreslow)->Apply(Sizes);
BENCHMARK_CAPTURE(CoxRobust, efron, Ties::kEfron)->Apply(Sizes);
BENCHMARK_CAPTURE(CoxRobust, breslow, Ties::kBreslow)->Apply(Sizes);
BENCHMARK(PetoPeto)->Apply(Sizes);
BENCHMARK_CAPTURE(HazardDrift, by_block, Stratification::kByBlock)->Apply(Sizes);
BENCHMARK_CAPTURE(HazardDrift, overall, Stratification::kNone)->Apply(Sizes);
BENCHMARK(RestrictedMeanRobust)->Apply(Sizes);

}  // namespace
}  // namespace plumule::stats

BENCHMARK_MAIN();
