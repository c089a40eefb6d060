#pragma once

#include <optional>
#include <string>
#include <vector>

#include "clients/cli/local/problem_list.h"
#include "clients/cli/table/table.h"
#include "plumule/plugin/v1/plugin.pb.h"

namespace plumule::cli {

// Studies to be pooled, from a local file.
struct StudyFile {
  std::vector<plugin::v1::StudyEffect> studies;  // in the file's order
  bool counts = false;                           // given as four counts, not as effects
  std::vector<std::string> notes;                // what was left out
};

// Reads one row a study: `study,effect,variance` (or `standard_error`), or `study,events_treated,
// n_treated,events_control,n_control`, with optional `group`; other columns that hold numbers are
// moderators. Nothing, with `problems` filled, if anything does not fit.
std::optional<StudyFile> ReadStudies(const Table& table, char decimal_mark, ProblemList* problems);

}  // namespace plumule::cli
