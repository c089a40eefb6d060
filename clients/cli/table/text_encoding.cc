#include "clients/cli/table/text_encoding.h"

#include <iconv.h>

#include <algorithm>
#include <cerrno>
#include <cstddef>
#include <cstdint>

#include "absl/status/status.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace plumule::cli {
namespace {

constexpr absl::string_view kUtf8Mark = "\xEF\xBB\xBF";
constexpr absl::string_view kUtf16Little = "\xFF\xFE";
constexpr absl::string_view kUtf16Big = "\xFE\xFF";

int LineOf(absl::string_view text, size_t position) {
  return 1 + static_cast<int>(std::count(
                 text.begin(), text.begin() + static_cast<std::ptrdiff_t>(position), '\n'));
}

absl::StatusOr<std::string> Convert(absl::string_view bytes, const char* from) {
  iconv_t converter = iconv_open("UTF-8", from);
  if (converter == reinterpret_cast<iconv_t>(-1)) {
    return absl::InternalError(absl::StrCat("this system can't read ", from));
  }
  std::string out(bytes.size() * 3 + 4, '\0');
  std::string in(bytes);  // iconv wants a mutable pointer
  char* read = in.data();
  size_t left = in.size();
  char* write = out.data();
  size_t room = out.size();
  const size_t rc = iconv(converter, &read, &left, &write, &room);
  iconv_close(converter);
  if (rc == static_cast<size_t>(-1)) {
    const size_t at = in.size() - left;
    return absl::InvalidArgumentError(absl::StrFormat(
        "line %d: byte 0x%02X is not text in %s; save the file again as \"CSV UTF-8\"",
        LineOf(bytes, at), static_cast<unsigned>(static_cast<uint8_t>(in[at])), from));
  }
  out.resize(out.size() - room);
  return out;
}

absl::StatusOr<DecodedText> WithoutNul(DecodedText decoded) {
  const size_t nul = decoded.text.find('\0');
  if (nul == std::string::npos) return decoded;
  return absl::InvalidArgumentError(
      absl::StrCat("line ", LineOf(decoded.text, nul),
                   ": holds a NUL byte, so this is not a text table; save the spreadsheet as CSV "
                   "(UTF-8) and try again"));
}

absl::StatusOr<DecodedText> FromUtf16(absl::string_view bytes, bool little, std::string why) {
  auto text = Convert(bytes, little ? "UTF-16LE" : "UTF-16BE");
  if (!text.ok()) return text.status();
  return WithoutNul({*std::move(text), little ? "UTF-16 (little endian)" : "UTF-16 (big endian)",
                     std::move(why)});
}

}  // namespace

bool IsUtf8(absl::string_view text) {
  size_t i = 0;
  while (i < text.size()) {
    const auto lead = static_cast<uint8_t>(text[i]);
    const size_t length = lead < 0x80   ? 1
                          : lead < 0xC2 ? 0
                          : lead < 0xE0 ? 2
                          : lead < 0xF0 ? 3
                          : lead < 0xF5 ? 4
                                        : 0;
    if (length == 0 || i + length > text.size()) return false;
    for (size_t k = 1; k < length; ++k) {
      if ((static_cast<uint8_t>(text[i + k]) & 0xC0) != 0x80) return false;
    }
    const uint8_t second = length > 1 ? static_cast<uint8_t>(text[i + 1]) : 0;
    if (lead == 0xE0 && second < 0xA0) return false;
    if (lead == 0xED && second > 0x9F) return false;
    if (lead == 0xF0 && second < 0x90) return false;
    if (lead == 0xF4 && second > 0x8F) return false;
    i += length;
  }
  return true;
}

absl::StatusOr<DecodedText> DecodeText(absl::string_view bytes, absl::string_view encoding) {
  const bool automatic = encoding == "auto";
  if (!automatic && encoding != "utf-8" && encoding != "utf-16" && encoding != "windows-1252") {
    return absl::InvalidArgumentError(absl::StrCat(
        "encoding \"", encoding, "\" is not known; use auto, utf-8, utf-16 or windows-1252"));
  }
  if ((automatic || encoding == "utf-16") && absl::StartsWith(bytes, kUtf16Little)) {
    return FromUtf16(bytes.substr(2), true, "the file begins with a UTF-16 byte order mark");
  }
  if ((automatic || encoding == "utf-16") && absl::StartsWith(bytes, kUtf16Big)) {
    return FromUtf16(bytes.substr(2), false, "the file begins with a UTF-16 byte order mark");
  }
  if (encoding == "utf-16") return FromUtf16(bytes, true, "stated; no byte order mark");
  if (absl::StartsWith(bytes, kUtf8Mark)) {
    const absl::string_view text = bytes.substr(kUtf8Mark.size());
    if (!IsUtf8(text)) {
      return absl::InvalidArgumentError(
          "the file begins with a UTF-8 byte order mark but is not UTF-8 throughout; save it again "
          "as \"CSV UTF-8\"");
    }
    return WithoutNul({std::string(text), "UTF-8", "the file begins with a UTF-8 byte order mark"});
  }
  if (encoding != "windows-1252" && IsUtf8(bytes)) {
    return WithoutNul({std::string(bytes), "UTF-8", "all of it is valid UTF-8"});
  }
  if (encoding == "utf-8") {
    return absl::InvalidArgumentError(
        "the file is not UTF-8; leave out --encoding, or save it again as \"CSV UTF-8\"");
  }
  auto text = Convert(bytes, "WINDOWS-1252");
  if (!text.ok()) return text.status();
  return WithoutNul(
      {*std::move(text), "Windows-1252",
       automatic ? "it is not valid UTF-8, so it was taken as Windows-1252" : "stated"});
}

}  // namespace plumule::cli
