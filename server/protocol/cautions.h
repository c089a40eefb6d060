// The usual cautions of the trade, and which of them a definition calls for.
#pragma once

#include <vector>

#include "absl/strings/string_view.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::protocol {

// One usual caution. General information that defers to labels and local rules.
struct UsualCaution {
  // What it is about, "potting mix and compost".
  absl::string_view about;
  // Words that may be copied.
  absl::string_view words;
};

// True if an arm has a dose above 0.
bool HasDose(const study::v1::Protocol& definition);

// The cautions that the English words of `definition` call for and that none of its cautions names.
// Goes by words, so it may miss some; empty for definitions in other languages unless a dose calls
// for one.
std::vector<UsualCaution> CautionsAdvised(const study::v1::Protocol& definition);

}  // namespace plumule::protocol
