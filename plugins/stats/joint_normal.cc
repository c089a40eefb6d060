#include "plugins/stats/joint_normal.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <boost/math/quadrature/gauss_kronrod.hpp>
#include <boost/math/special_functions/erf.hpp>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <optional>
#include <random>
#include <vector>

#include "absl/strings/str_cat.h"

namespace plumule::stats {
namespace {

constexpr double kMatrixTolerance = 1e-9;
// Correlations are taken for products when they differ from them by rounding only.
constexpr double kProductTolerance = 1e-13;
// Conditional standard deviations below this are rounding: the variable is settled by the others.
constexpr double kSettled = 1e-7;
constexpr double kFarOut = 9;  // P(|Z| > 9) is below 1e-18

// Rank-1 lattices: generators found component by component for tent-folded points in the Korobov
// space of smoothness 2 with weights 1/j (Sloan & Reztsov 2002, Math Comput 71:263).
struct Lattice {
  int points;
  std::array<int, kMaxJointDimensions - 1> generators;
};
constexpr std::array<Lattice, 2> kLattices = {{
    {1021, {1, 374, 156, 285, 305, 253, 486, 347, 399}},
    {8191, {1, 2431, 3799, 1141, 520, 2865, 1075, 2098, 3405}},
}};
constexpr int kShifts = 8;
constexpr std::uint64_t kSeed = 20270411;
constexpr double kSmallEnough = 1e-7;  // error below which the small lattice is enough

double Phi(double z) { return std::erfc(-z / std::numbers::sqrt2) / 2; }

double Density(double z) { return std::exp(-z * z / 2) / std::sqrt(2 * std::numbers::pi); }

double PhiInverse(double p) {
  p = std::clamp(p, 1e-300, 1 - 1e-16);
  return -std::numbers::sqrt2 * boost::math::erfc_inv(2 * p);
}

// P(low ≤ Z ≤ high), from the tail in which it does not cancel.
double Between(double low, double high) {
  return low > 0 ? Phi(-low) - Phi(-high) : Phi(high) - Phi(low);
}

using Matrix = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

// Half-widths and the lower triangle L with L Lᵀ = r of the variables in the order in which they
// are best integrated: next comes always the one least likely to be within its half-width given the
// means of those before it (Gibson, Glasbey and Elston 1994). A column of a settled variable is 0.
struct Ordered {
  std::vector<double> half_width;
  Matrix lower;
};

// Rows j and i ≥ j of `lower` are filled up to column j.
void Swap(std::size_t i, std::size_t j, Matrix& r, Ordered& ordered) {
  if (i == j) return;
  std::swap(ordered.half_width[i], ordered.half_width[j]);
  r.row(i).swap(r.row(j));
  r.col(i).swap(r.col(j));
  ordered.lower.row(i).swap(ordered.lower.row(j));
}

// Nothing where r is not positive semidefinite.
std::optional<Ordered> Order(std::span<const double> half_width, Matrix r) {
  const std::size_t d = half_width.size();
  Ordered ordered{{half_width.begin(), half_width.end()}, Matrix::Zero(r.rows(), r.cols())};
  std::vector<double> mean(d);  // of the variables before, standardized and truncated
  for (std::size_t j = 0; j < d; ++j) {
    std::size_t next = j;
    double least = 2, variance = 0, low = 0, high = 0;
    for (std::size_t i = j; i < d; ++i) {
      double left = r(i, i), center = 0;
      for (std::size_t k = 0; k < j; ++k) {
        left -= ordered.lower(i, k) * ordered.lower(i, k);
        center += ordered.lower(i, k) * mean[k];
      }
      if (left < -kMatrixTolerance) return std::nullopt;
      if (left < kSettled * kSettled) continue;  // settled ones come last
      const double a = (-ordered.half_width[i] - center) / std::sqrt(left);
      const double b = (ordered.half_width[i] - center) / std::sqrt(left);
      if (Between(a, b) >= least) continue;
      least = Between(a, b);
      next = i;
      variance = left;
      low = a;
      high = b;
    }
    Swap(j, next, r, ordered);
    ordered.lower(j, j) = std::sqrt(variance);
    mean[j] = least > 0 && variance > 0 ? (Density(low) - Density(high)) / least : 0;
    for (std::size_t i = j + 1; i < d; ++i) {
      double rest = r(i, j);
      for (std::size_t k = 0; k < j; ++k) rest -= ordered.lower(i, k) * ordered.lower(j, k);
      if (variance == 0 && std::abs(rest) > 1e-6) return std::nullopt;
      ordered.lower(i, j) = variance == 0 ? 0 : rest / ordered.lower(j, j);
    }
  }
  return ordered;
}

// The l with correlations l_i l_j, if there is one.
std::optional<std::vector<double>> Loadings(const Matrix& r) {
  const auto d = static_cast<std::size_t>(r.rows());
  std::vector<double> loading(d);
  std::size_t p = 0, q = 0;
  double largest = 0;
  for (std::size_t i = 0; i < d; ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      if (std::abs(r(i, j)) <= largest) continue;
      largest = std::abs(r(i, j));
      p = i;
      q = j;
    }
  }
  if (largest == 0) return loading;
  double square = largest;  // of the loading of p; free where no third variable settles it
  double clearest = 0;
  for (std::size_t t = 0; t < d; ++t) {
    if (t == p || t == q || std::abs(r(p, t) * r(q, t)) <= clearest) continue;
    clearest = std::abs(r(p, t) * r(q, t));
    square = r(p, q) * r(p, t) / r(q, t);
  }
  if (!(square > 0 && square <= 1)) return std::nullopt;
  for (std::size_t j = 0; j < d; ++j) loading[j] = r(p, j) / std::sqrt(square);
  loading[p] = std::sqrt(square);
  for (std::size_t i = 0; i < d; ++i) {
    if (std::abs(loading[i]) > 1) return std::nullopt;
    for (std::size_t j = 0; j < i; ++j) {
      if (std::abs(r(i, j) - loading[i] * loading[j]) > kProductTolerance) return std::nullopt;
    }
  }
  return loading;
}

// ∫ φ(y) Π_j P(|l_j y + √(1 − l_j²) Z| ≤ c_j) dy, by halves of equal size, cut where factors turn.
JointProbability ByQuadrature(std::span<const double> c, const std::vector<double>& loading) {
  double end = kFarOut;
  std::vector<double> cuts = {0};
  std::vector<double> spread(c.size());
  for (std::size_t j = 0; j < c.size(); ++j) {
    spread[j] = std::sqrt((1 - loading[j]) * (1 + loading[j]));
    if (loading[j] == 0) continue;
    const double turn = c[j] / std::abs(loading[j]);
    if (spread[j] < kSettled) end = std::min(end, turn);
    // Around a turn the factor changes within a few times its spread.
    for (const double steps : {-6.0, 0.0, 6.0}) {
      const double cut = turn + steps * spread[j] / std::abs(loading[j]);
      if (cut > 0 && cut < kFarOut) cuts.push_back(cut);
    }
  }
  cuts.push_back(end);
  std::sort(cuts.begin(), cuts.end());
  const auto integrand = [&](double y) {
    double product = Density(y);
    for (std::size_t j = 0; j < c.size(); ++j) {
      if (spread[j] < kSettled) continue;
      const double center = loading[j] * y;
      product *= Between((-c[j] - center) / spread[j], (c[j] - center) / spread[j]);
    }
    return product;
  };
  JointProbability total;
  for (std::size_t i = 1; i < cuts.size() && cuts[i] <= end; ++i) {
    if (cuts[i] <= cuts[i - 1]) continue;
    double error = 0;
    total.value += 2 * boost::math::quadrature::gauss_kronrod<double, 31>::integrate(
                           integrand, cuts[i - 1], cuts[i], 10, 1e-13, &error);
    total.error += 2 * error;
  }
  return total;
}

// The product of conditional probabilities at one point of the unit cube.
double Weight(std::span<const double> c, const Matrix& lower, std::span<const double> point,
              std::span<double> y) {
  double weight = 1;
  for (std::size_t j = 0; j < c.size(); ++j) {
    double center = 0;
    for (std::size_t k = 0; k < j; ++k) center += lower(j, k) * y[k];
    if (lower(j, j) == 0) {
      y[j] = 0;
      if (std::abs(center) > c[j]) return 0;
      continue;
    }
    // All signs may be turned: the upper half of the first variable stands for both.
    const double low = j == 0 ? 0 : (-c[j] - center) / lower(j, j);
    const double high = (c[j] - center) / lower(j, j);
    const double share = Between(low, high);
    weight *= j == 0 ? 2 * share : share;
    if (!(weight > 0)) return 0;
    if (j + 1 == c.size()) break;
    y[j] = low > 0 ? -PhiInverse(Phi(-low) - point[j] * share)
                   : PhiInverse(Phi(low) + point[j] * share);
  }
  return weight;
}

JointProbability ByLattice(const Ordered& ordered, const Lattice& lattice) {
  const std::size_t width = ordered.half_width.size() - 1;
  std::mt19937_64 generator(kSeed);
  std::vector<double> shift(width), point(width), y(width + 1);
  std::array<double, kShifts> mean = {};
  for (double& one : mean) {
    for (double& x : shift) x = std::ldexp(static_cast<double>(generator() >> 11), -53);
    for (int n = 0; n < lattice.points; ++n) {
      for (std::size_t j = 0; j < width; ++j) {
        const double x = static_cast<double>(n) * lattice.generators[j] / lattice.points + shift[j];
        point[j] = std::abs(2 * (x - std::floor(x)) - 1);
      }
      one += Weight(ordered.half_width, ordered.lower, point, y) / lattice.points;
    }
  }
  double value = 0, squares = 0;
  for (const double one : mean) value += one / kShifts;
  for (const double one : mean) squares += (one - value) * (one - value);
  return {.value = value, .error = 3 * std::sqrt(squares / (kShifts * (kShifts - 1)))};
}

JointProbability ByLattices(const Ordered& ordered) {
  JointProbability found;
  for (const Lattice& lattice : kLattices) {
    found = ByLattice(ordered, lattice);
    if (found.error <= kSmallEnough) break;
  }
  return found;
}

absl::Status Check(std::span<const double> c, const Matrix& r) {
  for (std::size_t i = 0; i < c.size(); ++i) {
    if (!(std::isfinite(c[i]) && c[i] >= 0)) {
      return absl::InvalidArgumentError(
          absl::StrCat("half-width ", i, " is ", c[i], "; it must be finite and not negative"));
    }
    for (std::size_t j = 0; j <= i; ++j) {
      const double target = i == j ? 1 : r(j, i);
      if (std::abs(r(i, j) - target) <= kMatrixTolerance && std::abs(r(i, j)) <= 1) continue;
      return absl::InvalidArgumentError(
          absl::StrCat("correlation of ", i, " and ", j, " is ", r(i, j),
                       "; the matrix must be symmetric, within -1 to 1, with 1 on its diagonal"));
    }
  }
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<JointProbability> ProbabilityWithin(std::span<const double> half_width,
                                                   std::span<const double> correlation) {
  const std::size_t d = half_width.size();
  if (d < 1 || d > kMaxJointDimensions || correlation.size() != d * d) {
    return absl::InvalidArgumentError(absl::StrCat(d, " half-widths with ", correlation.size(),
                                                   " correlations; there must be 1 to ",
                                                   kMaxJointDimensions, " and as many squared"));
  }
  const auto size = static_cast<Eigen::Index>(d);
  const Matrix r = Eigen::Map<const Matrix>(correlation.data(), size, size);
  if (absl::Status status = Check(half_width, r); !status.ok()) return status;
  const auto ordered = Order(half_width, r);
  if (!ordered) return absl::InvalidArgumentError("the matrix is no correlation matrix");
  if (const auto loading = Loadings(r)) return ByQuadrature(half_width, *loading);
  return ByLattices(*ordered);
}

}  // namespace plumule::stats
