#include "plugins/sdk/result_builder.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "absl/status/status.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "nlohmann/json.hpp"
#include "plugins/sdk/words.h"

namespace plumule::sdk {
namespace {

using analysis::v1::Estimate;
using analysis::v1::Figure;
using analysis::v1::QuotedField;
using analysis::v1::Test;

constexpr int kMaxEstimates = 100'000;
constexpr int kMaxTests = 10'000;
constexpr int kMaxTables = 1'000;
constexpr int kMaxFigures = 100;
constexpr std::size_t kMaxFigureBytes = 2u << 20;

// "measure.method.arm.against.subgroup.at.set", empty parts left out.
template <typename Message>
std::string MakeId(const Message& message, absl::string_view name, absl::string_view at) {
  std::string id;
  for (absl::string_view part :
       {name, absl::string_view(message.method()), absl::string_view(message.arm()),
        absl::string_view(message.against()), absl::string_view(message.subgroup()), at,
        absl::string_view(message.analysis_set())}) {
    if (part.empty()) continue;
    absl::StrAppend(&id, id.empty() ? "" : ".", part);
  }
  return id;
}

// Clears a field that is not finite; true if it did.
#define PLUMULE_CLEAR_UNLESS_FINITE(message, field)             \
  ((message).has_##field() && !std::isfinite((message).field()) \
       ? ((message).clear_##field(), true)                      \
       : false)

bool ClearUnlessFinite(Estimate& estimate) {
  bool cleared = PLUMULE_CLEAR_UNLESS_FINITE(estimate, value);
  cleared |= PLUMULE_CLEAR_UNLESS_FINITE(estimate, lower);
  cleared |= PLUMULE_CLEAR_UNLESS_FINITE(estimate, upper);
  cleared |= PLUMULE_CLEAR_UNLESS_FINITE(estimate, standard_error);
  cleared |= PLUMULE_CLEAR_UNLESS_FINITE(estimate, at);
  return cleared;
}

bool ClearUnlessFinite(Test& test) {
  bool cleared = PLUMULE_CLEAR_UNLESS_FINITE(test, statistic);
  cleared |= PLUMULE_CLEAR_UNLESS_FINITE(test, df);
  cleared |= PLUMULE_CLEAR_UNLESS_FINITE(test, p_value);
  return cleared;
}
#undef PLUMULE_CLEAR_UNLESS_FINITE

std::optional<double> FieldOf(const Estimate& estimate, QuotedField field) {
  switch (field) {
    case analysis::v1::QUOTED_FIELD_VALUE:
      if (estimate.has_value()) return estimate.value();
      return std::nullopt;
    case analysis::v1::QUOTED_FIELD_LOWER:
      if (estimate.has_lower()) return estimate.lower();
      return std::nullopt;
    case analysis::v1::QUOTED_FIELD_UPPER:
      if (estimate.has_upper()) return estimate.upper();
      return std::nullopt;
    case analysis::v1::QUOTED_FIELD_UNITS:
      return static_cast<double>(estimate.units());
    case analysis::v1::QUOTED_FIELD_BLOCKS:
      return static_cast<double>(estimate.blocks());
    case analysis::v1::QUOTED_FIELD_EVENTS:
      if (estimate.has_events()) return static_cast<double>(estimate.events());
      return std::nullopt;
    case analysis::v1::QUOTED_FIELD_AT:
      if (estimate.has_at()) return estimate.at();
      return std::nullopt;
    default:
      return std::nullopt;
  }
}

std::optional<double> FieldOf(const Test& test, QuotedField field) {
  if (field == analysis::v1::QUOTED_FIELD_P_VALUE && test.has_p_value()) return test.p_value();
  return std::nullopt;
}

// True if some object in the specification has a key that could load or link.
bool Loads(const nlohmann::json& json) {
  if (json.is_object()) {
    for (const auto& [key, value] : json.items()) {
      if (key == "url" || key == "href" || Loads(value)) return true;
    }
  } else if (json.is_array()) {
    return std::any_of(json.begin(), json.end(), Loads);
  }
  return false;
}

}  // namespace

void ResultBuilder::Mistake(std::string words) { mistakes_.push_back(std::move(words)); }

std::string ResultBuilder::Claim(std::string id) {
  if (id.empty()) Mistake("an id is empty");
  if (!ids_.insert(id).second) Mistake(absl::StrCat("the id ", id, " is used twice"));
  return id;
}

void ResultBuilder::CheckEstimate(const Estimate& estimate) {
  const auto require = [&](bool holds, absl::string_view words) {
    if (!holds) Mistake(absl::StrCat("estimate ", estimate.id(), " ", words));
  };
  static constexpr absl::string_view kScales[] = {"linear", "log", "logit", "loglog"};
  require(!estimate.measure().empty() && !estimate.method().empty(), "has no measure or method");
  require(estimate.standing() != analysis::v1::STANDING_UNSPECIFIED, "has no standing");
  require(std::find(std::begin(kScales), std::end(kScales), estimate.scale()) != std::end(kScales),
          "has no known scale");
  require(estimate.level() > 0 && estimate.level() < 1, "has a level outside 0 to 1");
  require(!estimate.has_standard_error() || estimate.standard_error() >= 0,
          "has a negative standard error");
  require(estimate.units() >= 0 && estimate.blocks() >= 0, "has negative counts");
  require(!estimate.has_lower() || !estimate.has_upper() || estimate.lower() <= estimate.upper(),
          "has its limits in the wrong order");
}

std::string ResultBuilder::Add(Estimate estimate, absl::string_view absent_because) {
  const bool lost = ClearUnlessFinite(estimate);
  if (estimate.id().empty()) {
    estimate.set_id(MakeId(estimate, estimate.measure(),
                           estimate.has_at() ? Short(estimate.at(), 6) : std::string()));
  }
  const std::string id = Claim(estimate.id());
  CheckEstimate(estimate);
  if (lost || !estimate.has_value()) unexplained_.push_back({id, std::string(absent_because)});
  estimates_[id] = result_.estimates_size();
  *result_.add_estimates() = std::move(estimate);
  return id;
}

std::string ResultBuilder::Add(Test test, absl::string_view absent_because) {
  const bool lost = ClearUnlessFinite(test);
  if (test.id().empty()) test.set_id(absl::StrCat("test.", MakeId(test, test.name(), "")));
  const std::string id = Claim(test.id());
  if (test.name().empty() || test.method().empty()) {
    Mistake(absl::StrCat("test ", id, " has no name or method"));
  }
  if (test.standing() == analysis::v1::STANDING_UNSPECIFIED) {
    Mistake(absl::StrCat("test ", id, " has no standing"));
  }
  if (test.has_p_value() && (test.p_value() < 0 || test.p_value() > 1)) {
    Mistake(absl::StrCat("test ", id, " has a p-value outside 0 to 1"));
  }
  if (lost || !test.has_p_value()) unexplained_.push_back({id, std::string(absent_because)});
  tests_[id] = result_.tests_size();
  *result_.add_tests() = std::move(test);
  return id;
}

const Estimate* ResultBuilder::Find(absl::string_view id) const {
  const auto found = estimates_.find(id);
  return found == estimates_.end() ? nullptr : &result_.estimates(found->second);
}

std::string ResultBuilder::Fill(const Number& number, analysis::v1::Sentence& sentence) {
  std::optional<double> value;
  if (const Estimate* estimate = Find(number.source)) {
    value = FieldOf(*estimate, number.field);
  } else if (const auto found = tests_.find(number.source); found != tests_.end()) {
    value = FieldOf(result_.tests(found->second), number.field);
  }
  if (!value.has_value() || number.decimals < 0 || number.decimals > 6) {
    Mistake(absl::StrCat("a sentence quotes a number that ", number.source, " does not have"));
    return "?";
  }
  const double scaled = *value * number.factor;
  const std::string shown = Decimal(number.absolute ? std::abs(scaled) : scaled, number.decimals);
  analysis::v1::Quote& quote = *sentence.add_quotes();
  quote.set_shown(shown);
  quote.set_source(number.source);
  quote.set_field(number.field);
  if (number.factor != 1) quote.set_factor(number.factor);
  quote.set_decimals(number.decimals);
  quote.set_absolute(number.absolute);
  return shown;
}

void ResultBuilder::Say(absl::string_view text, const std::vector<Slot>& slots) {
  analysis::v1::Sentence sentence;
  std::string words;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] != '$') {
      words += text[i];
      continue;
    }
    ++i;
    if (i < text.size() && text[i] == '$') {
      words += '$';
      continue;
    }
    const auto slot = i < text.size() ? static_cast<std::size_t>(text[i] - '0') : slots.size();
    if (slot >= slots.size()) {
      Mistake(absl::StrCat("the sentence \"", text, "\" has no slot for one of its $"));
      return;
    }
    if (const auto* plain = std::get_if<std::string>(&slots[slot])) {
      words += *plain;
    } else {
      words += Fill(std::get<Number>(slots[slot]), sentence);
    }
  }
  sentence.set_text(std::move(words));
  *result_.add_findings() = std::move(sentence);
}

