#include "server/analysis/result_check.h"

#include <google/protobuf/descriptor.h>
#include <google/protobuf/message.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <optional>
#include <set>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/string_view.h"
#include "server/analysis/figure_check.h"
#include "server/analysis/quote_check.h"
#include "server/analysis/utf8.h"

namespace plumule::analysis {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

constexpr size_t kMaxResultBytes = size_t{16} << 20;
constexpr size_t kMaxFigureBytes = size_t{2} << 20;
constexpr size_t kMaxStringBytes = size_t{64} << 10;
constexpr int kMaxEstimates = 100'000;
constexpr int kMaxTests = 10'000;
constexpr int kMaxTables = 1'000;
constexpr int kMaxFigures = 100;
constexpr size_t kMaxListed = 20;
constexpr double kLimitTolerance = 1e-9;
constexpr absl::string_view kOutsideLimits = "estimate_outside_limits";

constexpr std::array<absl::string_view, 4> kScales = {"linear", "log", "logit", "loglog"};
constexpr std::array<absl::string_view, 5> kPoolableMeasures = {
    "log_hazard_ratio", "restricted_mean_difference", "log_risk_ratio", "log_odds_ratio",
    "risk_difference"};

template <typename List>
bool Holds(const List& list, absl::string_view item) {
  return std::find(list.begin(), list.end(), item) != list.end();
}

std::string Place(absl::string_view list, int index) { return absl::StrCat(list, "[", index, "]"); }

// Collects what is wrong.
class Violations {
 public:
  void Add(absl::string_view place, absl::string_view what) {
    if (listed_.size() < kMaxListed) {
      listed_.push_back(absl::StrCat(place, ": ", what));
    } else {
      ++further_;
    }
  }
  std::vector<std::string> Take() && {
    if (further_ > 0) listed_.push_back(absl::StrCat("… and ", further_, " more"));
    return std::move(listed_);
  }

 private:
  std::vector<std::string> listed_;
  int further_ = 0;
};

// What holds for every field of its type: numbers are finite, words are readable and not too long,
// enumerations have values that this host knows.
class FieldCheck {
 public:
  explicit FieldCheck(Violations* violations) : violations_(violations) {}

  void Check(const Message& message, const std::string& place) {
    const Reflection* reflection = message.GetReflection();
    std::vector<const FieldDescriptor*> fields;
    reflection->ListFields(message, &fields);
    if (!reflection->GetUnknownFields(message).empty()) {
      violations_->Add(place.empty() ? "result" : place, "holds fields this host does not know");
    }
    for (const FieldDescriptor* field : fields) {
      const std::string field_place =
          place.empty() ? field->name() : absl::StrCat(place, ".", field->name());
      if (!field->is_repeated()) {
        CheckValue(message, *reflection, *field, -1, field_place);
        continue;
      }
      for (int i = 0; i < reflection->FieldSize(message, field); ++i) {
        CheckValue(message, *reflection, *field, i, Place(field_place, i));
      }
    }
  }

 private:
  // `index` is -1 for fields that are not repeated.
  void CheckValue(const Message& message, const Reflection& reflection,
                  const FieldDescriptor& field, int index, const std::string& place) {
    switch (field.cpp_type()) {
      case FieldDescriptor::CPPTYPE_MESSAGE:
        return Check(index < 0 ? reflection.GetMessage(message, &field)
                               : reflection.GetRepeatedMessage(message, &field, index),
                     place);
      case FieldDescriptor::CPPTYPE_DOUBLE:
        if (!std::isfinite(index < 0 ? reflection.GetDouble(message, &field)
                                     : reflection.GetRepeatedDouble(message, &field, index))) {
          violations_->Add(place, "must be finite; leave out what can't be estimated");
        }
        return;
      case FieldDescriptor::CPPTYPE_ENUM: {
        const int number = index < 0 ? reflection.GetEnumValue(message, &field)
                                     : reflection.GetRepeatedEnumValue(message, &field, index);
        if (field.enum_type()->FindValueByNumber(number) == nullptr) {
          violations_->Add(place, absl::StrCat("has no value ", number));
        }
        return;
      }
      case FieldDescriptor::CPPTYPE_STRING: {
        std::string scratch;
        CheckWords(index < 0
                       ? reflection.GetStringReference(message, &field, &scratch)
                       : reflection.GetRepeatedStringReference(message, &field, index, &scratch),
                   field.name() == "vega_lite" ? kMaxFigureBytes : kMaxStringBytes, place);
        return;
      }
      default:
        return;
    }
  }

