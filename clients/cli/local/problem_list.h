#pragma once

#include <set>
#include <string>
#include <vector>

#include "clients/cli/table/table.h"

namespace plumule::cli {

// Lines about what makes input unusable, in the order found. Keeps the first 50 and counts the
// rest.
class ProblemList {
 public:
  static constexpr size_t kShown = 50;

  void Add(std::string line);
  // `row 7, column "x" (D): message`.
  void Add(const Table& table, int row, const std::string& column, std::string message);
  // What is wrong with the table's shape. Gives the rows concerned: their cells are not where the
  // headings say, so looking into them would only find consequences.
  std::set<int> AddAll(const Table& table);
  bool empty() const { return total_ == 0; }
  size_t total() const { return total_; }
  // The lines, and `… and 12 more` where some were left out.
  std::vector<std::string> Lines() const;

 private:
  std::vector<std::string> lines_;
  size_t total_ = 0;
};

}  // namespace plumule::cli
