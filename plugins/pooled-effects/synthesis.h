#ifndef PLUMULE_PLUGINS_POOLED_EFFECTS_SYNTHESIS_H_
#define PLUMULE_PLUGINS_POOLED_EFFECTS_SYNTHESIS_H_

#include <optional>
#include <string>
#include <vector>

#include "plugins/pooled-effects/studies.h"
#include "plugins/sdk/result_builder.h"
#include "plugins/stats/pooled.h"

namespace plumule::pooled_effects {

// What is pooled and how.
struct Synthesis {
  Studies studies;
  std::string measure;
  std::string unit;
  bool is_log = false;  // a logarithm of a ratio: shown as the ratio too
  double level = 0.95;
  stats::TauSquaredMethod tau_squared = stats::TauSquaredMethod::kReml;
  stats::PooledErrors errors = stats::PooledErrors::kHartungKnappSafeguarded;
  stats::PredictionConvention prediction = stats::PredictionConvention::kTKMinusTwo;
  std::string prediction_name;

  int k() const { return static_cast<int>(studies.size()); }
};

// What was found: the parts that words and figures need.
struct Synthesized {
  stats::Pooled primary;
  std::string pooled_id;  // pooled_effect, primary
  std::string ratio_id;   // pooled_ratio, primary; empty unless is_log
  std::string i_squared_id;
  std::string prediction_id;  // empty if there is none
  std::optional<stats::Interval> prediction;
};

// "reml_hartung_knapp", "reml", "inverse_variance_common".
std::string MethodName(stats::TauSquaredMethod method, stats::PooledErrors errors);

// --- findings.cc ---

void SayFindings(const Synthesis& synthesis, const Synthesized& found, sdk::ResultBuilder& builder);
// One row a study, then the pooled effect and, if there is one, the prediction interval; at most
// 100 studies.
void AddForest(const Synthesis& synthesis, const Synthesized& found, sdk::ResultBuilder& builder);
void AddMethod(const Synthesis& synthesis, sdk::ResultBuilder& builder);

}  // namespace plumule::pooled_effects

#endif  // PLUMULE_PLUGINS_POOLED_EFFECTS_SYNTHESIS_H_
