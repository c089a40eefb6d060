#include "server/protocol/report.h"

#include <algorithm>
#include <cmath>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "server/protocol/check.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/country.h"
#include "server/protocol/spelling.h"
#include "server/protocol/units.h"

namespace plumule::protocol {

using study::v1::LocalizedText;
using study::v1::Variable;

void Report::Add(absl::string_view path, ReasonRow reason, std::string what, std::string remedy) {
  if (problems_.size() == static_cast<size_t>(kMostProblems)) return;
  if (problems_.size() + 1 == static_cast<size_t>(kMostProblems)) {
    path = "";
    reason = "more_problems";
    what = absl::StrCat("more than ", kMostProblems, " problems");
    remedy = "mend the ones above, then check again";
  }
  study::v1::Problem& problem = problems_.emplace_back();
  problem.set_path(std::string(path));
  problem.set_reason(std::string(reason->reason));
  problem.set_what(std::move(what));
  problem.set_why(std::string(reason->why));
  problem.set_remedy(std::move(remedy));
  problem.set_advice(reason->advice);
}

DefinitionIndex::DefinitionIndex(const study::v1::Protocol& protocol) : definition(protocol) {
  for (const auto& arm : definition.arms()) {
    if (!arm.id().empty() && arms.insert(arm.id()).second) arm_ids.push_back(arm.id());
  }
  for (const auto& variable : definition.variables()) {
    if (!variable.id().empty() && variables.emplace(variable.id(), &variable).second) {
      variable_ids.push_back(variable.id());
    }
  }
  for (const auto& threshold : definition.thresholds()) {
    if (!threshold.id().empty() && thresholds.emplace(threshold.id(), &threshold).second) {
      threshold_ids.push_back(threshold.id());
    }
  }
  for (const auto& entry : definition.privacy().variables()) {
    if (entry.audience() == study::v1::AUDIENCE_ORGANIZERS) hidden.insert(entry.variable());
  }
}

const Variable* DefinitionIndex::FindVariable(absl::string_view id) const {
  const auto found = variables.find(id);
  return found == variables.end() ? nullptr : found->second;
}

const study::v1::Threshold* DefinitionIndex::FindThreshold(absl::string_view id) const {
  const auto found = thresholds.find(id);
  return found == thresholds.end() ? nullptr : found->second;
}

bool DefinitionIndex::HasArm(absl::string_view id) const { return arms.contains(id); }

bool DefinitionIndex::IsHidden(absl::string_view variable) const {
  return hidden.contains(variable);
}

std::string At(absl::string_view path, absl::string_view field) {
  return path.empty() ? std::string(field) : absl::StrCat(path, ".", field);
}

std::string At(absl::string_view path, int position) {
  return absl::StrCat(path, "[", position, "]");
}

int CheckLength(absl::string_view path, int size, int most, Report* report) {
  if (size > most) {
    report->Add(path, "list_too_long", absl::StrCat(size, " members, ", most, " are allowed"),
                absl::StrCat("keep at most ", most));
  }
  return std::min(size, most);
}

namespace {

constexpr size_t kLongestId = 40;
constexpr int kMostTranslations = 50;

// What keeps `id` from being one, as a clause; empty if nothing does.
std::string IdFault(absl::string_view id, IdShape shape) {
  const auto is_lower = [](char c) { return absl::ascii_islower(static_cast<unsigned char>(c)); };
  const auto is_digit = [](char c) { return absl::ascii_isdigit(static_cast<unsigned char>(c)); };
  if (shape == IdShape::kId && !is_lower(id[0])) return "does not start with a lower-case letter";
  if (shape == IdShape::kCode && !is_lower(id[0]) && !is_digit(id[0])) {
    return "does not start with a lower-case letter or digit";
  }
  if (!std::all_of(id.begin(), id.end(),
                   [&](char c) { return is_lower(c) || is_digit(c) || c == '_'; })) {
    return "holds other characters than lower-case letters, digits and underscores";
  }
  if (absl::StrContains(id, "__") || id.back() == '_') {
    return "holds an underscore that joins nothing";
  }
  return "";
}

// `id` with what is wrong taken out: "Root count" → root_count. Empty if nothing is left.
std::string MendedId(absl::string_view id) {
  std::string mended;
  for (const char c : id.substr(0, kLongestId)) {
    const auto byte = static_cast<unsigned char>(c);
    if (absl::ascii_isalnum(byte)) {
      mended += absl::ascii_tolower(byte);
    } else if (!mended.empty() && mended.back() != '_') {
      mended += '_';
    }
  }
  while (!mended.empty() && mended.back() == '_') mended.pop_back();
  while (!mended.empty() && absl::ascii_isdigit(static_cast<unsigned char>(mended[0]))) {
    mended.erase(0, 1);
  }
  return mended;
}

// True if the id may stand in paths.
bool CheckId(const std::string& path, absl::string_view id, IdShape shape, bool is_new,
             Report* report) {
  if (id.empty()) {
    report->Add(path, "id_missing", "there is no id",
                "name it in lower-case letters, digits and single underscores");
    return false;
  }
  if (id.size() > kLongestId) {
    report->Add(path, "id_too_long", absl::StrCat(Quote(id), " has ", id.size(), " characters"),
                absl::StrCat("use at most ", kLongestId));
    return false;
  }
  if (const std::string fault = IdFault(id, shape); !fault.empty()) {
    const std::string mended = MendedId(id);
    report->Add(path, "id_malformed", absl::StrCat(Quote(id), " ", fault),
                mended.empty() ? "use lower-case letters, digits and single underscores"
                               : absl::StrCat("write ", Quote(mended)));
    return false;
  }
  if (!is_new) {
    report->Add(path, "id_duplicate", absl::StrCat(Quote(id), " stands here a second time"),
                "give one of the two another id");
  }
  return is_new;
}

// True for a tag of the shape language[-extlang][-script][-region][-variant…][-extension…][-x…]
// of RFC 5646, section 2.1, with a primary language of two or three letters.
bool IsLanguageTag(absl::string_view tag) {
  const std::vector<absl::string_view> parts = absl::StrSplit(tag, '-');
  const auto all = [](absl::string_view part, auto is) {
    return !part.empty() && part.size() <= 8 && std::all_of(part.begin(), part.end(), [is](char c) {
      return is(static_cast<unsigned char>(c));
    });
  };
  const auto letters = [&](absl::string_view p) { return all(p, absl::ascii_isalpha); };
  const auto digits = [&](absl::string_view p) { return all(p, absl::ascii_isdigit); };
  const auto mixed = [&](absl::string_view p) { return all(p, absl::ascii_isalnum); };
  size_t i = 0;
  if (!letters(parts[i]) || parts[i].size() < 2 || parts[i].size() > 3) return false;
  ++i;
  for (int n = 0; n < 3 && i < parts.size() && letters(parts[i]) && parts[i].size() == 3; ++n) ++i;
  if (i < parts.size() && letters(parts[i]) && parts[i].size() == 4) ++i;
  if (i < parts.size() &&
      ((letters(parts[i]) && parts[i].size() == 2) || (digits(parts[i]) && parts[i].size() == 3))) {
    ++i;
  }
  while (i < parts.size() && mixed(parts[i]) &&
         (parts[i].size() >= 5 || (parts[i].size() == 4 && digits(parts[i].substr(0, 1))))) {
    ++i;
  }
  while (i < parts.size()) {
    if (!mixed(parts[i]) || parts[i].size() != 1) return false;
    const bool is_private = absl::EqualsIgnoreCase(parts[i], "x");
    const size_t first = ++i;
    while (i < parts.size() && mixed(parts[i]) && (is_private || parts[i].size() > 1)) ++i;
    if (i == first) return false;
  }
  return true;
}

std::string LanguageRemedy(absl::string_view tag) {
  std::string hyphenated(tag.substr(0, 64));
  std::replace(hyphenated.begin(), hyphenated.end(), '_', '-');
  if (hyphenated != tag && IsLanguageTag(hyphenated)) {
    return absl::StrCat("write ", Quote(hyphenated));
  }
  return "write a BCP 47 tag, such as \"en\" or \"pt-BR\"";
}

}  // namespace

bool CheckLanguage(absl::string_view path, absl::string_view tag, Report* report) {
  if (IsLanguageTag(tag)) return true;
  report->Add(path, "language_malformed", absl::StrCat(Quote(tag), " is not a language tag"),
              LanguageRemedy(tag));
  return false;
}

namespace {

void CheckTranslations(const DefinitionIndex& index, absl::string_view path,
                       const LocalizedText& text, size_t most, Report* report) {
  const std::string list = At(path, "translations");
  const int count = CheckLength(list, text.translations_size(), kMostTranslations, report);
  const absl::string_view original =
      index.definition.language().empty() ? "en" : absl::string_view(index.definition.language());
  absl::flat_hash_set<std::string> seen;
  for (int i = 0; i < count; ++i) {
    const auto& translation = text.translations(i);
    const std::string here = At(list, i);
    const absl::string_view tag = translation.language();
    const bool well_formed = CheckLanguage(At(here, "language"), tag, report);
    if (well_formed && absl::EqualsIgnoreCase(tag, original)) {
      report->Add(At(here, "language"), "translation_of_original",
                  absl::StrCat(Quote(tag), " is the language of the definition itself"),
                  "leave the translation out, or mend its language");
    } else if (well_formed && !seen.insert(absl::AsciiStrToLower(tag)).second) {
      report->Add(At(here, "language"), "translation_duplicate",
                  absl::StrCat(Quote(tag), " stands here a second time"), "keep one of the two");
    }
    if (absl::StripAsciiWhitespace(translation.text()).empty()) {
      report->Add(At(here, "text"), "translation_empty", "the translation has no words",
                  "write it, or leave the translation out");
    } else if (CountCharacters(translation.text()) > most) {
      report->Add(
          At(here, "text"), "text_too_long",
          absl::StrCat(CountCharacters(translation.text()), " characters, ", most, " are allowed"),
          "shorten it");
    }
  }
}

}  // namespace

std::vector<std::string> CheckIds(absl::string_view list, const std::vector<absl::string_view>& ids,
                                  size_t most, IdShape shape, Report* report) {
  const auto count = static_cast<size_t>(
      CheckLength(list, static_cast<int>(ids.size()), static_cast<int>(most), report));
  absl::flat_hash_set<absl::string_view> seen;
  std::vector<std::string> paths;
  for (size_t i = 0; i < count; ++i) {
    const std::string by_position = At(list, static_cast<int>(i));
    const bool is_new = seen.insert(ids[i]).second;
    const std::string field = At(by_position, shape == IdShape::kId ? "id" : "code");
    paths.push_back(CheckId(field, ids[i], shape, is_new, report)
                        ? absl::StrCat(list, "[", ids[i], "]")
                        : by_position);
  }
  return paths;
}

void CheckText(const DefinitionIndex& index, absl::string_view path, const LocalizedText& text,
               Words presence, Report* report, size_t most) {
  if (absl::StripAsciiWhitespace(text.text()).empty()) {
    if (presence == Words::kRequired || text.translations_size() > 0) {
      report->Add(
          path, "text_missing", "there are no words here",
          absl::StrCat("write them, in the definition's language, as ", path, " { text: \"…\" }"));
    }
  } else if (const size_t length = CountCharacters(text.text()); length > most) {
    report->Add(path, "text_too_long", absl::StrCat(length, " characters, ", most, " are allowed"),
                "shorten it");
  }
  CheckTranslations(index, path, text, most, report);
}

absl::optional<absl::CivilDay> CheckDate(absl::string_view path, absl::string_view text,
                                         Report* report) {
  const absl::optional<absl::CivilDay> day = ParseDate(text);
  if (day) return day;
  DateFault fault = ExplainDate(text);
  if (fault.reason == "date_missing") {
    report->Add(path, "date_missing", std::move(fault.what), std::move(fault.remedy));
  } else if (fault.reason == "date_impossible") {
    report->Add(path, "date_impossible", std::move(fault.what), std::move(fault.remedy));
  } else if (fault.reason == "date_order") {
    report->Add(path, "date_order", std::move(fault.what), std::move(fault.remedy));
  } else {
    report->Add(path, "not_a_date", std::move(fault.what), std::move(fault.remedy));
  }
  return absl::nullopt;
}

const Variable* CheckVariableReference(const DefinitionIndex& index, absl::string_view path,
                                       absl::string_view id, Report* report) {
  const Variable* variable = index.FindVariable(id);
  if (variable == nullptr) {
    report->Add(
        path, "variable_unknown",
        id.empty() ? "no variable is named" : absl::StrCat("there is no variable ", Quote(id)),
        Suggest(id, index.variable_ids, "declare a variable first"));
  }
  return variable;
}

const study::v1::Threshold* CheckThresholdReference(const DefinitionIndex& index,
                                                    absl::string_view path, absl::string_view id,
                                                    Report* report) {
  const study::v1::Threshold* threshold = index.FindThreshold(id);
  if (threshold == nullptr) {
    report->Add(
        path, "threshold_unknown",
        id.empty() ? "no threshold is named" : absl::StrCat("there is no threshold ", Quote(id)),
        Suggest(id, index.threshold_ids, "declare a threshold first"));
  }
  return threshold;
}

bool CheckUnit(absl::string_view path, absl::string_view unit, Report* report) {
  if (unit.empty()) {
    report->Add(path, "unit_missing", "there is no unit of measure",
                "write its UCUM code, such as \"mm\", or \"1\" for a bare number");
    return false;
  }
  if (FindUnit(unit) == nullptr) {
    report->Add(path, "unit_unknown",
                absl::StrCat(Quote(unit), " is not a unit that plumule knows"), SuggestUnits(unit));
    return false;
  }
  return true;
}

absl::optional<double> CheckQuantity(absl::string_view path, const study::v1::Quantity& quantity,
                                     absl::string_view canonical, Report* report) {
  if (!std::isfinite(quantity.value())) {
    report->Add(At(path, "value"), "not_finite", "the value is infinite or not a number",
                "write a plain number");
    return absl::nullopt;
  }
  if (quantity.unit().empty() || quantity.unit() == canonical) return quantity.value();
  if (!CheckUnit(At(path, "unit"), quantity.unit(), report)) return absl::nullopt;
  const absl::StatusOr<Conversion> conversion = ConversionBetween(quantity.unit(), canonical);
  if (!conversion.ok()) {
    report->Add(At(path, "unit"), "units_differ",
                absl::StrCat(quantity.unit(), " does not convert to ", canonical),
                std::string(conversion.status().message()));
    return absl::nullopt;
  }
  return (*conversion)(quantity.value());
}

bool CheckCodes(absl::string_view path, const Variable& variable,
                const google::protobuf::RepeatedPtrField<std::string>& codes, Report* report) {
  constexpr int kMostCodes = 250;
  if (codes.empty()) {
    report->Add(path, "codes_missing", "no code is named", "name at least one");
    return false;
  }
  std::vector<absl::string_view> known;
  for (const auto& option : variable.choice().options()) known.push_back(option.code());
  absl::flat_hash_set<absl::string_view> seen;
  bool good = true;
  const int count = CheckLength(path, codes.size(), kMostCodes, report);
  for (int i = 0; i < count; ++i) {
    const std::string& code = codes[i];
    const bool is_known = variable.has_country()
                              ? !CountryName(code).empty()
                              : std::find(known.begin(), known.end(), code) != known.end();
    if (!is_known) {
      report->Add(At(path, i), "code_unknown",
                  absl::StrCat("variable ", Quote(variable.id()), " has no code ", Quote(code)),
                  variable.has_country() ? SuggestCountry(code)
                                         : Suggest(code, known, "declare its options first"));
      good = false;
    } else if (!seen.insert(code).second) {
      report->Add(At(path, i), "reference_duplicate",
                  absl::StrCat(Quote(code), " stands here a second time"), "name it once");
      good = false;
    }
  }
  return good && count == codes.size();
}

absl::string_view TypeName(const Variable& variable) {
  switch (variable.type_case()) {
    case Variable::kNumber:
      return "number";
    case Variable::kCount:
      return "count";
    case Variable::kDate:
      return "date";
    case Variable::kYesNo:
      return "yes_no";
    case Variable::kChoice:
      return "choice";
    case Variable::kText:
      return "text";
    case Variable::kCountry:
      return "country";
    case Variable::kPhoto:
      return "photo";
    case Variable::TYPE_NOT_SET:
      break;
  }
  return "nothing";
}

absl::string_view ScopeName(study::v1::Scope scope) {
  switch (scope) {
    case study::v1::SCOPE_GROWER:
      return "grower";
    case study::v1::SCOPE_BLOCK:
      return "block";
    case study::v1::SCOPE_UNIT:
      return "unit";
    case study::v1::SCOPE_OBSERVATION:
      return "observation";
    default:
      return "unstated";
  }
}

}  // namespace plumule::protocol
