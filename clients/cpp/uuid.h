// Identifiers of records and requests, made by the client before it sends.
//
// A record keeps its id for as long as it is being sent: the server then answers a second sending
// with the first answer, and nothing is stored twice.
#pragma once

#include <array>
#include <cstdint>
#include <initializer_list>
#include <string>

#include "absl/strings/string_view.h"

namespace plumule::client {

// A new random UUID (RFC 9562, version 4), lower case with hyphens. Thread-safe.
std::string NewUuid();

// The UUID (RFC 9562, version 8) that belongs to a sequence of names: the first 16 bytes of SHA-256
// over the names, each preceded by its length. The same names always give the same id, and no two
// different sequences share their bytes: ("ab", "c") is not ("a", "bc"). For programs that read the
// same source again, such as a spreadsheet, and must not store its rows twice.
std::string UuidOf(std::initializer_list<absl::string_view> names);

// 16 bytes as a UUID of that version (0 to 15).
std::string FormatUuid(std::array<std::uint8_t, 16> bytes, unsigned version);

}  // namespace plumule::client
