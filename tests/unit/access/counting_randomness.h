// Randomness that a test can foresee.
#pragma once

#include "server/access/randomness.h"

namespace plumule::access {

// 0, 1, 2, … over and over: no two keys of one source are alike.
class CountingRandomness : public Randomness {
 public:
  void Fill(std::span<std::uint8_t> bytes) override {
    for (std::uint8_t& byte : bytes) byte = next_++;
  }

 private:
  std::uint8_t next_ = 0;
};

}  // namespace plumule::access
