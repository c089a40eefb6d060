#ifndef PLUMULE_TESTS_REFERENCE_REFERENCES_H_
#define PLUMULE_TESTS_REFERENCE_REFERENCES_H_

#include <nlohmann/json.hpp>
#include <optional>
#include <vector>

namespace plumule::reference {

// The figures references.R wrote, read once from the file named by the environment variable
// PLUMULE_REFERENCES. Fails loudly when it is missing.
const nlohmann::json& References();

// null is absent: R's NA.
inline std::optional<double> Maybe(const nlohmann::json& value) {
  if (value.is_null()) return std::nullopt;
  return value.get<double>();
}

}  // namespace plumule::reference

#endif  // PLUMULE_TESTS_REFERENCE_REFERENCES_H_
