// CompiledProtocol::ReadValues.
#include <algorithm>
#include <cmath>

#include "absl/container/fixed_array.h"
#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/compiled_variable.h"
#include "server/protocol/country.h"
#include "server/protocol/field_reasons.h"
#include "server/protocol/report.h"
#include "server/protocol/spelling.h"

namespace plumule::protocol {
namespace {

using study::v1::NamedValue;
using study::v1::Value;
using study::v1::Variable;

constexpr size_t kLongestEntered = 64;
constexpr size_t kLongestOther = 500;
constexpr size_t kDigestLength = 64;
// Guessing takes far longer than reading, so it is done for the first problems only.
constexpr size_t kMostGuesses = 10;

std::string Number(double value) { return absl::StrFormat("%.15g", value); }

// `value unit`, without a unit that is a bare number's.
std::string Measured(double value, absl::string_view unit) {
  return unit == "1" ? Number(value) : absl::StrCat(Number(value), " ", unit);
}

absl::string_view KindName(const Value& value) {
  switch (value.kind_case()) {
    case Value::kNumber:
      return "number";
    case Value::kCount:
      return "count";
    case Value::kDate:
      return "date";
    case Value::kYesNo:
      return "yes_no";
    case Value::kChoice:
      return "choice";
    case Value::kText:
      return "text";
    case Value::kCountry:
      return "country";
    case Value::kPhoto:
      return "photo";
    case Value::KIND_NOT_SET:
      break;
  }
  return "nothing";
}

// True if `value` is of the type of a variable.
bool IsOfType(const Value& value, Variable::TypeCase type) {
  switch (type) {
    case Variable::kNumber:
      return value.kind_case() == Value::kNumber;
    case Variable::kCount:
      return value.kind_case() == Value::kCount;
    case Variable::kDate:
      return value.kind_case() == Value::kDate;
    case Variable::kYesNo:
      return value.kind_case() == Value::kYesNo;
    case Variable::kChoice:
      return value.kind_case() == Value::kChoice;
    case Variable::kText:
      return value.kind_case() == Value::kText;
    case Variable::kCountry:
      return value.kind_case() == Value::kCountry;
    case Variable::kPhoto:
      return value.kind_case() == Value::kPhoto;
    case Variable::TYPE_NOT_SET:
      break;
  }
  return false;
}

bool IsDigest(absl::string_view text) {
  return text.size() == kDigestLength && std::all_of(text.begin(), text.end(), [](char c) {
           return absl::ascii_isdigit(static_cast<unsigned char>(c)) || (c >= 'a' && c <= 'f');
         });
}

}  // namespace

// Reads the values of one fact.
class CompiledProtocol::ValueReader {
 public:
  ValueReader(const CompiledProtocol& compiled, study::v1::Scope scope, absl::string_view prefix,
              AbsentValue absent, Reading* reading)
      : c_(compiled),
        scope_(scope),
        prefix_(prefix),
        absent_(absent),
        reading_(*reading),
        seen_(compiled.variables_.size(), false),
        answered_(compiled.variables_.size(), false) {}

  void Run(const google::protobuf::RepeatedPtrField<NamedValue>& values) {
    for (int i = 0; i < values.size() && !IsFull(); ++i) ReadNamed(i, values[i]);
    const auto by_variable = [](const auto& a, const auto& b) { return a.first < b.first; };
    if (!std::is_sorted(reading_.values.begin(), reading_.values.end(), by_variable)) {
      std::sort(reading_.values.begin(), reading_.values.end(), by_variable);
    }
    for (const int variable : c_.required_[scope_]) {
      if (!answered_[static_cast<size_t>(variable)]) {
        Refuse(variable, "", "required_missing",
               absl::StrCat(c_.variable(variable).id(), " is required and not answered"),
               "answer it");
      }
    }
    for (const FactRule& rule : c_.fact_rules_[scope_]) Judge(rule);
  }

 private:
  bool IsFull() const { return reading_.problems.size() > static_cast<size_t>(kMostFieldProblems); }

  bool MayGuess() const { return reading_.problems.size() < kMostGuesses; }

  void Problem(std::string field, FieldReasonName reason, std::string message, std::string remedy) {
    if (IsFull()) return;
    intake::v1::FieldProblem& problem = reading_.problems.emplace_back();
    if (IsFull()) {
      reason = "more_problems";
      field = std::string(prefix_);
      message = absl::StrCat("more than ", kMostFieldProblems, " problems");
      remedy = "mend the ones above, then send it again";
    }
    problem.set_field(std::move(field));
    problem.set_reason(std::string(reason.name()));
    problem.set_message(std::move(message));
    problem.set_remedy(std::move(remedy));
  }

