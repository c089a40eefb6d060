#include "plugins/stats/accelerated_failure.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <tuple>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/block_sums.h"
#include "plugins/stats/compensated_sum.h"

namespace plumule::stats {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kConvergedSquared = 1e-18;  // (1e-9 standard errors)²
constexpr int kMaxHalvings = 50;

absl::Status Check(const IntervalTimes& data, int against,
                   const AcceleratedFailureOptions& options) {
  if (absl::Status status = Validate(data); !status.ok()) return status;
  if (absl::Status status = CheckConfidence(options.confidence); !status.ok()) return status;
  if (against < 0 || against >= data.arms) {
    return absl::InvalidArgumentError(
        absl::StrCat("against is ", against, "; arms are numbered 0 to ", data.arms - 1));
  }
  if (!(options.day_zero_ends > 0) || !std::isfinite(options.day_zero_ends)) {
    return absl::InvalidArgumentError(
        absl::StrCat("day_zero_ends is ", options.day_zero_ends, "; it must be above 0"));
  }
  if (options.max_iterations < 1) {
    return absl::InvalidArgumentError(
        absl::StrCat("max_iterations is ", options.max_iterations, "; it must be at least 1"));
  }
  return absl::OkStatus();
}

// A unit on the scale of log days.
struct Row {
  std::size_t arm = 0;
  double lower = 0;
  double upper = 0;
  std::int32_t block = 0;

  auto Key() const { return std::tie(arm, lower, upper); }
};

// Sorted; without the rows that hold nothing: never looked at after day 0.
std::vector<Row> SortedRows(const IntervalTimes& data, double day_zero_ends) {
  std::vector<Row> rows;
  rows.reserve(data.units());
  for (std::size_t i = 0; i < data.units(); ++i) {
    if (data.lower[i] == 0 && data.upper[i] == kInfinity) continue;
    const double upper = data.upper[i] == 0 ? day_zero_ends : data.upper[i];
    rows.push_back({.arm = static_cast<std::size_t>(data.ArmOf(i)),
                    .lower = std::log(data.lower[i]),
                    .upper = std::log(upper),
                    .block = data.BlockOf(i)});
  }
  std::sort(rows.begin(), rows.end(), [](const Row& a, const Row& b) { return a.Key() < b.Key(); });
  return rows;
}

// Distinct rows of arms with a finite location, which are numbered anew.
struct Cell {
  std::size_t place = 0;
  double lower = 0;
  double upper = 0;
  double count = 0;
};

// What the intervals of an arm say together.
struct ArmEvidence {
  bool after = false;                // some event is known not to have been before some day
  bool before = false;               // some event is known to have been by some day
  double latest_lower = -kInfinity;  // all times may be the same if this is not after …
  double earliest_upper = kInfinity;

