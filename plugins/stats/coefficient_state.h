#ifndef PLUMULE_PLUGINS_STATS_COEFFICIENT_STATE_H_
#define PLUMULE_PLUGINS_STATS_COEFFICIENT_STATE_H_

namespace plumule::stats {

// What a model with one coefficient an arm can say of it.
enum class CoefficientState {
  kReference,  // the arm compared against: β = 0
  kFinite,
  kPlusInfinity,   // the likelihood keeps rising as β grows: no finite estimate
  kMinusInfinity,  // … as β falls
  kNotEstimable,   // the data do not settle it, not even its sign
};

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_COEFFICIENT_STATE_H_
