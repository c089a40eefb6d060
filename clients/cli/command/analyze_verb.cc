#include <memory>
#include <optional>
#include <ostream>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/local_run.h"
#include "clients/cli/command/plugins.h"
#include "clients/cli/local/unit_file.h"
#include "clients/cli/table/cell.h"
#include "server/analysis/plugin_process.h"
#include "server/protocol/units.h"

namespace plumule::cli {
namespace {

struct Options {
  std::string plugin, units, looks, control, threshold, margin, folder;
  std::string dose_unit = "1";
  LocalRunOptions run;
};

absl::StatusOr<study::v1::Quantity> Margin(const std::string& text) {
  size_t end = 0;
  while (end < text.size() && text.find_first_of("0123456789.-+", end) == end) ++end;
  const auto number = ParseNumber(text.substr(0, end));
  std::string unit = text.substr(end);
  unit.erase(0, unit.find_first_not_of(' ') == std::string::npos ? unit.size()
                                                                 : unit.find_first_not_of(' '));
  if (!number || !(*number > 0) || protocol::FindUnit(unit) == nullptr) {
    return absl::InvalidArgumentError(absl::StrCat(
        "--margin \"", text,
        "\" does not fit; say the smallest difference that would matter with its unit, like 3d for "
        "days or 10% for percentage points"));
  }
  study::v1::Quantity margin;
  margin.set_value(*number);
  margin.set_unit(unit);
  return margin;
}

// The threshold to analyze: the stated one, or the only one.
absl::StatusOr<std::string> ChooseThreshold(const study::v1::Protocol& protocol,
                                            const std::string& stated) {
  std::vector<std::string> ids;
  for (const auto& threshold : protocol.thresholds()) ids.push_back(threshold.id());
  if (stated.empty() && ids.size() == 1) return ids[0];
  if (ids.empty()) {
    return absl::InvalidArgumentError(
        "the table of units has no threshold; this plugin needs columns like sprouted_lower, "
        "sprouted_upper, sprouted_status");
  }
  if (std::find(ids.begin(), ids.end(), stated) != ids.end()) return stated;
  return absl::InvalidArgumentError(
      absl::StrCat(stated.empty() ? std::string("the table has several thresholds")
                                  : absl::StrCat("there is no threshold \"", stated, "\""),
                   "; choose one with --threshold: ", absl::StrJoin(ids, ", ")));
}

absl::StatusOr<plugin::v1::AnalysisSetup> MakeSetup(Options options,
                                                    const plugin::v1::Manifest& manifest,
                                                    study::v1::Protocol protocol) {
  plugin::v1::AnalysisSetup setup;
  study::v1::Analysis& analysis = *setup.mutable_analysis();
  analysis.set_id("local");
  analysis.set_role(study::v1::ANALYSIS_ROLE_PRIMARY);
  analysis.set_plugin(manifest.id());
  if (manifest.outcome() == plugin::v1::OUTCOME_KIND_THRESHOLD) {
    auto threshold = ChooseThreshold(protocol, options.threshold);
    if (!threshold.ok()) return threshold.status();
    analysis.set_threshold(*threshold);
  } else {
    analysis.set_variable(options.threshold);
  }
  for (const auto& [name, value] : options.run.Settings()) {
    if (options.run.TakeGeneral(manifest, name, value)) continue;
    if (name == "margin" && !Declares(manifest, name)) {
      options.margin = value;
      continue;
    }
    auto parameter = TypedParameter(manifest, name, value);
    if (!parameter.ok()) return parameter.status();
    *analysis.add_parameters() = *std::move(parameter);
  }
  if (!options.margin.empty()) {
    auto margin = Margin(options.margin);
    if (!margin.ok()) return margin.status();
    *analysis.mutable_margin() = *margin;
  }
  auto level = options.run.Level();
  if (!level.ok()) return level.status();
  auto seed = options.run.Seed();
  if (!seed.ok()) return seed.status();
  analysis.set_confidence_level(*level);
  setup.set_seed(*seed);
  *protocol.add_analyses() = analysis;
  *setup.mutable_protocol() = std::move(protocol);
  *setup.mutable_analysis() = analysis::WithDefaults(analysis, manifest);
  return setup;
}

ExitCode Analyze(const Options& options, Context& context) {
  const auto catalog = InstalledPlugins(options.folder, context);
  if (!catalog.ok()) return FailLocal(context, catalog.status());
  const auto plugin = FindPlugin(*catalog, options.plugin);
  if (!plugin.ok()) return FailLocal(context, plugin.status());

  ProblemList problems;
  const auto table = options.run.ReadTable(options.units);
  if (!table.ok()) return FailLocal(context, table.status());
  auto units = ReadUnits(*table,
                         {.control = options.control,
                          .dose_unit = options.dose_unit,
                          .decimal_mark = options.run.DecimalMark()},
                         &problems);
  if (!units) return FailProblems(context, options.units, problems);
  for (const std::string& note : units->notes) context.err << "note: " << note << '\n';
  std::optional<analysis::Table> looks;
  if (!options.looks.empty()) {
    const auto look_table = options.run.ReadTable(options.looks);
    if (!look_table.ok()) return FailLocal(context, look_table.status());
    looks = ReadLooks(*look_table, options.run.DecimalMark(), &*units, &problems);
    if (!looks) return FailProblems(context, options.looks, problems);
  }
  auto setup = MakeSetup(options, (*plugin)->manifest, units->protocol);
  if (!setup.ok()) return FailLocal(context, setup.status());

  analysis::MemoryDataset data(std::move(units->units), std::move(looks));
  const auto outcome =
      analysis::Analyze(**plugin, *setup, data, LocalLimits(), {}, ProgressTo(context));
  ClearProgress(context);
  return PrintOutcome(context, outcome, options.run.format);
}

}  // namespace

void AddAnalyzeVerb(CLI::App& app, Action* action) {
  auto options = std::make_shared<Options>();
  auto* verb = app.add_subcommand("analyze", "Analyze a local table of units, without a server");
  verb->add_option("--plugin", options->plugin, "id of the analysis plugin")->required();
  verb->add_option("--units", options->units, "table with one row a unit")->required();
  verb->add_option("--looks", options->looks, "table with one row a look");
  verb->add_option("--control", options->control,
                   "arm that the others are compared with; else the arm named control");
  verb->add_option("--threshold", options->threshold,
                   "id of the threshold (or variable), if the table has several");
  verb->add_option("--margin", options->margin,
                   "smallest difference that would matter, with its unit: 3d, 10%");
  verb->add_option("--dose-unit", options->dose_unit, "UCUM unit of the column dose");
  AddLocalRunOptions(verb, &options->run);
  AddPluginFolder(verb, &options->folder);
  verb->footer(
      "Columns of --units: block, unit, arm, optional dose and in_primary, any variables, and for\n"
      "each threshold ID_lower, ID_upper (days from the unit's start; upper empty: not reached) "
      "and\n"
      "ID_status (reached, not_reached, lost_biological, lost_incidental).\n\n"
      "Example:\n"
      "  plumule analyze --plugin time-to-threshold --units units.csv --control coat_on \\\n"
      "    --set horizon_days=60 --format json");
  verb->callback([=] { *action = [=](Context& context) { return Analyze(*options, context); }; });
}

}  // namespace plumule::cli
