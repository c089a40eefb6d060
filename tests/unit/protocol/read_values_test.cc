// CompiledProtocol::ReadValues.
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <cmath>
#include <limits>
#include <set>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "google/protobuf/text_format.h"
#include "server/protocol/compiled_protocol.h"
#include "server/protocol/field_reasons.h"
#include "tests/unit/protocol/good_definition.h"

namespace plumule::protocol {
namespace {

using Values = google::protobuf::RepeatedPtrField<study::v1::NamedValue>;
using study::v1::SCOPE_BLOCK;
using study::v1::SCOPE_GROWER;
using study::v1::SCOPE_OBSERVATION;
using study::v1::SCOPE_UNIT;

// Every test fact but that of a required variable's absence answers the required ones.
class ReadValues : public ::testing::Test {
 protected:
  ReadValues() { Recompile(GoodDefinition()); }

  void Recompile(study::v1::Protocol definition) {
    auto compiled = Compile(std::move(definition), 1);
    ASSERT_TRUE(compiled.ok()) << compiled.status();
    compiled_ = *std::move(compiled);
  }

  // Reads `values`, text format of the fields of Observed.
  const Reading& Read(study::v1::Scope scope, const std::string& values,
                      AbsentValue absent = AbsentValue::kIsRefused) {
    intake::v1::Observed fact;
    EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(values, &fact)) << values;
    return Read(scope, fact.values(), absent);
  }
  const Reading& Read(study::v1::Scope scope, const Values& values,
                      AbsentValue absent = AbsentValue::kIsRefused) {
    compiled_->ReadValues(values, scope, "fact.values", &reading_, absent);
    for (const intake::v1::FieldProblem& problem : reading_.problems) {
      EXPECT_FALSE(problem.message().empty());
      EXPECT_FALSE(problem.remedy().empty()) << problem.message();
    }
    return reading_;
  }

  template <class T>
  T Get(const char* variable) const {
    const CanonicalValue* value = reading_.Find(compiled_->FindVariable(variable));
    EXPECT_NE(value, nullptr) << variable;
    return value == nullptr ? T{} : std::get<T>(*value);
  }

  // The one problem, as "field reason".
  std::string Problem() const {
    std::string shown;
    for (const auto& problem : reading_.problems) {
      absl::StrAppend(&shown, shown.empty() ? "" : "\n", problem.field(), " ", problem.reason());
    }
    return shown;
  }