  bool finite() const { return after && before; }
  bool no_spread() const { return latest_lower <= earliest_upper; }
};

std::vector<ArmEvidence> Evidence(const std::vector<Row>& rows, int arms) {
  std::vector<ArmEvidence> evidence(static_cast<std::size_t>(arms));
  for (const Row& row : rows) {
    ArmEvidence& arm = evidence[row.arm];
    arm.after = arm.after || row.lower > -kInfinity;
    arm.before = arm.before || row.upper < kInfinity;
    arm.latest_lower = std::max(arm.latest_lower, row.lower);
    arm.earliest_upper = std::min(arm.earliest_upper, row.upper);
  }
  return evidence;
}

// −1: infinitely soon; 0: finite; 1: infinitely late.
int Side(const ArmEvidence& arm) { return arm.finite() ? 0 : arm.before ? -1 : 1; }

CoefficientState StateOf(const ArmEvidence& arm, const ArmEvidence& against) {
  if ((!arm.after && !arm.before) || (!against.after && !against.before)) {
    return CoefficientState::kNotEstimable;
  }
  const int side = Side(arm) - Side(against);
  if (side > 0) return CoefficientState::kPlusInfinity;
  if (side < 0) return CoefficientState::kMinusInfinity;
  return Side(arm) == 0 ? CoefficientState::kFinite : CoefficientState::kNotEstimable;
}

// Value, gradient and negative Hessian in (γ of each place, τ).
struct Evaluation {
  double value = 0;
  VectorXd score;
  MatrixXd information;
};

Evaluation Evaluate(TimeModel model, const std::vector<Cell>& cells, const VectorXd& theta) {
  const Eigen::Index last = theta.size() - 1;
  CompensatedSum value;
  std::vector<CompensatedSum> first(static_cast<std::size_t>(last + 1));
  std::vector<CompensatedSum> own(first.size()), mixed(first.size());
  for (const Cell& cell : cells) {
    const auto place = static_cast<Eigen::Index>(cell.place);
    const LikelihoodTerm term =
        LogLikelihood(model, cell.lower, cell.upper, theta[place], theta[last]);
    value.Add(cell.count * term.value);
    first[cell.place].Add(cell.count * term.gamma);
    first.back().Add(cell.count * term.tau);
    own[cell.place].Add(-cell.count * term.gamma_gamma);
    own.back().Add(-cell.count * term.tau_tau);
    mixed[cell.place].Add(-cell.count * term.gamma_tau);
  }
  Evaluation result{value.value(), VectorXd(last + 1), MatrixXd::Zero(last + 1, last + 1)};
  for (Eigen::Index i = 0; i <= last; ++i) {
    const auto place = static_cast<std::size_t>(i);
    result.score[i] = first[place].value();
    result.information(i, i) = own[place].value();
    if (i == last) continue;
    result.information(i, last) = result.information(last, i) = mixed[place].value();
  }
  return result;
}

// Means and standard deviation of log times with each interval at its middle.
VectorXd Start(const std::vector<Cell>& cells, std::size_t places) {
  std::vector<double> sum(places), squares(places), count(places);
  for (const Cell& cell : cells) {
    const double at = cell.upper == kInfinity    ? cell.lower
                      : cell.lower == -kInfinity ? cell.upper - 0.7
                                                 : (cell.lower + cell.upper) / 2;
    sum[cell.place] += cell.count * at;
    squares[cell.place] += cell.count * at * at;
    count[cell.place] += cell.count;
  }
  double within = 0;
  double all = 0;
  for (std::size_t i = 0; i < places; ++i) {
    within += squares[i] - sum[i] * sum[i] / count[i];
    all += count[i];
  }
  const double tau = 1 / std::max(std::sqrt(std::max(within, 0.0) / all), 0.1);
  VectorXd theta(static_cast<Eigen::Index>(places) + 1);
  for (std::size_t i = 0; i < places; ++i) {
    theta[static_cast<Eigen::Index>(i)] = tau * sum[i] / count[i];
  }
  theta[theta.size() - 1] = tau;
  return theta;
}

struct Maximum {
  AcceleratedFailureStatus status = AcceleratedFailureStatus::kNotConverged;
  VectorXd theta;
  Evaluation at;
  MatrixXd inverse;  // of the information
  int iterations = 0;
};

// False where no part of the step keeps the likelihood from falling.
bool Advance(TimeModel model, const std::vector<Cell>& cells, const VectorXd& step, Maximum& now) {
  const double floor = now.at.value - 1e-12 * (1 + std::abs(now.at.value));  // rounding
  double part = 1;
  for (int halving = 0; halving < kMaxHalvings; ++halving, part /= 2) {
    const VectorXd theta = now.theta + part * step;
    Evaluation at = Evaluate(model, cells, theta);
    if (!std::isfinite(at.value) || at.value < floor) continue;
    now.theta = theta;
    now.at = std::move(at);
    return true;
  }
  return false;
}

Maximum Maximize(const AcceleratedFailureOptions& options, const std::vector<Cell>& cells,
                 std::size_t places) {
  Maximum now;
  now.theta = Start(cells, places);
  now.at = Evaluate(options.model, cells, now.theta);
  bool settled = false;
  while (!settled && now.iterations < options.max_iterations) {
    const Eigen::LLT<MatrixXd> factor(now.at.information);
    if (factor.info() != Eigen::Success) break;
    const VectorXd step = factor.solve(now.at.score);
    ++now.iterations;
    settled = now.at.score.dot(step) < kConvergedSquared;
    if (!Advance(options.model, cells, step, now)) break;
  }
  const Eigen::LLT<MatrixXd> factor(now.at.information);
  if (!(now.theta[now.theta.size() - 1] > 0)) {
    now.status = AcceleratedFailureStatus::kEndlessSpread;
  } else if (settled && factor.info() == Eigen::Success) {
    now.status = AcceleratedFailureStatus::kConverged;
    now.inverse = factor.solve(MatrixXd::Identity(now.theta.size(), now.theta.size()));
  }
  return now;
}

// ∂(locations, log σ) / ∂(γ, τ).
MatrixXd Jacobian(const VectorXd& theta) {
  const Eigen::Index last = theta.size() - 1;
  const double tau = theta[last];
  MatrixXd jacobian = MatrixXd::Identity(last + 1, last + 1) / tau;
  for (Eigen::Index i = 0; i < last; ++i) jacobian(i, last) = -theta[i] / (tau * tau);
  jacobian(last, last) = -1 / tau;
  return jacobian;
}

// Σ over blocks of s sᵀ, s the score of a block in (γ, τ).
MatrixXd BlockScores(TimeModel model, const std::vector<Row>& rows,
                     const std::vector<std::size_t>& place, const VectorXd& theta) {
  const auto width = static_cast<std::size_t>(theta.size());
  std::vector<double> scores(rows.size() * width);
  LikelihoodTerm term;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const std::size_t at = place[rows[i].arm];
    if (i == 0 || rows[i].Key() != rows[i - 1].Key()) {
      term = LogLikelihood(model, rows[i].lower, rows[i].upper,
                           theta[static_cast<Eigen::Index>(at)], theta[theta.size() - 1]);
    }
    scores[i * width + at] = term.gamma;
    scores[i * width + width - 1] = term.tau;
  }
  std::vector<std::int32_t> blocks;
  blocks.reserve(rows.size());
  for (const Row& row : rows) blocks.push_back(row.block);
  const std::vector<double> sum = OuterProductSum(BlockSums(blocks, scores, width), width);
  return Eigen::Map<const MatrixXd>(sum.data(), theta.size(), theta.size());
}

