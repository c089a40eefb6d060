#ifndef PLUMULE_PLUGINS_STATS_BLOCK_SUMS_H_
#define PLUMULE_PLUGINS_STATS_BLOCK_SUMS_H_

#include <cstdint>
#include <span>
#include <vector>

namespace plumule::stats {

// Sums of vectors within blocks: row i of `values` (n × width, row-major) belongs to block[i].
// Returns one row a block (blocks × width). Rows of a block are added in the order given, and the
// result is sorted by its own values, so the labels of blocks leave no trace in what is made of it.
// O(n log n).
std::vector<double> BlockSums(std::span<const std::int32_t> block, std::span<const double> values,
                              std::size_t width);

// Σ s sᵀ over the rows s of `sums` (rows × width): width × width, row-major. Compensated.
std::vector<double> OuterProductSum(std::span<const double> sums, std::size_t width);

// Number of different labels. O(n log n).
std::int64_t CountDistinct(std::span<const std::int32_t> labels);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_BLOCK_SUMS_H_