  // A problem below the value of a known variable: `prefix[id].field`.
  void Refuse(int variable, absl::string_view field, FieldReasonName reason, std::string message,
              std::string remedy) {
    Problem(absl::StrCat(prefix_, "[", c_.variable(variable).id(), "]", field.empty() ? "" : ".",
                         field),
            reason, std::move(message), std::move(remedy));
  }

  const CompiledVariable& Compiled(int variable) const {
    return c_.variables_[static_cast<size_t>(variable)];
  }

  void ReadNamed(int position, const NamedValue& named) {
    const int variable = c_.FindVariable(named.variable());
    const auto at_position = [&] { return absl::StrCat(prefix_, "[", position, "].variable"); };
    if (variable == kNone) return RefuseUnknown(at_position(), named.variable());
    if (seen_[static_cast<size_t>(variable)]) {
      return Problem(at_position(), "variable_repeated",
                     absl::StrCat(named.variable(), " is answered twice"), "answer it once");
    }
    seen_[static_cast<size_t>(variable)] = true;
    if (Compiled(variable).scope != scope_) {
      return Refuse(
          variable, "", "variable_scope_unfit",
          absl::StrCat(named.variable(), " is asked once for each ",
                       ScopeName(Compiled(variable).scope), ", not for each ", ScopeName(scope_)),
          "send it with the record that it belongs to");
    }
    const Value& value = named.value();
    if (value.kind_case() == Value::KIND_NOT_SET) {
      if (absent_ == AbsentValue::kClears) return;
      answered_[static_cast<size_t>(variable)] = true;
      return Refuse(variable, "", "value_missing",
                    absl::StrCat(named.variable(), " is named without an answer"),
                    "answer it, or leave it out");
    }
    answered_[static_cast<size_t>(variable)] = true;
    if (!IsOfType(value, Compiled(variable).type)) {
      return Refuse(variable, KindName(value), "type_unfit",
                    absl::StrCat(named.variable(), " is a ", TypeName(c_.variable(variable)),
                                 ", and a ", KindName(value), " was sent"),
                    absl::StrCat("send a ", TypeName(c_.variable(variable))));
    }
    ReadValue(variable, value);
  }

  void RefuseUnknown(std::string field, absl::string_view id) {
    std::vector<absl::string_view> known;
    for (const Variable& variable : c_.definition_.variables()) {
      if (variable.scope() == scope_ && MayGuess()) known.push_back(variable.id());
    }
    Problem(std::move(field), "variable_unknown",
            absl::StrCat("revision ", c_.revision_, " has no variable ", Quote(id)),
            Suggest(id, known, "use the variables that the protocol declares for this record"));
  }

  void ReadValue(int variable, const Value& value) {
    switch (value.kind_case()) {
      case Value::kNumber:
        return ReadNumber(variable, value.number());
      case Value::kCount:
        return ReadCount(variable, value.count());
      case Value::kDate:
        return ReadDate(variable, value.date());
      case Value::kYesNo:
        return Take(variable, value.yes_no());
      case Value::kChoice:
        return ReadChoice(variable, value.choice());
      case Value::kText:
        return ReadText(variable, value.text());
      case Value::kCountry:
        return ReadCountry(variable, value.country());
      case Value::kPhoto:
        return ReadPhoto(variable, value.photo());
      case Value::KIND_NOT_SET:
        return;
    }
  }

  template <class T>
  void Take(int variable, T value) {
    reading_.values.emplace_back(variable, std::move(value));
  }

  const CompiledVariable::EntryUnit* FindEntryUnit(int variable, const std::string& code) const {
    const auto& units = Compiled(variable).units;
    if (code.empty()) return &units.front();
    const auto found = std::find_if(units.begin(), units.end(),
                                    [&](const auto& unit) { return unit.code == code; });
    return found == units.end() ? nullptr : &*found;
  }