  void CheckWords(const std::string& words, size_t limit, const std::string& place) {
    if (words.size() > limit) {
      violations_->Add(place, absl::StrCat("is longer than ", limit >> 10, " KiB"));
    } else if (!IsUtf8(words)) {
      violations_->Add(place, "is not UTF-8");
    } else if (Readable(words) != words) {
      violations_->Add(place, "holds control characters");
    }
  }

  Violations* const violations_;
};

// The rules of each part of a result.
class ResultCheck {
 public:
  ResultCheck(const v1::Result& result, Violations* violations)
      : result_(result), violations_(*violations) {}

  void Check() {
    CheckCounts();
    CheckStatus();
    for (int i = 0; i < result_.estimates_size(); ++i) CheckEstimate(i);
    for (int i = 0; i < result_.tests_size(); ++i) CheckTest(i);
    for (int i = 0; i < result_.findings_size(); ++i) CheckSentence(i);
    for (int i = 0; i < result_.flow_size(); ++i) CheckFlow(i);
    for (int i = 0; i < result_.assumptions_size(); ++i) CheckAssumption(i);
    for (int i = 0; i < result_.warnings_size(); ++i) CheckWarning(i);
    CheckTables();
    CheckFigures();
    for (int i = 0; i < result_.poolable_effects_size(); ++i) CheckPoolable(i);
    for (int i = 0; i < result_.references_size(); ++i) {
      Need(!result_.references(i).citation().empty(), Place("references", i), "has no citation");
    }
  }

 private:
  void Need(bool holds, absl::string_view place, absl::string_view otherwise) {
    if (!holds) violations_.Add(place, otherwise);
  }

  void CheckCounts() {
    const auto at_most = [&](int size, int limit, absl::string_view list) {
      Need(size <= limit, list, absl::StrCat("holds ", size, ", more than ", limit));
    };
    at_most(result_.estimates_size(), kMaxEstimates, "estimates");
    at_most(result_.tests_size(), kMaxTests, "tests");
    at_most(result_.tables_size(), kMaxTables, "tables");
    at_most(result_.figures_size(), kMaxFigures, "figures");
  }

  void CheckStatus() {
    Need(result_.status() != v1::RESULT_STATUS_UNSPECIFIED, "status", "must be set");
    Need(result_.tests().empty() || !result_.estimates().empty(), "tests",
         "stand without an estimate beside them");
    if (result_.status() == v1::RESULT_STATUS_CANNOT_ANSWER) {
      Need(!result_.warnings().empty(), "warnings", "must say why there is no answer");
    }
    if (result_.status() != v1::RESULT_STATUS_ANSWERED) return;
    if (result_.estimates().empty()) {
      return violations_.Add("estimates", "is empty though the status says answered");
    }
    const v1::Estimate& first = result_.estimates(0);
    Need(first.standing() == v1::STANDING_PRIMARY && first.has_value() &&
             (first.has_lower() || first.has_upper() || first.has_standard_error()),
         "estimates[0]",
         "must be the primary one, with its uncertainty, if the status says answered");
  }

  void ClaimId(const std::string& id, std::set<std::string>* ids, const std::string& place) {
    if (id.empty()) return violations_.Add(place, "has no id");
    Need(ids->insert(id).second, place, absl::StrCat("has the id of another, `", id, "`"));
  }

  void CheckEstimate(int index) {
    const v1::Estimate& estimate = result_.estimates(index);
    const std::string place = Place("estimates", index);
    ClaimId(estimate.id(), &source_ids_, place);
    estimates_.emplace(estimate.id(), &estimate);
    Need(!estimate.measure().empty(), place, "has no measure");
    Need(!estimate.method().empty(), place, "has no method");
    Need(estimate.standing() != v1::STANDING_UNSPECIFIED, place, "has no standing");
    Need(estimate.units() >= 0 && estimate.blocks() >= 0 && estimate.events() >= 0, place,
         "counts below zero");
    Need(!estimate.has_standard_error() || !(estimate.standard_error() < 0), place,
         "has a standard error below zero");
    Need(Holds(kScales, estimate.scale()) ||
             (estimate.scale().empty() && !estimate.has_standard_error()),
         place, "has a scale that is not linear, log, logit or loglog");
    CheckLimits(estimate, place);
  }

