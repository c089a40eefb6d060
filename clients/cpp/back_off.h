// How long to wait between attempts.
#pragma once

#include <functional>

#include "absl/status/status.h"
#include "absl/time/time.h"

namespace plumule::client {

// Behavior of retries.
struct BackOffOptions {
  // Attempts in all; 1 means no second try.
  int attempts = 8;
  // Longest wait before the second attempt; doubled each time.
  absl::Duration first = absl::Milliseconds(50);
  // No wait is longer, unless the server asks for it.
  absl::Duration longest = absl::Seconds(5);
};

// Waits of one call: each is drawn between half and all of a limit that doubles, so that many
// clients don't come back at once, and is never shorter than the server asks for.
class BackOff {
 public:
  // `uniform` gives numbers from 0 up to but without 1.
  BackOff(const BackOffOptions& options, std::function<double()> uniform);

  // True if another attempt is allowed after `error`.
  bool MayRetry(const absl::Status& error) const;

  // Counts an attempt and says how long to wait before the next.
  absl::Duration Next(const absl::Status& error);

  // Starts anew, after something succeeded.
  void Reset();

 private:
  BackOffOptions options_;
  std::function<double()> uniform_;
  int failed_ = 0;
};

// Numbers from 0 up to but without 1, from the system's generator. Thread-safe.
double SystemUniform();

}  // namespace plumule::client
