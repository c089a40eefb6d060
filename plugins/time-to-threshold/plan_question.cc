#include "plugins/time-to-threshold/plan_question.h"

#include <algorithm>
#include <boost/math/special_functions/trigamma.hpp>
#include <boost/math/tools/roots.hpp>
#include <cmath>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/sdk/follow_up.h"
#include "plugins/sdk/parameters.h"

namespace plumule::time_to_threshold {
namespace {

// What is supposed where nothing is stated (common practice at best, no source); the manifest's
// help says so to the organizer.
constexpr double kNeverShare = 0.2;
constexpr double kLostShare = 0.05;
constexpr double kSilentShare = 0.1;
constexpr double kLateFactor = 1.5;     // late_days ÷ control_days
constexpr double kGrowerFactor = 0.15;  // grower_days ÷ control_days

constexpr char kStated[] = "Stated.";
constexpr char kFromProtocol[] = "From the protocol.";

std::string Days(double days) {
  return absl::StrCat(sdk::Short(days, 1), days == 1 ? " day" : " days");
}
std::string OfHundred(double share) { return absl::StrCat(sdk::Short(100 * share, 1), " of 100"); }

std::string LooksWords(double look_days) {
  if (look_days == 0) return "The very day on which a unit gets there is known.";
  if (look_days == 1) return "Growers look every day.";
  return absl::StrCat("Growers look every ", Days(look_days), ".");
}

// Reads the expectations one by one and keeps the words for each.
class Reader {
 public:
  Reader(const plugin::v1::PlanRequest& request, const sdk::Parameters& stated,
         PlanQuestion& question)
      : request_(request), stated_(stated), question_(question), expected_(question.expected) {}

  absl::Status Read() {
    ReadCalendar();
    ReadTimes();
    ReadShares();
    ReadUnits();
    if (problems_.empty()) Contradictions();
    if (problems_.empty()) return absl::OkStatus();
    return absl::InvalidArgumentError(absl::StrJoin(problems_, "\n"));
  }

 private:
  // The number that was stated, or `otherwise`; `origin` becomes where it is from.
  double Number(const char* name, double otherwise, const std::string& supposed,
                std::string* origin) const {
    const auto stated = stated_.Number(name);
    *origin = stated ? kStated : supposed;
    return stated.value_or(otherwise);
  }

  void Suppose(std::string what, std::string origin) {
    question_.suppositions.push_back({std::move(what), std::move(origin)});
  }

  const std::string& plural() const { return question_.noun.plural; }

  void ReadCalendar() {
    const auto follow_up = sdk::PlannedFollowUp(request_.protocol().calendar());
    if (!follow_up) {
      problems_.push_back(
          "the calendar needs an opening date and a later closing date: they say how long units "
          "can be followed");
      return;
    }
    expected_.longest_follow_up = follow_up->longest;
    expected_.shortest_follow_up = follow_up->shortest.value_or(follow_up->longest);
    Suppose(absl::StrCat("Units are followed for ", sdk::Short(expected_.shortest_follow_up, 0),
                         " to ", Days(expected_.longest_follow_up),
                         ", as growers start on any day up to the last."),
            follow_up->shortest ? kFromProtocol
                                : "From the protocol; it declares no last day to start, so all "
                                  "are supposed to start when the study opens.");
    const auto declared = parameter_horizon();
    expected_.horizon =
        std::min(declared.value_or(expected_.shortest_follow_up), expected_.longest_follow_up);
    Suppose(absl::StrCat("Days are averaged up to day ", sdk::Short(expected_.horizon, 1), "."),
            declared ? kFromProtocol
                     : "No horizon is declared: it is the shortest time that a unit is followed.");
  }

  std::optional<double> parameter_horizon() const {
    for (const auto& parameter : request_.analysis().parameters()) {
      if (parameter.name() == "horizon_days") return parameter.value().number().value();
    }
    return std::nullopt;
  }