  std::shared_ptr<const CompiledProtocol> compiled_;
  Reading reading_;
};

std::string Shoot(double value, absl::string_view unit) {
  return absl::StrCat("values { variable: 'shoot' value { number { value: ", value, " unit: '",
                      unit, "' } } }");
}

TEST_F(ReadValues, TakesEveryTypeInItsCanonicalForm) {
  Read(SCOPE_OBSERVATION,
       "values { variable: 'callus' value { choice { codes: 'full' } } }"
       "values { variable: 'shoot' value { number { value: 2 unit: '[in_i]' entered: '2\"' } } }"
       "values { variable: 'roots' value { count: 3 } }"
       "values { variable: 'seen' value { yes_no: true } }"
       "values { variable: 'picture' value { photo: '" +
           std::string(64, 'a') + "' } }");
  EXPECT_EQ(Problem(), "");
  EXPECT_TRUE(reading_.notes.empty());
  EXPECT_EQ(Get<double>("shoot"), 50.8);
  EXPECT_EQ(Get<std::int64_t>("roots"), 3);
  EXPECT_EQ(Get<ChosenCodes>("callus"), (ChosenCodes{{2}, ""}));
  EXPECT_TRUE(Get<bool>("seen"));
  EXPECT_EQ(Get<std::string>("picture"), std::string(64, 'a'));
  EXPECT_TRUE(std::is_sorted(reading_.values.begin(), reading_.values.end(),
                             [](const auto& a, const auto& b) { return a.first < b.first; }));
  Read(SCOPE_GROWER,
       "values { variable: 'country' value { country: 'PT' } }"
       "values { variable: 'member' value { text: '17b' } }");
  EXPECT_EQ(Problem(), "");
  EXPECT_EQ(Get<std::string>("country"), "PT");
  Read(SCOPE_UNIT, "values { variable: 'taken_on' value { date: '2027-03-04' } }");
  EXPECT_EQ(Get<absl::CivilDay>("taken_on"), absl::CivilDay(2027, 3, 4));
}

TEST_F(ReadValues, TakesAnEmptyUnitAsTheCanonicalOne) {
  Read(SCOPE_OBSERVATION, Shoot(12, ""));
  EXPECT_EQ(Get<double>("shoot"), 12);
}

TEST_F(ReadValues, SortsCodesByTheirPlace) {
  Read(SCOPE_BLOCK,
       "values { variable: 'medium' value { choice { codes: 'sand' codes: 'coir' } } }");
  EXPECT_EQ(Get<ChosenCodes>("medium"), (ChosenCodes{{0, 2}, ""}));
}

// One field that is wrong, and where and why it is refused.
struct Refusal {
  std::string reason;
  std::string field;
  study::v1::Scope scope;
  std::string values;
  std::string said;
};

std::vector<Refusal> Refusals() {
  const std::string shoot = Shoot(1, "mm");
  return {
      {"variable_unknown", "fact.values[1].variable", SCOPE_OBSERVATION,
       shoot + "values { variable: 'rots' value { count: 1 } }", "did you mean \"roots\"?"},
      {"variable_repeated", "fact.values[1].variable", SCOPE_OBSERVATION, shoot + shoot, "shoot"},
      {"variable_scope_unfit", "fact.values[taken_on]", SCOPE_OBSERVATION,
       shoot + "values { variable: 'taken_on' value { date: '2027-03-04' } }", "unit"},
      {"value_missing", "fact.values[roots]", SCOPE_OBSERVATION,
       shoot + "values { variable: 'roots' }", "roots"},
      {"value_missing", "fact.values[shoot]", SCOPE_OBSERVATION, "values { variable: 'shoot' }",
       "shoot"},
      {"type_unfit", "fact.values[roots].text", SCOPE_OBSERVATION,
       shoot + "values { variable: 'roots' value { text: 'three' } }", "count"},
      {"required_missing", "fact.values[shoot]", SCOPE_OBSERVATION,
       "values { variable: 'roots' value { count: 1 } }", "shoot"},
      {"required_missing", "fact.values[country]", SCOPE_GROWER, "", "country"},
      {"not_finite", "fact.values[shoot].number.value", SCOPE_OBSERVATION,
       "values { variable: 'shoot' value { number { value: nan } } }", "nan"},
      {"not_finite", "fact.values[shoot].number.value", SCOPE_OBSERVATION,
       "values { variable: 'shoot' value { number { value: inf unit: 'cm' } } }", "inf"},
      {"unit_unknown", "fact.values[shoot].number.unit", SCOPE_OBSERVATION, Shoot(1, "inch"),
       "[in_i]"},
      {"unit_not_accepted", "fact.values[shoot].number.unit", SCOPE_OBSERVATION, Shoot(1, "m"),
       "mm, cm, [in_i]"},
      {"entered_too_long", "fact.values[shoot].number.entered", SCOPE_OBSERVATION,
       "values { variable: 'shoot' value { number { value: 1 entered: '" + std::string(65, '1') +
           "' } } }",
       "65"},
      {"out_of_range", "fact.values[shoot].number.value", SCOPE_OBSERVATION, Shoot(50.1, "cm"),
       "50.1 cm (501 mm) is above 500 mm"},
      {"out_of_range", "fact.values[shoot].number.value", SCOPE_OBSERVATION, Shoot(-0.001, "mm"),
       "below 0 mm"},
      {"out_of_range", "fact.values[shoot].number.value", SCOPE_OBSERVATION, Shoot(1e308, "[in_i]"),
       "above 500 mm"},
      {"count_negative", "fact.values[roots].count", SCOPE_OBSERVATION,
       shoot + "values { variable: 'roots' value { count: -1 } }", "-1"},
      {"out_of_range", "fact.values[roots].count", SCOPE_OBSERVATION,
       shoot + "values { variable: 'roots' value { count: 101 } }", "101 is above 100"},
      {"date_missing", "fact.values[taken_on].date", SCOPE_UNIT,
       "values { variable: 'taken_on' value { date: '' } }", "2027-03-04"},
      {"date_impossible", "fact.values[taken_on].date", SCOPE_UNIT,
       "values { variable: 'taken_on' value { date: '2027-02-30' } }", "28 days"},
      {"date_order", "fact.values[taken_on].date", SCOPE_UNIT,
       "values { variable: 'taken_on' value { date: '03/04/27' } }", "2027-03-04 or 2027-04-03"},
      {"not_a_date", "fact.values[taken_on].date", SCOPE_UNIT,
       "values { variable: 'taken_on' value { date: 'today' } }", "today"},
      {"date_out_of_range", "fact.values[taken_on].date", SCOPE_UNIT,
       "values { variable: 'taken_on' value { date: '2026-12-31' } }",
       "31 Dec 2026 is before 1 Jan 2027"},
      {"date_out_of_range", "fact.values[taken_on].date", SCOPE_UNIT,
       "values { variable: 'taken_on' value { date: '2027-07-01' } }", "after 30 Jun 2027"},
      {"choice_empty", "fact.values[origin].choice", SCOPE_UNIT,
       "values { variable: 'origin' value { choice {} } }", "origin"},
      {"choice_not_multiple", "fact.values[callus].choice.codes", SCOPE_OBSERVATION,
       shoot + "values { variable: 'callus' value { choice { codes: 'none' codes: 'some' } } }",
       "one code"},
      {"code_unknown", "fact.values[callus].choice.codes[0]", SCOPE_OBSERVATION,
       shoot + "values { variable: 'callus' value { choice { codes: 'ful' } } }",
       "did you mean \"full\"?"},
      {"code_repeated", "fact.values[medium].choice.codes[2]", SCOPE_BLOCK,
       "values { variable: 'medium' value { choice { codes: 'coir' codes: 'sand' codes: 'coir' } } "
       "}",
       "coir"},
      {"other_not_allowed", "fact.values[medium].choice.other", SCOPE_BLOCK,
       "values { variable: 'medium' value { choice { codes: 'coir' other: 'hope' } } }", "hope"},
      {"text_too_long", "fact.values[origin].choice.other", SCOPE_UNIT,
       "values { variable: 'origin' value { choice { other: '" + std::string(501, 'x') + "' } } }",
       "501"},
      {"text_empty", "fact.values[member].text", SCOPE_GROWER,
       "values { variable: 'country' value { country: 'PT' } }"
       "values { variable: 'member' value { text: ' ' } }",
       "member"},
      {"text_too_long", "fact.values[member].text", SCOPE_GROWER,
       "values { variable: 'country' value { country: 'PT' } }"
       "values { variable: 'member' value { text: '" +
           std::string(21, 'x') + "' } }",
       "21 characters, 20 are allowed"},
      {"country_unknown", "fact.values[country].country", SCOPE_GROWER,
       "values { variable: 'country' value { country: 'pt' } }", "write \"PT\" for Portugal"},
      {"photo_digest_malformed", "fact.values[picture].photo", SCOPE_OBSERVATION,
       shoot + "values { variable: 'picture' value { photo: '" + std::string(63, 'a') + "' } }",
       "SHA-256"},
      {"rule_broken", "fact.values[place]", SCOPE_BLOCK,
       "values { variable: 'place' value { choice { codes: 'frame' } } }",
       "rule not_framed: place is frame"},
      {"rule_broken", "fact.values[temperature]", SCOPE_BLOCK,
       "values { variable: 'heated' value { yes_no: true } }", "heated is yes"},
  };
}

TEST_F(ReadValues, RefusesEachMistakeAtItsFieldAndNothingElse) {
  for (const Refusal& refusal : Refusals()) {
    Read(refusal.scope, refusal.values);
    ASSERT_EQ(Problem(), refusal.field + " " + refusal.reason) << refusal.values;
    const auto& problem = reading_.problems[0];
    EXPECT_TRUE(absl::StrContains(problem.message() + " " + problem.remedy(), refusal.said))
        << problem.message() << " " << problem.remedy();
  }
}

TEST_F(ReadValues, HasATestForEveryReasonInItsTable) {
  std::set<std::string> tested = {"more_problems"};
  for (const Refusal& refusal : Refusals()) tested.insert(refusal.reason);
  for (const FieldReason& row : kFieldReasons) {
    EXPECT_TRUE(tested.contains(std::string(row.reason))) << row.reason;
  }
}

TEST_F(ReadValues, NamesEveryWrongField) {
  Read(SCOPE_OBSERVATION,
       "values { variable: 'shoot' value { number { value: nan unit: 'inch' } } }"
       "values { variable: 'roots' value { count: -1 } }"
       "values { variable: 'callus' value { choice { codes: 'a' codes: 'b' } } }");
  EXPECT_EQ(Problem(),
            "fact.values[shoot].number.unit unit_unknown\n"
            "fact.values[shoot].number.value not_finite\n"
            "fact.values[roots].count count_negative\n"
            "fact.values[callus].choice.codes choice_not_multiple\n"
            "fact.values[callus].choice.codes[0] code_unknown\n"
            "fact.values[callus].choice.codes[1] code_unknown");
  EXPECT_TRUE(reading_.values.empty());
}

TEST_F(ReadValues, StopsListingAtALimitAndSaysSo) {
  Values values;
  for (int i = 0; i < 100'000; ++i) values.Add()->set_variable("nothing");
  Read(SCOPE_OBSERVATION, values);
  ASSERT_EQ(reading_.problems.size(), static_cast<size_t>(kMostFieldProblems) + 1);
  EXPECT_EQ(reading_.problems.back().reason(), "more_problems");
}

TEST_F(ReadValues, TakesNumbersUpToTheHardLimitItself) {
  // Hard range 0 to 500 mm, plausible 0 to 300 mm.
  for (const auto& [value, unit] : {std::pair(0.0, "mm"), std::pair(500.0, "mm"),
                                    std::pair(50.0, "cm"), std::pair(499.999, "mm")}) {
    Read(SCOPE_OBSERVATION, Shoot(value, unit));
    EXPECT_EQ(Problem(), "") << value << unit;
  }
  // 122 °F is 50 °C exactly, the limit of `temperature`.
  Read(SCOPE_BLOCK,
       "values { variable: 'temperature' value { number { value: 122 unit: '[degF]' } } }");
  EXPECT_EQ(Problem(), "");
  EXPECT_EQ(Get<double>("temperature"), 50);
  Read(SCOPE_BLOCK,
       "values { variable: 'temperature' value { number { value: 122.01 unit: '[degF]' } } }");
  EXPECT_EQ(reading_.problems.size(), 1u);
}

TEST_F(ReadValues, NotesImplausibleValuesFromJustBeyondTheLimit) {
  Read(SCOPE_OBSERVATION, Shoot(300, "mm"));
  EXPECT_TRUE(reading_.notes.empty());
  Read(SCOPE_OBSERVATION, Shoot(12, "[in_i]"));
  ASSERT_EQ(reading_.notes.size(), 1u);
  EXPECT_EQ(reading_.notes[0].rule(), "implausible_value");
  EXPECT_EQ(
      reading_.notes[0].message(),
      "shoot: 12 [in_i] (304.8 mm) is above 300 mm, beyond what is usual; correct it if it is "
      "a slip");
  EXPECT_EQ(Get<double>("shoot"), 304.8);
}

TEST_F(ReadValues, CountsAtTheirLimits) {
  const auto read = [&](int count) {
    Read(SCOPE_OBSERVATION,
         absl::StrCat(Shoot(1, "mm"), "values { variable: 'roots' value { count: ", count, " } }"));
    return std::pair(reading_.problems.size(), reading_.notes.size());
  };
  EXPECT_EQ(read(-1), std::pair(size_t{1}, size_t{0}));
  EXPECT_EQ(read(0), std::pair(size_t{0}, size_t{0}));
  EXPECT_EQ(read(39), std::pair(size_t{0}, size_t{0}));
  EXPECT_EQ(read(40), std::pair(size_t{0}, size_t{0}));
  EXPECT_EQ(read(41), std::pair(size_t{0}, size_t{1}));
  EXPECT_EQ(read(99), std::pair(size_t{0}, size_t{1}));
  EXPECT_EQ(read(100), std::pair(size_t{0}, size_t{1}));
  EXPECT_EQ(read(101), std::pair(size_t{1}, size_t{0}));
}

TEST_F(ReadValues, CountsCharactersNotBytes) {
  std::string accents;
  for (int i = 0; i < 19; ++i) accents += "é";
  for (int length = 19; length <= 21; ++length, accents += "é") {
    Read(SCOPE_GROWER,
         "values { variable: 'country' value { country: 'PT' } }"
         "values { variable: 'member' value { text: '" +
             accents + "' } }");
    EXPECT_EQ(reading_.problems.empty(), length <= 20) << length;
  }
}

TEST_F(ReadValues, TakesDatesOnTheirLimits) {
  const auto read = [&](const std::string& date) {
    Read(SCOPE_UNIT, "values { variable: 'taken_on' value { date: '" + date + "' } }");
    return reading_.problems.empty();
  };
  EXPECT_FALSE(read("2026-12-31"));
  EXPECT_TRUE(read("2027-01-01"));
  EXPECT_TRUE(read("2027-06-30"));
  EXPECT_FALSE(read("2027-07-01"));
}

TEST_F(ReadValues, KeepsADeviationAndSaysThatTheUnitLeavesTheSet) {
  Read(SCOPE_BLOCK,
       "values { variable: 'medium' value { choice { codes: 'sand' codes: 'perlite' } } }");
  EXPECT_EQ(Problem(), "");
  ASSERT_EQ(reading_.deviations.size(), 1u);
  EXPECT_EQ(reading_.deviations[0].rule(), "has_organic_part");
  EXPECT_EQ(reading_.deviations[0].message(), "medium is p, sand. Add coir.");
  EXPECT_TRUE(reading_.deviations[0].leaves_primary_set());
  Read(SCOPE_BLOCK,
       "values { variable: 'medium' value { choice { codes: 'sand' codes: 'coir' } } }");
  EXPECT_TRUE(reading_.deviations.empty());
}

TEST_F(ReadValues, NotesARangeThatIsLeft) {
  const auto notes = [&](double value) {
    Read(SCOPE_BLOCK, absl::StrCat("values { variable: 'temperature' value { number { value: ",
                                   value, " unit: 'Cel' } } }"));
    return reading_.notes.size();
  };
  EXPECT_EQ(notes(17.9), 1u);
  EXPECT_EQ(notes(18), 0u);
  EXPECT_EQ(notes(30), 0u);
  EXPECT_EQ(notes(30.1), 1u);
  EXPECT_EQ(reading_.notes[0].rule(), "warm");
}

TEST_F(ReadValues, RequiresAnAnswerOnlyUnderItsCondition) {
  Read(SCOPE_BLOCK, "values { variable: 'heated' value { yes_no: false } }");
  EXPECT_EQ(Problem(), "");
  Read(SCOPE_BLOCK, "");
  EXPECT_EQ(Problem(), "");
  Read(SCOPE_BLOCK,
       "values { variable: 'heated' value { yes_no: true } }"
       "values { variable: 'temperature' value { number { value: 20 } } }");
  EXPECT_EQ(Problem(), "");
}

TEST_F(ReadValues, RequiresAnAnswerUnderConditionsOnCodesAndNumbers) {
  study::v1::Protocol definition = GoodDefinition();
  auto* condition = definition.mutable_rules(8)->mutable_required_when()->mutable_condition();
  condition->set_variable("medium");
  condition->mutable_any_of()->add_codes("sand");
  Recompile(definition);
  Read(SCOPE_BLOCK, "values { variable: 'medium' value { choice { codes: 'coir' } } }");
  EXPECT_EQ(Problem(), "");
  Read(SCOPE_BLOCK,
       "values { variable: 'medium' value { choice { codes: 'coir' codes: 'sand' } } }");
  EXPECT_EQ(Problem(), "fact.values[temperature] rule_broken");
  condition->set_variable("strength");
  condition->set_at_least(100);
  Recompile(definition);
  Read(SCOPE_BLOCK, "values { variable: 'strength' value { number { value: 99 } } }");
  EXPECT_EQ(Problem(), "");
  Read(SCOPE_BLOCK, "values { variable: 'strength' value { number { value: 100 unit: 'mg/L' } } }");
  EXPECT_EQ(Problem(), "fact.values[temperature] rule_broken");
}

TEST_F(ReadValues, JudgesOneOfByCountryAndNotOnlyWithOtherWords) {
  study::v1::Protocol definition = GoodDefinition();
  auto* one_of = definition.mutable_rules(3)->mutable_one_of();
  one_of->set_variable("country");
  one_of->clear_codes();
  one_of->add_codes("PT");
  auto* not_only = definition.mutable_rules(4)->mutable_not_only();
  not_only->set_variable("origin");
  not_only->clear_codes();
  not_only->add_codes("bought");
  Recompile(definition);
  Read(SCOPE_GROWER, "values { variable: 'country' value { country: 'PT' } }");
  EXPECT_EQ(Problem(), "");
  Read(SCOPE_GROWER, "values { variable: 'country' value { country: 'ES' } }");
  EXPECT_EQ(Problem(), "fact.values[country] rule_broken");
  Read(SCOPE_UNIT, "values { variable: 'origin' value { choice { codes: 'bought' } } }");
  EXPECT_EQ(reading_.deviations.size(), 1u);
  Read(SCOPE_UNIT, "values { variable: 'origin' value { choice { codes: 'bought' other: 'x' } } }");
  EXPECT_TRUE(reading_.deviations.empty());
}

TEST_F(ReadValues, ClearsAnAnswerWhereThatIsMeant) {
  Read(SCOPE_OBSERVATION, Shoot(1, "mm") + "values { variable: 'roots' }", AbsentValue::kClears);
  EXPECT_EQ(Problem(), "");
  EXPECT_EQ(reading_.Find(compiled_->FindVariable("roots")), nullptr);
  Read(SCOPE_OBSERVATION, "values { variable: 'shoot' }", AbsentValue::kClears);
  EXPECT_EQ(Problem(), "fact.values[shoot] required_missing");
}

TEST_F(ReadValues, ForgetsTheFactBefore) {
  Read(SCOPE_OBSERVATION, "");
  EXPECT_FALSE(reading_.problems.empty());
  Read(SCOPE_OBSERVATION, Shoot(400, "mm"));
  EXPECT_EQ(reading_.problems.size() + reading_.deviations.size(), 0u);
  Read(SCOPE_OBSERVATION, Shoot(1, "mm"));
  EXPECT_TRUE(reading_.notes.empty());
  EXPECT_EQ(reading_.values.size(), 1u);
}

// Whatever is sent: each answer is either kept or has a problem, and what is kept is in range.
RC_GTEST_FIXTURE_PROP(ReadValues, KeepsOrRefusesAnyNumber, ()) {
  const double value = *rc::gen::arbitrary<double>();
  const auto unit =
      *rc::gen::element<std::string>("", "mm", "cm", "[in_i]", "m", "Cel", "inch", "?");
  Values values;
  study::v1::NamedValue* named = values.Add();
  named->set_variable("shoot");
  named->mutable_value()->mutable_number()->set_value(value);
  named->mutable_value()->mutable_number()->set_unit(unit);
  compiled_->ReadValues(values, SCOPE_OBSERVATION, "v", &reading_);
  RC_ASSERT(reading_.values.empty() != reading_.problems.empty());
  if (!reading_.values.empty()) {
    const double kept = std::get<double>(reading_.values[0].second);
    RC_ASSERT(kept >= 0 && kept <= 500);
  }
}

}  // namespace
}  // namespace plumule::protocol