  void RefuseUnit(int variable, const std::string& code) {
    if (FindUnit(code) == nullptr) {
      return Refuse(variable, "number.unit", "unit_unknown",
                    absl::StrCat(Quote(code), " is not a unit that plumule knows"),
                    SuggestUnits(code));
    }
    const std::string accepted =
        absl::StrJoin(Compiled(variable).units, ", ",
                      [](std::string* out, const auto& unit) { out->append(unit.code); });
    Refuse(variable, "number.unit", "unit_not_accepted",
           absl::StrCat(c_.variable(variable).id(), " does not take ", Quote(code)),
           absl::StrCat("send it in one of: ", accepted));
  }

  void ReadNumber(int variable, const study::v1::Quantity& quantity) {
    const CompiledVariable& compiled = Compiled(variable);
    const CompiledVariable::EntryUnit* unit = FindEntryUnit(variable, quantity.unit());
    if (unit == nullptr) RefuseUnit(variable, quantity.unit());
    if (quantity.entered().size() > kLongestEntered) {
      Refuse(variable, "number.entered", "entered_too_long",
             absl::StrCat(quantity.entered().size(), " bytes, ", kLongestEntered, " are allowed"),
             "shorten it, or leave it out");
    }
    if (!std::isfinite(quantity.value())) {
      return Refuse(variable, "number.value", "not_finite",
                    absl::StrCat(c_.variable(variable).id(), " is ", Number(quantity.value())),
                    "send a plain number");
    }
    if (unit == nullptr || quantity.entered().size() > kLongestEntered) return;
    const double value = unit->conversion(quantity.value());
    const bool is_high = !(value <= compiled.hard_max) || !std::isfinite(value);
    if (is_high || value < compiled.hard_min) {
      return Refuse(variable, "number.value", "out_of_range",
                    absl::StrCat(Entered(variable, *unit, quantity.value(), value), " is ",
                                 is_high ? "above " : "below ",
                                 Measured(is_high ? compiled.hard_max : compiled.hard_min,
                                          compiled.units.front().code)),
                    "check the number and its unit");
    }
    if (value > compiled.plausible_max || value < compiled.plausible_min) {
      const bool above = value > compiled.plausible_max;
      NoteImplausible(absl::StrCat(Entered(variable, *unit, quantity.value(), value), " is ",
                                   above ? "above " : "below ",
                                   Measured(above ? compiled.plausible_max : compiled.plausible_min,
                                            compiled.units.front().code)));
    }
    Take(variable, value);
  }

  // "shoot_length: 12 [in_i] (304.8 mm)".
  std::string Entered(int variable, const CompiledVariable::EntryUnit& unit, double entered,
                      double canonical) const {
    const std::string& canonical_unit = Compiled(variable).units.front().code;
    std::string words =
        absl::StrCat(c_.variable(variable).id(), ": ", Measured(entered, unit.code));
    if (unit.code != canonical_unit) {
      absl::StrAppend(&words, " (", Measured(canonical, canonical_unit), ")");
    }
    return words;
  }

  void NoteImplausible(absl::string_view what) {
    intake::v1::Finding& note = reading_.notes.emplace_back();
    note.set_rule("implausible_value");
    note.set_message(absl::StrCat(what, ", beyond what is usual; correct it if it is a slip"));
  }

  void ReadCount(int variable, std::int64_t count) {
    const CompiledVariable& compiled = Compiled(variable);
    const std::string& id = c_.variable(variable).id();
    if (count < 0) {
      return Refuse(variable, "count", "count_negative", absl::StrCat(id, " is ", count),
                    "send 0 or more");
    }
    if (count > compiled.hard_count) {
      return Refuse(variable, "count", "out_of_range",
                    absl::StrCat(id, ": ", count, " is above ", compiled.hard_count),
                    "check the number");
    }
    if (count > compiled.plausible_count) {
      NoteImplausible(absl::StrCat(id, ": ", count, " is above ", compiled.plausible_count));
    }
    Take(variable, count);
  }

  void ReadDate(int variable, const std::string& text) {
    const CompiledVariable& compiled = Compiled(variable);
    const absl::optional<absl::CivilDay> day = ParseDate(text);
    if (!day) return RefuseDate(variable, text);
    if (*day < compiled.earliest || *day > compiled.latest) {
      const bool is_late = *day > compiled.latest;
      return Refuse(variable, "date", "date_out_of_range",
                    absl::StrCat(c_.variable(variable).id(), ": ", SpellDate(*day), " is ",
                                 is_late ? "after " : "before ",
                                 SpellDate(is_late ? compiled.latest : compiled.earliest)),
                    "check the year, month and day");
    }
    Take(variable, *day);
  }

