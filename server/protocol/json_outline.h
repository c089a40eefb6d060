// A first pass over JSON before protobuf's own parser: bounds its depth, and finds the places that
// protobuf's messages lack. Linear in the text.
#pragma once

#include <string>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/string_view.h"
#include "google/protobuf/descriptor.h"

namespace plumule::protocol {

// A place in a text, from 1, columns in bytes.
struct TextPosition {
  int line = 1;
  int column = 1;
};

// The position of a byte in `text`.
TextPosition PositionAt(absl::string_view text, size_t offset);

// `"lable" is not a field of Arm; did you mean "label"?`
std::string UnknownField(const google::protobuf::Descriptor& message, absl::string_view name);

struct JsonOutline {
  // Where each member stands, by its path as protobuf writes it: `arms[0].label`.
  absl::flat_hash_map<std::string, TextPosition> positions;
  // What keeps the text from being JSON of the message, and where; empty if nothing was found.
  // Unknown fields, repeated keys, syntax and depth are found here, types of values are not.
  std::string fault;
  TextPosition fault_position;
};

JsonOutline OutlineJson(absl::string_view text, const google::protobuf::Descriptor& message,
                        int deepest);

}  // namespace plumule::protocol
