#include "clients/cli/print/result_text.h"

#include <algorithm>
#include <array>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "clients/cli/print/words.h"
#include "server/protocol/spelling.h"

namespace plumule::cli {
namespace {

using analysis::v1::Estimate;
using analysis::v1::Result;
using analysis::v1::Standing;
using protocol::CountCharacters;

constexpr size_t kWidth = 80;

constexpr std::array<Standing, 5> kStandings = {
    analysis::v1::STANDING_PRIMARY, analysis::v1::STANDING_SECONDARY,
    analysis::v1::STANDING_DESCRIPTIVE, analysis::v1::STANDING_SENSITIVITY,
    analysis::v1::STANDING_EXPLORATORY};

Standing Shown(Standing standing) {
  return standing == analysis::v1::STANDING_UNSPECIFIED ? analysis::v1::STANDING_DESCRIPTIVE
                                                        : standing;
}

std::string Padded(std::string text, size_t width) {
  const size_t length = CountCharacters(text);
  if (length < width) text.append(width - length, ' ');
  return text;
}

void Heading(absl::string_view words, std::string* out) {
  absl::StrAppend(out, "\n", words, "\n");
}

std::string Counted(std::int64_t count, absl::string_view noun) {
  return absl::StrCat(count, " ", noun, count == 1 ? "" : "s");
}

std::string Basis(const Estimate& estimate) {
  std::vector<std::string> parts = {MethodWords(estimate.method())};
  if (estimate.units() > 0) parts.push_back(Counted(estimate.units(), "unit"));
  if (estimate.blocks() > 0) parts.push_back(Counted(estimate.blocks(), "block"));
  if (estimate.has_events()) parts.push_back(Counted(estimate.events(), "event"));
  if (!estimate.analysis_set().empty() && estimate.analysis_set() != "all_started" &&
      estimate.analysis_set() != "all_studies") {
    parts.push_back(MethodWords(estimate.analysis_set()));
  }
  return absl::StrJoin(parts, ", ");
}

void WriteEstimate(const Estimate& estimate, std::string* out) {
  std::string what = absl::StrCat(MeasureWords(estimate.measure()), ": ", ContrastWords(estimate));
  const std::string at = AtWords(estimate);
  if (!at.empty()) absl::StrAppend(&what, ", ", at);
  absl::StrAppend(out, Wrapped(what, 2));
  std::string numbers = ValueWords(estimate);
  const std::string interval = IntervalWords(estimate);
  if (!interval.empty()) numbers = absl::StrCat(Padded(std::move(numbers), 18), "  ", interval);
  absl::StrAppend(out, "      ", numbers, "\n", Wrapped(Basis(estimate), 6));
}

void WriteEstimates(const Result& result, std::string* out) {
  for (const Standing standing : kStandings) {
    const bool any = std::any_of(
        result.estimates().begin(), result.estimates().end(),
        [standing](const Estimate& estimate) { return Shown(estimate.standing()) == standing; });
    if (!any) continue;
    Heading(absl::StrCat("Effects: ", StandingWords(standing)), out);
    for (const Estimate& estimate : result.estimates()) {
      if (Shown(estimate.standing()) == standing) WriteEstimate(estimate, out);
    }
  }
}

void WriteTests(const Result& result, std::string* out) {
  if (result.tests().empty()) return;
  Heading("Tests", out);
  for (const auto& test : result.tests()) {
    std::string who = test.arm().empty() ? "all arms" : test.arm();
    if (!test.against().empty()) absl::StrAppend(&who, " against ", test.against());
    if (!test.subgroup().empty()) absl::StrAppend(&who, " [", test.subgroup(), "]");
    std::string line = absl::StrCat(MethodWords(test.name()), " (", MethodWords(test.method()),
                                    "), ", who, ": ");
    absl::StrAppend(&line, test.has_p_value() ? absl::StrCat("p ", PValueWords(test.p_value()))
                                              : "no p-value can be had");
    if (test.has_statistic()) {
      absl::StrAppend(&line, ", statistic ", NumberWords(test.statistic()));
    }
    if (test.has_df()) absl::StrAppend(&line, ", ", NumberWords(test.df()), test.df() == 1 ? " degree" : " degrees", " of freedom");
    absl::StrAppend(out, Wrapped(line, 2));
  }
}

// Columns of the words in the flow of units.
constexpr std::size_t kFlowWidth = 52;

void WriteFlow(const Result& result, std::string* out) {
  if (result.flow().empty()) return;
  Heading("Flow of units", out);
  for (const auto& step : result.flow()) {
    std::string words = step.label().empty() ? MethodWords(step.step()) : step.label();
    if (!step.reason().empty()) absl::StrAppend(&words, " (", step.reason(), ")");
    std::string counts = Counted(step.units(), "unit");
    if (step.blocks() > 0) absl::StrAppend(&counts, ", ", Counted(step.blocks(), "block"));
    // Labels of arms begin with the arm; long ones take a line of their own.
    const std::string indented = absl::StrCat("  ", words);
    if (CountCharacters(indented) > kFlowWidth) {
      absl::StrAppend(out, Wrapped(words, 2), std::string(kFlowWidth + 2, ' '), counts, "\n");
    } else {
      absl::StrAppend(out, Padded(indented, kFlowWidth + 2), counts, "\n");
    }
  }
}

void WriteAssumptions(const Result& result, std::string* out) {
  if (result.assumptions().empty()) return;
  Heading("What was assumed", out);
  for (const auto& assumption : result.assumptions()) {
    absl::StrAppend(out, Wrapped(absl::StrCat("[", VerdictWords(assumption.verdict()), "] ",
                                              assumption.what()), 2));
    if (!assumption.check().empty()) absl::StrAppend(out, Wrapped(assumption.check(), 6));
    if (!assumption.consequence().empty()) {
      absl::StrAppend(out, Wrapped(assumption.consequence(), 6));
    }
  }
}

void WriteTables(const Result& result, std::string* out) {
  for (const auto& table : result.tables()) {
    Heading(table.title().empty() ? table.id() : table.title(), out);
    std::vector<std::vector<std::string>> lines;
    lines.emplace_back(table.columns().begin(), table.columns().end());
    for (const auto& row : table.rows()) {
      std::vector<std::string> cells;
      for (const auto& cell : row.cells()) {
        cells.push_back(cell.has_number()  ? NumberWords(cell.number())
                        : cell.has_count() ? absl::StrCat(cell.count())
                                           : cell.text());
      }
      lines.push_back(std::move(cells));
    }
    std::vector<size_t> widths;
    for (const auto& line : lines) {
      widths.resize(std::max(widths.size(), line.size()));
      for (size_t i = 0; i < line.size(); ++i) {
        widths[i] = std::max(widths[i], CountCharacters(line[i]));
      }
    }
    for (const auto& line : lines) {
      std::string words = " ";
      for (size_t i = 0; i < line.size(); ++i) {
        absl::StrAppend(&words, " ", i + 1 < line.size() ? Padded(line[i], widths[i]) : line[i], " ");
      }
      while (!words.empty() && words.back() == ' ') words.pop_back();
      absl::StrAppend(out, words, "\n");
    }
  }
}

}  // namespace

std::string Wrapped(const std::string& text, int indent) {
  const std::string margin(static_cast<size_t>(indent), ' ');
  std::string out;
  for (const absl::string_view paragraph : absl::StrSplit(absl::string_view(text), '\n')) {
    std::string line = margin;
    bool fresh = true;
    for (const absl::string_view word : absl::StrSplit(paragraph, ' ', absl::SkipEmpty())) {
      if (!fresh && CountCharacters(line) + 1 + CountCharacters(word) > kWidth) {
        absl::StrAppend(&out, line, "\n");
        line = margin;
        fresh = true;
      }
      if (!fresh) line += ' ';
      absl::StrAppend(&line, word);
      fresh = false;
    }
    absl::StrAppend(&out, line, "\n");
  }
  return out;
}

std::string ResultText(const Result& result) {
  std::string out = "Finding\n";
  for (const auto& sentence : result.findings()) absl::StrAppend(&out, Wrapped(sentence.text(), 2));
  if (result.findings().empty() || result.status() != analysis::v1::RESULT_STATUS_ANSWERED) {
    absl::StrAppend(&out, Wrapped(StatusWords(result.status()), 2));
  }
  if (!result.warnings().empty()) Heading("Mind this", &out);
  for (const auto& warning : result.warnings()) {
    absl::StrAppend(&out, Wrapped(absl::StrCat(warning.message(), " [", warning.reason(), "]"), 2));
  }
  WriteEstimates(result, &out);
  WriteTests(result, &out);
  WriteFlow(result, &out);
  WriteAssumptions(result, &out);
  WriteTables(result, &out);
  if (!result.method_statement().empty()) {
    Heading("Method", &out);
    absl::StrAppend(&out, Wrapped(result.method_statement(), 2));
  }
  if (!result.references().empty()) Heading("Sources of the methods", &out);
  for (const auto& reference : result.references()) {
    absl::StrAppend(&out, Wrapped(reference.citation(), 2));
  }
  return out;
}

}  // namespace plumule::cli