  void RefuseDate(int variable, absl::string_view text) {
    DateFault fault = ExplainDate(text);
    const std::string message = absl::StrCat(c_.variable(variable).id(), ": ", fault.what);
    if (fault.reason == "date_missing") {
      Refuse(variable, "date", "date_missing", message, fault.remedy);
    } else if (fault.reason == "date_impossible") {
      Refuse(variable, "date", "date_impossible", message, fault.remedy);
    } else if (fault.reason == "date_order") {
      Refuse(variable, "date", "date_order", message, fault.remedy);
    } else {
      Refuse(variable, "date", "not_a_date", message, fault.remedy);
    }
  }

  // The positions of the codes that are known and new; refuses the others.
  ChosenCodes FindCodes(int variable, const study::v1::Choice& choice) {
    const auto& handles = Compiled(variable).codes;
    ChosenCodes chosen;
    for (int i = 0; i < choice.codes_size() && !IsFull(); ++i) {
      const auto found = handles.find(choice.codes(i));
      if (found == handles.end()) {
        RefuseCode(variable, i, choice.codes(i));
      } else if (std::find(chosen.options.begin(), chosen.options.end(), found->second) !=
                 chosen.options.end()) {
        Refuse(variable, absl::StrCat("choice.codes[", i, "]"), "code_repeated",
               absl::StrCat(Quote(choice.codes(i)), " is chosen twice"), "name each code once");
      } else {
        chosen.options.push_back(found->second);
      }
    }
    std::sort(chosen.options.begin(), chosen.options.end());
    return chosen;
  }

  void RefuseCode(int variable, int position, absl::string_view code) {
    std::vector<absl::string_view> known;
    for (const auto& option : c_.variable(variable).choice().options()) {
      if (MayGuess()) known.push_back(option.code());
    }
    Refuse(variable, absl::StrCat("choice.codes[", position, "]"), "code_unknown",
           absl::StrCat(c_.variable(variable).id(), " does not offer ", Quote(code)),
           Suggest(code, known, "use the codes that the protocol declares for it"));
  }

  void ReadChoice(int variable, const study::v1::Choice& choice) {
    const study::v1::ChoiceType& type = c_.variable(variable).choice();
    const std::string& id = c_.variable(variable).id();
    const size_t before = reading_.problems.size();
    if (choice.codes().empty() && absl::StripAsciiWhitespace(choice.other()).empty()) {
      Refuse(variable, "choice", "choice_empty", absl::StrCat("nothing is chosen for ", id),
             "choose something, or leave it out");
    }
    if (choice.codes_size() > 1 && !type.multiple()) {
      Refuse(variable, "choice.codes", "choice_not_multiple",
             absl::StrCat(id, " takes one code, not ", choice.codes_size()), "choose one");
    }
    if (!choice.other().empty() && !type.allow_other()) {
      Refuse(variable, "choice.other", "other_not_allowed",
             absl::StrCat(id, " takes no other words: ", Quote(choice.other())),
             "choose one of its codes");
    } else if (CountCharacters(choice.other()) > kLongestOther) {
      Refuse(variable, "choice.other", "text_too_long",
             absl::StrCat(CountCharacters(choice.other()), " characters, ", kLongestOther,
                          " are allowed"),
             "shorten it");
    }
    ChosenCodes chosen = FindCodes(variable, choice);
    if (reading_.problems.size() > before) return;
    chosen.other = choice.other();
    Take(variable, std::move(chosen));
  }

  void ReadText(int variable, const std::string& text) {
    const std::string& id = c_.variable(variable).id();
    const auto most = static_cast<size_t>(c_.variable(variable).text().max_length());
    if (absl::StripAsciiWhitespace(text).empty()) {
      return Refuse(variable, "text", "text_empty", absl::StrCat(id, " has no words"),
                    "write something, or leave it out");
    }
    if (CountCharacters(text) > most) {
      return Refuse(variable, "text", "text_too_long",
                    absl::StrCat(id, " has ", CountCharacters(text), " characters, ", most,
                                 " are allowed: ", Quote(text)),
                    "shorten it");
    }
    Take(variable, text);
  }

  void ReadCountry(int variable, const std::string& code) {
    if (CountryName(code).empty()) {
      return Refuse(variable, "country", "country_unknown",
                    absl::StrCat(Quote(code), " is not the code of a country"),
                    SuggestCountry(code));
    }
    Take(variable, code);
  }

