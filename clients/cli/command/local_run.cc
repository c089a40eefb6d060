#include "clients/cli/command/local_run.h"

#include <algorithm>
#include <ostream>

#include "absl/status/status.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "clients/cli/print/json.h"
#include "clients/cli/print/result_text.h"
#include "clients/cli/table/cell.h"

namespace plumule::cli {

std::vector<std::pair<std::string, std::string>> LocalRunOptions::Settings() const {
  std::vector<std::pair<std::string, std::string>> settings;
  for (const std::string& setting : set) {
    const size_t equals = setting.find('=');  // its presence is checked with the command line
    settings.emplace_back(setting.substr(0, equals), setting.substr(equals + 1));
  }
  return settings;
}

bool LocalRunOptions::TakeGeneral(const plugin::v1::Manifest& manifest, const std::string& name,
                                  const std::string& value) {
  if (Declares(manifest, name)) return false;
  if (name == "level") level = value;
  if (name == "seed") seed = value;
  return name == "level" || name == "seed";
}

absl::StatusOr<double> LocalRunOptions::Level() const {
  if (level.empty()) return 0.95;
  const auto number = ParseNumber(level);
  if (number && *number > 0.5 && *number < 1) return *number;
  return absl::InvalidArgumentError(
      absl::StrCat("--level \"", level, "\" does not fit; it is above 0.5 and below 1, like 0.95"));
}

absl::StatusOr<int64_t> LocalRunOptions::Seed() const {
  if (seed.empty()) return 1;
  const auto number = ParseWhole(seed);
  if (number) return *number;
  return absl::InvalidArgumentError(
      absl::StrCat("--seed \"", seed, "\" does not fit; it is a whole number"));
}

absl::StatusOr<Table> LocalRunOptions::ReadTable(const std::string& path) const {
  TableOptions table;
  table.encoding = encoding;
  if (!separator.empty()) {
    auto character = ParseSeparator(separator);
    if (!character.ok()) return character.status();
    table.separator = *character;
  }
  return cli::ReadTable(path, table);
}

void AddLocalRunOptions(CLI::App* verb, LocalRunOptions* options) {
  verb->add_option("--set", options->set, "a parameter of the plugin: name=value; may be repeated")
      ->check(IsSetting);
  verb->add_option("--level", options->level, "confidence level of intervals; default 0.95");
  verb->add_option("--seed", options->seed, "seed of all randomness; default 1");
  verb->add_option("--separator", options->separator,
                   "comma, semicolon, tab, bar; else found from the file");
  verb->add_option("--decimal", options->decimal, "point or comma")
      ->check(CLI::IsMember({"point", "comma"}));
  verb->add_option("--encoding", options->encoding, "auto, utf-8, utf-16 or windows-1252");
  AddFormat(verb, &options->format);
}

std::string IsSetting(const std::string& text) {
  if (absl::StrContains(text, "=") && text[0] != '=') return "";
  return absl::StrCat("\"", text, "\" is not name=value");
}

bool Declares(const plugin::v1::Manifest& manifest, const std::string& name) {
  return std::any_of(manifest.parameters().begin(), manifest.parameters().end(),
                     [&](const auto& parameter) { return parameter.variable().id() == name; });
}

ExitCode FailProblems(Context& context, const std::string& file, const ProblemList& problems) {
  for (const std::string& line : problems.Lines()) context.err << file << ": " << line << '\n';
  return kUnusable;
}

analysis::ProgressListener ProgressTo(Context& context) {
  if (!context.progress) return {};
  return [&context](double fraction, absl::string_view doing) {
    ShowProgress(context, absl::StrFormat("%3.0f %%  %s", fraction * 100, doing));
  };
}

ExitCode PrintOutcome(Context& context,
                      const analysis::PluginOutcome<analysis::v1::Result>& outcome,
                      const std::string& format) {
  if (!outcome.answer.ok()) {
    const bool declined = outcome.failure == analysis::v1::RUN_FAILURE_PLUGIN_DECLINED;
    return Fail(context, declined ? kUnusable : kServer, outcome.answer.status().message());
  }
  context.out << (format == "json" ? ToJson(*outcome.answer) : ResultText(*outcome.answer));
  return kDone;
}

}  // namespace plumule::cli