  void CheckLimits(const v1::Estimate& estimate, const std::string& place) {
    const bool has_limits = estimate.has_lower() || estimate.has_upper();
    Need((estimate.level() > 0 && estimate.level() < 1) || (!has_limits && estimate.level() == 0),
         place, "has a level that is not above 0 and below 1");
    const double size = std::max(
        {std::fabs(estimate.value()), std::fabs(estimate.lower()), std::fabs(estimate.upper())});
    const double tolerance = kLimitTolerance * size;
    if (estimate.has_lower() && estimate.has_upper()) {
      Need(!(estimate.lower() > estimate.upper() + tolerance), place,
           absl::StrCat("has a lower limit, ", estimate.lower(), ", above the upper one, ",
                        estimate.upper()));
    }
    if (!estimate.has_value()) return;
    const bool below = estimate.has_lower() && estimate.value() < estimate.lower() - tolerance;
    const bool above = estimate.has_upper() && estimate.value() > estimate.upper() + tolerance;
    Need(!(below || above) || IsExplained(estimate.id()), place,
         absl::StrCat("has the value ", estimate.value(), " outside its limits without a warning `",
                      kOutsideLimits, "` that holds its id"));
  }

  bool IsExplained(const std::string& id) const {
    return std::any_of(
        result_.warnings().begin(), result_.warnings().end(), [&](const v1::Warning& warning) {
          return warning.reason() == kOutsideLimits && absl::StrContains(warning.message(), id);
        });
  }

  void CheckTest(int index) {
    const v1::Test& test = result_.tests(index);
    const std::string place = Place("tests", index);
    ClaimId(test.id(), &source_ids_, place);
    tests_.emplace(test.id(), &test);
    Need(!test.name().empty(), place, "has no name");
    Need(test.standing() != v1::STANDING_UNSPECIFIED, place, "has no standing");
    Need(!test.has_df() || !(test.df() < 0), place, "has degrees of freedom below zero");
    Need(!test.has_p_value() || !(test.p_value() < 0 || test.p_value() > 1), place,
         "has a p-value that is not within 0 and 1");
  }

  void CheckSentence(int index) {
    const v1::Sentence& sentence = result_.findings(index);
    const std::string place = Place("findings", index);
    Need(!sentence.text().empty(), place, "has no text");
    for (int i = 0; i < sentence.quotes_size(); ++i) {
      CheckQuote(sentence, sentence.quotes(i), Place(absl::StrCat(place, ".quotes"), i));
    }
  }

  void CheckQuote(const v1::Sentence& sentence, const v1::Quote& quote, const std::string& place) {
    if (quote.decimals() < 0 || quote.decimals() > 6) {
      return violations_.Add(place, "has decimals that are not 0 to 6");
    }
    Need(StandsAsNumberIn(quote.shown(), sentence.text()), place,
         absl::StrCat("shows \"", quote.shown(),
                      "\", which does not stand in the text as a number"));
    const std::optional<double> value = ValueOf(quote);
    if (!value) {
      return violations_.Add(
          place, absl::StrCat("quotes a number that is not there: `", quote.source(), "` ",
                              v1::QuotedField_Name(quote.field())));
    }
    const std::string disagreement = QuoteDisagreement(quote.shown(), *value, quote.factor(),
                                                       quote.decimals(), quote.absolute());
    Need(disagreement.empty(), place, disagreement);
  }

  std::optional<double> ValueOf(const v1::Quote& quote) const {
    if (quote.field() == v1::QUOTED_FIELD_P_VALUE) {
      const auto test = tests_.find(quote.source());
      if (test == tests_.end() || !test->second->has_p_value()) return std::nullopt;
      return test->second->p_value();
    }
    const auto found = estimates_.find(quote.source());
    if (found == estimates_.end()) return std::nullopt;
    const v1::Estimate& estimate = *found->second;
    const auto if_present = [](bool present, double value) {
      return present ? std::optional<double>(value) : std::nullopt;
    };
    switch (quote.field()) {
      case v1::QUOTED_FIELD_VALUE:
        return if_present(estimate.has_value(), estimate.value());
      case v1::QUOTED_FIELD_LOWER:
        return if_present(estimate.has_lower(), estimate.lower());
      case v1::QUOTED_FIELD_UPPER:
        return if_present(estimate.has_upper(), estimate.upper());
      case v1::QUOTED_FIELD_UNITS:
        return static_cast<double>(estimate.units());
      case v1::QUOTED_FIELD_BLOCKS:
        return static_cast<double>(estimate.blocks());
      case v1::QUOTED_FIELD_EVENTS:
        return if_present(estimate.has_events(), static_cast<double>(estimate.events()));
      case v1::QUOTED_FIELD_AT:
        return if_present(estimate.has_at(), estimate.at());
      default:
        return std::nullopt;
    }
  }