void ResultBuilder::Warn(absl::string_view reason, absl::string_view message) {
  if (!warned_.emplace(reason, message).second) return;
  analysis::v1::Warning& warning = *result_.add_warnings();
  warning.set_reason(std::string(reason));
  warning.set_message(std::string(message));
}

void ResultBuilder::Flow(analysis::v1::FlowStep step) { *result_.add_flow() = std::move(step); }

void ResultBuilder::Assume(absl::string_view what, absl::string_view check,
                           analysis::v1::Verdict verdict, absl::string_view consequence) {
  analysis::v1::Assumption& assumption = *result_.add_assumptions();
  assumption.set_what(std::string(what));
  assumption.set_check(std::string(check));
  assumption.set_verdict(verdict);
  assumption.set_consequence(std::string(consequence));
}

void ResultBuilder::Add(analysis::v1::Table table) {
  Claim(table.id());
  for (const auto& row : table.rows()) {
    if (row.cells_size() == table.columns_size()) continue;
    Mistake(absl::StrCat("table ", table.id(), " has a row of ", row.cells_size(), " cells for ",
                         table.columns_size(), " columns"));
    break;
  }
  *result_.add_tables() = std::move(table);
}

void ResultBuilder::Add(Figure figure) {
  Claim(figure.id());
  const auto json = nlohmann::json::parse(figure.vega_lite(), nullptr, false);
  if (json.is_discarded() || !json.is_object()) {
    Mistake(absl::StrCat("figure ", figure.id(), " is not JSON"));
  } else if (Loads(json)) {
    Mistake(absl::StrCat("figure ", figure.id(), " loads or links something"));
  }
  if (figure.vega_lite().size() > kMaxFigureBytes) {
    Mistake(absl::StrCat("figure ", figure.id(), " is larger than 2 MiB"));
  }
  if (figure.text_alternative().empty()) {
    Mistake(absl::StrCat("figure ", figure.id(), " has no text alternative"));
  }
  *result_.add_figures() = std::move(figure);
}

