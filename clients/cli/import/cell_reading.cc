#include "clients/cli/import/cell_reading.h"

#include <algorithm>
#include <optional>
#include <vector>

#include "absl/status/status.h"
#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "clients/cli/import/date_reading.h"
#include "clients/cli/table/cell.h"
#include "clients/cpp/uuid.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/country.h"

namespace plumule::cli {
namespace {

absl::Status Wrong(absl::string_view cell, absl::string_view what, absl::string_view remedy) {
  return absl::InvalidArgumentError(absl::StrCat("\"", cell, "\" ", what, "; ", remedy));
}

template <class Words>
bool Listed(const Words& words, absl::string_view cell) {
  return std::any_of(words.begin(), words.end(),
                     [cell](const auto& word) { return absl::EqualsIgnoreCase(word, cell); });
}

bool IsYes(const Mapping& mapping, absl::string_view cell) {
  static constexpr const char* kDefault[] = {"yes", "y", "true", "1"};
  if (mapping.yes_words_size() > 0) return Listed(mapping.yes_words(), cell);
  return std::any_of(std::begin(kDefault), std::end(kDefault),
                     [cell](const char* word) { return absl::EqualsIgnoreCase(word, cell); });
}

bool IsNo(const Mapping& mapping, absl::string_view cell) {
  static constexpr const char* kDefault[] = {"no", "n", "false", "0"};
  if (mapping.no_words_size() > 0) return Listed(mapping.no_words(), cell);
  return std::any_of(std::begin(kDefault), std::end(kDefault),
                     [cell](const char* word) { return absl::EqualsIgnoreCase(word, cell); });
}

}  // namespace

bool IsRecordId(absl::string_view text) {
  if (text.empty() || text.size() > 64) return false;
  return std::all_of(text.begin(), text.end(), [](char c) {
    return absl::ascii_isalnum(static_cast<unsigned char>(c)) || c == '-' || c == '_' || c == '.';
  });
}

bool CellReader::IsBlank(absl::string_view cell) const {
  return cell.empty() || Listed(mapping_.blank_words(), cell);
}

absl::StatusOr<absl::CivilDay> CellReader::Date(absl::string_view cell,
                                                const Column& column) const {
  DateForm form{.order = column.date_order(), .century = mapping_.century()};
  if (form.order == DATE_ORDER_UNSPECIFIED) form.order = mapping_.date_order();
  return ReadDate(cell, form);
}

std::string CellReader::Coded(absl::string_view cell, const Column& column) const {
  for (const Code& code : column.codes()) {
    if (absl::EqualsIgnoreCase(code.cell(), cell)) return code.id();
  }
  return std::string(cell);
}

absl::StatusOr<std::string> CellReader::Id(absl::string_view cell, const Column& column,
                                           absl::string_view study) const {
  if (column.id_form() == ID_FORM_PSEUDONYM) {
    // Names differ in spelling more often than in case.
    const std::string name = absl::AsciiStrToLower(cell);
    const std::string uuid =
        client::UuidOf({"pseudonym", std::string(study.data(), study.size()), name});
    return absl::StrCat("g-", uuid.substr(0, 8), uuid.substr(9, 4));
  }
  if (!IsRecordId(cell)) {
    return Wrong(cell, "can't be an id (letters, digits, hyphens, underscores, dots, at most 64)",
                 "change it, or say id_form: ID_FORM_PSEUDONYM in the mapping");
  }
  return std::string(cell);
}

absl::StatusOr<study::v1::Value> CellReader::Choice(absl::string_view cell, const Column& column,
                                                    const study::v1::ChoiceType& type) const {
  std::vector<std::string> words;
  if (column.list_separator().empty()) {
    words.emplace_back(cell);
  } else {
    words = absl::StrSplit(cell, column.list_separator(), absl::SkipWhitespace());
  }
  study::v1::Value value;
  for (const std::string& word : words) {
    const std::string stripped(absl::StripAsciiWhitespace(word));
    const std::string code = Coded(stripped, column);
    const bool known = std::any_of(type.options().begin(), type.options().end(),
                                   [&](const auto& option) { return option.code() == code; });
    if (known) {
      value.mutable_choice()->add_codes(code);
    } else if (type.allow_other()) {
      std::string* other = value.mutable_choice()->mutable_other();
      absl::StrAppend(other, other->empty() ? "" : "; ", stripped);
    } else {
      return Wrong(stripped, "is none of the options",
                   absl::StrCat("add it to the column's codes, or write one of ",
                                absl::StrJoin(type.options(), ", ",
                                              [](std::string* out, const auto& option) {
                                                out->append(option.code());
                                              })));
    }
  }
  return value;
}

absl::StatusOr<study::v1::Value> CellReader::Answer(absl::string_view cell, const Column& column,
                                                    const study::v1::Variable& variable) const {
  study::v1::Value value;
  switch (variable.type_case()) {
    case study::v1::Variable::kNumber: {
      const auto number = ParseNumber(cell, Mark());
      if (!number) {
        return Wrong(cell, "is not a number",
                     Mark() == '.' ? "write it like 12.5, without its unit (or state decimal_mark)"
                                   : "write it like 12,5, without its unit");
      }
      value.mutable_number()->set_value(*number);
      value.mutable_number()->set_unit(column.unit());
      if (cell.size() <= 64) value.mutable_number()->set_entered(std::string(cell));
      return value;
    }
    case study::v1::Variable::kCount: {
      const auto count = ParseWhole(cell);
      if (!count) return Wrong(cell, "is not a whole number", "write it like 12");
      value.set_count(*count);
      return value;
    }
    case study::v1::Variable::kDate: {
      const auto day = Date(cell, column);
      if (!day.ok()) return day.status();
      value.set_date(protocol::FormatDate(*day));
      return value;
    }
    case study::v1::Variable::kYesNo:
      if (!IsYes(mapping_, cell) && !IsNo(mapping_, cell)) {
        return Wrong(cell, "is neither yes nor no",
                     "mend it, or add it to yes_words or no_words in the mapping");
      }
      value.set_yes_no(IsYes(mapping_, cell));
      return value;
    case study::v1::Variable::kChoice:
      return Choice(cell, column, variable.choice());
    case study::v1::Variable::kText:
      value.set_text(std::string(cell));
      return value;
    case study::v1::Variable::kCountry: {
      const std::string code = absl::AsciiStrToUpper(Coded(cell, column));
      if (protocol::CountryName(code).empty()) {
        return Wrong(cell, "is no country code", protocol::SuggestCountry(cell));
      }
      value.set_country(code);
      return value;
    }
    case study::v1::Variable::kPhoto:
      value.set_photo(absl::AsciiStrToLower(cell));
      return value;
    case study::v1::Variable::TYPE_NOT_SET:
      break;
  }
  return absl::InvalidArgumentError(
      absl::StrCat("the protocol gives \"", variable.id(), "\" no type; mend the protocol"));
}

}  // namespace plumule::cli
