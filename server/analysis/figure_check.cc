#include "server/analysis/figure_check.h"

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "server/analysis/utf8.h"

namespace plumule::analysis {
namespace {

using Json = nlohmann::json;

constexpr int kMaxDepth = 64;
constexpr size_t kMaxViolations = 20;
constexpr absl::string_view kSchema = "https://vega.github.io/schema/vega-lite/v5";

constexpr std::array<absl::string_view, 7> kForbiddenKeys = {
    "url", "href", "usermeta", "loader", "bind", "__proto__", "constructor"};
constexpr std::array<absl::string_view, 4> kForbiddenParts = {"://", "url(",
                                                              "javascript:", "data:"};
// Keys whose strings Vega evaluates.
constexpr std::array<absl::string_view, 7> kExpressionKeys = {
    "calculate", "expr", "filter", "test", "labelExpr", "signal", "update"};
constexpr std::array<absl::string_view, 10> kForbiddenNames = {
    "fetch",  "load",     "import",   "open",        "eval",
    "window", "document", "Function", "constructor", "__proto__"};

template <typename List>
bool Holds(const List& list, absl::string_view item) {
  return std::find(list.begin(), list.end(), item) != list.end();
}

bool IsNamePart(char c) {
  return absl::ascii_isalnum(static_cast<unsigned char>(c)) || c == '_' || c == '$';
}

// The first forbidden name among the identifiers of an expression; empty if there is none. Words in
// its strings count as well: to be wrong this way is harmless.
absl::string_view ForbiddenNameIn(absl::string_view expression) {
  while (!expression.empty()) {
    const auto begin = std::find_if(expression.begin(), expression.end(), IsNamePart);
    expression.remove_prefix(static_cast<size_t>(begin - expression.begin()));
    const auto end = std::find_if_not(expression.begin(), expression.end(), IsNamePart);
    const absl::string_view name =
        expression.substr(0, static_cast<size_t>(end - expression.begin()));
    if (Holds(kForbiddenNames, name)) return name;
    expression.remove_prefix(name.size());
  }
  return "";
}

class SpecificationWalk {
 public:
  std::vector<std::string> violations;

  void Top(const Json& specification) {
    if (!specification.is_object()) return Add("$", "must be a JSON object");
    for (const auto& [key, value] : specification.items()) {
      if (key == "$schema") {
        CheckSchema(value);
      } else {
        Member("$", key, value, false);
      }
    }
  }

 private:
  void Add(absl::string_view place, absl::string_view what) {
    if (violations.size() < kMaxViolations) violations.push_back(absl::StrCat(place, " ", what));
  }

  void CheckSchema(const Json& value) {
    const bool fits = value.is_string() &&
                      absl::StartsWith(value.get_ref<const std::string&>(), kSchema) &&
                      absl::EndsWith(value.get_ref<const std::string&>(), ".json") &&
                      value.get_ref<const std::string&>().size() < kSchema.size() + 16;
    if (!fits) Add("$.$schema", absl::StrCat("must be ", kSchema, ".json"));
  }

  void Member(const std::string& parent, const std::string& key, const Json& value, bool in_data) {
    const std::string place = absl::StrCat(parent, ".", Utf8Prefix(Readable(key), 60));
    if (Holds(kForbiddenKeys, key)) return Add(place, "is not allowed in figures");
    if (key == "$schema") return Add(place, "is allowed at the top only");
    if (!in_data) CheckMeaning(place, key, value);
    Walk(place, value, in_data || key == "values" || key == "datasets");
  }

  // Rules for keys that mean something to Vega-Lite, as columns of data don't.
  void CheckMeaning(const std::string& place, const std::string& key, const Json& value) {
    if (key == "data") CheckData(place, value);
    if (key == "mark" && value == "image") Add(place, "must not be an image");
    if (key == "type" && value == "image") Add(place, "must not be an image");
    if (value.is_string() && Holds(kExpressionKeys, key)) {
      const absl::string_view name = ForbiddenNameIn(value.get_ref<const std::string&>());
      if (!name.empty()) {
        Add(place, absl::StrCat("is an expression that uses `", name, "`, which is not allowed"));
      }
    }
  }

  void CheckData(const std::string& place, const Json& value) {
    if (value.is_null()) return;
    const bool is_inline =
        value.is_object() && (value.contains("values") || value.contains("name")) &&
        !value.contains("sequence") && !value.contains("sphere") && !value.contains("graticule");
    if (!is_inline) Add(place, "must hold its data: `values`, or the `name` of one of `datasets`");
  }

  void Walk(const std::string& place, const Json& value, bool in_data) {
    if (violations.size() >= kMaxViolations) return;
    if (value.is_string()) CheckString(place, value.get_ref<const std::string&>());
    if (value.is_array()) {
      for (const Json& item : value) Walk(place, item, in_data);
    }
    if (value.is_object()) {
      for (const auto& [key, member] : value.items()) Member(place, key, member, in_data);
    }
  }

  void CheckString(const std::string& place, const std::string& text) {
    const std::string lower = absl::AsciiStrToLower(text);
    const auto held =
        std::find_if(kForbiddenParts.begin(), kForbiddenParts.end(),
                     [&](absl::string_view part) { return absl::StrContains(lower, part); });
    if (held != kForbiddenParts.end()) {
      Add(place, absl::StrCat("holds \"", *held, "\"; figures refer to nothing outside"));
    } else if (absl::StartsWith(absl::StripLeadingAsciiWhitespace(lower), "//")) {
      Add(place, "starts with \"//\"; figures refer to nothing outside");
    }
  }
};

}  // namespace

std::vector<std::string> FigureViolations(absl::string_view vega_lite) {
  bool too_deep = false;
  const auto bound = [&](int depth, Json::parse_event_t event, Json&) {
    using Event = Json::parse_event_t;
    const bool opens = event == Event::object_start || event == Event::array_start;
    if (!opens || depth < kMaxDepth) return true;
    too_deep = true;
    return false;
  };
  const Json specification = Json::parse(vega_lite.begin(), vega_lite.end(), bound, false);
  if (too_deep) return {absl::StrCat("is nested more than ", kMaxDepth, " deep")};
  if (specification.is_discarded()) return {"is not JSON"};
  SpecificationWalk walk;
  walk.Top(specification);
  return walk.violations;
}

}  // namespace plumule::analysis
