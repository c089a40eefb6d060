#include "clients/cli/report/figure_table.h"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>
#include <vector>

#include "absl/strings/str_cat.h"
#include "clients/cli/print/words.h"
#include "clients/cli/report/html.h"

namespace plumule::cli {
namespace {

using Json = nlohmann::ordered_json;

constexpr size_t kMostRows = 1000;

// Lists of objects under "values" (inline data) and in "datasets", wherever they stand.
void Collect(const Json& node, std::vector<const Json*>* out) {
  if (node.is_array()) {
    for (const Json& member : node) Collect(member, out);
    return;
  }
  if (!node.is_object()) return;
  for (const auto& [name, member] : node.items()) {
    if (name == "data" && member.is_object() && member.contains("values") &&
        member["values"].is_array()) {
      out->push_back(&member["values"]);
    } else if (name == "datasets" && member.is_object()) {
      for (const auto& [set, values] : member.items()) {
        if (values.is_array()) out->push_back(&values);
      }
    } else {
      Collect(member, out);
    }
  }
}

std::string CellWords(const Json& value) {
  if (value.is_null()) return "";
  if (value.is_string()) return value.get<std::string>();
  if (value.is_number_integer()) return absl::StrCat(value.get<int64_t>());
  if (value.is_number()) return NumberWords(value.get<double>());
  return value.dump(-1, ' ', false, Json::error_handler_t::replace);
}

std::string Table(const Json& values) {
  std::vector<std::string> columns;
  for (const Json& row : values) {
    if (!row.is_object()) return "";
    for (const auto& [name, value] : row.items()) {
      if (std::find(columns.begin(), columns.end(), name) == columns.end()) columns.push_back(name);
    }
  }
  if (columns.empty()) return "";
  std::string out = "<div class=\"scroll\" tabindex=\"0\"><table><thead><tr>";
  for (const std::string& name : columns) {
    absl::StrAppend(&out, "<th scope=\"col\">", Escaped(MethodWords(name)), "</th>");
  }
  absl::StrAppend(&out, "</tr></thead><tbody>\n");
  size_t shown = 0;
  for (const Json& row : values) {
    if (shown++ == kMostRows) break;
    absl::StrAppend(&out, "<tr>");
    for (const std::string& name : columns) {
      const auto cell = row.find(name);
      const bool number = cell != row.end() && cell->is_number();
      absl::StrAppend(&out, number ? "<td class=\"number\">" : "<td>",
                      cell == row.end() ? "" : Escaped(CellWords(*cell)), "</td>");
    }
    absl::StrAppend(&out, "</tr>\n");
  }
  absl::StrAppend(&out, "</tbody></table></div>\n");
  if (values.size() > kMostRows) {
    absl::StrAppend(&out, "<p class=\"small\">", values.size() - kMostRows,
                    " more rows are not shown.</p>\n");
  }
  return out;
}

}  // namespace

std::string FigureTables(absl::string_view vega_lite) {
  const Json spec =
      Json::parse(vega_lite.begin(), vega_lite.end(), nullptr, /*allow_exceptions=*/false);
  if (!spec.is_object()) return "";
  std::vector<const Json*> sets;
  Collect(spec, &sets);
  std::string out;
  std::set<std::string> seen;
  for (const Json* values : sets) {
    std::string table = Table(*values);
    if (seen.insert(table).second) out += table;
  }
  return out;
}

bool IsDrawable(absl::string_view vega_lite) {
  const Json spec =
      Json::parse(vega_lite.begin(), vega_lite.end(), nullptr, /*allow_exceptions=*/false);
  return spec.is_object();
}

}  // namespace plumule::cli
