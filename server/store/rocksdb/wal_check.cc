#include "server/store/rocksdb/wal_check.h"

#include <boost/crc.hpp>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <optional>
#include <system_error>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/string_view.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::store {
namespace {

// RocksDB's log format (its wiki, "Write Ahead Log File Format"): blocks of 32 KiB holding
// fragments, each with a header of masked CRC-32C (4 bytes), length (2), type (1), little endian. A
// fragment never crosses a block; less than a header at the end of a block is padding.
constexpr std::size_t kBlock = 32768;
constexpr std::size_t kHeader = 7;
enum FragmentType : unsigned char { kZero = 0, kFull = 1, kFirst = 2, kMiddle = 3, kLast = 4 };

using Crc32c = boost::crc_optimal<32, 0x1EDC6F41, 0xffffffff, 0xffffffff, true, true>;

std::uint32_t LittleEndian(absl::string_view bytes, int count) {
  std::uint32_t value = 0;
  for (int i = count - 1; i >= 0; --i) {
    value = (value << 8) | static_cast<unsigned char>(bytes[static_cast<std::size_t>(i)]);
  }
  return value;
}

struct Fragment {
  unsigned char type;
  std::size_t size;
};

// The sound fragment at the front of `rest`, what is left of a block.
std::optional<Fragment> ReadFragment(absl::string_view rest) {
  if (rest.size() < kHeader) return std::nullopt;
  const auto type = static_cast<unsigned char>(rest[6]);
  const std::size_t length = LittleEndian(rest.substr(4), 2);
  if (type < kFull || type > kLast || kHeader + length > rest.size()) return std::nullopt;
  Crc32c crc;
  crc.process_bytes(rest.data() + 6, 1 + length);
  const std::uint32_t plain = crc.checksum();
  const std::uint32_t masked = ((plain >> 15) | (plain << 17)) + 0xa282ead8u;
  if (masked != LittleEndian(rest, 4)) return std::nullopt;
  return Fragment{type, kHeader + length};
}

// True if a record begins soundly somewhere in `rest`.
bool HoldsRecordStart(absl::string_view rest) {
  for (; rest.size() >= kHeader; rest.remove_prefix(1)) {
    const auto type = static_cast<unsigned char>(rest[6]);
    if (type != kFull && type != kFirst) continue;
    if (ReadFragment(rest)) return true;
  }
  return false;
}

// Offset of the first unreadable place in a block; its size if there is none.
std::size_t FirstUnreadable(absl::string_view block) {
  std::size_t at = 0;
  while (block.size() - at >= kHeader) {
    const std::optional<Fragment> fragment = ReadFragment(block.substr(at));
    if (!fragment) return at;
    at += fragment->size;
  }
  return block.size();
}

absl::Status CheckLog(const std::filesystem::path& file) {
  std::ifstream stream(file, std::ios::binary);
  std::vector<char> buffer(kBlock);
  std::optional<std::uintmax_t> unreadable;
  for (std::uintmax_t offset = 0; stream; offset += kBlock) {
    stream.read(buffer.data(), static_cast<std::streamsize>(kBlock));
    absl::string_view block(buffer.data(), static_cast<std::size_t>(stream.gcount()));
    if (!unreadable) {
      const std::size_t good = FirstUnreadable(block);
      if (good == block.size()) continue;
      unreadable = offset + good;
      block.remove_prefix(good);
    }
    if (HoldsRecordStart(block)) {
      return ReasonedError(
          absl::StatusCode::kDataLoss, "store_damaged",
          absl::StrCat("the store's file ", file.string(), " is damaged at byte ", *unreadable,
                       ", with sound records behind it: nothing was changed; restore a backup"));
    }
  }
  return absl::OkStatus();
}

}  // namespace

absl::Status CheckWriteAheadLogs(const std::string& directory) {
  std::error_code error;
  for (const auto& file : std::filesystem::directory_iterator(directory, error)) {
    if (file.path().extension() != ".log") continue;
    PLUMULE_RETURN_IF_ERROR(CheckLog(file.path()));
  }
  return absl::OkStatus();
}

}  // namespace plumule::store