  void CheckFlow(int index) {
    const v1::FlowStep& step = result_.flow(index);
    Need(!step.step().empty(), Place("flow", index), "has no step");
    Need(step.units() >= 0 && step.blocks() >= 0, Place("flow", index), "counts below zero");
  }

  void CheckAssumption(int index) {
    const v1::Assumption& assumption = result_.assumptions(index);
    Need(!assumption.what().empty(), Place("assumptions", index), "does not say what is assumed");
    Need(assumption.verdict() != v1::VERDICT_UNSPECIFIED, Place("assumptions", index),
         "has no verdict");
  }

  void CheckWarning(int index) {
    const v1::Warning& warning = result_.warnings(index);
    const std::string& reason = warning.reason();
    Need(!reason.empty() &&
             std::all_of(reason.begin(), reason.end(),
                         [](char c) {
                           return absl::ascii_islower(static_cast<unsigned char>(c)) ||
                                  absl::ascii_isdigit(static_cast<unsigned char>(c)) || c == '_';
                         }),
         Place("warnings", index), "has a reason that is not lower_snake_case");
    Need(!warning.message().empty(), Place("warnings", index), "has no message");
  }

  void CheckTables() {
    std::set<std::string> ids;
    for (int i = 0; i < result_.tables_size(); ++i) {
      const v1::Table& table = result_.tables(i);
      const std::string place = Place("tables", i);
      ClaimId(table.id(), &ids, place);
      Need(!table.columns().empty(), place, "has no columns");
      for (int row = 0; row < table.rows_size(); ++row) {
        Need(table.rows(row).cells_size() == table.columns_size(),
             Place(absl::StrCat(place, ".rows"), row),
             absl::StrCat("has ", table.rows(row).cells_size(), " cells for ", table.columns_size(),
                          " columns"));
      }
    }
  }

  void CheckFigures() {
    std::set<std::string> ids;
    for (int i = 0; i < result_.figures_size(); ++i) {
      const v1::Figure& figure = result_.figures(i);
      const std::string place = Place("figures", i);
      ClaimId(figure.id(), &ids, place);
      Need(!figure.title().empty(), place, "has no title");
      Need(!figure.text_alternative().empty(), place, "has no text for people who don't see it");
      if (figure.vega_lite().size() > kMaxFigureBytes) continue;
      for (const std::string& violation : FigureViolations(figure.vega_lite())) {
        violations_.Add(absl::StrCat(place, ".vega_lite"), violation);
      }
    }
  }

  void CheckPoolable(int index) {
    const v1::PoolableEffect& effect = result_.poolable_effects(index);
    const std::string place = Place("poolable_effects", index);
    Need(Holds(kPoolableMeasures, effect.measure()), place,
         absl::StrCat("has the measure \"", effect.measure(),
                      "\", which is not one of those known"));
    Need(effect.variance() > 0, place, "has a variance that is not above 0");
    Need(effect.units() >= 0 && effect.blocks() >= 0, place, "counts below zero");
    if (!effect.has_counts()) return;
    const v1::CountsByArm& counts = effect.counts();
    Need(0 <= counts.events_treated() && counts.events_treated() <= counts.n_treated() &&
             0 <= counts.events_control() && counts.events_control() <= counts.n_control(),
         place, "has counts of events that are not within 0 and the units of the arm");
  }

  const v1::Result& result_;
  Violations& violations_;
  std::set<std::string> source_ids_;
  std::map<std::string, const v1::Estimate*> estimates_;
  std::map<std::string, const v1::Test*> tests_;
};

}  // namespace

std::vector<std::string> ResultViolations(const v1::Result& result) {
  Violations violations;
  if (result.ByteSizeLong() > kMaxResultBytes) {
    violations.Add("result", "is larger than 16 MiB");
    return std::move(violations).Take();
  }
  FieldCheck(&violations).Check(result, "");
  ResultCheck(result, &violations).Check();
  return std::move(violations).Take();
}

}  // namespace plumule::analysis