void ResultBuilder::Pool(analysis::v1::PoolableEffect effect) {
  const bool poolable =
      std::isfinite(effect.value()) && std::isfinite(effect.variance()) && effect.variance() > 0;
  if (poolable) *result_.add_poolable_effects() = std::move(effect);
}

void ResultBuilder::Cite(absl::string_view citation, absl::string_view doi,
                         absl::string_view used_for) {
  for (const auto& known : result_.references()) {
    if (known.citation() == citation) return;
  }
  analysis::v1::Reference& reference = *result_.add_references();
  reference.set_citation(std::string(citation));
  reference.set_doi(std::string(doi));
  reference.set_used_for(std::string(used_for));
}

void ResultBuilder::MethodStatement(absl::string_view text) {
  result_.set_method_statement(std::string(text));
}

void ResultBuilder::CheckExplanations() {
  absl::flat_hash_set<std::string> reasons;
  for (const auto& warning : result_.warnings()) reasons.insert(warning.reason());
  for (const Explanation& missing : unexplained_) {
    if (reasons.contains(missing.reason)) continue;
    Mistake(absl::StrCat(missing.id, " lacks a number and no warning says why (reason given: \"",
                         missing.reason, "\")"));
  }
}

void ResultBuilder::CheckLimits() {
  for (const Estimate& estimate : result_.estimates()) {
    if (!estimate.has_value()) continue;
    // Limits made by another formula than the value may miss it by rounding, not by more.
    const double slack = 1e-9 * std::abs(estimate.value());
    const bool below = estimate.has_lower() && estimate.value() < estimate.lower() - slack;
    const bool above = estimate.has_upper() && estimate.value() > estimate.upper() + slack;
    if (!below && !above) continue;
    const bool explained =
        std::any_of(result_.warnings().begin(), result_.warnings().end(), [&](const auto& warning) {
          return warning.reason() == "estimate_outside_limits" &&
                 absl::StrContains(warning.message(), estimate.id());
        });
    if (!explained) Mistake(absl::StrCat("estimate ", estimate.id(), " lies outside its limits"));
  }
}

absl::StatusOr<analysis::v1::Result> ResultBuilder::Finish(analysis::v1::ResultStatus status) {
  CheckExplanations();
  CheckLimits();
  if (status == analysis::v1::RESULT_STATUS_UNSPECIFIED) Mistake("the result has no status");
  if (result_.tests_size() > 0 && result_.estimates_size() == 0) {
    Mistake("there are tests but no estimate beside them");
  }
  if (result_.findings_size() == 0) Mistake("there is no finding in words");
  if (result_.estimates_size() > kMaxEstimates || result_.tests_size() > kMaxTests ||
      result_.tables_size() > kMaxTables || result_.figures_size() > kMaxFigures) {
    Mistake("there are more estimates, tests, tables or figures than a result may hold");
  }
  result_.set_status(status);
  analysis::v1::Result finished = std::move(result_);
  const std::vector<std::string> mistakes = std::move(mistakes_);
  *this = ResultBuilder();
  if (!mistakes.empty()) {
    return absl::InternalError(absl::StrCat("the plugin made a result it must not make:\n",
                                            absl::StrJoin(mistakes, "\n")));
  }
  return finished;
}

analysis::v1::Cell TextCell(absl::string_view text) {
  analysis::v1::Cell cell;
  cell.set_text(std::string(text));
  return cell;
}

analysis::v1::Cell NumberCell(double number) {
  analysis::v1::Cell cell;
  if (std::isfinite(number)) cell.set_number(number);
  return cell;
}

analysis::v1::Cell CountCell(std::int64_t count) {
  analysis::v1::Cell cell;
  cell.set_count(count);
  return cell;
}

}  // namespace plumule::sdk
