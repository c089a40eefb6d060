// Early return for absl::Status and absl::StatusOr, which Debian's Abseil lacks.
#pragma once

#include <utility>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

// Returns from the function if `expression`, an absl::Status, is an error.
#define PLUMULE_RETURN_IF_ERROR(expression)                                 \
  do {                                                                      \
    if (absl::Status plumule_status = (expression); !plumule_status.ok()) { \
      return plumule_status;                                                \
    }                                                                       \
  } while (false)

// Assigns the value of `expression`, an absl::StatusOr, to `target` (which may declare a variable),
// or returns its error from the function. Not for use as the single statement of an `if`.
#define PLUMULE_ASSIGN_OR_RETURN(target, expression) \
  PLUMULE_ASSIGN_OR_RETURN_NAMED_(PLUMULE_JOIN_(plumule_status_or_, __LINE__), target, expression)

#define PLUMULE_ASSIGN_OR_RETURN_NAMED_(holder, target, expression) \
  auto holder = (expression);                                       \
  if (!holder.ok()) {                                               \
    return std::move(holder).status();                              \
  }                                                                 \
  target = *std::move(holder)
#define PLUMULE_JOIN_(a, b) PLUMULE_JOIN_AGAIN_(a, b)
#define PLUMULE_JOIN_AGAIN_(a, b) a##b
