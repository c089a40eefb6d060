// The same growers as records of the intake contract, one JSON object a line, for programs that
// stream.
#pragma once

#include <random>
#include <string>
#include <vector>

#include "examples/demo/growers.h"

namespace plumule::demo {

// How looks are written down.
struct RecordStyle {
  std::string look_variable;             // id of the observation variable
  bool counts = false;                   // a count of roots, else a length
  double threshold = 0;                  // in mm, or in roots
  std::string block_variable;            // id of a required block variable
  std::vector<std::string> block_codes;  // its codes; empty: yes or no
  std::string rotted_cause;              // id of the biological loss cause
  std::string consent_version;
};

// Records of all growers in an order as programs send them: mostly by grower, but about one in
// twenty observations before the start that it belongs to, 3 % sent twice, 2 % with a slip that
// must be refused (a unit of measure that is none, a number out of range, a day in another order).
// Returns one line of protobuf JSON a record.
std::vector<std::string> WriteRecords(const std::vector<Grower>& growers, const RecordStyle& style,
                                      std::mt19937_64& random);

}  // namespace plumule::demo
