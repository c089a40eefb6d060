#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"
#include "clients/cli/command/context.h"
#include "clients/cli/local/problem_list.h"
#include "clients/cli/table/table.h"
#include "plumule/plugin/v1/plugin.pb.h"
#include "server/analysis/plugin_process.h"

namespace plumule::cli {

// What `analyze` and `pool` have in common.
struct LocalRunOptions {
  std::vector<std::string> set;  // name=value
  std::string level, seed;
  std::string separator, decimal = "point", encoding = "auto";
  std::string format = "text";

  // --set taken apart, in order.
  std::vector<std::pair<std::string, std::string>> Settings() const;
  // Takes `level` and `seed` given by --set, where the plugin has no parameter of that name.
  bool TakeGeneral(const plugin::v1::Manifest& manifest, const std::string& name,
                   const std::string& value);
  // 0.95 unless stated.
  absl::StatusOr<double> Level() const;
  // 1 unless stated, so that the same command gives the same digits.
  absl::StatusOr<int64_t> Seed() const;
  char DecimalMark() const { return decimal == "comma" ? ',' : '.'; }
  absl::StatusOr<Table> ReadTable(const std::string& path) const;
};

void AddLocalRunOptions(CLI::App* verb, LocalRunOptions* options);

// CLI11's check of an option that takes name=value.
std::string IsSetting(const std::string& text);

// Whether the plugin declares a parameter of this name.
bool Declares(const plugin::v1::Manifest& manifest, const std::string& name);

// Prints `file: problem` lines to stderr; gives kUnusable.
ExitCode FailProblems(Context& context, const std::string& file, const ProblemList& problems);

// Draws a plugin's progress on a terminal. `context` must outlive it.
analysis::ProgressListener ProgressTo(Context& context);

// Prints the result, or why there is none: kUnusable if the plugin declined the data, else kServer.
ExitCode PrintOutcome(Context& context,
                      const analysis::PluginOutcome<analysis::v1::Result>& outcome,
                      const std::string& format);

}  // namespace plumule::cli
