#pragma once

#include <string>

#include "absl/strings/string_view.h"
#include "plumule/intake/v1/intake_service.pb.h"
#include "plumule/intake/v1/record.pb.h"

namespace plumule::cli {

// "unit_started of unit b1/u2 on 4 Mar 2027 (record id …)".
std::string RecordWords(const intake::v1::Record& record);

// "taken", "deviation", "refused", "pending"; "duplicate" for a repeated record.
absl::string_view OutcomeWord(const intake::v1::Receipt& receipt);

// What a judgement says, one line each after `indent` spaces.
std::string JudgementText(const intake::v1::Judgement& judgement, int indent);

// Counts of a study for a terminal.
std::string ProgressText(const intake::v1::Progress& progress);

}  // namespace plumule::cli
