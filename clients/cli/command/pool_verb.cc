#include <memory>
#include <ostream>
#include <set>
#include <utility>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/local_run.h"
#include "clients/cli/command/plugins.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/local/study_file.h"
#include "server/analysis/plugin_process.h"

namespace plumule::cli {
namespace {

struct Options {
  std::string plugin = "pooled-effects";
  std::string studies, measure, unit, folder;
  std::vector<std::string> results;
  ServerOptions server;
  LocalRunOptions run;
};

std::string DefaultUnit(const std::string& measure) {
  return measure == "restricted_mean_difference" || measure == "median_difference" ? "d" : "1";
}

bool IsMeasureOfCounts(const std::string& measure) {
  return measure == "log_risk_ratio" || measure == "log_odds_ratio" || measure == "risk_difference";
}

// The effect of `measure` among a result's poolable effects.
absl::StatusOr<plugin::v1::StudyEffect> EffectOf(const analysis::v1::StoredResult& stored,
                                                 const std::string& measure) {
  std::set<std::string> offered;
  std::vector<const analysis::v1::PoolableEffect*> fitting;
  for (const auto& effect : stored.result().poolable_effects()) {
    offered.insert(effect.measure());
    if (effect.measure() == measure) fitting.push_back(&effect);
  }
  if (fitting.empty()) {
    return absl::InvalidArgumentError(
        absl::StrCat(stored.name(), " has no poolable effect \"", measure,
                     "\"; it has: ", offered.empty() ? "none" : absl::StrJoin(offered, ", ")));
  }
  if (fitting.size() > 1) {
    return absl::InvalidArgumentError(
        absl::StrCat(stored.name(), " compares ", fitting.size(), " arms by \"", measure,
                     "\"; pool two-arm studies, or write the wanted effects into a file for "
                     "--studies"));
  }
  plugin::v1::StudyEffect study;
  study.set_study(stored.provenance().study().empty() ? stored.name()
                                                      : stored.provenance().study());
  study.set_effect(fitting[0]->value());
  study.set_variance(fitting[0]->variance());
  return study;
}

ExitCode FetchStudies(const Options& options, const std::string& measure, Context& context,
                      plugin::v1::SynthesizeRequest* request) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  for (const std::string& name : options.results) {
    analysis::v1::GetResultRequest get;
    get.set_name(name);
    const auto answer = (*server)->Call(&analysis::v1::AnalysisService::Stub::GetResult, get);
    if (!answer.ok()) return FailServer(context, answer.status());
    auto study = EffectOf(answer->result(), measure);
    if (!study.ok()) return FailLocal(context, study.status());
    *request->add_studies() = *std::move(study);
  }
  return kDone;
}

ExitCode ReadLocalStudies(const Options& options, Context& context, bool* counts,
                          plugin::v1::SynthesizeRequest* request) {
  const auto table = options.run.ReadTable(options.studies);
  if (!table.ok()) return FailLocal(context, table.status());
  ProblemList problems;
  auto studies = ReadStudies(*table, options.run.DecimalMark(), &problems);
  if (!studies) return FailProblems(context, options.studies, problems);
  for (const std::string& note : studies->notes) context.err << "note: " << note << '\n';
  *counts = studies->counts;
  for (auto& study : studies->studies) *request->add_studies() = std::move(study);
  return kDone;
}

ExitCode Pool(Options options, Context& context) {
  const auto catalog = InstalledPlugins(options.folder, context);
  if (!catalog.ok()) return FailLocal(context, catalog.status());
  const auto plugin = FindPlugin(*catalog, options.plugin);
  if (!plugin.ok()) return FailLocal(context, plugin.status());
  const plugin::v1::Manifest& manifest = (*plugin)->manifest;

  plugin::v1::SynthesizeRequest request;
  for (const auto& [name, value] : options.run.Settings()) {
    if (options.run.TakeGeneral(manifest, name, value)) continue;
    if (name == "measure" && !Declares(manifest, name)) {
      options.measure = value;
      continue;
    }
    auto parameter = TypedParameter(manifest, name, value);
    if (!parameter.ok()) return FailLocal(context, parameter.status());
    *request.add_parameters() = *std::move(parameter);
  }
  bool counts = false;
  if (options.studies.empty() == options.results.empty()) {
    return Fail(context, kUnusable,
                "say what to pool: either --studies FILE, or --result NAME once for each result");
  }
  if (options.studies.empty() && options.measure.empty()) {
    return Fail(context, kUnusable,
                "say which effect of the results to pool: --measure log_hazard_ratio, "
                "restricted_mean_difference, log_risk_ratio …");
  }
  const ExitCode read = options.studies.empty()
                            ? FetchStudies(options, options.measure, context, &request)
                            : ReadLocalStudies(options, context, &counts, &request);
  if (read != kDone) return read;
  if (counts && !IsMeasureOfCounts(options.measure)) {
    return Fail(context, kUnusable,
                absl::StrCat("the studies are given as counts",
                             options.measure.empty()
                                 ? ""
                                 : absl::StrCat(", which give no \"", options.measure, "\""),
                             "; say what to compute from them with --set measure=log_risk_ratio, "
                             "log_odds_ratio or risk_difference"));
  }
  const auto level = options.run.Level();
  if (!level.ok()) return FailLocal(context, level.status());
  const auto seed = options.run.Seed();
  if (!seed.ok()) return FailLocal(context, seed.status());
  request.set_measure(options.measure.empty() ? "effect" : options.measure);
  request.set_unit(options.unit.empty() ? DefaultUnit(options.measure) : options.unit);
  request.set_confidence_level(*level);
  request.set_seed(*seed);

  const auto outcome =
      analysis::Synthesize(**plugin, request, LocalLimits(), {}, ProgressTo(context));
  ClearProgress(context);
  return PrintOutcome(context, outcome, options.run.format);
}

}  // namespace

void AddPoolVerb(CLI::App& app, Action* action) {
  auto options = std::make_shared<Options>();
  auto* verb = app.add_subcommand("pool", "Pool the effects of several studies");
  verb->add_option("--studies", options->studies, "table with one row a study");
  verb->add_option("--result", options->results,
                   "name of a result on the server; once for each study");
  verb->add_option("--measure", options->measure, "what is pooled, like log_hazard_ratio");
  verb->add_option("--unit", options->unit, "UCUM unit of the effects; 1 for logarithms");
  verb->add_option("--plugin", options->plugin, "id of the pooling plugin")->capture_default_str();
  AddLocalRunOptions(verb, &options->run);
  AddPluginFolder(verb, &options->folder);
  AddServerOptions(verb, &options->server);
  verb->footer(
      "Columns of --studies: study, effect and variance (or standard_error); or study,\n"
      "events_treated, n_treated, events_control, n_control with --set measure=…; optional group,\n"
      "and columns of numbers as moderators.\n\n"
      "Example:\n"
      "  plumule pool --studies studies.csv --set measure=log_risk_ratio --format text");
  verb->callback([=] { *action = [=](Context& context) { return Pool(*options, context); }; });
}

}  // namespace plumule::cli
