// Writes invented demonstration data: the example protocols with their calendars moved so that each
// study closes about today, and what invented growers recorded in them. All of it is made up.
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <regex>
#include <sstream>
#include <string>

#include "CLI/CLI.hpp"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "examples/demo/growers.h"
#include "examples/demo/records.h"
#include "examples/demo/spreadsheet.h"
#include "server/protocol/civil_date.h"

namespace {

using plumule::demo::DrawGrowers;
using plumule::demo::Grower;
using plumule::demo::RecordStyle;
using plumule::demo::Scenario;
using plumule::protocol::FormatDate;
using plumule::protocol::ParseDate;

struct Days {
  absl::CivilDay opens;
  absl::CivilDay start_by;
  absl::CivilDay closes;
};

[[noreturn]] void Fail(const std::string& message) {
  std::cerr << "plumule-demo: " << message << "\n";
  std::exit(2);
}

std::string ReadFile(const std::filesystem::path& path) {
  std::ifstream in(path, std::ios::binary);
  if (!in) Fail(absl::StrCat("can't read ", path.string()));
  return (std::ostringstream() << in.rdbuf()).str();
}

void WriteFile(const std::filesystem::path& path, const std::string& text) {
  std::filesystem::create_directories(path.parent_path());
  std::ofstream out(path, std::ios::binary);
  out << text;
  if (!out.flush()) Fail(absl::StrCat("can't write ", path.string()));
}

absl::CivilDay DateAfter(const std::string& text, const std::string& field) {
  std::smatch found;
  if (!std::regex_search(text, found, std::regex(field + ": \"(\\d{4}-\\d{2}-\\d{2})\""))) {
    Fail(absl::StrCat("no ", field, " in the protocol"));
  }
  return *ParseDate(found[1].str());
}

// Every ISO date in the text, moved by the same number of days, so that the study closes on
// `closes`.
std::string MoveDates(const std::string& text, absl::CivilDay closes) {
  const auto days = closes - DateAfter(text, "closes_on");
  const std::regex date("\"(\\d{4}-\\d{2}-\\d{2})\"");
  std::string moved;
  auto at = text.cbegin();
  for (std::sregex_iterator it(text.begin(), text.end(), date), end; it != end; ++it) {
    moved.append(at, (*it)[0].first);
    absl::StrAppend(&moved, "\"", FormatDate(*ParseDate((*it)[1].str()) + days), "\"");
    at = (*it)[0].second;
  }
  return moved.append(at, text.cend());
}

// Copies one protocol with moved dates and returns them.
Days MoveProtocol(const std::filesystem::path& from, const std::filesystem::path& to,
                  absl::CivilDay closes, const std::string& title_suffix) {
  std::string text = MoveDates(ReadFile(from), closes);
  if (!title_suffix.empty()) {
    text = std::regex_replace(text, std::regex("(title \\{ text: \"[^\"]*)"), "$1" + title_suffix,
                              std::regex_constants::format_first_only);
  }
  WriteFile(to, text);
  return {DateAfter(text, "opens_on"), DateAfter(text, "start_by"), DateAfter(text, "closes_on")};
}

Scenario Base(const Days& days) {
  Scenario scenario;
  scenario.first_start = days.opens;
  scenario.last_start = days.start_by;
  scenario.last_look = days.closes;
  return scenario;
}

void WriteLines(const std::filesystem::path& path, const std::vector<std::string>& lines) {
  std::string text;
  for (const std::string& line : lines) absl::StrAppend(&text, line, "\n");
  WriteFile(path, text);
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{"Writes invented demonstration data for plumule's example studies."};
  std::string protocols;
  std::string out;
  std::string today_text;
  std::uint64_t seed = 20270304;
  app.add_option("--protocols", protocols, "folder of the example protocols")->required();
  app.add_option("--out", out, "folder to write to")->required();
  app.add_option("--today", today_text, "day on which the demonstration takes place, 2027-03-04")
      ->required();
  app.add_option("--seed", seed, "seed of the invented growers")->capture_default_str();
  CLI11_PARSE(app, argc, argv);
  const auto today = ParseDate(today_text);
  if (!today) Fail(absl::StrCat("--today: write the day as 2027-03-04, not ", today_text));
  const std::filesystem::path from(protocols);
  const std::filesystem::path to(out);
  std::mt19937_64 random(seed);

  const Days mango = MoveProtocol(from / "seed_coat.protocol.txtpb",
                                  to / "seed_coat.protocol.txtpb", *today - 1, "");
  Scenario scenario = Base(mango);
  scenario.arms = {{"husk_on", 24, .25}, {"husk_off", 15, .15}};
  scenario.growers = 40;
  scenario.grower_spread = .25;
  scenario.unit_spread = .20;
  scenario.look_every_days = 3;
  scenario.stops = .12;
  WriteFile(to / "seed_coat.csv", WriteSpreadsheet(DrawGrowers(scenario, random), random));

  const RecordStyle basil = {"root_length", false, 10, "light", {"shade", "half", "full"},
                             "rotted",      "1"};
  for (int round = 1; round <= 2; ++round) {
    const std::string stem = absl::StrCat("water_or_mix_", round);
    const Days days =
        MoveProtocol(from / "water_or_mix.protocol.txtpb", to / (stem + ".protocol.txtpb"),
                     round == 1 ? *today - 15 : *today - 1, absl::StrCat(" Round ", round));
    scenario = Base(days);
    scenario.arms = {{"mix", 12, .12}, {"water", 8, .08}};
    scenario.growers = round == 1 ? 28 : 50;
    scenario.units_per_arm = 3;
    scenario.grower_spread = .20;
    scenario.unit_spread = .25;
    scenario.look_every_days = 2;
    scenario.stops = .14;
    WriteLines(to / (stem + ".jsonl"), WriteRecords(DrawGrowers(scenario, random), basil, random));
  }

  const Days rosemary = MoveProtocol(from / "rooting_hormone.protocol.txtpb",
                                     to / "rooting_hormone.protocol.txtpb", *today - 1, "");
  scenario = Base(rosemary);
  scenario.arms = {
      {"none", 38, .40}, {"iba_500", 31, .28}, {"iba_1000", 26, .18}, {"iba_3000", 25, .30}};
  scenario.growers = 24;
  scenario.units_per_arm = 3;
  scenario.grower_spread = .24;
  scenario.unit_spread = .25;
  scenario.look_every_days = 4;
  scenario.stops = .12;
  const RecordStyle rosemary_style = {"root_count", true, 1, "bottom_heat", {}, "rotted", "1"};
  WriteLines(to / "rooting_hormone.jsonl",
             WriteRecords(DrawGrowers(scenario, random), rosemary_style, random));
  return 0;
}
