#include "plugins/stats/block_sums.h"

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstring>
#include <numeric>
#include <utility>

#include "plugins/stats/compensated_sum.h"

namespace plumule::stats {
namespace {

template <std::size_t width>
void SortRows(std::vector<double>& rows) {
  std::vector<std::array<double, width>> sorted(rows.size() / width);
  std::memcpy(sorted.data(), rows.data(), rows.size() * sizeof(double));
  std::sort(sorted.begin(), sorted.end());
  std::memcpy(rows.data(), sorted.data(), rows.size() * sizeof(double));
}

void SortByValue(std::vector<double>& rows, std::size_t width) {
  if (rows.empty()) return;
  if (width == 1) return std::sort(rows.begin(), rows.end());
  if (width == 2) return SortRows<2>(rows);
  std::vector<std::size_t> order(rows.size() / width);
  std::iota(order.begin(), order.end(), std::size_t{0});
  const auto row = [&](std::size_t i) { return std::span(rows).subspan(i * width, width); };
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return std::lexicographical_compare(row(a).begin(), row(a).end(), row(b).begin(), row(b).end());
  });
  std::vector<double> sorted;
  sorted.reserve(rows.size());
  for (std::size_t i : order) sorted.insert(sorted.end(), row(i).begin(), row(i).end());
  rows = std::move(sorted);
}

// Position of each row's block among the distinct ones, and their number. Labels that are positions
// already, as plugins give them, need no sorting.
struct Positions {
  std::vector<std::size_t> of_row;
  std::size_t blocks = 0;
};

Positions PositionsOf(std::span<const std::int32_t> block) {
  Positions positions;
  positions.of_row.resize(block.size());
  if (block.empty()) return positions;
  const auto [least, greatest] = std::minmax_element(block.begin(), block.end());
  const std::int64_t first = *least;
  const auto range = static_cast<std::size_t>(*greatest - first + 1);
  if (range <= 4 * block.size()) {
    std::vector<std::size_t> position(range, 0);
    for (const std::int32_t label : block) position[static_cast<std::size_t>(label - first)] = 1;
    for (std::size_t& one : position) one = one == 0 ? 0 : positions.blocks++;
    for (std::size_t row = 0; row < block.size(); ++row) {
      positions.of_row[row] = position[static_cast<std::size_t>(block[row] - first)];
    }
    return positions;
  }
  std::vector<std::int32_t> labels(block.begin(), block.end());
  std::sort(labels.begin(), labels.end());
  labels.erase(std::unique(labels.begin(), labels.end()), labels.end());
  positions.blocks = labels.size();
  for (std::size_t row = 0; row < block.size(); ++row) {
    const auto found = std::lower_bound(labels.begin(), labels.end(), block[row]);
    positions.of_row[row] = static_cast<std::size_t>(found - labels.begin());
  }
  return positions;
}

}  // namespace

std::vector<double> BlockSums(std::span<const std::int32_t> block, std::span<const double> values,
                              std::size_t width) {
  const Positions positions = PositionsOf(block);
  std::vector<double> sums(positions.blocks * width, 0.0);
  for (std::size_t row = 0; row < block.size(); ++row) {
    double* sum = &sums[positions.of_row[row] * width];
    for (std::size_t j = 0; j < width; ++j) sum[j] += values[row * width + j];
  }
  SortByValue(sums, width);
  return sums;
}

std::vector<double> OuterProductSum(std::span<const double> sums, std::size_t width) {
  std::vector<CompensatedSum> product(width * width);
  for (std::size_t start = 0; start < sums.size(); start += width) {
    for (std::size_t a = 0; a < width; ++a) {
      for (std::size_t b = 0; b < width; ++b) {
        product[a * width + b].Add(sums[start + a] * sums[start + b]);
      }
    }
  }
  std::vector<double> result;
  for (const CompensatedSum& sum : product) result.push_back(sum.value());
  return result;
}

std::int64_t CountDistinct(std::span<const std::int32_t> labels) {
  return static_cast<std::int64_t>(PositionsOf(labels).blocks);
}

}  // namespace plumule::stats
