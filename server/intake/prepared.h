// What can be said of a record alone, before its turn comes.
#pragma once

#include <memory>
#include <string>

#include "absl/time/time.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/intake/intake.h"
#include "server/log/chain.h"
#include "server/log/fold.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::intake {

// A record, read once.
struct Prepared {
  v1::Record record;
  // Its deterministic serialization: what is hashed and stored.
  std::string bytes;
  log::Hash digest{};
  // The revision that it names; null if there is none.
  std::shared_ptr<const protocol::CompiledProtocol> protocol;
  // Problems, notes and deviations so far.
  v1::Judgement judgement;
  // Meaningful without problems.
  log::Effect effect;
  // False: too large, or without a usable id, to be kept aside when refused.
  bool may_be_kept = true;
};

// Reads a client's record. `protocol` is the revision that it names, null if it is not published.
// `received` decides what is late.
Prepared Prepare(v1::Record record, std::shared_ptr<const protocol::CompiledProtocol> protocol,
                 const Actor& actor, absl::Time received);

}  // namespace plumule::intake
