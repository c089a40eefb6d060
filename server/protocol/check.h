// Checks a protocol definition as a whole.
#pragma once

#include <vector>

#include "absl/types/span.h"
#include "plumule/study/v1/protocol.pb.h"
#include "plumule/study/v1/study_service.pb.h"

namespace plumule::protocol {

// Everything that is wrong with `definition`, and advice, in the order of the definition: each with
// its path, a reason listed in check_reasons.h, what is wrong, why it matters and a remedy. Any
// message is accepted, an empty one too. Depends on nothing but the definition and the system's
// time zone list (read through Abseil). Does not ask plugins. Safe from any thread.
//
// At most kMostProblems are returned; the last one then says that there are more. Time grows with
// the size of the definition times the length of its longest list.
std::vector<study::v1::Problem> Check(const study::v1::Protocol& definition);

inline constexpr int kMostProblems = 500;

// True if none of `problems` is more than advice.
bool CanBePublished(absl::Span<const study::v1::Problem> problems);

}  // namespace plumule::protocol
