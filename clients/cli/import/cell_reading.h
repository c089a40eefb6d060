#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/time/civil_time.h"
#include "clients/cli/import/mapping.pb.h"
#include "plumule/study/v1/protocol.pb.h"
#include "plumule/study/v1/value.pb.h"

namespace plumule::cli {

// Reads cells as one mapping says. Refers to the mapping. Errors are InvalidArgument with a
// message of the form `"cell" is wrong somehow; remedy`.
class CellReader {
 public:
  explicit CellReader(const Mapping& mapping) : mapping_(mapping) {}

  // Empty cells, and those that the mapping's blank_words list.
  bool IsBlank(absl::string_view cell) const;
  absl::StatusOr<absl::CivilDay> Date(absl::string_view cell, const Column& column) const;
  // The id that a cell stands for by the column's codes, else the cell itself.
  std::string Coded(absl::string_view cell, const Column& column) const;
  // An id of grower, block or unit. `study` goes into pseudonyms.
  absl::StatusOr<std::string> Id(absl::string_view cell, const Column& column,
                                 absl::string_view study) const;
  // An answer to `variable`, typed.
  absl::StatusOr<study::v1::Value> Answer(absl::string_view cell, const Column& column,
                                          const study::v1::Variable& variable) const;

 private:
  absl::StatusOr<study::v1::Value> Choice(absl::string_view cell, const Column& column,
                                          const study::v1::ChoiceType& type) const;
  char Mark() const { return mapping_.decimal_mark() == DECIMAL_MARK_COMMA ? ',' : '.'; }

  const Mapping& mapping_;
};

// True for ids as records allow them: letters, digits, hyphens, underscores, dots, 1 to 64.
bool IsRecordId(absl::string_view text);

}  // namespace plumule::cli
