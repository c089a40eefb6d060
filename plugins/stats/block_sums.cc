#include "plugins/stats/block_sums.h"

#include <algorithm>
#include <cstddef>
#include <numeric>

#include "plugins/stats/compensated_sum.h"

namespace plumule::stats {
namespace {

std::vector<double> SortedByValue(const std::vector<double>& rows, std::size_t width) {
  std::vector<std::size_t> order(rows.size() / width);
  std::iota(order.begin(), order.end(), std::size_t{0});
  const auto row = [&](std::size_t i) { return std::span(rows).subspan(i * width, width); };
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return std::lexicographical_compare(row(a).begin(), row(a).end(), row(b).begin(), row(b).end());
  });
  std::vector<double> sorted;
  sorted.reserve(rows.size());
  for (std::size_t i : order) sorted.insert(sorted.end(), row(i).begin(), row(i).end());
  return sorted;
}

}  // namespace

std::vector<double> BlockSums(std::span<const std::int32_t> block, std::span<const double> values,
                              std::size_t width) {
  std::vector<std::size_t> order(block.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return block[a] < block[b]; });
  std::vector<double> sums;
  for (std::size_t i = 0; i < order.size(); ++i) {
    if (i == 0 || block[order[i]] != block[order[i - 1]]) sums.resize(sums.size() + width, 0.0);
    double* sum = &sums[sums.size() - width];
    for (std::size_t j = 0; j < width; ++j) sum[j] += values[order[i] * width + j];
  }
  return SortedByValue(sums, width);
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
  std::vector<std::int32_t> sorted(labels.begin(), labels.end());
  std::sort(sorted.begin(), sorted.end());
  return std::distance(sorted.begin(), std::unique(sorted.begin(), sorted.end()));
}

}  // namespace plumule::stats
