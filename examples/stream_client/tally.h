// What a server said of many records.
#pragma once

#include <cstddef>
#include <map>
#include <string>
#include <vector>

#include "examples/stream_client/record_lines.h"
#include "plumule/intake/v1/record.pb.h"

namespace plumule::stream_client {

// Counts receipts and keeps what is worth showing. One thread at a time.
class Tally {
 public:
  // The receipt of the line after that of the last one.
  void Add(const intake::v1::Receipt& receipt);

  std::size_t answered() const { return answered_; }
  std::size_t refused() const { return refused_; }
  // Places, from 0, of the lines that wait for others.
  const std::vector<std::size_t>& pending() const { return pending_; }

  // The counts, one a line; `of_pending` is what there is to say of those that wait.
  std::string Counts(const std::string& of_pending) const;
  // The first refused lines with everything that is wrong with them, and how many more there are.
  std::string Refusals(const std::vector<Line>& lines) const;

 private:
  struct Refusal {
    std::size_t place = 0;
    intake::v1::Judgement judgement;
  };

  std::size_t answered_ = 0, taken_ = 0, with_deviations_ = 0, refused_ = 0, duplicates_ = 0;
  std::map<std::string, std::size_t> by_rule_;
  std::vector<std::size_t> pending_;
  std::vector<Refusal> first_refused_;
};

}  // namespace plumule::stream_client