  void ReadTimes() {
    std::string origin;
    expected_.control_days =
        Number("control_days", expected_.horizon / 2,
               "Not stated: half of the horizon is supposed. State control_days.", &origin);
    std::string late_origin;
    expected_.late_days =
        Number("late_days", kLateFactor * expected_.control_days,
               "not stated, so one and a half times as long is supposed.", &late_origin);
    Suppose(
        absl::StrCat("Half of the ", plural(), " with ", sdk::Quoted(question_.control),
                     " that make it have done so by day ", sdk::Short(expected_.control_days, 1),
                     ", nine of ten by day ", sdk::Short(expected_.late_days, 1), "."),
        late_origin == kStated ? origin : absl::StrCat(origin, " Nine of ten: ", late_origin));
    ReadEffect();
    expected_.grower_days =
        Number("grower_days", kGrowerFactor * expected_.control_days,
               "Not stated: 15 % of the days of the half is supposed. State grower_days.", &origin);
    Suppose(absl::StrCat("Two of three growers have their typical day within ",
                         Days(expected_.grower_days), " of the middle."),
            origin);
    expected_.look_days = Number("look_days", DeclaredLooks(), LooksOrigin(), &origin);
    Suppose(LooksWords(expected_.look_days), origin);
  }

  void ReadEffect() {
    std::string origin = kStated;
    auto sooner = stated_.Number("sooner_days");
    if (!sooner && request_.analysis().has_margin()) {
      sooner = request_.analysis().margin().value();
      origin = "Not stated: the protocol's margin, the least that would matter, is supposed.";
    }
    if (!sooner || *sooner == 0) {
      problems_.push_back(
          "there is no effect to plan for: state sooner_days, the days by which the treatment "
          "would bring half of the units there sooner, or declare a margin in the analysis");
      return;
    }
    expected_.sooner_days = *sooner;
    Suppose(absl::StrCat("With ", question_.treatment, " that half is there ",
                         Days(std::abs(*sooner)), *sooner > 0 ? " sooner." : " later."),
            origin);
  }

  double DeclaredLooks() const {
    for (const auto& rule : request_.protocol().rules()) {
      if (rule.has_look_interval()) return rule.look_interval().max_days();
    }
    return 1;
  }
  std::string LooksOrigin() const {
    for (const auto& rule : request_.protocol().rules()) {
      if (rule.has_look_interval()) return "From the protocol: the longest interval it allows.";
    }
    return "Not stated, and the protocol does not say: every day is supposed.";
  }

  void ReadShares() {
    std::string origin;
    expected_.never_share =
        Number("never_share", kNeverShare, "Not stated: 20 of 100 are supposed. State never_share.",
               &origin);
    std::string treated_origin;
    expected_.treated_never_share =
        Number("treated_never_share", expected_.never_share,
               "as many with the treatment, as nothing else is stated.", &treated_origin);
    Suppose(absl::StrCat(OfHundred(expected_.never_share), " ", plural(), " with ",
                         sdk::Quoted(question_.control), " and ",
                         OfHundred(expected_.treated_never_share), " with ", question_.treatment,
                         " never make it, however long they are followed."),
            treated_origin == kStated ? origin
                                      : absl::StrCat(origin, " ", "Treatment: ", treated_origin));
    expected_.lost_share = Number("lost_share", kLostShare,
                                  "Not stated: 5 of 100 are supposed. State lost_share.", &origin);
    Suppose(absl::StrCat(OfHundred(expected_.lost_share), " ", plural(),
                         " are lost by accident before day ", sdk::Short(expected_.horizon, 1),
                         ", in every arm alike."),
            origin);
    expected_.silent_share =
        Number("silent_share", kSilentShare,
               "Not stated: 10 of 100 are supposed. State silent_share.", &origin);
    Suppose(absl::StrCat("Of ", OfHundred(expected_.silent_share),
                         " blocks nothing is heard after the start."),
            origin);
  }

  void ReadUnits() {
    const auto stated = stated_.Count("units_per_arm");
    const int declared = std::max(1, request_.protocol().block().min_units_per_arm());
    expected_.units_per_arm = static_cast<int>(stated.value_or(declared));
    if (expected_.units_per_arm < 1) {
      problems_.push_back("units_per_arm: a block needs at least 1 unit of each arm");
    }
    Suppose(absl::StrCat("A block has ",
                         sdk::Counted(expected_.units_per_arm, question_.noun.singular, plural()),
                         " of each arm."),
            stated ? kStated : "From the protocol: the fewest it allows.");
  }

