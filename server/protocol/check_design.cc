// Checks of calendar, arms, block, allocation, material and privacy.
#include <algorithm>
#include <array>
#include <cmath>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "absl/time/time.h"
#include "server/protocol/cautions.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/report.h"
#include "server/protocol/spelling.h"
#include "server/protocol/units.h"

namespace plumule::protocol {
namespace {

constexpr int kFewestArms = 2;
constexpr int kMostArms = 12;
constexpr int kMostUnits = 1000;
constexpr int kMostBlocks = 1000;
constexpr int kLongestGrace = 365;
constexpr int kLongestTolerance = 60;
constexpr int kVeryLongDays = 3 * 366;

// True if `name` may be asked of the system's time zone list: Abseil opens files by this name, so
// nothing that leaves the list may get there.
bool IsZoneShaped(absl::string_view name) {
  return !name.empty() && name.size() <= 64 &&
         absl::ascii_isalpha(static_cast<unsigned char>(name[0])) &&
         std::all_of(name.begin(), name.end(),
                     [](char c) {
                       return absl::ascii_isalnum(static_cast<unsigned char>(c)) || c == '_' ||
                              c == '/' || c == '+' || c == '-';
                     }) &&
         !absl::EqualsIgnoreCase(name, "localtime") && !absl::EqualsIgnoreCase(name, "posixrules");
}

bool IsZone(absl::string_view name) {
  absl::TimeZone zone;
  return IsZoneShaped(name) && absl::LoadTimeZone(name, &zone);
}

// "lisbon" → Europe/Lisbon.
std::string SuggestZone(absl::string_view name) {
  constexpr std::array<absl::string_view, 9> kRegions = {"Africa",   "America",   "Asia",
                                                         "Atlantic", "Australia", "Europe",
                                                         "Indian",   "Pacific",   "Antarctica"};
  std::string city = absl::StrReplaceAll(absl::AsciiStrToLower(name.substr(0, 64)), {{" ", "_"}});
  const size_t slash = city.rfind('/');
  if (slash != std::string::npos) city = city.substr(slash + 1);
  for (size_t i = 0; i < city.size(); ++i) {
    if (i == 0 || city[i - 1] == '_') {
      city[i] = absl::ascii_toupper(static_cast<unsigned char>(city[i]));
    }
  }
  for (const absl::string_view region : kRegions) {
    const std::string zone = absl::StrCat(region, "/", city);
    if (IsZone(zone)) return absl::StrCat("did you mean ", Quote(zone), "?");
  }
  return "write the IANA name of a place that keeps the study's clock, such as \"Europe/Lisbon\"";
}

void CheckTimeZone(const study::v1::Calendar& calendar, Report* report) {
  const std::string& zone = calendar.time_zone();
  if (zone.empty()) {
    report->Add("calendar.time_zone", "time_zone_missing", "days end at midnight UTC",
                "write the IANA name of the place that keeps the study's clock, such as "
                "\"Europe/Lisbon\"");
  } else if (!IsZone(zone)) {
    report->Add("calendar.time_zone", "time_zone_unknown",
                absl::StrCat("there is no time zone ", Quote(zone)), SuggestZone(zone));
  }
}

void CheckDayOrder(const study::v1::Calendar& calendar, Report* report) {
  const auto opens = CheckDate("calendar.opens_on", calendar.opens_on(), report);
  absl::optional<absl::CivilDay> start_by;
  if (!calendar.start_by().empty()) {
    start_by = CheckDate("calendar.start_by", calendar.start_by(), report);
  } else {
    report->Add("calendar.start_by", "start_by_missing", "units may start until the last day",
                "give a last day to start on that leaves time to reach the threshold");
  }
  const auto closes = CheckDate("calendar.closes_on", calendar.closes_on(), report);
  if (opens && closes && *closes < *opens) {
    report->Add("calendar.closes_on", "closes_before_opening",
                absl::StrCat("closes on ", SpellDate(*closes), ", opens on ", SpellDate(*opens)),
                "close on a later day");
    return;
  }
  if (opens && closes && *closes - *opens > kVeryLongDays) {
    report->Add("calendar.closes_on", "calendar_very_long",
                absl::StrCat("open for ", *closes - *opens, " days"), "check the years");
  }
  if (start_by && opens && *start_by < *opens) {
    report->Add("calendar.start_by", "start_by_before_opening",
                absl::StrCat("start by ", SpellDate(*start_by), ", opens on ", SpellDate(*opens)),
                "let growers start for some days after the opening");
  }
  if (start_by && closes && *start_by > *closes) {
    report->Add("calendar.start_by", "start_by_after_closing",
                absl::StrCat("start by ", SpellDate(*start_by), ", closes on ", SpellDate(*closes)),
                "give a day that leaves time to reach the threshold");
  }
}

void CheckDays(absl::string_view path, int days, int most, ReasonRow reason, Report* report) {
  if (days < 0 || days > most) {
    report->Add(path, reason, absl::StrCat(days, " days"),
                absl::StrCat("give 0 to ", most, " days"));
  }
}

// What the doses of a definition have in common, taken from the first that has it.
struct CommonDose {
  std::string unit, substance, application;
  std::vector<std::pair<double, std::string>> seen;  // canonical amount and application
};

void CheckSubstance(const std::string& path, const study::v1::Dose& dose, CommonDose* common,
                    Report* report) {
  if (dose.amount().value() <= 0) return;
  if (dose.substance().empty()) {
    report->Add(At(path, "substance"), "dose_substance_missing", "the dose is of nothing",
                "name the active substance, such as \"indole-3-butyric acid\"");
  } else if (common->substance.empty()) {
    common->substance = dose.substance();
  } else if (dose.substance() != common->substance) {
    report->Add(At(path, "substance"), "dose_substances_differ",
                absl::StrCat(Quote(dose.substance()), " here, ", Quote(common->substance),
                             " in another arm"),
                "name one substance alike in all arms; compare two substances without doses");
  }
  if (dose.application().empty()) {
    report->Add(At(path, "application"), "dose_application_missing",
                "the dose does not say how it is applied",
                "write how and for how long, such as \"quick dip, 5 s\"");
  } else if (common->application.empty()) {
    common->application = dose.application();
  } else if (dose.application() != common->application) {
    report->Add(At(path, "application"), "dose_applications_differ",
                absl::StrCat(Quote(dose.application()), " here, ", Quote(common->application),
                             " in another arm"),
                "apply all strengths alike, or compare the ways without doses");
  }
}

void CheckDose(const std::string& path, const study::v1::Dose& dose, CommonDose* common,
               Report* report) {
  const std::string amount_path = At(path, "amount");
  if (!dose.has_amount()) {
    report->Add(amount_path, "dose_amount_missing", "the dose has no amount",
                "write a value and a unit, 0 for an untreated control");
    return;
  }
  CheckSubstance(path, dose, common, report);
  if (dose.amount().unit().empty()) {
    CheckUnit(At(amount_path, "unit"), "", report);
    return;
  }
  const std::string& unit = common->unit.empty() ? dose.amount().unit() : common->unit;
  if (common->unit.empty() && !CheckUnit(At(amount_path, "unit"), unit, report)) return;
  const absl::optional<double> amount = CheckQuantity(amount_path, dose.amount(), unit, report);
  if (common->unit.empty()) common->unit = unit;
  if (!amount) return;
  if (*amount < 0) {
    report->Add(At(amount_path, "value"), "dose_negative",
                absl::StrCat(dose.amount().value(), " ", dose.amount().unit()), "give 0 or more");
  }
  const std::pair<double, std::string> now(*amount, dose.application());
  if (std::find(common->seen.begin(), common->seen.end(), now) != common->seen.end()) {
    report->Add(amount_path, "dose_same", "another arm has the same dose",
                "give one of them another strength, or leave it out");
  }
  common->seen.push_back(now);
}

void CheckArmRoles(const study::v1::Protocol& definition, const std::vector<std::string>& paths,
                   Report* report) {
  int controls = 0;
  bool all_stated = true;
  for (size_t i = 0; i < paths.size(); ++i) {
    const study::v1::ArmRole role = definition.arms(static_cast<int>(i)).role();
    if (role == study::v1::ARM_ROLE_CONTROL) {
      if (++controls > 1) {
        report->Add(At(paths[i], "role"), "control_twice", "this is a second control",
                    "make it a treatment");
      }
    } else if (role != study::v1::ARM_ROLE_TREATMENT) {
      all_stated = false;
      report->Add(At(paths[i], "role"), "arm_role_missing",
                  "the arm is neither control nor treatment",
                  "write ARM_ROLE_CONTROL for the one that others are compared with, "
                  "ARM_ROLE_TREATMENT for the others");
    }
  }
  if (controls == 0 && all_stated && !paths.empty()) {
    report->Add("arms", "control_missing", "no arm is the control",
                "make the arm that growers would do anyway the control");
  }
}

}  // namespace

void CheckMaterial(const DefinitionIndex& index, Report* report) {
  const study::v1::Material& material = index.definition.material();
  if (material.species().empty()) {
    report->Add("material.species", "species_missing", "the species is not named",
                "write its scientific name, such as \"Ocimum basilicum\"");
  }
  if (!study::v1::UnitKind_IsValid(material.unit_kind())) {
    report->Add("material.unit_kind", "enum_unknown",
                absl::StrCat("there is no kind of unit ", static_cast<int>(material.unit_kind())),
                "write UNIT_KIND_SEED, UNIT_KIND_CUTTING, UNIT_KIND_TRAY or UNIT_KIND_POT");
  } else if (material.unit_kind() == study::v1::UNIT_KIND_UNSPECIFIED) {
    report->Add("material.unit_kind", "unit_kind_missing", "what one unit is, is not said",
                "write UNIT_KIND_SEED, UNIT_KIND_CUTTING, UNIT_KIND_TRAY or UNIT_KIND_POT");
  }
}

void CheckCalendar(const DefinitionIndex& index, Report* report) {
  if (!index.definition.has_calendar()) {
    report->Add("calendar", "calendar_missing", "there is no calendar",
                "write at least opens_on and closes_on");
    return;
  }
  const study::v1::Calendar& calendar = index.definition.calendar();
  CheckDayOrder(calendar, report);
  CheckDays("calendar.grace_days", calendar.grace_days(), kLongestGrace, "grace_out_of_range",
            report);
  CheckTimeZone(calendar, report);
  CheckDays("calendar.start_tolerance_days", calendar.start_tolerance_days(), kLongestTolerance,
            "start_tolerance_out_of_range", report);
  if (calendar.start_by().empty() &&
      (calendar.start_tolerance_days() > 0 || calendar.refuse_late_starts())) {
    report->Add("calendar.start_by", "late_start_unused",
                "late starts are spoken of, but no day to start by is given",
                "give start_by, or leave the others out");
  }
}

void CheckArms(const DefinitionIndex& index, Report* report) {
  const auto& arms = index.definition.arms();
  if (arms.size() < kFewestArms) {
    report->Add("arms", "arms_too_few",
                absl::StrCat(arms.size(), arms.size() == 1 ? " arm" : " arms"),
                "declare a control and at least one treatment");
  }
  std::vector<absl::string_view> ids;
  for (const auto& arm : arms) ids.push_back(arm.id());
  const std::vector<std::string> paths = CheckIds("arms", ids, kMostArms, IdShape::kId, report);
  CommonDose common;
  absl::flat_hash_set<std::string> labels;
  int dosed = 0;
  for (size_t i = 0; i < paths.size(); ++i) {
    const study::v1::Arm& arm = arms[static_cast<int>(i)];
    CheckText(index, At(paths[i], "label"), arm.label(), Words::kRequired, report);
    if (!arm.label().text().empty() && !labels.insert(arm.label().text()).second) {
      report->Add(At(paths[i], "label"), "label_duplicate",
                  absl::StrCat("another arm is called ", Quote(arm.label().text()), " too"),
                  "give it a label of its own");
    }
    CheckText(index, At(paths[i], "instructions"), arm.instructions(), Words::kRequired, report);
    if (arm.has_dose()) {
      ++dosed;
      CheckDose(At(paths[i], "dose"), arm.dose(), &common, report);
    }
  }
  CheckArmRoles(index.definition, paths, report);
  if (dosed > 0 && dosed < static_cast<int>(paths.size())) {
    report->Add("arms", "dose_incomplete",
                absl::StrCat(dosed, " of ", paths.size(), " arms have a dose"),
                "give the untreated arm the dose 0");
  }
}

void CheckBlockAndAllocation(const DefinitionIndex& index, Report* report) {
  const study::v1::Protocol& definition = index.definition;
  if (!definition.has_block()) {
    report->Add("block", "block_missing", "what a block is, is not said",
                "write min_units_per_arm, max_units_per_arm and max_blocks_per_grower");
  } else {
    const study::v1::BlockPlan& block = definition.block();
    const int fewest = block.min_units_per_arm();
    const int most = block.max_units_per_arm();
    if (fewest < 1) {
      report->Add("block.min_units_per_arm", "units_per_arm_too_few",
                  absl::StrCat(fewest, " units"), "ask for at least 1");
    }
    if (most > kMostUnits) {
      report->Add("block.max_units_per_arm", "units_per_arm_too_many", absl::StrCat(most, " units"),
                  absl::StrCat("allow at most ", kMostUnits));
    } else if (most < std::max(fewest, 1)) {
      report->Add("block.max_units_per_arm", "units_per_arm_inverted",
                  absl::StrCat("at most ", most, ", at least ", fewest),
                  "allow at least as many as are needed");
    }
    if (block.max_blocks_per_grower() < 1 || block.max_blocks_per_grower() > kMostBlocks) {
      report->Add("block.max_blocks_per_grower", "blocks_per_grower_out_of_range",
                  absl::StrCat(block.max_blocks_per_grower(), " blocks"),
                  absl::StrCat("allow 1 to ", kMostBlocks));
    }
    CheckText(index, "block.description", block.description(), Words::kOptional, report);
    if (block.description().text().empty() && block.description().translations().empty()) {
      report->Add("block.description", "block_undescribed", "what makes a block, is not said",
                  "write it, such as \"grown side by side on one windowsill\"");
    }
  }
  switch (definition.allocation().method()) {
    case study::v1::ALLOCATION_METHOD_SERVER_ALLOCATES:
      break;
    case study::v1::ALLOCATION_METHOD_GROWER_CHOOSES:
      report->Add("allocation.method", "allocation_not_random", "growers choose",
                  "ask growers to draw lots for which unit gets which arm, and say how in the "
                  "instructions");
      break;
    default:
      report->Add("allocation.method", "allocation_missing", "who allocates, is not said",
                  "write ALLOCATION_METHOD_GROWER_CHOOSES, or ALLOCATION_METHOD_SERVER_ALLOCATES "
                  "where the program that starts the units draws lots");
  }
}

void CheckPrivacy(const DefinitionIndex& index, Report* report) {
  const study::v1::Privacy& privacy = index.definition.privacy();
  constexpr int kMostAudiences = 200;
  const int count =
      CheckLength("privacy.variables", privacy.variables_size(), kMostAudiences, report);
  absl::flat_hash_set<absl::string_view> seen;
  for (int i = 0; i < count; ++i) {
    const study::v1::VariableAudience& entry = privacy.variables(i);
    const bool is_new = seen.insert(entry.variable()).second;
    const bool is_known = index.FindVariable(entry.variable()) != nullptr;
    const std::string path = is_new && is_known
                                 ? absl::StrCat("privacy.variables[", entry.variable(), "]")
                                 : At("privacy.variables", i);
    const study::v1::Variable* variable =
        CheckVariableReference(index, At(path, "variable"), entry.variable(), report);
    if (variable != nullptr && !is_new) {
      report->Add(At(path, "variable"), "reference_duplicate",
                  absl::StrCat(Quote(entry.variable()), " stands here a second time"),
                  "say once who may see it");
    }
    if (!study::v1::Audience_IsValid(entry.audience()) ||
        entry.audience() == study::v1::AUDIENCE_UNSPECIFIED) {
      report->Add(At(path, "audience"), "audience_missing", "who may see it, is not said",
                  "write AUDIENCE_PUBLIC, AUDIENCE_RESEARCHERS or AUDIENCE_ORGANIZERS");
    } else if (variable != nullptr && entry.audience() == study::v1::AUDIENCE_PUBLIC &&
               (variable->has_text() || variable->has_photo())) {
      report->Add(At(path, "audience"), "free_words_public",
                  absl::StrCat("everybody may see the answers to ", Quote(entry.variable())),
                  "keep them to researchers: AUDIENCE_RESEARCHERS");
    }
  }
  const int cell = privacy.smallest_cell();
  if (cell != 0 && (cell < 2 || cell > 100)) {
    report->Add("privacy.smallest_cell", "smallest_cell_out_of_range",
                absl::StrCat("groups of ", cell), "write 2 to 100, or leave it out for 5");
  }
}

}  // namespace plumule::protocol
