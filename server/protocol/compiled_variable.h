// What CompiledProtocol keeps of variables, thresholds and the rules on a single fact. Private to
// this folder.
#pragma once

#include <cstdint>
#include <limits>
#include <string>
#include <vector>

#include "server/protocol/compiled_protocol.h"

namespace plumule::protocol {

struct CompiledProtocol::CompiledVariable {
  // A unit in which answers are taken, and the way to the canonical unit.
  struct EntryUnit {
    std::string code;
    Conversion conversion;
  };

  study::v1::Scope scope = study::v1::SCOPE_UNSPECIFIED;
  study::v1::Variable::TypeCase type = study::v1::Variable::TYPE_NOT_SET;
  // Numbers: the canonical unit first.
  std::vector<EntryUnit> units;
  // Numbers, in the canonical unit; infinite where there is no limit.
  double hard_min = -std::numeric_limits<double>::infinity();
  double hard_max = std::numeric_limits<double>::infinity();
  double plausible_min = -std::numeric_limits<double>::infinity();
  double plausible_max = std::numeric_limits<double>::infinity();
  // Counts.
  std::int64_t hard_count = std::numeric_limits<std::int64_t>::max();
  std::int64_t plausible_count = std::numeric_limits<std::int64_t>::max();
  // Dates.
  absl::CivilDay earliest = absl::CivilDay::min();
  absl::CivilDay latest = absl::CivilDay::max();
  // Choices: position of each code.
  absl::flat_hash_map<std::string, int> codes;
};

struct CompiledProtocol::CompiledThreshold {
  int variable = kNone;
  study::v1::Comparison comparison = study::v1::COMPARISON_UNSPECIFIED;
  // On the line of answers: canonical number, count, 0 or 1, or position of an option.
  double target = 0;
  // By arm handle.
  std::vector<bool> arms;
};

// one_of, not_only, range or required_when.
struct CompiledProtocol::FactRule {
  int rule = kNone;
  int variable = kNone;
  // one_of, not_only: listed options by position, or countries.
  std::vector<bool> options;
  std::vector<std::string> countries;
  // range.
  double min = -std::numeric_limits<double>::infinity();
  double max = std::numeric_limits<double>::infinity();
  // required_when: the condition's variable; its codes stand in options or countries.
  int condition_variable = kNone;
};

}  // namespace plumule::protocol