  void Contradictions() {
    const Expectations& it = expected_;
    if (it.late_days <= it.control_days) {
      problems_.push_back(absl::StrCat("late_days: nine of ten can't be there by day ",
                                       sdk::Short(it.late_days, 1), " if half are by day ",
                                       sdk::Short(it.control_days, 1), "; state a later day"));
    }
    if (it.sooner_days >= it.control_days) {
      problems_.push_back(absl::StrCat("sooner_days: half can't be there ", Days(it.sooner_days),
                                       " sooner than on day ", sdk::Short(it.control_days, 1),
                                       "; state fewer days, or control_days later"));
    }
    if (it.control_days >= it.longest_follow_up) {
      problems_.push_back(absl::StrCat("control_days: units are followed for ",
                                       Days(it.longest_follow_up),
                                       " at most, so half would hardly be seen there by day ",
                                       sdk::Short(it.control_days, 1), "; close the study later"));
    }
  }

  const plugin::v1::PlanRequest& request_;
  const sdk::Parameters& stated_;
  PlanQuestion& question_;
  Expectations& expected_;
  std::vector<std::string> problems_;
};

void NameArms(const study::v1::Protocol& protocol, PlanQuestion& question) {
  question.comparisons = 0;
  std::string only;
  for (const study::v1::Arm& arm : protocol.arms()) {
    const std::string label = sdk::LabelOr(arm.label(), arm.id());
    if (arm.role() == study::v1::ARM_ROLE_CONTROL) {
      question.control = label;
    } else {
      ++question.comparisons;
      only = label;
    }
  }
  question.treatment = question.comparisons == 1 ? sdk::Quoted(only) : "a treatment";
}

// Variance of the gamma frailty whose logarithm has this standard deviation.
double FrailtyVariance(double log_deviation) {
  if (log_deviation <= 0) return 0;
  const double wanted = log_deviation * log_deviation;
  // trigamma(a) lies between 1/a and 1/a + 1/a² for every a above 0.
  const double low = 1 / (wanted + 1);
  const double high = (1 + std::sqrt(1 + 4 * wanted)) / (2 * wanted) + 1;
  std::uintmax_t iterations = 200;
  const auto root = boost::math::tools::toms748_solve(
      [wanted](double a) { return boost::math::trigamma(a) - wanted; }, low * 1e-3, high,
      boost::math::tools::eps_tolerance<double>(40), iterations);
  return 2 / (root.first + root.second);
}

double Shape(const Expectations& expected) {
  return std::log(std::log(10.0) / std::log(2.0)) /
         std::log(expected.late_days / expected.control_days);
}

}  // namespace

absl::StatusOr<PlanQuestion> AskPlanQuestion(const plugin::v1::Manifest& manifest,
                                             const plugin::v1::PlanRequest& request) {
  const auto parameters = sdk::Parameters::Make(manifest, request.analysis().parameters());
  if (!parameters.ok()) return parameters.status();
  const auto stated = sdk::Parameters::MakeExpectations(manifest, request.expectations());
  if (!stated.ok()) return stated.status();
  PlanQuestion question;
  question.noun = sdk::UnitNoun(request.protocol());
  question.threshold_label =
      sdk::ThresholdLabel(request.protocol(), request.analysis().threshold());
  NameArms(request.protocol(), question);
  if (question.comparisons == 0 || question.control.empty()) {
    return absl::InvalidArgumentError(
        "the definition needs a control and at least one treatment to plan a comparison");
  }
  const double level = request.analysis().confidence_level();
  question.level = level > 0 ? level : 0.95;
  question.alpha = (1 - question.level) / question.comparisons;
  question.power = request.power();
  question.blocks = request.blocks();
  question.replicates = request.replicates();
  question.seed = request.seed();
  if (auto status = Reader(request, *stated, question).Read(); !status.ok()) return status;
  return question;
}

stats::SurvivalDesign DesignOf(const Expectations& expected) {
  const double shape = Shape(expected);
  return {.control_median = expected.control_days,
          .hazard_ratio = std::pow(
              expected.control_days / (expected.control_days - expected.sooner_days), shape),
          .shape = shape,
          .control_never = expected.never_share,
          .treatment_never = expected.treated_never_share,
          .block_variance = FrailtyVariance(shape * expected.grower_days / expected.control_days),
          .loss_share = expected.lost_share,
          .block_loss_share = expected.silent_share,
          .units_per_arm = expected.units_per_arm,
          .shortest_follow_up = expected.shortest_follow_up,
          .longest_follow_up = expected.longest_follow_up,
          .look_days = expected.look_days,
          .horizon = expected.horizon};
}

double SoonerDays(const Expectations& expected, double hazard_ratio) {
  return expected.control_days * (1 - std::pow(hazard_ratio, -1 / Shape(expected)));
}

}  // namespace plumule::time_to_threshold