// Rows and columns of places put where their arms, and last log σ, are.
std::vector<double> ByArm(const MatrixXd& matrix, const std::vector<std::size_t>& arms,
                          std::size_t all) {
  std::vector<double> result((all + 1) * (all + 1));
  const auto home = [&](Eigen::Index i) {
    return static_cast<std::size_t>(i) < arms.size() ? arms[static_cast<std::size_t>(i)] : all;
  };
  for (Eigen::Index i = 0; i < matrix.rows(); ++i) {
    for (Eigen::Index j = 0; j < matrix.cols(); ++j) {
      result[home(i) * (all + 1) + home(j)] = matrix(i, j);
    }
  }
  return result;
}

void SetErrors(double confidence, AcceleratedFailureFit& fit) {
  const std::vector<double>& covariance = *fit.robust_covariance;
  const std::size_t arms = fit.state.size();
  const auto against = static_cast<std::size_t>(fit.against);
  const auto at = [&](std::size_t i, std::size_t j) { return covariance[i * (arms + 1) + j]; };
  const double z = TwoSidedNormalQuantile(confidence);
  fit.standard_error.emplace(arms);
  fit.limits.emplace(arms);
  fit.p_value.emplace(arms);
  for (std::size_t arm = 0; arm < arms; ++arm) {
    if (fit.state[arm] != CoefficientState::kFinite) continue;
    const double variance =
        at(arm, arm) + at(against, against) - (at(arm, against) + at(against, arm));
    const double error = std::sqrt(std::max(variance, 0.0));
    const double beta = fit.coefficient[arm];
    (*fit.standard_error)[arm] = error;
    (*fit.limits)[arm] = {.lower = beta - z * error, .upper = beta + z * error};
    (*fit.p_value)[arm] = error > 0 ? TwoSidedNormalP(beta / error) : 1;
  }
}

