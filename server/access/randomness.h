// Where unpredictable bytes come from.
#pragma once

#include <cstdint>
#include <span>

namespace plumule::access {

// A source of bytes nobody can guess. Thread-safe. Passed in, so that tests can repeat a run.
class Randomness {
 public:
  virtual ~Randomness() = default;
  // Overwrites `bytes` with random ones. Cannot fail.
  virtual void Fill(std::span<std::uint8_t> bytes) = 0;
};

// The operating system's generator, through libsodium.
class SystemRandomness : public Randomness {
 public:
  // Ends the program if libsodium cannot be started: without it no key could be trusted.
  SystemRandomness();
  void Fill(std::span<std::uint8_t> bytes) override;
};

}  // namespace plumule::access
