#include "clients/cli/local/problem_list.h"

#include <utility>

#include "absl/strings/str_cat.h"

namespace plumule::cli {

void ProblemList::Add(std::string line) {
  ++total_;
  if (lines_.size() < kShown) lines_.push_back(std::move(line));
}

void ProblemList::Add(const Table& table, int row, const std::string& column, std::string message) {
  Add(TableProblem{row, column, std::move(message)}.Words(table));
}

std::set<int> ProblemList::AddAll(const Table& table) {
  std::set<int> rows;
  for (const TableProblem& problem : table.problems) {
    Add(problem.Words(table));
    rows.insert(problem.row);
  }
  return rows;
}

std::vector<std::string> ProblemList::Lines() const {
  std::vector<std::string> lines = lines_;
  if (total_ > lines_.size())
    lines.push_back(absl::StrCat("… and ", total_ - lines_.size(), " more"));
  return lines;
}

}  // namespace plumule::cli
