#include "clients/cli/command/plugins.h"

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <system_error>

#include "absl/status/status.h"
#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "clients/cli/table/cell.h"
#include "clients/cli/version.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {
namespace {

// Parameters as they are given on the command line.
struct Offer {
  absl::string_view plugin;
  absl::string_view option;  // "--set"
  absl::string_view noun;    // "parameter"
  const google::protobuf::RepeatedPtrField<plugin::v1::ParameterSpec>& specs;
};

absl::Status WrongValue(const Offer& offer, absl::string_view name, absl::string_view text,
                        absl::string_view wanted) {
  return absl::InvalidArgumentError(
      absl::StrCat(offer.option, " ", name, ": \"", text, "\" does not fit; it takes ", wanted));
}

// A number, bare or followed by its unit; a share of the unit 1 may be written in per cent.
std::optional<double> NumberIn(absl::string_view unit, absl::string_view text) {
  if (const auto number = ParseNumber(text)) return number;
  const size_t end = text.find_last_of("0123456789");
  if (end == absl::string_view::npos) return std::nullopt;
  const absl::string_view given = absl::StripAsciiWhitespace(text.substr(end + 1));
  const auto number = ParseNumber(text.substr(0, end + 1));
  if (number && given == unit) return number;
  if (number && given == "%" && unit == "1") return *number / 100;
  return std::nullopt;
}

absl::StatusOr<study::v1::Parameter> Typed(const Offer& offer, absl::string_view name,
                                           absl::string_view text) {
  const auto spec =
      std::find_if(offer.specs.begin(), offer.specs.end(),
                   [name](const auto& parameter) { return parameter.variable().id() == name; });
  if (spec == offer.specs.end()) {
    return absl::InvalidArgumentError(absl::StrCat(
        offer.option, " ", name, ": ", offer.plugin, " has no such ", offer.noun,
        "; it has: ", absl::StrJoin(offer.specs, ", ", [](std::string* out, const auto& parameter) {
          out->append(parameter.variable().id());
        })));
  }
  study::v1::Parameter parameter;
  parameter.set_name(std::string(name));
  study::v1::Value& value = *parameter.mutable_value();
  const study::v1::Variable& variable = spec->variable();
  switch (variable.type_case()) {
    case study::v1::Variable::kNumber: {
      const auto number = NumberIn(variable.number().unit(), text);
      if (!number) {
        return WrongValue(
            offer, name, text,
            variable.number().unit() == "1" ? "a share, like 0.2 or 20%" : "a number, like 12.5");
      }
      value.mutable_number()->set_value(*number);
      value.mutable_number()->set_unit(variable.number().unit());
      return parameter;
    }
    case study::v1::Variable::kCount: {
      const auto count = ParseWhole(text);
      if (!count || *count < 0) return WrongValue(offer, name, text, "a whole number, like 1000");
      value.set_count(*count);
      return parameter;
    }
    case study::v1::Variable::kYesNo: {
      const std::string lower = absl::AsciiStrToLower(text);
      const bool yes = lower == "yes" || lower == "true";
      if (!yes && lower != "no" && lower != "false")
        return WrongValue(offer, name, text, "yes or no");
      value.set_yes_no(yes);
      return parameter;
    }
    case study::v1::Variable::kChoice: {
      std::vector<std::string> codes;
      for (const auto& option : variable.choice().options()) codes.push_back(option.code());
      const std::vector<std::string> chosen = absl::StrSplit(text, ',');
      for (const std::string& code : chosen) {
        const bool known = std::find(codes.begin(), codes.end(), code) != codes.end();
        if (!known && !variable.choice().allow_other()) {
          return WrongValue(offer, name, text, absl::StrCat("one of ", absl::StrJoin(codes, ", ")));
        }
        if (known)
          value.mutable_choice()->add_codes(code);
        else
          value.mutable_choice()->set_other(code);
      }
      return parameter;
    }
    case study::v1::Variable::kDate:
      if (!protocol::ParseDate(text))
        return WrongValue(offer, name, text, "a date, like 2027-03-04");
      value.set_date(std::string(text));
      return parameter;
    default:
      value.set_text(std::string(text));
      return parameter;
  }
}

}  // namespace

void AddPluginFolder(CLI::App* verb, std::string* folder) {
  verb->add_option(
      "--plugins", *folder,
      "folder of the analysis plugins; else PLUMULE_PLUGINS, else those that came with "
      "this program");
}

absl::StatusOr<analysis::PluginCatalog> InstalledPlugins(const std::string& folder,
                                                         const Context& context) {
  if (!folder.empty()) return analysis::PluginCatalog::Read(folder);
  const std::string stated = context.environment("PLUMULE_PLUGINS");
  if (!stated.empty()) return analysis::PluginCatalog::Read(stated);
  const std::filesystem::path here = context.program_folder;
  const std::vector<std::filesystem::path> places = {here / ".." / "plugins", here / "plugins",
                                                     here / ".." / "lib" / "plumule" / "plugins"};
  for (const auto& place : places) {
    std::error_code error;
    if (std::filesystem::is_directory(place, error)) {
      return analysis::PluginCatalog::Read(place.lexically_normal().string());
    }
  }
  return absl::NotFoundError(
      "no analysis plugins were found beside this program; name their folder with --plugins or "
      "PLUMULE_PLUGINS");
}

absl::StatusOr<const analysis::InstalledPlugin*> FindPlugin(const analysis::PluginCatalog& catalog,
                                                            absl::string_view id) {
  if (const auto* plugin = catalog.Find(id)) return plugin;
  std::vector<std::string> ids;
  for (const auto& plugin : catalog.plugins()) ids.push_back(plugin.manifest.id());
  std::string message =
      absl::StrCat("there is no plugin \"", id,
                   "\"; installed: ", ids.empty() ? "none" : absl::StrJoin(ids, ", "));
  for (const auto& problem : catalog.problems()) {
    if (problem.folder != id) continue;  // others are no help here
    absl::StrAppend(&message, "\nfolder ", problem.folder, ": ", problem.what);
  }
  return absl::NotFoundError(message);
}

analysis::PluginLimits LocalLimits() {
  analysis::PluginLimits limits;
  limits.host_version = kVersion;
  std::error_code error;
  const auto folder = std::filesystem::temp_directory_path(error);
  // A socket's path must fit into 100 bytes.
  if (!error && folder.string().size() < 50) limits.scratch = folder.string();
  return limits;
}

absl::StatusOr<study::v1::Parameter> TypedParameter(const plugin::v1::Manifest& manifest,
                                                    absl::string_view name,
                                                    absl::string_view text) {
  return Typed({manifest.id(), "--set", "parameter", manifest.parameters()}, name, text);
}

absl::StatusOr<study::v1::Parameter> TypedExpectation(const plugin::v1::Manifest& manifest,
                                                      absl::string_view name,
                                                      absl::string_view text) {
  return Typed({manifest.id(), "--expect", "expectation", manifest.expectations()}, name, text);
}

}  // namespace plumule::cli
