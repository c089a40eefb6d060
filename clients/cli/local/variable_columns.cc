#include "clients/cli/local/variable_columns.h"

#include <cstddef>
#include <set>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/time/civil_time.h"
#include "clients/cli/table/cell.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {
namespace {

bool IsYes(const std::string& text) {
  return absl::EqualsIgnoreCase(text, "yes") || absl::EqualsIgnoreCase(text, "true");
}
bool IsNo(const std::string& text) {
  return absl::EqualsIgnoreCase(text, "no") || absl::EqualsIgnoreCase(text, "false");
}

constexpr size_t kMaxCodes = 200;
constexpr size_t kMaxCodeBytes = 100;

}  // namespace

bool IsProtocolId(const std::string& text) {
  if (text.empty() || text.size() > 40 ||
      !absl::ascii_islower(static_cast<unsigned char>(text[0]))) {
    return false;
  }
  char before = 0;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (!absl::ascii_islower(byte) && !absl::ascii_isdigit(byte) && c != '_') return false;
    if (c == '_' && before == '_') return false;
    before = c;
  }
  return before != '_';
}

VariableColumn InferVariable(const Table& table, int index, char decimal_mark) {
  bool count = true, number = true, date = true, yes_no = true, code = true;
  std::set<std::string> different;
  for (const TableRow& row : table.rows) {
    const std::string& text = row.cells[static_cast<size_t>(index)];
    if (text.empty()) continue;
    const auto whole = ParseWhole(text);
    count = count && whole && *whole >= 0;
    number = number && ParseNumber(text, decimal_mark).has_value();
    date = date && protocol::ParseDate(text).has_value();
    yes_no = yes_no && (IsYes(text) || IsNo(text));
    if (different.size() <= kMaxCodes) different.insert(text);
    code = code && different.size() <= kMaxCodes && text.size() <= kMaxCodeBytes;
  }
  VariableColumn column{.name = table.columns[static_cast<size_t>(index)], .index = index};
  using namespace analysis::v1;  // the enumerators
  column.type = different.empty() ? COLUMN_TYPE_CODE
                : count           ? COLUMN_TYPE_COUNT
                : number          ? COLUMN_TYPE_NUMBER
                : date            ? COLUMN_TYPE_DATE
                : yes_no          ? COLUMN_TYPE_YES_NO
                : code            ? COLUMN_TYPE_CODE
                                  : COLUMN_TYPE_TEXT;
  return column;
}

analysis::Cell VariableCell(const VariableColumn& column, const std::string& text,
                            char decimal_mark) {
  if (text.empty()) return std::monostate();
  switch (column.type) {
    case analysis::v1::COLUMN_TYPE_COUNT:
      return *ParseWhole(text);
    case analysis::v1::COLUMN_TYPE_NUMBER:
      return *ParseNumber(text, decimal_mark);
    case analysis::v1::COLUMN_TYPE_DATE:
      return static_cast<int64_t>(*protocol::ParseDate(text) - absl::CivilDay(1970, 1, 1));
    case analysis::v1::COLUMN_TYPE_YES_NO:
      return IsYes(text);
    default:
      return text;
  }
}

study::v1::Variable AsVariable(const VariableColumn& column, study::v1::Scope scope,
                               const Table& table) {
  study::v1::Variable variable;
  variable.set_id(column.name);
  variable.mutable_label()->set_text(column.name);
  variable.set_scope(scope);
  switch (column.type) {
    case analysis::v1::COLUMN_TYPE_COUNT:
      variable.mutable_count();
      break;
    case analysis::v1::COLUMN_TYPE_NUMBER:
      variable.mutable_number()->set_unit("1");
      break;
    case analysis::v1::COLUMN_TYPE_DATE:
      variable.mutable_date();
      break;
    case analysis::v1::COLUMN_TYPE_YES_NO:
      variable.mutable_yes_no();
      break;
    case analysis::v1::COLUMN_TYPE_TEXT:
      variable.mutable_text()->set_max_length(5000);
      break;
    default: {
      std::set<std::string> codes;
      for (const TableRow& row : table.rows) {
        const std::string& text = row.cells[static_cast<size_t>(column.index)];
        if (!text.empty()) codes.insert(text);
      }
      auto* choice = variable.mutable_choice();
      for (const std::string& code : codes) {
        auto* option = choice->add_options();
        option->set_code(code);
        option->mutable_label()->set_text(code);
      }
    }
  }
  return variable;
}

}  // namespace plumule::cli