  void ReadPhoto(int variable, const std::string& digest) {
    if (!IsDigest(digest)) {
      return Refuse(variable, "photo", "photo_digest_malformed",
                    absl::StrCat(Quote(digest), " is not a SHA-256 in hexadecimal"),
                    "send the 64 lower-case digits of the picture's SHA-256");
    }
    Take(variable, digest);
  }

  // True if every code of `value` is listed, and there are no other words.
  static bool AllListed(const FactRule& rule, const CanonicalValue& value) {
    if (const auto* country = std::get_if<std::string>(&value)) {
      return std::find(rule.countries.begin(), rule.countries.end(), *country) !=
             rule.countries.end();
    }
    const auto& chosen = std::get<ChosenCodes>(value);
    return chosen.other.empty() &&
           std::all_of(chosen.options.begin(), chosen.options.end(),
                       [&rule](int option) { return rule.options[static_cast<size_t>(option)]; });
  }

  static bool AnyListed(const FactRule& rule, const CanonicalValue& value) {
    const auto* chosen = std::get_if<ChosenCodes>(&value);
    if (chosen == nullptr) return AllListed(rule, value);
    return std::any_of(chosen->options.begin(), chosen->options.end(),
                       [&rule](int option) { return rule.options[static_cast<size_t>(option)]; });
  }

  static bool InRange(const FactRule& rule, const CanonicalValue& value) {
    double position = 0;
    if (const auto* number = std::get_if<double>(&value)) position = *number;
    if (const auto* count = std::get_if<std::int64_t>(&value)) {
      position = static_cast<double>(*count);
    }
    if (const auto* yes = std::get_if<bool>(&value)) position = *yes ? 1 : 0;
    return position >= rule.min && position <= rule.max;
  }

  bool ConditionHolds(const FactRule& rule) const {
    const CanonicalValue* value = reading_.Find(rule.condition_variable);
    if (value == nullptr) return false;
    const bool on_codes = !rule.options.empty() || !rule.countries.empty();
    return on_codes ? AnyListed(rule, *value) : InRange(rule, *value);
  }

  void Judge(const FactRule& rule) {
    const std::string& id = c_.variable(rule.variable).id();
    if (rule.condition_variable != kNone) {
      if (!answered_[static_cast<size_t>(rule.variable)] && ConditionHolds(rule)) {
        const int other = rule.condition_variable;
        Break(rule, absl::StrCat(id, " is not answered, though ", c_.variable(other).id(), " is ",
                                 c_.Describe(other, *reading_.Find(other))));
      }
      return;
    }
    const CanonicalValue* value = reading_.Find(rule.variable);
    if (value == nullptr) return;
    bool is_kept = true;
    switch (c_.rule(rule.rule).kind_case()) {
      case study::v1::Rule::kOneOf:
        is_kept = AllListed(rule, *value);
        break;
      case study::v1::Rule::kNotOnly:
        is_kept = !AllListed(rule, *value);
        break;
      default:
        is_kept = InRange(rule, *value);
    }
    if (!is_kept) Break(rule, absl::StrCat(id, " is ", c_.Describe(rule.variable, *value)));
  }

  void Break(const FactRule& rule, const std::string& happened) {
    const study::v1::Rule& broken = c_.rule(rule.rule);
    switch (broken.outcome()) {
      case study::v1::RULE_OUTCOME_REFUSE:
        return Refuse(rule.variable, "", "rule_broken",
                      absl::StrCat("rule ", broken.id(), ": ", happened), broken.words().text());
      case study::v1::RULE_OUTCOME_DEVIATION:
        reading_.deviations.push_back(c_.BrokenRule(rule.rule, happened));
        return;
      default:
        reading_.notes.push_back(c_.BrokenRule(rule.rule, happened));
    }
  }

  // Enough for every protocol that Check lets pass, without allocation.
  using Flags = absl::FixedArray<bool, 256>;

  const CompiledProtocol& c_;
  const study::v1::Scope scope_;
  const absl::string_view prefix_;
  const AbsentValue absent_;
  Reading& reading_;
  // By variable: named at all; answered, be it well or not.
  Flags seen_, answered_;
};

void CompiledProtocol::ReadValues(const google::protobuf::RepeatedPtrField<NamedValue>& values,
                                  study::v1::Scope scope, absl::string_view path_prefix,
                                  Reading* reading, AbsentValue absent) const {
  reading->Clear();
  ValueReader(*this, scope, path_prefix, absent, reading).Run(values);
}

}  // namespace plumule::protocol
