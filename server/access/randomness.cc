#include "server/access/randomness.h"

#include <sodium.h>

#include <cstdlib>

namespace plumule::access {

SystemRandomness::SystemRandomness() {
  if (sodium_init() < 0) std::abort();
}

void SystemRandomness::Fill(std::span<std::uint8_t> bytes) {
  randombytes_buf(bytes.data(), bytes.size());
}

}  // namespace plumule::access
