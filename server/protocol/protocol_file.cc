#include "server/protocol/protocol_file.h"

#include <algorithm>
#include <fstream>
#include <string>
#include <vector>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/strip.h"
#include "google/protobuf/io/tokenizer.h"
#include "google/protobuf/text_format.h"
#include "google/protobuf/util/json_util.h"
#include "server/protocol/json_outline.h"
#include "server/protocol/reason.h"
#include "server/protocol/spelling.h"
#include "server/protocol/status_macros.h"

namespace plumule::protocol {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::EnumDescriptor;
using google::protobuf::FieldDescriptor;

// A mistake at a place of the file.
struct Mistake {
  TextPosition position;
  std::string words;
};

absl::Status Unreadable(absl::string_view file_name, const std::vector<Mistake>& mistakes) {
  std::vector<FieldViolation> violations;
  std::vector<std::string> lines;
  for (const Mistake& mistake : mistakes) {
    const std::string place =
        absl::StrCat(file_name, ":", mistake.position.line, ":", mistake.position.column);
    lines.push_back(absl::StrCat(place, ": ", mistake.words));
    violations.push_back({place, "protocol_unreadable", mistake.words});
  }
  return ReasonedError(absl::StatusCode::kInvalidArgument, "protocol_unreadable",
                       absl::StrJoin(lines, "\n"), std::move(violations));
}

absl::Status CheckSize(absl::string_view text, absl::string_view file_name) {
  if (text.size() <= kLargestProtocolFile) return absl::OkStatus();
  return Unreadable(file_name,
                    {{TextPosition{}, absl::StrCat("the file has ", text.size(), " bytes; at most ",
                                                   kLargestProtocolFile, " are read")}});
}

// Refuses text format that is nested too deeply for protobuf's recursive parser. Knows strings and
// comments, nothing else of the language.
absl::Status CheckTextDepth(absl::string_view text, absl::string_view file_name) {
  int depth = 0;
  char quote = 0;
  for (size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (quote != 0) {
      if (c == '\\') ++i;
      // A string can't go over the end of a line; the parser will say so.
      if (c == quote || c == '\n') quote = 0;
    } else if (c == '"' || c == '\'') {
      quote = c;
    } else if (c == '#') {
      while (i < text.size() && text[i] != '\n') ++i;
    } else if (c == '{' || c == '<' || c == '[') {
      if (++depth > kDeepestNesting) {
        return Unreadable(file_name,
                          {{PositionAt(text, i), absl::StrCat("nested more than ", kDeepestNesting,
                                                              " deep; no protocol needs that")}});
      }
    } else if (c == '}' || c == '>' || c == ']') {
      --depth;
    }
  }
  return absl::OkStatus();
}

// The first text in double quotes after `after` in `message`.
absl::string_view QuotedAfter(absl::string_view message, absl::string_view after) {
  const size_t start = message.find(after);
  if (start == absl::string_view::npos) return "";
  message.remove_prefix(start + after.size());
  if (!absl::ConsumePrefix(&message, "\"")) return "";
  return message.substr(0, message.find('"'));
}

// An enum that a field of this name holds, anywhere in the definition.
const EnumDescriptor* EnumOfField(absl::string_view name) {
  const google::protobuf::FileDescriptor* file = study::v1::Protocol::descriptor()->file();
  for (int i = 0; i < file->message_type_count(); ++i) {
    const FieldDescriptor* field = file->message_type(i)->FindFieldByName(std::string(name));
    if (field != nullptr && field->enum_type() != nullptr) return field->enum_type();
  }
  return nullptr;
}

// The parser's words in ours, with the nearest name that exists.
std::string Explain(absl::string_view message) {
  const absl::string_view type = QuotedAfter(message, "Message type ");
  const absl::string_view field = QuotedAfter(message, "has no field named ");
  if (!type.empty() && !field.empty()) {
    const Descriptor* descriptor =
        google::protobuf::DescriptorPool::generated_pool()->FindMessageTypeByName(
            std::string(type));
    if (descriptor != nullptr) return UnknownField(*descriptor, field);
  }
  const absl::string_view value = QuotedAfter(message, "Unknown enumeration value of ");
  const absl::string_view of_field = QuotedAfter(message, "for field ");
  if (const EnumDescriptor* enumeration = value.empty() ? nullptr : EnumOfField(of_field)) {
    std::vector<absl::string_view> known;
    for (int i = 1; i < enumeration->value_count(); ++i) {
      known.push_back(enumeration->value(i)->name());
    }
    return absl::StrCat(Quote(value), " is not a value of ", of_field, "; ",
                        Suggest(value, known, ""));
  }
  return std::string(absl::StripSuffix(message, "."));
}

// The byte at a place, the reverse of PositionAt.
size_t OffsetOf(absl::string_view text, TextPosition position) {
  size_t offset = 0;
  for (int line = 1; line < position.line; ++line) {
    const size_t end = text.find('\n', offset);
    if (end == absl::string_view::npos) return text.size();
    offset = end + 1;
  }
  return std::min(text.size(), offset + static_cast<size_t>(position.column - 1));
}

class MistakeCollector : public google::protobuf::io::ErrorCollector {
 public:
  MistakeCollector(absl::string_view text, std::vector<Mistake>* mistakes)
      : text_(text), mistakes_(*mistakes) {}

