#include "plugins/stats/homogeneity.h"

#include <Eigen/Dense>
#include <cmath>

#include "absl/strings/str_cat.h"

namespace plumule::stats {
namespace {

// Eigenvalues below this share of the largest variance are rounding.
constexpr double kRankTolerance = 1e-10;
constexpr double kSymmetryTolerance = 1e-9;

}  // namespace

absl::StatusOr<ChiSquareTest> TestHomogeneity(std::span<const double> effects,
                                              std::span<const double> covariance) {
  const std::size_t k = effects.size();
  if (k < 2) return absl::InvalidArgumentError("fewer than two effects can't differ");
  if (covariance.size() != k * k) {
    return absl::InvalidArgumentError(absl::StrCat("covariance has ", covariance.size(),
                                                   " entries; ", k, " effects need ", k * k));
  }
  using Matrix = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
  const auto size = static_cast<Eigen::Index>(k);
  const Eigen::Map<const Eigen::VectorXd> effect(effects.data(), size);
  const Eigen::Map<const Matrix> variance(covariance.data(), size, size);
  const double largest = variance.diagonal().cwiseAbs().maxCoeff();
  if (!effect.allFinite() || !variance.allFinite() ||
      (variance - variance.transpose()).cwiseAbs().maxCoeff() > kSymmetryTolerance * largest) {
    return absl::InvalidArgumentError("effects and a symmetric covariance must be finite");
  }
  Matrix contrast = Matrix::Zero(size - 1, size);
  contrast.col(0).setConstant(-1);
  contrast.rightCols(size - 1).setIdentity();
  const Eigen::VectorXd difference = contrast * effect;
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> solver(contrast * variance *
                                                              contrast.transpose());
  double statistic = 0;
  int rank = 0;
  for (Eigen::Index i = 0; i < size - 1; ++i) {
    const double value = solver.eigenvalues()[i];
    if (value <= kRankTolerance * largest) continue;
    const double along = solver.eigenvectors().col(i).dot(difference);
    statistic += along * along / value;
    ++rank;
  }
  return ReferToChiSquare(statistic, rank);
}

}  // namespace plumule::stats
