#include "plugins/stats/comparability.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>

namespace plumule::stats {
namespace {

// Transitive closure in place (Warshall 1962).
void Close(std::vector<bool>& reaches, std::size_t arms) {
  for (std::size_t via = 0; via < arms; ++via) {
    for (std::size_t a = 0; a < arms; ++a) {
      if (!reaches[a * arms + via]) continue;
      for (std::size_t b = 0; b < arms; ++b) {
        if (reaches[via * arms + b]) reaches[a * arms + b] = true;
      }
    }
  }
}

// For each arm the first arm that it reaches and that reaches it.
std::vector<int> MutualGroups(const std::vector<bool>& reaches, std::size_t arms) {
  std::vector<int> group(arms);
  for (std::size_t a = 0; a < arms; ++a) {
    std::size_t b = 0;
    while (!(reaches[a * arms + b] && reaches[b * arms + a])) ++b;
    group[a] = static_cast<int>(b);
  }
  return group;
}

}  // namespace

Comparability::Comparability(const RiskSets& sets, Ties ties)
    : arms_(sets.arms()), reaches_(arms_ * arms_, false) {
  for (std::size_t a = 0; a < arms_; ++a) reaches_[a * arms_ + a] = true;
  for (std::size_t set = 0; set < sets.size(); ++set) {
    const auto n = sets.at_risk(set);
    const auto d = sets.events(set);
    for (std::size_t a = 0; a < arms_; ++a) {
      if (d[a] == 0) continue;
      for (std::size_t b = 0; b < arms_; ++b) {
        if (n[b] > (ties == Ties::kExact ? d[b] : 0)) reaches_[a * arms_ + b] = true;
      }
    }
  }
  std::vector<bool> linked(reaches_);
  for (std::size_t a = 0; a < arms_; ++a) {
    for (std::size_t b = 0; b < arms_; ++b) {
      if (reaches_[b * arms_ + a]) linked[a * arms_ + b] = true;
    }
  }
  Close(linked, arms_);
  linked_ = MutualGroups(linked, arms_);
  Close(reaches_, arms_);
  finite_ = MutualGroups(reaches_, arms_);
}

int Comparability::degrees_of_freedom() const {
  int degrees = 0;
  for (std::size_t arm = 0; arm < arms_; ++arm) degrees += linked_[arm] != static_cast<int>(arm);
  return degrees;
}

double GroupedInverse::QuadraticForm(std::span<const double> v) const {
  const auto k = static_cast<Eigen::Index>(v.size());
  const Eigen::Map<const Eigen::VectorXd> vector(v.data(), k);
  const Eigen::Map<const Eigen::MatrixXd> matrix(inverse.data(), k, k);
  return vector.dot(matrix * vector);
}

GroupedInverse InvertWithinGroups(std::span<const double> matrix, std::span<const int> group,
                                  int reference) {
  const std::size_t arms = group.size();
  GroupedInverse result{.inverse = std::vector<double>(arms * arms, 0.0)};
  for (std::size_t first = 0; first < arms; ++first) {
    if (group[first] != static_cast<int>(first)) continue;
    const bool own = reference >= 0 && group[static_cast<std::size_t>(reference)] == group[first];
    const std::size_t left_out = own ? static_cast<std::size_t>(reference) : first;
    std::vector<std::size_t> members;
    for (std::size_t arm = 0; arm < arms; ++arm) {
      if (group[arm] == group[first] && arm != left_out) members.push_back(arm);
    }
    if (members.empty()) continue;
    const auto size = static_cast<Eigen::Index>(members.size());
    Eigen::MatrixXd part(size, size);
    for (Eigen::Index i = 0; i < size; ++i) {
      for (Eigen::Index j = 0; j < size; ++j) {
        part(i, j) = matrix[members[static_cast<std::size_t>(i)] * arms +
                            members[static_cast<std::size_t>(j)]];
      }
    }
    const Eigen::MatrixXd inverse = part.ldlt().solve(Eigen::MatrixXd::Identity(size, size));
    for (Eigen::Index i = 0; i < size; ++i) {
      for (Eigen::Index j = 0; j < size; ++j) {
        result.inverse[members[static_cast<std::size_t>(i)] * arms +
                       members[static_cast<std::size_t>(j)]] =
            0.5 * (inverse(i, j) + inverse(j, i));
      }
    }
  }
  return result;
}

}  // namespace plumule::stats
