#include "clients/cli/report/html.h"

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "absl/strings/str_split.h"

namespace plumule::cli {

std::string Escaped(absl::string_view text) {
  std::string out;
  out.reserve(text.size());
  for (const char c : text) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      default:
        if (static_cast<unsigned char>(c) >= 0x20 || c == '\n' || c == '\t') out += c;
    }
  }
  return out;
}

std::string Paragraphs(absl::string_view text) {
  std::string out;
  for (const absl::string_view paragraph : absl::StrSplit(text, "\n\n", absl::SkipWhitespace())) {
    absl::StrAppend(&out, "<p>", Escaped(absl::StripAsciiWhitespace(paragraph)), "</p>\n");
  }
  return out;
}

std::string ScriptJson(absl::string_view json) {
  // Inside JSON these characters stand only in strings, where the escapes mean the same; the two
  // line separators are not allowed in some parsers of scripts.
  return absl::StrReplaceAll(json, {{"<", "\\u003c"},
                                    {">", "\\u003e"},
                                    {"&", "\\u0026"},
                                    {"\xE2\x80\xA8", "\\u2028"},
                                    {"\xE2\x80\xA9", "\\u2029"}});
}

}  // namespace plumule::cli
