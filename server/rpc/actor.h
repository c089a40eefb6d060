// The caller of a call as the one who acts in a study.
#pragma once

#include "server/access/directory.h"
#include "server/intake/intake.h"

namespace plumule::rpc {

inline intake::Actor ActorOf(const access::Caller& caller) {
  return {.key_id = caller.key_id, .role = caller.role};
}

}  // namespace plumule::rpc
