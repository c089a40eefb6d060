#include "server/protocol/check.h"

#include <gtest/gtest.h>

#include <functional>
#include <limits>
#include <set>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "server/protocol/check_reasons.h"
#include "tests/unit/protocol/good_definition.h"

namespace plumule::protocol {
namespace {

using study::v1::Problem;
using study::v1::Protocol;

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kNotANumber = std::numeric_limits<double>::quiet_NaN();

// Positions of members in GoodDefinition.
enum Variables {
  kCountry,
  kMember,
  kPlace,
  kMedium,
  kTemperature,
  kStrength,
  kHeated,
  kTakenOn,
  kOrigin,
  kShoot,
  kRoots,
  kCallus,
  kSeen,
  kPicture
};
enum Thresholds { kTall, kRooted, kCallused, kVisible };
enum Rules {
  kFresh,
  kInOrder,
  kSameOrigin,
  kNotFramed,
  kHasOrganicPart,
  kWarm,
  kGrows,
  kWeekly,
  kMeasured,
  kOneMember
};
enum Analyses { kMain, kRooting, kCallusing, kShowing, kSize };

std::string Show(const std::vector<Problem>& problems) {
  std::string shown;
  for (const Problem& problem : problems) {
    absl::StrAppend(&shown, problem.path(), " ", problem.reason(), ": ", problem.what(), "; ",
                    problem.remedy(), "\n");
  }
  return shown;
}

// One mistake in an otherwise good definition, and what is said of it.
struct Mistake {
  std::string reason;
  std::string path;
  std::function<void(Protocol*)> make;
  // Words that the remedy or the description must hold.
  std::string said = "";
};

void PrintTo(const Mistake& mistake, std::ostream* out) {
  *out << mistake.reason << " at " << mistake.path;
}

study::v1::NumberType* Number(Protocol* p, int variable) {
  return p->mutable_variables(variable)->mutable_number();
}

std::vector<Mistake> AnywhereMistakes() {
  return {
      {"id_missing", "losses[0].id", [](Protocol* p) { p->mutable_losses(0)->clear_id(); }},
      {"id_malformed", "losses[0].id", [](Protocol* p) { p->mutable_losses(0)->set_id("Rot ted"); },
       "\"rot_ted\""},
      {"id_malformed", "losses[0].id", [](Protocol* p) { p->mutable_losses(0)->set_id("a__b"); }},
      {"id_malformed", "losses[0].id", [](Protocol* p) { p->mutable_losses(0)->set_id("ab_"); }},
      {"id_malformed", "losses[0].id", [](Protocol* p) { p->mutable_losses(0)->set_id("1st"); }},
      {"id_too_long", "losses[0].id",
       [](Protocol* p) { p->mutable_losses(0)->set_id(std::string(41, 'a')); }},
      {"id_duplicate", "losses[1].id", [](Protocol* p) { p->mutable_losses(1)->set_id("rotted"); }},
      {"id_duplicate", "variables[place].choice.options[1].code",
       [](Protocol* p) {
         p->mutable_variables(kPlace)->mutable_choice()->mutable_options(2)->set_code("in");
         p->mutable_variables(kPlace)->mutable_choice()->mutable_options()->SwapElements(1, 2);
       }},
      {"id_reserved", "variables[arm].id",
       [](Protocol* p) {
         p->mutable_variables(kHeated)->set_id("arm");
         p->mutable_rules(kMeasured)->mutable_required_when()->mutable_condition()->set_variable(
             "arm");
       }},
      {"id_reserved", "variables[tall_upper].id",
       [](Protocol* p) { p->mutable_variables(kPicture)->set_id("tall_upper"); }},
      {"list_too_long", "losses",
       [](Protocol* p) {
         for (int i = 2; i < 51; ++i) {
           *p->add_losses() = p->losses(0);
           p->mutable_losses(i)->set_id(absl::StrCat("loss", i));
         }
       }},
      {"text_missing", "words.title", [](Protocol* p) { p->mutable_words()->clear_title(); }},
      {"text_missing", "words.question",
       [](Protocol* p) { p->mutable_words()->mutable_question()->set_text(" \n"); }},
      {"text_missing", "arms[low].label", [](Protocol* p) { p->mutable_arms(1)->clear_label(); }},
      {"text_missing", "arms[low].instructions",
       [](Protocol* p) { p->mutable_arms(1)->clear_instructions(); }},
      {"text_missing", "variables[shoot].label",
       [](Protocol* p) { p->mutable_variables(kShoot)->clear_label(); }},
      {"text_missing", "thresholds[tall].label",
       [](Protocol* p) { p->mutable_thresholds(kTall)->clear_label(); }},
      {"text_missing", "losses[rotted].label",
       [](Protocol* p) { p->mutable_losses(0)->clear_label(); }},
      {"text_missing", "rules[warm].words",
       [](Protocol* p) { p->mutable_rules(kWarm)->clear_words(); }},
      {"text_missing", "words.consent", [](Protocol* p) { p->mutable_words()->clear_consent(); }},
      {"text_missing", "words.cautions[1]",
       [](Protocol* p) { p->mutable_words()->add_cautions(); }},
      {"text_too_long", "words.title",
       [](Protocol* p) { p->mutable_words()->mutable_title()->set_text(std::string(121, 'a')); }},
      {"text_too_long", "words.question.translations[0].text",
       [](Protocol* p) {
         p->mutable_words()->mutable_question()->mutable_translations(0)->set_text(
             std::string(20001, 'a'));
       }},
      {"label_duplicate", "arms[low].label",
       [](Protocol* p) { p->mutable_arms(1)->mutable_label()->set_text("none"); }},
      {"label_duplicate", "variables[place].choice.options[out].label",
       [](Protocol* p) {
         p->mutable_variables(kPlace)
             ->mutable_choice()
             ->mutable_options(1)
             ->mutable_label()
             ->set_text("in");
       }},
      {"language_malformed", "language", [](Protocol* p) { p->set_language("english"); },
       "\"pt-BR\""},
      {"language_malformed", "words.question.translations[0].language",
       [](Protocol* p) {
         p->mutable_words()->mutable_question()->mutable_translations(0)->set_language("pt_BR");
       },
       "write \"pt-BR\""},
      {"translation_duplicate", "words.question.translations[1].language",
       [](Protocol* p) {
         auto* question = p->mutable_words()->mutable_question();
         *question->add_translations() = question->translations(0);
         question->mutable_translations(1)->set_language("PT-br");
       }},
      {"translation_of_original", "words.question.translations[0].language",
       [](Protocol* p) {
         p->mutable_words()->mutable_question()->mutable_translations(0)->set_language("en");
       }},
      {"translation_empty", "words.question.translations[0].text",
       [](Protocol* p) {
         p->mutable_words()->mutable_question()->mutable_translations(0)->clear_text();
       }},
      {"enum_unknown", "material.unit_kind",
       [](Protocol* p) {
         p->mutable_material()->set_unit_kind(static_cast<study::v1::UnitKind>(99));
       }},
      {"enum_unknown", "analyses[main].set",
       [](Protocol* p) {
         p->mutable_analyses(kMain)->set_set(static_cast<study::v1::AnalysisSet>(99));
       }},
  };
}

std::vector<Mistake> WordsMistakes() {
  return {
      {"words_missing", "words", [](Protocol* p) { p->clear_words(); }},
      {"title_not_one_line", "words.title",
       [](Protocol* p) { p->mutable_words()->mutable_title()->set_text("a\nb"); }},
      {"consent_version_missing", "words.consent_version",
       [](Protocol* p) { p->mutable_words()->clear_consent_version(); }},
      {"license_missing", "words.data_license",
       [](Protocol* p) { p->mutable_words()->clear_data_license(); }},
      {"license_unknown", "words.data_license",
       [](Protocol* p) { p->mutable_words()->set_data_license("CC BY 4.0"); }, "\"CC-BY-4.0\""},
      {"question_not_asked", "words.question",
       [](Protocol* p) { p->mutable_words()->mutable_question()->set_text("About seeds."); }},
      {"expectation_unexplained", "words.hypothesis",
       [](Protocol* p) { p->mutable_words()->clear_hypothesis(); }},
      {"expectation_unexplained", "words.expected_better_arm",
       [](Protocol* p) { p->mutable_words()->clear_expected_better_arm(); }},
      {"arm_unknown", "words.expected_better_arm",
       [](Protocol* p) { p->mutable_words()->set_expected_better_arm("hihg"); },
       "did you mean \"high\"?"},
      {"contact_missing", "words.contact",
       [](Protocol* p) { p->mutable_words()->clear_contact(); }},
      {"dose_without_caution", "words.cautions",
       [](Protocol* p) { p->mutable_words()->clear_cautions(); }, "exactly as its label"},
      {"cautions_missing", "words.cautions",
       [](Protocol* p) {
         p->mutable_words()->clear_cautions();
         for (auto& arm : *p->mutable_arms()) arm.clear_dose();
       }},
      {"caution_advised", "words.cautions",
       [](Protocol* p) { p->mutable_words()->mutable_cautions(0)->set_text("Follow the label."); },
       "Dampen dry perlite"},
      {"caution_advised", "words.cautions",
       [](Protocol* p) { p->mutable_words()->mutable_cautions(0)->set_text("Dampen dust."); },
       "exactly as its label"},
      {"caution_advised", "words.cautions",
       [](Protocol* p) { p->mutable_arms(0)->mutable_label()->set_text("water"); }, "mosquito"},
      {"caution_advised", "words.cautions",
       [](Protocol* p) {
         p->mutable_arms(0)->mutable_instructions()->set_text("Nick it with a knife.");
       },
       "Cut away from yourself"},
      {"caution_advised", "words.cautions",
       [](Protocol* p) { p->mutable_arms(0)->mutable_label()->set_text("potting mix"); },
       "Legionella"},
  };
}

std::vector<Mistake> CalendarMistakes() {
  return {
      {"calendar_missing", "calendar", [](Protocol* p) { p->clear_calendar(); }},
      {"date_missing", "calendar.opens_on",
       [](Protocol* p) { p->mutable_calendar()->clear_opens_on(); }},
      {"date_impossible", "calendar.closes_on",
       [](Protocol* p) { p->mutable_calendar()->set_closes_on("2027-02-30"); },
       "February 2027 has 28 days"},
      {"date_order", "calendar.opens_on",
       [](Protocol* p) { p->mutable_calendar()->set_opens_on("04/03/2027"); },
       "write 2027-04-03 or 2027-03-04, whichever you mean"},
      {"not_a_date", "calendar.start_by",
       [](Protocol* p) { p->mutable_calendar()->set_start_by("in spring"); }},
      {"closes_before_opening", "calendar.closes_on",
       [](Protocol* p) { p->mutable_calendar()->set_closes_on("2027-02-28"); }},
      {"start_by_before_opening", "calendar.start_by",
       [](Protocol* p) { p->mutable_calendar()->set_start_by("2027-02-28"); }},
      {"start_by_after_closing", "calendar.start_by",
       [](Protocol* p) { p->mutable_calendar()->set_start_by("2027-07-01"); }},
      {"start_by_missing", "calendar.start_by",
       [](Protocol* p) {
         p->mutable_calendar()->clear_start_by();
         p->mutable_calendar()->clear_start_tolerance_days();
       }},
      {"grace_out_of_range", "calendar.grace_days",
       [](Protocol* p) { p->mutable_calendar()->set_grace_days(366); }},
      {"grace_out_of_range", "calendar.grace_days",
       [](Protocol* p) { p->mutable_calendar()->set_grace_days(-1); }},
      {"start_tolerance_out_of_range", "calendar.start_tolerance_days",
       [](Protocol* p) { p->mutable_calendar()->set_start_tolerance_days(61); }},
      {"time_zone_unknown", "calendar.time_zone",
       [](Protocol* p) { p->mutable_calendar()->set_time_zone("lisbon"); }, "\"Europe/Lisbon\""},
      {"time_zone_unknown", "calendar.time_zone",
       [](Protocol* p) { p->mutable_calendar()->set_time_zone("/dev/zero"); }},
      {"time_zone_unknown", "calendar.time_zone",
       [](Protocol* p) { p->mutable_calendar()->set_time_zone("Europe/../../../../dev/zero"); }},
      {"time_zone_missing", "calendar.time_zone",
       [](Protocol* p) { p->mutable_calendar()->clear_time_zone(); }},
      {"calendar_very_long", "calendar.closes_on",
       [](Protocol* p) { p->mutable_calendar()->set_closes_on("2037-06-30"); }},
  };
}

std::vector<Mistake> DesignMistakes() {
  return {
      {"arms_too_few", "arms",
       [](Protocol* p) {
         p->mutable_arms()->DeleteSubrange(1, 2);
         p->clear_thresholds();
         p->clear_analyses();
         p->mutable_rules()->DeleteSubrange(kInOrder, 1);
         p->mutable_words()->clear_expected_better_arm();
         p->mutable_words()->clear_hypothesis();
         auto* analysis = p->add_analyses();
         analysis->set_id("main");
         analysis->set_role(study::v1::ANALYSIS_ROLE_PRIMARY);
         analysis->set_plugin("measured");
         analysis->set_variable("shoot");
       }},
      {"list_too_long", "arms",
       [](Protocol* p) {
         for (int i = 3; i < 13; ++i) {
           auto* arm = p->add_arms();
           *arm = p->arms(2);
           arm->set_id(absl::StrCat("arm", i));
           arm->mutable_label()->set_text(arm->id());
           arm->mutable_dose()->mutable_amount()->set_value(1000 * i);
         }
       }},
      {"arm_role_missing", "arms[low].role", [](Protocol* p) { p->mutable_arms(1)->clear_role(); }},
      {"arm_role_missing", "arms[control].role",
       [](Protocol* p) { p->mutable_arms(0)->clear_role(); }},
      {"control_missing", "arms",
       [](Protocol* p) { p->mutable_arms(0)->set_role(study::v1::ARM_ROLE_TREATMENT); }},
      {"control_twice", "arms[low].role",
       [](Protocol* p) { p->mutable_arms(1)->set_role(study::v1::ARM_ROLE_CONTROL); }},
      {"dose_amount_missing", "arms[low].dose.amount",
       [](Protocol* p) { p->mutable_arms(1)->mutable_dose()->clear_amount(); }},
      {"dose_negative", "arms[control].dose.amount.value",
       [](Protocol* p) { p->mutable_arms(0)->mutable_dose()->mutable_amount()->set_value(-1); }},
      {"not_finite", "arms[high].dose.amount.value",
       [](Protocol* p) {
         p->mutable_arms(2)->mutable_dose()->mutable_amount()->set_value(kInfinity);
       }},
      {"unit_missing", "arms[low].dose.amount.unit",
       [](Protocol* p) { p->mutable_arms(1)->mutable_dose()->mutable_amount()->clear_unit(); }},
      {"unit_unknown", "arms[low].dose.amount.unit",
       [](Protocol* p) { p->mutable_arms(1)->mutable_dose()->mutable_amount()->set_unit("ppm"); },
       "[ppm]"},
      {"units_differ", "arms[low].dose.amount.unit",
       [](Protocol* p) {
         p->mutable_arms(1)->mutable_dose()->mutable_amount()->set_unit("mmol/L");
       }},
      {"dose_substance_missing", "arms[low].dose.substance",
       [](Protocol* p) { p->mutable_arms(1)->mutable_dose()->clear_substance(); }},
      {"dose_substances_differ", "arms[high].dose.substance",
       [](Protocol* p) { p->mutable_arms(2)->mutable_dose()->set_substance("NAA"); }},
      {"dose_incomplete", "arms", [](Protocol* p) { p->mutable_arms(1)->clear_dose(); }},
      {"dose_same", "arms[high].dose.amount",
       [](Protocol* p) { p->mutable_arms(2)->mutable_dose()->mutable_amount()->set_value(500); }},
      {"dose_application_missing", "arms[low].dose.application",
       [](Protocol* p) { p->mutable_arms(1)->mutable_dose()->clear_application(); }},
      {"dose_applications_differ", "arms[high].dose.application",
       [](Protocol* p) { p->mutable_arms(2)->mutable_dose()->set_application("soak"); }},
      {"block_missing", "block", [](Protocol* p) { p->clear_block(); }},
      {"units_per_arm_too_few", "block.min_units_per_arm",
       [](Protocol* p) { p->mutable_block()->set_min_units_per_arm(0); }},
      {"units_per_arm_too_many", "block.max_units_per_arm",
       [](Protocol* p) { p->mutable_block()->set_max_units_per_arm(1001); }},
      {"units_per_arm_inverted", "block.max_units_per_arm",
       [](Protocol* p) { p->mutable_block()->set_min_units_per_arm(6); }},
      {"blocks_per_grower_out_of_range", "block.max_blocks_per_grower",
       [](Protocol* p) { p->mutable_block()->set_max_blocks_per_grower(0); }},
      {"blocks_per_grower_out_of_range", "block.max_blocks_per_grower",
       [](Protocol* p) { p->mutable_block()->set_max_blocks_per_grower(1001); }},
      {"block_undescribed", "block.description",
       [](Protocol* p) { p->mutable_block()->clear_description(); }},
      {"allocation_missing", "allocation.method", [](Protocol* p) { p->clear_allocation(); }},
      {"allocation_not_random", "allocation.method",
       [](Protocol* p) {
         p->mutable_allocation()->set_method(study::v1::ALLOCATION_METHOD_GROWER_CHOOSES);
       }},
      {"species_missing", "material.species",
       [](Protocol* p) { p->mutable_material()->clear_species(); }},
      {"unit_kind_missing", "material.unit_kind",
       [](Protocol* p) { p->mutable_material()->clear_unit_kind(); }},
      {"late_start_unused", "calendar.start_by",
       [](Protocol* p) {
         p->mutable_calendar()->clear_start_by();
         // Comes with the advice start_by_missing; see AllowedBeside.
       }},
  };
}

std::vector<Mistake> VariableMistakes() {
  return {
      {"scope_missing", "variables[heated].scope",
       [](Protocol* p) {
         p->mutable_variables(kHeated)->clear_scope();
         p->mutable_rules()->DeleteSubrange(kMeasured, 1);
       }},
      {"type_missing", "variables[picture]",
       [](Protocol* p) { p->mutable_variables(kPicture)->clear_type(); }},
      {"unit_missing", "variables[strength].number.unit",
       [](Protocol* p) { Number(p, kStrength)->clear_unit(); }},
      {"unit_unknown", "variables[shoot].number.entry_units[1]",
       [](Protocol* p) { Number(p, kShoot)->set_entry_units(1, "inch"); }, "[in_i]"},
      {"unit_unknown", "variables[temperature].number.unit",
       [](Protocol* p) { Number(p, kTemperature)->set_unit("C"); }, "Cel"},
      {"units_differ", "variables[shoot].number.entry_units[1]",
       [](Protocol* p) { Number(p, kShoot)->set_entry_units(1, "Cel"); }},
      {"units_differ", "variables[strength].number.entry_units[0]",
       [](Protocol* p) {
         Number(p, kStrength)->set_unit("mg/kg");
         Number(p, kStrength)->set_entry_units(0, "mg/L");
       },
       "a powder in mg/kg"},
      {"entry_units_ambiguous", "variables[strength].number.entry_units",
       [](Protocol* p) { Number(p, kStrength)->add_entry_units("mg/kg"); }},
      {"reference_duplicate", "variables[shoot].number.entry_units[1]",
       [](Protocol* p) { Number(p, kShoot)->set_entry_units(1, "mm"); }},
      {"hard_range_inverted", "variables[temperature].number.hard_max",
       [](Protocol* p) {
         Number(p, kTemperature)->set_hard_max(-11);
         p->mutable_rules()->DeleteSubrange(kWarm, 1);
       }},
      {"plausible_range_inverted", "variables[shoot].number.plausible_max",
       [](Protocol* p) { Number(p, kShoot)->set_plausible_min(301); }},
      {"plausible_outside_hard", "variables[shoot].number.plausible_max",
       [](Protocol* p) { Number(p, kShoot)->set_plausible_max(501); }},
      {"plausible_outside_hard", "variables[roots].count.plausible_max",
       [](Protocol* p) { p->mutable_variables(kRoots)->mutable_count()->set_plausible_max(101); }},
      {"not_finite", "variables[strength].number.hard_max",
       [](Protocol* p) { Number(p, kStrength)->set_hard_max(kNotANumber); }},
      {"hard_range_missing", "variables[strength].number.hard_max",
       [](Protocol* p) { Number(p, kStrength)->clear_hard_max(); }},
      {"hard_range_missing", "variables[roots].count.hard_max",
       [](Protocol* p) { p->mutable_variables(kRoots)->mutable_count()->clear_hard_max(); }},
      {"decimal_places_out_of_range", "variables[shoot].number.decimal_places",
       [](Protocol* p) { Number(p, kShoot)->set_decimal_places(7); }},
      {"count_limit_negative", "variables[roots].count.plausible_max",
       [](Protocol* p) { p->mutable_variables(kRoots)->mutable_count()->set_plausible_max(-1); }},
      {"date_limits_inverted", "variables[taken_on].date.latest",
       [](Protocol* p) {
         p->mutable_variables(kTakenOn)->mutable_date()->set_latest("2026-12-31");
       }},
      {"date_order", "variables[taken_on].date.latest",
       [](Protocol* p) {
         p->mutable_variables(kTakenOn)->mutable_date()->set_latest("31.12.2027");
       },
       "write 2027-12-31 if you mean 31 Dec 2027"},
      {"options_too_few", "variables[origin].choice.options",
       [](Protocol* p) {
         auto* choice = p->mutable_variables(kOrigin)->mutable_choice();
         choice->set_allow_other(false);
         choice->mutable_options()->RemoveLast();
       }},
      {"option_label_missing", "variables[origin].choice.options[own].label",
       [](Protocol* p) {
         p->mutable_variables(kOrigin)->mutable_choice()->mutable_options(0)->clear_label();
       }},
      {"id_malformed", "variables[origin].choice.options[0].code",
       [](Protocol* p) {
         p->mutable_variables(kOrigin)->mutable_choice()->mutable_options(0)->set_code("My-Own");
       },
       "\"my_own\""},
      {"text_length_out_of_range", "variables[member].text.max_length",
       [](Protocol* p) { p->mutable_variables(kMember)->mutable_text()->set_max_length(5001); }},
      {"text_length_out_of_range", "variables[member].text.max_length",
       [](Protocol* p) { p->mutable_variables(kMember)->mutable_text()->set_max_length(0); }},
      {"photo_of_grower", "variables[picture].scope",
       [](Protocol* p) { p->mutable_variables(kPicture)->set_scope(study::v1::SCOPE_GROWER); }},
  };
}

std::vector<Mistake> ThresholdMistakes() {
  return {
      {"variable_unknown", "thresholds[tall].variable",
       [](Protocol* p) { p->mutable_thresholds(kTall)->set_variable("shot"); },
       "did you mean \"shoot\"?"},
      {"variable_scope_unfit", "thresholds[tall].variable",
       [](Protocol* p) { p->mutable_thresholds(kTall)->set_variable("temperature"); }},
      {"variable_type_unfit", "thresholds[tall].variable",
       [](Protocol* p) { p->mutable_thresholds(kTall)->set_variable("picture"); }},
      {"variable_type_unfit", "thresholds[callused].variable",
       [](Protocol* p) { p->mutable_variables(kCallus)->mutable_choice()->set_ordered(false); }},
      {"comparison_missing", "thresholds[tall].comparison",
       [](Protocol* p) { p->mutable_thresholds(kTall)->clear_comparison(); }},
      {"comparison_unfit", "thresholds[visible].comparison",
       [](Protocol* p) {
         p->mutable_thresholds(kVisible)->set_comparison(study::v1::COMPARISON_BELOW);
       }},
      {"target_missing", "thresholds[tall].target",
       [](Protocol* p) { p->mutable_thresholds(kTall)->clear_target(); }},
      {"target_type_unfit", "thresholds[tall].target",
       [](Protocol* p) { p->mutable_thresholds(kTall)->mutable_target()->set_count(50); }},
      {"target_type_unfit", "thresholds[rooted].target",
       [](Protocol* p) { p->mutable_thresholds(kRooted)->mutable_target()->set_yes_no(true); }},
      {"units_differ", "thresholds[tall].target.number.unit",
       [](Protocol* p) {
         p->mutable_thresholds(kTall)->mutable_target()->mutable_number()->set_unit("d");
       }},
      {"not_finite", "thresholds[tall].target.number.value",
       [](Protocol* p) {
         p->mutable_thresholds(kTall)->mutable_target()->mutable_number()->set_value(kNotANumber);
       }},
      {"target_codes_not_one", "thresholds[callused].target.choice",
       [](Protocol* p) {
         p->mutable_thresholds(kCallused)->mutable_target()->mutable_choice()->add_codes("full");
       }},
      {"code_unknown", "thresholds[callused].target.choice.codes[0]",
       [](Protocol* p) {
         p->mutable_thresholds(kCallused)->mutable_target()->mutable_choice()->set_codes(0, "sme");
       },
       "did you mean \"some\"?"},
      {"target_unreachable", "thresholds[tall].target",
       [](Protocol* p) {
         p->mutable_thresholds(kTall)->mutable_target()->mutable_number()->set_value(50.1);
       }},
      {"target_unreachable", "thresholds[callused].target",
       [](Protocol* p) {
         p->mutable_thresholds(kCallused)->set_comparison(study::v1::COMPARISON_ABOVE);
         p->mutable_thresholds(kCallused)->mutable_target()->mutable_choice()->set_codes(0, "full");
       }},
      {"target_unreachable", "thresholds[rooted].target",
       [](Protocol* p) {
         p->mutable_thresholds(kRooted)->set_comparison(study::v1::COMPARISON_BELOW);
       }},
      {"target_always_met", "thresholds[rooted].target",
       [](Protocol* p) {
         p->mutable_thresholds(kRooted)->set_comparison(study::v1::COMPARISON_AT_LEAST);
       }},
      {"target_always_met", "thresholds[visible].target",
       [](Protocol* p) { p->mutable_thresholds(kVisible)->mutable_target()->set_yes_no(false); }},
      {"target_always_met", "thresholds[tall].target",
       [](Protocol* p) {
         p->mutable_thresholds(kTall)->set_comparison(study::v1::COMPARISON_AT_MOST);
         p->mutable_thresholds(kTall)->mutable_target()->mutable_number()->set_value(50);
       }},
      {"arm_unknown", "thresholds[visible].arms[1]",
       [](Protocol* p) { p->mutable_thresholds(kVisible)->set_arms(1, "hi"); }},
      {"reference_duplicate", "thresholds[visible].arms[2]",
       [](Protocol* p) { p->mutable_thresholds(kVisible)->add_arms("high"); }},
      {"threshold_arms_too_few", "thresholds[visible].arms",
       [](Protocol* p) { p->mutable_thresholds(kVisible)->mutable_arms()->RemoveLast(); }},
      {"crossing_source_missing", "thresholds[tall].source",
       [](Protocol* p) { p->mutable_thresholds(kTall)->clear_source(); }},
      {"threshold_unused", "thresholds[callused]",
       [](Protocol* p) { p->mutable_analyses()->DeleteSubrange(kCallusing, 1); }},
      {"look_interval_missing", "thresholds[tall].source",
       [](Protocol* p) {
         p->mutable_rules()->DeleteSubrange(kWeekly, 1);
         p->mutable_thresholds(kRooted)->set_source(study::v1::CROSSING_SOURCE_REPORTED);
         p->mutable_thresholds(kCallused)->set_source(study::v1::CROSSING_SOURCE_REPORTED);
       }},
      {"losses_missing", "losses", [](Protocol* p) { p->clear_losses(); }},
      {"loss_kind_missing", "losses[eaten].kind",
       [](Protocol* p) { p->mutable_losses(1)->clear_kind(); }},
  };
}

study::v1::Rule* Rule(Protocol* p, int rule) { return p->mutable_rules(rule); }

std::vector<Mistake> RuleMistakes() {
  return {
      {"rule_outcome_missing", "rules[warm].outcome",
       [](Protocol* p) { Rule(p, kWarm)->clear_outcome(); }},
      {"rule_kind_missing", "rules[warm]", [](Protocol* p) { Rule(p, kWarm)->clear_kind(); }},
      {"leaves_without_deviation", "rules[warm].leaves_primary_set",
       [](Protocol* p) { Rule(p, kWarm)->set_leaves_primary_set(true); }},
      {"moment_missing", "rules[fresh].within_days.b",
       [](Protocol* p) { Rule(p, kFresh)->mutable_within_days()->clear_b(); }},
      {"milestone_missing", "rules[fresh].within_days.a.milestone",
       [](Protocol* p) {
         Rule(p, kFresh)->mutable_within_days()->mutable_a()->set_milestone(
             study::v1::MILESTONE_UNSPECIFIED);
       }},
      {"moments_same", "rules[fresh].within_days",
       [](Protocol* p) {
         *Rule(p, kFresh)->mutable_within_days()->mutable_a() = p->rules(kFresh).within_days().b();
       }},
      {"moments_same", "rules[in_order].not_before",
       [](Protocol* p) {
         Rule(p, kInOrder)->mutable_not_before()->mutable_a()->set_threshold("rooted");
       }},
      {"threshold_unknown", "rules[in_order].not_before.a.threshold",
       [](Protocol* p) {
         Rule(p, kInOrder)->mutable_not_before()->mutable_a()->set_threshold("tal");
       },
       "did you mean \"tall\"?"},
      {"variable_type_unfit", "rules[fresh].within_days.b.date_variable",
       [](Protocol* p) {
         Rule(p, kFresh)->mutable_within_days()->mutable_b()->set_date_variable("origin");
       }},
      {"variable_scope_unfit", "rules[fresh].within_days.b.date_variable",
       [](Protocol* p) {
         p->mutable_variables(kTakenOn)->set_scope(study::v1::SCOPE_OBSERVATION);
       }},
      {"max_days_out_of_range", "rules[fresh].within_days.max_days",
       [](Protocol* p) { Rule(p, kFresh)->mutable_within_days()->set_max_days(3651); }},
      {"max_days_out_of_range", "rules[weekly].look_interval.max_days",
       [](Protocol* p) { Rule(p, kWeekly)->mutable_look_interval()->set_max_days(0); }},
      {"same_across_arms_unclear", "rules[same_origin].same_across_arms",
       [](Protocol* p) { Rule(p, kSameOrigin)->mutable_same_across_arms()->set_start_day(true); }},
      {"same_across_arms_unclear", "rules[same_origin].same_across_arms",
       [](Protocol* p) { Rule(p, kSameOrigin)->mutable_same_across_arms()->clear_variable(); }},
      {"variable_scope_unfit", "rules[same_origin].same_across_arms.variable",
       [](Protocol* p) {
         Rule(p, kSameOrigin)->mutable_same_across_arms()->set_variable("place");
       }},
      {"variable_type_unfit", "rules[not_framed].one_of.variable",
       [](Protocol* p) { Rule(p, kNotFramed)->mutable_one_of()->set_variable("temperature"); }},
      {"codes_missing", "rules[not_framed].one_of.codes",
       [](Protocol* p) { Rule(p, kNotFramed)->mutable_one_of()->clear_codes(); }},
      {"code_unknown", "rules[has_organic_part].not_only.codes[1]",
       [](Protocol* p) { Rule(p, kHasOrganicPart)->mutable_not_only()->set_codes(1, "perlit"); },
       "did you mean \"perlite\"?"},
      {"code_unknown", "rules[not_framed].one_of.codes[0]",
       [](Protocol* p) {
         auto* one_of = Rule(p, kNotFramed)->mutable_one_of();
         one_of->set_variable("country");
         one_of->set_codes(0, "UK");
         one_of->set_codes(1, "PT");
       },
       "\"GB\""},
      {"reference_duplicate", "rules[not_framed].one_of.codes[1]",
       [](Protocol* p) { Rule(p, kNotFramed)->mutable_one_of()->set_codes(1, "in"); }},
      {"rule_never_broken", "rules[not_framed].one_of.codes",
       [](Protocol* p) { Rule(p, kNotFramed)->mutable_one_of()->add_codes("frame"); }},
      {"rule_always_broken", "rules[has_organic_part].not_only.codes",
       [](Protocol* p) { Rule(p, kHasOrganicPart)->mutable_not_only()->add_codes("coir"); }},
      {"range_empty", "rules[warm].range",
       [](Protocol* p) {
         Rule(p, kWarm)->mutable_range()->clear_min();
         Rule(p, kWarm)->mutable_range()->clear_max();
       }},
      {"range_inverted", "rules[warm].range.max",
       [](Protocol* p) { Rule(p, kWarm)->mutable_range()->set_max(17); }},
      {"not_finite", "rules[warm].range.min",
       [](Protocol* p) { Rule(p, kWarm)->mutable_range()->set_min(kNotANumber); }},
      {"rule_always_broken", "rules[warm].range",
       [](Protocol* p) {
         Rule(p, kWarm)->mutable_range()->set_min(51);
         Rule(p, kWarm)->mutable_range()->clear_max();
       }},
      {"rule_never_broken", "rules[warm].range",
       [](Protocol* p) {
         Rule(p, kWarm)->mutable_range()->set_min(-10);
         Rule(p, kWarm)->mutable_range()->set_max(50);
       }},
      {"rules_contradict", "rules[cold]",
       [](Protocol* p) {
         Rule(p, kWarm)->set_outcome(study::v1::RULE_OUTCOME_DEVIATION);
         *p->add_rules() = p->rules(kWarm);
         auto* cold = Rule(p, p->rules_size() - 1);
         cold->set_id("cold");
         cold->mutable_range()->clear_min();
         cold->mutable_range()->set_max(17);
       },
       "\"warm\""},
      {"rules_contradict", "rules[reversed]",
       [](Protocol* p) {
         *p->add_rules() = p->rules(kInOrder);
         auto* reversed = Rule(p, p->rules_size() - 1);
         reversed->set_id("reversed");
         reversed->mutable_not_before()->mutable_a()->set_threshold("rooted");
         reversed->mutable_not_before()->mutable_b()->set_threshold("tall");
       }},
      {"rules_contradict", "rules[has_organic_part]",
       [](Protocol* p) {
         auto* one_of = Rule(p, kNotFramed)->mutable_one_of();
         one_of->set_variable("medium");
         one_of->set_codes(0, "sand");
         one_of->set_codes(1, "perlite");
       }},
      {"variable_scope_unfit", "rules[grows].monotone.variable",
       [](Protocol* p) { Rule(p, kGrows)->mutable_monotone()->set_variable("temperature"); }},
      {"tolerated_drop_negative", "rules[grows].monotone.tolerated_drop",
       [](Protocol* p) { Rule(p, kGrows)->mutable_monotone()->set_tolerated_drop(-1); }},
      {"condition_missing", "rules[measured].required_when.condition",
       [](Protocol* p) { Rule(p, kMeasured)->mutable_required_when()->clear_condition(); }},
      {"condition_test_missing", "rules[measured].required_when.condition",
       [](Protocol* p) {
         Rule(p, kMeasured)->mutable_required_when()->mutable_condition()->clear_test();
       }},
      {"condition_type_unfit", "rules[measured].required_when.condition.at_least",
       [](Protocol* p) {
         Rule(p, kMeasured)->mutable_required_when()->mutable_condition()->set_at_least(1);
       }},
      {"condition_on_itself", "rules[measured].required_when.condition.variable",
       [](Protocol* p) {
         Rule(p, kMeasured)
             ->mutable_required_when()
             ->mutable_condition()
             ->set_variable("temperature");
       }},
      {"scopes_differ", "rules[measured].required_when.condition.variable",
       [](Protocol* p) {
         Rule(p, kMeasured)->mutable_required_when()->mutable_condition()->set_variable("seen");
       }},
      {"rule_never_broken", "rules[measured].required_when.variable",
       [](Protocol* p) { p->mutable_variables(kTemperature)->set_required(true); }},
      {"refusal_loses_looks", "rules[weekly].outcome",
       [](Protocol* p) { Rule(p, kWeekly)->set_outcome(study::v1::RULE_OUTCOME_REFUSE); }},
      {"variable_type_unfit", "rules[one_member].unique_in_study.variable",
       [](Protocol* p) {
         Rule(p, kOneMember)->mutable_unique_in_study()->set_variable("country");
       }},
      {"variable_scope_unfit", "rules[one_member].unique_in_study.variable",
       [](Protocol* p) { Rule(p, kOneMember)->mutable_unique_in_study()->set_variable("roots"); }},
  };
}

study::v1::Analysis* Analysis(Protocol* p, int analysis) { return p->mutable_analyses(analysis); }

std::vector<Mistake> AnalysisMistakes() {
  return {
      {"primary_missing", "analyses",
       [](Protocol* p) { Analysis(p, kMain)->set_role(study::v1::ANALYSIS_ROLE_SECONDARY); }},
      {"primary_missing", "analyses",
       [](Protocol* p) {
         p->clear_analyses();
         p->clear_thresholds();
         p->mutable_rules()->DeleteSubrange(kInOrder, 1);
       }},
      {"primary_twice", "analyses[showing].role",
       [](Protocol* p) {
         Analysis(p, kShowing)->set_role(study::v1::ANALYSIS_ROLE_PRIMARY);
         *Analysis(p, kShowing)->mutable_margin() = p->analyses(kMain).margin();
       }},
      {"analysis_role_missing", "analyses[size].role",
       [](Protocol* p) { Analysis(p, kSize)->clear_role(); }},
      {"plugin_missing", "analyses[size].plugin",
       [](Protocol* p) { Analysis(p, kSize)->clear_plugin(); }},
      {"plugin_malformed", "analyses[size].plugin",
       [](Protocol* p) { Analysis(p, kSize)->set_plugin("../bin/sh"); }},
      {"version_range_malformed", "analyses[main].plugin_version",
       [](Protocol* p) { Analysis(p, kMain)->set_plugin_version("~1.2"); }},
      {"version_range_empty", "analyses[main].plugin_version",
       [](Protocol* p) { Analysis(p, kMain)->set_plugin_version(">=2.0.0 <1.0.0"); }},
      {"digest_malformed", "analyses[main].plugin_digest",
       [](Protocol* p) { Analysis(p, kMain)->set_plugin_digest(std::string(64, 'A')); }},
      {"outcome_missing", "analyses[size]",
       [](Protocol* p) {
         Analysis(p, kSize)->clear_variable();
         Analysis(p, kSize)->clear_margin();
       }},
      {"outcome_twice", "analyses[main]",
       [](Protocol* p) { Analysis(p, kMain)->set_variable("shoot"); }},
      {"threshold_unknown", "analyses[main].threshold",
       [](Protocol* p) { Analysis(p, kMain)->set_threshold("tail"); }, "did you mean \"tall\"?"},
      {"variable_unknown", "analyses[size].variable",
       [](Protocol* p) { Analysis(p, kSize)->set_variable("soot"); }},
      {"variable_type_unfit", "analyses[size].variable",
       [](Protocol* p) { Analysis(p, kSize)->set_variable("callus"); }},
      {"variable_scope_unfit", "analyses[size].variable",
       [](Protocol* p) {
         Analysis(p, kSize)->set_variable("temperature");
         Analysis(p, kSize)->clear_margin();
       }},
      {"parameter_name_missing", "analyses[main].parameters[0].name",
       [](Protocol* p) { Analysis(p, kMain)->mutable_parameters(0)->clear_name(); }},
      {"parameter_duplicate", "analyses[main].parameters[1].name",
       [](Protocol* p) {
         *Analysis(p, kMain)->add_parameters() = p->analyses(kMain).parameters(0);
       }},
      {"parameter_value_missing", "analyses[main].parameters[0].value",
       [](Protocol* p) { Analysis(p, kMain)->mutable_parameters(0)->clear_value(); }},
      {"variable_unknown", "analyses[main].subgroup_variables[0]",
       [](Protocol* p) { Analysis(p, kMain)->set_subgroup_variables(0, ""); }},
      {"variable_scope_unfit", "analyses[main].subgroup_variables[0]",
       [](Protocol* p) { Analysis(p, kMain)->set_subgroup_variables(0, "seen"); }},
      {"variable_type_unfit", "analyses[main].subgroup_variables[0]",
       [](Protocol* p) { Analysis(p, kMain)->set_subgroup_variables(0, "medium"); }},
      {"subgroup_continuous", "analyses[main].subgroup_variables[0]",
       [](Protocol* p) { Analysis(p, kMain)->set_subgroup_variables(0, "temperature"); }},
      {"reference_duplicate", "analyses[main].subgroup_variables[1]",
       [](Protocol* p) { Analysis(p, kMain)->add_subgroup_variables("place"); }},
      {"confidence_level_percent", "analyses[main].confidence_level",
       [](Protocol* p) { Analysis(p, kMain)->set_confidence_level(95); }, "write 0.95"},
      {"confidence_level_out_of_range", "analyses[main].confidence_level",
       [](Protocol* p) { Analysis(p, kMain)->set_confidence_level(0.5); }},
      {"confidence_level_out_of_range", "analyses[main].confidence_level",
       [](Protocol* p) { Analysis(p, kMain)->set_confidence_level(kNotANumber); }},
      {"margin_not_positive", "analyses[main].margin.value",
       [](Protocol* p) { Analysis(p, kMain)->mutable_margin()->set_value(0); }},
      {"not_finite", "analyses[main].margin.value",
       [](Protocol* p) { Analysis(p, kMain)->mutable_margin()->set_value(kInfinity); }},
      {"unit_missing", "analyses[main].margin.unit",
       [](Protocol* p) { Analysis(p, kMain)->mutable_margin()->clear_unit(); }},
      {"margin_unit_unfit", "analyses[main].margin.unit",
       [](Protocol* p) { Analysis(p, kMain)->mutable_margin()->set_unit("mm"); }},
      {"margin_unit_unfit", "analyses[size].margin.unit",
       [](Protocol* p) { Analysis(p, kSize)->mutable_margin()->set_unit("d"); }},
      {"margin_missing", "analyses[main].margin",
       [](Protocol* p) { Analysis(p, kMain)->clear_margin(); }},
      {"primary_set_selective", "analyses[main].set",
       [](Protocol* p) { Analysis(p, kMain)->set_set(study::v1::ANALYSIS_SET_FOLLOWED_PROTOCOL); }},
      {"variable_unknown", "privacy.variables[0].variable",
       [](Protocol* p) { p->mutable_privacy()->mutable_variables(0)->set_variable("contry"); },
       "did you mean \"country\"?"},
      {"reference_duplicate", "privacy.variables[2].variable",
       [](Protocol* p) { *p->mutable_privacy()->add_variables() = p->privacy().variables(0); }},
      {"audience_missing", "privacy.variables[country].audience",
       [](Protocol* p) { p->mutable_privacy()->mutable_variables(0)->clear_audience(); }},
      {"smallest_cell_out_of_range", "privacy.smallest_cell",
       [](Protocol* p) { p->mutable_privacy()->set_smallest_cell(1); }},
      {"free_words_public", "privacy.variables[member].audience",
       [](Protocol* p) {
         p->mutable_privacy()->mutable_variables(1)->set_audience(study::v1::AUDIENCE_PUBLIC);
       }},
      {"variable_hidden_from_analysis", "analyses[main].subgroup_variables[0]",
       [](Protocol* p) { p->mutable_privacy()->mutable_variables(1)->set_variable("place"); }},
      {"variable_hidden_from_analysis", "thresholds[rooted].variable",
       [](Protocol* p) { p->mutable_privacy()->mutable_variables(1)->set_variable("roots"); }},
  };
}

std::vector<Mistake> AllMistakes() {
  std::vector<Mistake> all;
  for (const auto& part :
       {AnywhereMistakes(), WordsMistakes(), CalendarMistakes(), DesignMistakes(),
        VariableMistakes(), ThresholdMistakes(), RuleMistakes(), AnalysisMistakes()}) {
    all.insert(all.end(), part.begin(), part.end());
  }
  return all;
}

// Advice that cannot but come with a mistake.
bool AllowedBeside(const Mistake& mistake, const Problem& problem) {
  return mistake.reason == "late_start_unused" && problem.reason() == "start_by_missing";
}

class OneMistake : public ::testing::TestWithParam<Mistake> {};

TEST_P(OneMistake, IsTheOneProblemThatIsFoundAtItsPlace) {
  const Mistake& mistake = GetParam();
  Protocol definition = GoodDefinition();
  mistake.make(&definition);
  std::vector<Problem> problems = Check(definition);
  std::erase_if(problems, [&](const Problem& p) { return AllowedBeside(mistake, p); });
  ASSERT_EQ(problems.size(), 1u) << Show(problems);
  EXPECT_EQ(problems[0].reason(), mistake.reason) << Show(problems);
  EXPECT_EQ(problems[0].path(), mistake.path) << Show(problems);
  EXPECT_FALSE(problems[0].what().empty());
  EXPECT_FALSE(problems[0].why().empty());
  EXPECT_FALSE(problems[0].remedy().empty());
  EXPECT_TRUE(absl::StrContains(problems[0].what() + problems[0].remedy(), mistake.said))
      << Show(problems);
}

INSTANTIATE_TEST_SUITE_P(Check, OneMistake, ::testing::ValuesIn(AllMistakes()),
                         [](const auto& mistake) {
                           return absl::StrCat(mistake.param.reason, "_", mistake.index);
                         });

TEST(Check, FindsNothingInAGoodDefinition) { EXPECT_EQ(Show(Check(GoodDefinition())), ""); }

TEST(Check, HasATestForEveryReasonInItsTable) {
  std::set<std::string> tested = {"more_problems"};
  for (const Mistake& mistake : AllMistakes()) tested.insert(mistake.reason);
  for (const CheckReason& row : kCheckReasons) {
    EXPECT_TRUE(tested.contains(std::string(row.reason))) << row.reason;
  }
}

TEST(Check, ListsEachReasonOnceInItsTable) {
  std::set<std::string_view> seen;
  for (const CheckReason& row : kCheckReasons) {
    EXPECT_TRUE(seen.insert(row.reason).second) << row.reason;
  }
  EXPECT_GE(seen.size(), 60u);
}

TEST(Check, ReportsAllProblemsAtOnceInTheOrderOfTheDefinition) {
  Protocol definition = GoodDefinition();
  definition.mutable_words()->clear_title();
  definition.mutable_calendar()->set_opens_on("2027-02-30");
  definition.mutable_rules(kWarm)->clear_kind();
  const std::vector<Problem> problems = Check(definition);
  ASSERT_EQ(problems.size(), 3u) << Show(problems);
  EXPECT_EQ(problems[0].path(), "words.title");
  EXPECT_EQ(problems[1].path(), "calendar.opens_on");
  EXPECT_EQ(problems[2].path(), "rules[warm]");
}

TEST(Check, TellsAdviceFromProblems) {
  Protocol definition = GoodDefinition();
  definition.mutable_calendar()->clear_time_zone();
  EXPECT_TRUE(CanBePublished(Check(definition)));
  definition.mutable_calendar()->set_closes_on("2027-02-28");
  EXPECT_FALSE(CanBePublished(Check(definition)));
}

TEST(Check, AnswersTheEmptyDefinitionWithWhatIsMissing) {
  const std::vector<Problem> problems = Check(Protocol());
  EXPECT_FALSE(CanBePublished(problems));
  std::set<std::string> reasons;
  for (const Problem& problem : problems) reasons.insert(problem.reason());
  for (const char* reason : {"words_missing", "calendar_missing", "arms_too_few", "block_missing",
                             "allocation_missing", "primary_missing"}) {
    EXPECT_TRUE(reasons.contains(reason)) << reason;
  }
}

// A definition all of whose members are there and empty.
TEST(Check, SurvivesMembersThatAreAllEmpty) {
  Protocol definition;
  definition.mutable_words()->mutable_title()->add_translations();
  definition.mutable_words()->add_cautions();
  definition.mutable_calendar();
  definition.add_arms()->mutable_dose()->mutable_amount();
  definition.mutable_block();
  definition.mutable_allocation();
  for (int type = 6; type <= 13; ++type) {
    auto* variable = definition.add_variables();
    const auto* field = variable->GetDescriptor()->FindFieldByNumber(type);
    ASSERT_NE(field, nullptr);
    variable->GetReflection()->MutableMessage(variable, field);
    if (variable->has_choice()) variable->mutable_choice()->add_options();
  }
  definition.add_thresholds()->mutable_target()->mutable_choice();
  definition.add_losses();
  for (int kind = 5; kind <= 14; ++kind) {
    auto* rule = definition.add_rules();
    const auto* field = rule->GetDescriptor()->FindFieldByNumber(kind);
    ASSERT_NE(field, nullptr);
    rule->GetReflection()->MutableMessage(rule, field);
  }
  auto* analysis = definition.add_analyses();
  analysis->add_parameters();
  analysis->add_subgroup_variables("");
  analysis->mutable_margin();
  definition.mutable_privacy()->add_variables();
  definition.mutable_material();
  const std::vector<Problem> problems = Check(definition);
  EXPECT_GT(problems.size(), 50u);
  for (const Problem& problem : problems) {
    EXPECT_FALSE(problem.path().empty());
    EXPECT_FALSE(problem.what().empty());
    EXPECT_FALSE(problem.why().empty());
    EXPECT_FALSE(problem.remedy().empty());
  }
}

TEST(Check, StopsListingAfterHundredsOfMistakesAndSaysSo) {
  Protocol definition = GoodDefinition();
  for (int i = 0; i < 100'000; ++i) {
    definition.add_variables()->set_id(absl::StrCat("variable", i));
    definition.add_rules();
    definition.mutable_thresholds(kTall)->add_arms("nobody");
  }
  const std::vector<Problem> problems = Check(definition);
  ASSERT_EQ(problems.size(), static_cast<size_t>(kMostProblems));
  EXPECT_EQ(problems.back().reason(), "more_problems");
}

TEST(Check, AcceptsEachLimitItself) {
  Protocol definition = GoodDefinition();
  definition.mutable_words()->mutable_title()->set_text(std::string(120, 'a'));
  definition.mutable_calendar()->set_grace_days(365);
  definition.mutable_calendar()->set_start_tolerance_days(60);
  definition.mutable_block()->set_max_units_per_arm(1000);
  definition.mutable_block()->set_max_blocks_per_grower(1000);
  definition.mutable_variables(kMember)->mutable_text()->set_max_length(5000);
  definition.mutable_variables(kShoot)->mutable_number()->set_decimal_places(6);
  definition.mutable_losses(0)->set_id(std::string(40, 'a'));
  definition.mutable_rules(kFresh)->mutable_within_days()->set_max_days(3650);
  definition.mutable_rules(kWeekly)->mutable_look_interval()->set_max_days(365);
  definition.mutable_privacy()->set_smallest_cell(100);
  EXPECT_EQ(Show(Check(definition)), "");
}

TEST(Check, TakesWellFormedLanguageTags) {
  for (const char* tag : {"en", "pt-BR", "zh-Hant", "zh-Hant-TW", "es-419", "de-CH-1996",
                          "sl-rozaj", "en-x-club", "yue"}) {
    Protocol definition = GoodDefinition();
    definition.mutable_words()->mutable_title()->add_translations()->set_language(tag);
    definition.mutable_words()->mutable_title()->mutable_translations(0)->set_text("x");
    definition.set_language("fr");
    for (const Problem& problem : Check(definition)) {
      EXPECT_NE(problem.reason(), "language_malformed") << tag;
    }
  }
}

}  // namespace
}  // namespace plumule::protocol
