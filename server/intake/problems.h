// Collects what keeps a record from being taken.
#pragma once

#include <string>

#include "absl/strings/string_view.h"
#include "plumule/intake/v1/record.pb.h"

namespace plumule::intake {

inline void AddProblem(absl::string_view field, absl::string_view reason, absl::string_view message,
                       absl::string_view remedy, v1::Judgement* judgement) {
  v1::FieldProblem* problem = judgement->add_problems();
  problem->set_field(std::string(field));
  problem->set_reason(std::string(reason));
  problem->set_message(std::string(message));
  problem->set_remedy(std::string(remedy));
}

inline void AddDeviation(absl::string_view rule, absl::string_view message, bool leaves_primary_set,
                         v1::Judgement* judgement) {
  v1::Finding* finding = judgement->add_deviations();
  finding->set_rule(std::string(rule));
  finding->set_message(std::string(message));
  finding->set_leaves_primary_set(leaves_primary_set);
}

}  // namespace plumule::intake
