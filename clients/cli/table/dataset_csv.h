#pragma once

#include <string>
#include <vector>

#include "absl/status/status.h"
#include "plumule/analysis/v1/dataset.pb.h"

namespace plumule::cli {

// Turns a dataset's chunks into CSV that `plumule analyze` reads back: headings are the columns'
// names, missing values are empty, dates ISO, numbers the shortest digits that read back to the
// same bits, words guarded against formulas.
class DatasetCsv {
 public:
  void Begin(const analysis::v1::DatasetSchema& schema);
  // DataLoss if the chunk does not fit the schema.
  absl::Status Add(const analysis::v1::DatasetChunk& chunk);
  std::string Text() && { return std::move(text_); }

 private:
  absl::Status Cell(size_t column, const analysis::v1::ColumnChunk& chunk, int row,
                    std::string* cell) const;

  analysis::v1::DatasetSchema schema_;
  std::vector<std::vector<std::string>> dictionaries_;
  std::string text_;
};

}  // namespace plumule::cli
