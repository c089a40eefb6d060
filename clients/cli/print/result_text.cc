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

void Heading(absl::string_view words, std::string* out) { absl::StrAppend(out, "\n", words, "\n"); }

std::string Basis(const Estimate& estimate) {
  std::vector<std::string> parts = {MethodWords(estimate.method())};
  if (estimate.units() > 0) parts.push_back(Counted(estimate.units(), "unit"));
  if (estimate.blocks() > 0) parts.push_back(Counted(estimate.blocks(), "block"));
  if (estimate.has_events()) parts.push_back(Counted(estimate.events(), "event"));
  if (!estimate.analysis_set().empty() && estimate.analysis_set() != "all_started" &&
      estimate.analysis_set() != "all_studies" && estimate.analysis_set() != "planned") {
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
    std::string line =
        absl::StrCat(MethodWords(test.name()), " (", MethodWords(test.method()), "), ", who, ": ");
    absl::StrAppend(&line, test.has_p_value() ? absl::StrCat("p ", PValueWords(test.p_value()))
                                              : "no p-value can be had");
    if (test.has_statistic()) {
      absl::StrAppend(&line, ", statistic ", NumberWords(test.statistic()));
    }
    if (test.has_df())
      absl::StrAppend(&line, ", ", NumberWords(test.df()), test.df() == 1 ? " degree" : " degrees",
                      " of freedom");
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
    absl::StrAppend(
        out,
        Wrapped(absl::StrCat("[", VerdictWords(assumption.verdict()), "] ", assumption.what()), 2));
    if (!assumption.check().empty()) absl::StrAppend(out, Wrapped(assumption.check(), 6));
    if (!assumption.consequence().empty()) {
      absl::StrAppend(out, Wrapped(assumption.consequence(), 6));
    }
  }
}

// A table as text: numbers to the right, headings broken into several lines where the whole would
// be wider than a terminal.
class TextTable {
 public:
  explicit TextTable(const analysis::v1::Table& table) {
    const auto columns = static_cast<size_t>(table.columns_size());
    widths_.resize(columns);
    numeric_.assign(columns, true);
    for (const auto& row : table.rows()) AddRow(row);
    size_t all = 0;
    for (size_t i = 0; i < columns; ++i) {
      all += 2 + std::max(widths_[i], CountCharacters(table.columns(static_cast<int>(i))));
    }
    for (size_t i = 0; i < columns; ++i) {
      AddHeading(table.columns(static_cast<int>(i)), i, all > kWidth);
    }
  }

  void Write(std::string* out) const {
    size_t height = 0;
    for (const auto& lines : headings_) height = std::max(height, lines.size());
    for (size_t k = 0; k < height; ++k) {
      std::vector<std::string> cells;
      for (const auto& lines : headings_) {
        const size_t above = height - lines.size();
        cells.push_back(k < above ? "" : lines[k - above]);
      }
      WriteLine(cells, out);
    }
    for (const auto& row : rows_) WriteLine(row, out);
  }

 private:
  void AddRow(const analysis::v1::TableRow& row) {
    std::vector<std::string> cells;
    for (const auto& cell : row.cells()) {
      const size_t i = cells.size();
      if (i >= widths_.size()) break;
      cells.push_back(cell.has_number()  ? NumberWords(cell.number())
                      : cell.has_count() ? absl::StrCat(cell.count())
                                         : cell.text());
      if (!cell.text().empty()) numeric_[i] = false;
      widths_[i] = std::max(widths_[i], CountCharacters(cells.back()));
    }
    rows_.push_back(std::move(cells));
  }

  void AddHeading(const std::string& heading, size_t column, bool narrow) {
    std::vector<std::string> lines;
    for (const absl::string_view word :
         absl::StrSplit(absl::string_view(heading), ' ', absl::SkipEmpty())) {
      const bool fits =
          !lines.empty() && (!narrow || CountCharacters(lines.back()) + 1 + CountCharacters(word) <=
                                            std::max(widths_[column], size_t{8}));
      if (fits) {
        absl::StrAppend(&lines.back(), " ", word);
      } else {
        lines.emplace_back(word);
      }
    }
    for (const std::string& line : lines) {
      widths_[column] = std::max(widths_[column], CountCharacters(line));
    }
    headings_.push_back(std::move(lines));
  }

  void WriteLine(const std::vector<std::string>& cells, std::string* out) const {
    std::string line;
    for (size_t i = 0; i < cells.size(); ++i) {
      const size_t room = widths_[i] - std::min(widths_[i], CountCharacters(cells[i]));
      absl::StrAppend(&line, "  ", numeric_[i] ? std::string(room, ' ') : "", cells[i],
                      numeric_[i] ? "" : std::string(room, ' '));
    }
    while (!line.empty() && line.back() == ' ') line.pop_back();
    absl::StrAppend(out, line, "\n");
  }

  std::vector<std::vector<std::string>> headings_;  // lines by column
  std::vector<std::vector<std::string>> rows_;
  std::vector<size_t> widths_;
  std::vector<bool> numeric_;
};

void WriteTables(const Result& result, std::string* out) {
  for (const auto& table : result.tables()) {
    Heading(table.title().empty() ? table.id() : table.title(), out);
    TextTable(table).Write(out);
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
