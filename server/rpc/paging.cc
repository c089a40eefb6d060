#include "server/rpc/paging.h"

#include <sodium.h>

#include <algorithm>
#include <array>

#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"

namespace plumule::rpc {
namespace {

constexpr int kUsualSize = 100;
constexpr int kLargestSize = 1000;
constexpr std::size_t kChecksumBytes = 8;
constexpr std::size_t kLongestToken = 1024;

// First bytes of SHA-256 over everything that a token is bound to.
std::string Checksum(absl::string_view list, absl::string_view parent, absl::string_view position) {
  const std::string bound = absl::StrCat(list, "\n", parent, "\n", position);
  std::array<unsigned char, crypto_hash_sha256_BYTES> digest;
  crypto_hash_sha256(digest.data(), reinterpret_cast<const unsigned char*>(bound.data()),
                     bound.size());
  return std::string(reinterpret_cast<const char*>(digest.data()), kChecksumBytes);
}

absl::Status BadToken() {
  return ReasonedError(
      absl::StatusCode::kInvalidArgument, "page_token_not_valid",
      "the page token was not given out for this list",
      {{"page_token", "page_token_not_valid",
        "Use next_page_token of the previous answer with the same other arguments, or leave it "
        "empty to begin anew."}});
}

}  // namespace

std::string NextToken(absl::string_view list, absl::string_view parent,
                      absl::string_view position) {
  if (position.empty()) return "";
  return absl::WebSafeBase64Escape(absl::StrCat(Checksum(list, parent, position), position));
}

absl::StatusOr<Page> ReadPage(absl::string_view list, absl::string_view parent,
                              std::int32_t page_size, absl::string_view page_token) {
  if (page_size < 0) {
    return ReasonedError(
        absl::StatusCode::kInvalidArgument, "page_size_not_valid",
        absl::StrCat("page_size is ", page_size, ", below 0"),
        {{"page_size", "page_size_not_valid", "Give 1 to 1000, or 0 for the usual 100."}});
  }
  Page page;
  page.size = page_size == 0 ? kUsualSize : std::min<int>(page_size, kLargestSize);
  if (page_token.empty()) return page;
  std::string bytes;
  if (page_token.size() > kLongestToken || !absl::WebSafeBase64Unescape(page_token, &bytes) ||
      bytes.size() < kChecksumBytes) {
    return BadToken();
  }
  page.after = bytes.substr(kChecksumBytes);
  if (bytes.substr(0, kChecksumBytes) != Checksum(list, parent, page.after)) return BadToken();
  return page;
}

}  // namespace plumule::rpc
