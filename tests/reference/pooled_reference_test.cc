// Synthesis against R's metafor package: rma, predict, confint, leave1out, cumul.
#include <gtest/gtest.h>

#include <map>
#include <string>
#include <vector>

#include "plugins/stats/pooled.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

// metafor's fits stop at an absolute change of 1e-12 in τ², but its root finders and its Fisher
// scoring near τ² = 0 stop earlier in relative terms; 1e-8 is zero for a variance of effects.
constexpr Tolerance kTauSquared{.relative = 1e-6, .zero = 1e-8};

std::vector<st::Effect> Studies(const json& figures) {
  std::vector<st::Effect> studies;
  for (std::size_t i = 0; i < figures.at("yi").size(); ++i) {
    studies.push_back({.estimate = figures.at("yi").at(i).get<double>(),
                       .variance = figures.at("vi").at(i).get<double>()});
  }
  return studies;
}

st::TauSquaredMethod MethodOf(const std::string& name) {
  static const std::map<std::string, st::TauSquaredMethod> methods = {
      {"EE", st::TauSquaredMethod::kCommonEffect},
      {"DL", st::TauSquaredMethod::kDerSimonianLaird},
      {"PM", st::TauSquaredMethod::kPauleMandel},
      {"REML", st::TauSquaredMethod::kReml}};
  return methods.at(name);
}

void ComparePrediction(Tally& tally, const std::string& name, const st::Pooled& pooled,
                       st::PredictionConvention convention, const json& theirs,
                       Tolerance tolerance) {
  if (theirs.is_null()) return;
  const auto ours = st::PredictionInterval(pooled, convention);
  ASSERT_TRUE(ours.has_value()) << name;
  tally.Compare(name, ours->lower, theirs.at(0).get<double>(), tolerance);
  tally.Compare(name, ours->upper, theirs.at(1).get<double>(), tolerance);
}

void CompareFit(Tally& tally, const std::vector<st::Effect>& studies, const json& theirs) {
  const auto method_name = theirs.at("method").get<std::string>();
  const st::TauSquaredMethod method = MethodOf(method_name);
  const std::string name = std::string(st::ToString(method)) + " ";
  const bool closed = method_name == "EE" || method_name == "DL";
  const Tolerance tolerance = closed ? kClosedForm : kTauSquared;
  const auto normal = st::Pool(studies, {.method = method, .errors = st::PooledErrors::kNormal});
  const auto adjusted =
      st::Pool(studies, {.method = method, .errors = st::PooledErrors::kHartungKnapp});
  ASSERT_TRUE(normal.ok() && adjusted.ok());
  EXPECT_TRUE(normal->converged);
  const auto number = [&](const char* key) { return theirs.at(key).get<double>(); };
  tally.Compare(name + "tau2", normal->tau_squared, number("tau2"), tolerance);
  tally.Compare(name + "estimate", normal->estimate, number("estimate"), tolerance);
  tally.Compare(name + "error", normal->standard_error, number("se"), tolerance);
  tally.Compare(name + "p", *normal->p_value, number("p"), tolerance);
  tally.Compare(name + "limits", normal->limits->lower, number("lower"), tolerance);
  tally.Compare(name + "limits", normal->limits->upper, number("upper"), tolerance);
  for (std::size_t i = 0; i < studies.size(); ++i) {
    tally.Compare(name + "weights", normal->weight[i], theirs.at("weight").at(i).get<double>(),
                  tolerance);
  }
  tally.Compare(name + "hartung_knapp error", adjusted->standard_error, number("hk_se"), tolerance);
  tally.Compare(name + "hartung_knapp p", *adjusted->p_value, number("hk_p"), tolerance);
  tally.Compare(name + "hartung_knapp limits", adjusted->limits->lower, number("hk_lower"),
                tolerance);
  tally.Compare(name + "hartung_knapp limits", adjusted->limits->upper, number("hk_upper"),
                tolerance);
  const auto spread = st::MeasureHeterogeneity(studies, method, normal->tau_squared);
  tally.Compare("Q", spread->q.statistic, number("q"), kClosedForm);
  tally.Compare("Q p", *spread->q.p_value, number("q_p"), kProbability);
  tally.Compare(name + "I2", spread->i_squared, number("i2"), tolerance);
  tally.Compare(name + "H2", spread->h_squared, number("h2"), tolerance);
  ComparePrediction(tally, name + "prediction normal", *normal, st::PredictionConvention::kNormal,
                    theirs.at("pi_normal"), tolerance);
  ComparePrediction(tally, name + "prediction t k-2", *normal,
                    st::PredictionConvention::kTKMinusTwo, theirs.at("pi_t2"), tolerance);
  ComparePrediction(tally, name + "prediction t k-1", *adjusted,
                    st::PredictionConvention::kTKMinusOne, theirs.at("pi_t1"), tolerance);
  const auto compare_series = [&](const char* key, const std::vector<st::Pooled>& ours) {
    if (!theirs.contains(key)) return;
    ASSERT_EQ(ours.size(), theirs.at(key).size());
    for (std::size_t i = 0; i < ours.size(); ++i) {
      tally.Compare(name + key, ours[i].estimate, theirs.at(key).at(i).get<double>(), tolerance);
    }
  };
  const st::PoolOptions options{.method = method, .errors = st::PooledErrors::kNormal};
  compare_series("leave_one_out", *st::LeaveOneOut(studies, options));
  compare_series("cumulative", *st::Cumulative(studies, options));
}

TEST(PooledReference, SynthesesAgreeWithMetafor) {
  Tally tally;
  for (const json& figures : References().at("pooled")) {
    tally.Enter(figures.at("name").get<std::string>());
    const std::vector<st::Effect> studies = Studies(figures);
    for (const json& fit : figures.at("fits")) CompareFit(tally, studies, fit);
    const auto limits = st::TauSquaredLimits(studies);
    ASSERT_TRUE(limits.ok() && limits->has_value());
    tally.Compare("q_profile", (*limits)->lower, figures.at("q_profile").at(0).get<double>(),
                  kTauSquared);
    tally.Compare("q_profile", (*limits)->upper, figures.at("q_profile").at(1).get<double>(),
                  kTauSquared);
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("reml estimate"), 200);
}

}  // namespace
}  // namespace plumule::reference
