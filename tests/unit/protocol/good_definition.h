// A definition that uses every part of the contract and in which Check finds nothing, not even
// advice. Invented for these tests.
#pragma once

#include "plumule/study/v1/protocol.pb.h"

namespace plumule::protocol {

study::v1::Protocol GoodDefinition();

}  // namespace plumule::protocol