std::vector<Cell> Cells(const std::vector<Row>& rows, const std::vector<std::size_t>& place) {
  std::vector<Cell> cells;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (i == 0 || rows[i].Key() != rows[i - 1].Key()) {
      cells.push_back({place[rows[i].arm], rows[i].lower, rows[i].upper, 0});
    }
    cells.back().count += 1;
  }
  return cells;
}

}  // namespace

absl::StatusOr<AcceleratedFailureFit> FitAcceleratedFailure(
    const IntervalTimes& data, int against, const AcceleratedFailureOptions& options) {
  if (absl::Status status = Check(data, against, options); !status.ok()) return status;
  std::vector<Row> rows = SortedRows(data, options.day_zero_ends);
  const std::vector<ArmEvidence> evidence = Evidence(rows, data.arms);
  AcceleratedFailureFit fit{.against = against};
  std::vector<std::size_t> finite;  // arms
  std::vector<std::size_t> place(evidence.size());
  bool no_spread = true;
  for (std::size_t arm = 0; arm < evidence.size(); ++arm) {
    fit.state.push_back(arm == static_cast<std::size_t>(against)
                            ? CoefficientState::kReference
                            : StateOf(evidence[arm], evidence[static_cast<std::size_t>(against)]));
    if (!evidence[arm].finite()) continue;
    place[arm] = finite.size();
    finite.push_back(arm);
    no_spread = no_spread && evidence[arm].no_spread();
  }
  fit.coefficient.resize(evidence.size());
  fit.location.resize(evidence.size());
  if (finite.empty()) return fit;
  fit.status = AcceleratedFailureStatus::kNoSpread;
  if (no_spread) return fit;

  std::erase_if(rows, [&](const Row& row) { return !evidence[row.arm].finite(); });
  const Maximum best = Maximize(options, Cells(rows, place), finite.size());
  fit.status = best.status;
  fit.iterations = best.iterations;
  if (best.status != AcceleratedFailureStatus::kConverged) return fit;
  const Eigen::Index last = best.theta.size() - 1;
  for (const std::size_t arm : finite) {
    fit.location[arm] = best.theta[static_cast<Eigen::Index>(place[arm])] / best.theta[last];
  }
  for (const std::size_t arm : finite) {
    if (fit.state[arm] != CoefficientState::kFinite) continue;
    fit.coefficient[arm] = fit.location[arm] - fit.location[static_cast<std::size_t>(against)];
  }
  fit.log_scale = -std::log(best.theta[last]);
  fit.parameters = static_cast<int>(best.theta.size());
  fit.log_likelihood = best.at.value;
  fit.aic = 2 * fit.parameters - 2 * fit.log_likelihood;
  const MatrixXd jacobian = Jacobian(best.theta);
  fit.covariance = ByArm(jacobian * best.inverse * jacobian.transpose(), finite, evidence.size());
  std::vector<std::int32_t> blocks;
  for (const Row& row : rows) blocks.push_back(row.block);
  fit.blocks = CountDistinct(blocks);
  if (fit.blocks <= fit.parameters) return fit;
  const MatrixXd bread = jacobian * best.inverse;
  const MatrixXd meat = BlockScores(options.model, rows, place, best.theta);
  fit.robust_covariance = ByArm(bread * meat * bread.transpose(), finite, evidence.size());
  SetErrors(options.confidence, fit);
  return fit;
}

}  // namespace plumule::stats
