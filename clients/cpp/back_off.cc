#include "clients/cpp/back_off.h"

#include <sodium.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <utility>

#include "clients/cpp/error.h"

namespace plumule::client {
namespace {

// Beyond this many doublings every limit is the longest one.
constexpr int kMostDoublings = 30;

}  // namespace

BackOff::BackOff(const BackOffOptions& options, std::function<double()> uniform)
    : options_(options), uniform_(std::move(uniform)) {}

bool BackOff::MayRetry(const absl::Status& error) const {
  return IsTransient(error) && failed_ + 1 < options_.attempts;
}

absl::Duration BackOff::Next(const absl::Status& error) {
  const absl::Duration limit = std::min(
      options_.first * std::ldexp(1.0, std::min(failed_, kMostDoublings)), options_.longest);
  ++failed_;
  const absl::Duration wait = limit * (0.5 + 0.5 * uniform_());
  return std::max(wait, RetryDelay(error).value_or(absl::ZeroDuration()));
}

void BackOff::Reset() { failed_ = 0; }

double SystemUniform() {
  if (sodium_init() < 0) std::abort();
  return std::ldexp(static_cast<double>(randombytes_random()), -32);
}

}  // namespace plumule::client
