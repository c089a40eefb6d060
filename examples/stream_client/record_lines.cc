#include "examples/stream_client/record_lines.h"

#include <google/protobuf/util/json_util.h>

#include <fstream>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "server/protocol/json_outline.h"

namespace plumule::stream_client {
namespace {

// A record takes at most 64 KiB; as JSON that may be a few times as long.
constexpr std::size_t kLongestLine = 256 * 1024;
constexpr int kDeepestJson = 32;

absl::StatusOr<intake::v1::Record> ReadRecord(const std::string& line) {
  if (line.size() > kLongestLine) {
    return absl::InvalidArgumentError(
        absl::StrCat("the line has ", line.size(), " bytes; at most ", kLongestLine, " are read"));
  }
  // Depth and names of fields, before protobuf's recursive parser goes into it.
  const protocol::JsonOutline outline =
      protocol::OutlineJson(line, *intake::v1::Record::descriptor(), kDeepestJson);
  if (!outline.fault.empty()) return absl::InvalidArgumentError(outline.fault);
  intake::v1::Record record;
  const auto read = google::protobuf::util::JsonStringToMessage(line, &record);
  if (!read.ok()) return absl::InvalidArgumentError(std::string(read.message()));
  return record;
}

}  // namespace

absl::StatusOr<std::vector<Line>> ReadLines(const std::string& path) {
  std::ifstream file(path);
  if (!file) return absl::InvalidArgumentError(absl::StrCat("can't read ", path));
  std::vector<Line> lines;
  int number = 0;
  for (std::string text; std::getline(file, text);) {
    ++number;
    if (absl::StripAsciiWhitespace(text).empty()) continue;
    absl::StatusOr<intake::v1::Record> record = ReadRecord(text);
    if (!record.ok()) {
      return absl::InvalidArgumentError(absl::StrCat(
          path, ":", number, ": ", record.status().message(), "; each line is one record as JSON"));
    }
    lines.push_back({number, *std::move(record)});
  }
  if (lines.empty()) return absl::InvalidArgumentError(absl::StrCat("no records are in ", path));
  return lines;
}

}  // namespace plumule::stream_client