  void AddError(int line, google::protobuf::io::ColumnNumber column,
                const std::string& message) override {
    TextPosition position{line + 1, column + 1};
    // Of an unknown enum value the parser tells the place of what follows it: step back.
    const absl::string_view value = QuotedAfter(message, "Unknown enumeration value of ");
    if (!value.empty()) {
      const size_t start = text_.rfind(value, OffsetOf(text_, position));
      if (start != absl::string_view::npos) position = PositionAt(text_, start);
    }
    mistakes_.push_back({position, Explain(message)});
  }
  void AddWarning(int, google::protobuf::io::ColumnNumber, const std::string&) override {}

 private:
  const absl::string_view text_;
  std::vector<Mistake>& mistakes_;
};

// Where protobuf's message on JSON speaks of: it names the path in parentheses.
TextPosition PlaceOf(absl::string_view message, const JsonOutline& outline) {
  const size_t open = message.find('(');
  const size_t close = message.find("):");
  if (open == absl::string_view::npos || close == absl::string_view::npos || close < open) {
    return {};
  }
  std::string path(message.substr(open + 1, close - open - 1));
  while (!path.empty()) {
    const auto found = outline.positions.find(path);
    if (found != outline.positions.end()) return found->second;
    const size_t end = path.find_last_of(".[");
    path.resize(end == std::string::npos ? 0 : end);
  }
  return {};
}

}  // namespace

absl::StatusOr<study::v1::Protocol> ParseProtocolText(absl::string_view text,
                                                      absl::string_view file_name) {
  PLUMULE_RETURN_IF_ERROR(CheckSize(text, file_name));
  PLUMULE_RETURN_IF_ERROR(CheckTextDepth(text, file_name));
  std::vector<Mistake> mistakes;
  MistakeCollector collector(text, &mistakes);
  google::protobuf::TextFormat::Parser parser;
  parser.RecordErrorsTo(&collector);
  study::v1::Protocol protocol;
  if (!parser.ParseFromString(std::string(text), &protocol)) {
    if (mistakes.empty()) mistakes.push_back({TextPosition{}, "not a protocol definition"});
    return Unreadable(file_name, mistakes);
  }
  return protocol;
}

absl::StatusOr<study::v1::Protocol> ParseProtocolJson(absl::string_view text,
                                                      absl::string_view file_name) {
  PLUMULE_RETURN_IF_ERROR(CheckSize(text, file_name));
  JsonOutline outline = OutlineJson(text, *study::v1::Protocol::descriptor(), kDeepestNesting);
  if (!outline.fault.empty()) {
    return Unreadable(file_name, {{outline.fault_position, outline.fault}});
  }
  study::v1::Protocol protocol;
  const auto status = google::protobuf::util::JsonStringToMessage(std::string(text), &protocol, {});
  if (!status.ok()) {
    const std::string message(status.message().data(), status.message().size());
    return Unreadable(file_name, {{PlaceOf(message, outline), message}});
  }
  return protocol;
}

absl::StatusOr<study::v1::Protocol> ReadProtocolFile(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  if (!file) {
    return ReasonedError(absl::StatusCode::kNotFound, "file_not_found",
                         absl::StrCat(path, " can't be opened; check its name and permissions"));
  }
  // One byte more than is allowed is enough to know that there are too many.
  std::string text(kLargestProtocolFile + 1, '\0');
  file.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (file.bad()) {
    return ReasonedError(absl::StatusCode::kUnavailable, "file_unreadable",
                         absl::StrCat(path, " can't be read; check the disk"));
  }
  text.resize(static_cast<size_t>(file.gcount()));
  return absl::EndsWith(path, ".json") ? ParseProtocolJson(text, path)
                                       : ParseProtocolText(text, path);
}

}  // namespace plumule::protocol
