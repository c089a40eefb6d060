#include "clients/cli/local/study_file.h"

#include <array>
#include <cmath>
#include <map>
#include <set>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/string_view.h"
#include "clients/cli/table/cell.h"

namespace plumule::cli {
namespace {

constexpr std::array<const char*, 4> kCounts = {"events_treated", "n_treated", "events_control",
                                                "n_control"};

class StudyReader {
 public:
  StudyReader(const Table& table, char mark, ProblemList* problems)
      : table_(table), mark_(mark), problems_(*problems) {}

  std::optional<StudyFile> Run() {
    const std::set<int> torn = problems_.AddAll(table_);
    const size_t before = problems_.total();
    ChooseForm();
    if (problems_.total() > before || torn.contains(table_.heading_row)) return std::nullopt;
    FindModerators();
    for (const TableRow& row : table_.rows) {
      if (!torn.contains(row.number)) ReadRow(row);
    }
    if (table_.rows.empty()) {
      problems_.Add("the table has no rows below its headings; add one row a study");
    }
    if (!problems_.empty()) return std::nullopt;
    return std::move(file_);
  }

 private:
  bool Has(absl::string_view heading) const { return table_.Find(heading).has_value(); }

  void Missing(absl::string_view what) {
    problems_.Add(absl::StrCat("row ", table_.heading_row, ": ", what,
                               "; the headings are: ", absl::StrJoin(table_.columns, ", ")));
  }

  void ChooseForm() {
    if (!Has("study")) Missing("column \"study\" is missing");
    int counts = 0;
    for (const char* heading : kCounts) counts += Has(heading) ? 1 : 0;
    if (counts > 0 && Has("effect")) {
      Missing("effects and counts are both given; keep one of them");
    } else if (counts > 0 && counts < 4) {
      for (const char* heading : kCounts) {
        if (!Has(heading)) Missing(absl::StrCat("column \"", heading, "\" is missing"));
      }
    } else if (counts == 0 && !Has("effect")) {
      Missing(
          "column \"effect\" is missing (or events_treated, n_treated, events_control, "
          "n_control)");
    } else if (counts == 0 && Has("variance") == Has("standard_error")) {
      Missing(Has("variance") ? "variance and standard_error are both given; keep one of them"
                              : "column \"variance\" (or \"standard_error\") is missing");
    }
    file_.counts = counts == 4;
  }

  void FindModerators() {
    const std::set<std::string> known = {"study",          "effect",         "variance",
                                         "standard_error", "group",          "events_treated",
                                         "n_treated",      "events_control", "n_control"};
    for (size_t i = 0; i < table_.columns.size(); ++i) {
      const std::string& heading = table_.columns[i];
      if (known.contains(heading) || heading.empty()) continue;
      bool numeric = true;
      for (const TableRow& row : table_.rows) {
        numeric = numeric && (row.cells[i].empty() || ParseNumber(row.cells[i], mark_));
      }
      if (numeric) {
        moderators_.push_back(heading);
      } else {
        file_.notes.push_back(absl::StrCat("column ", ColumnLetters(static_cast<int>(i)), " (\"",
                                           heading,
                                           "\") is left out: a moderator holds numbers only"));
      }
    }
  }

  void Fault(const TableRow& row, const std::string& column, std::string message) {
    problems_.Add(table_, row.number, column, std::move(message));
  }

  const std::string& Text(const TableRow& row, absl::string_view heading) const {
    return row.cells[static_cast<size_t>(*table_.Find(heading))];
  }

  std::optional<double> Number(const TableRow& row, const std::string& heading) {
    const std::string& text = Text(row, heading);
    const auto number = ParseNumber(text, mark_);
    if (!number) {
      const bool other = ParseNumber(text, mark_ == '.' ? ',' : '.').has_value();
      Fault(row, heading,
            text.empty() ? std::string("is empty; every study needs it")
            : other      ? absl::StrCat("\"", text,
                                        "\" is written with another decimal mark; state it "
                                             "with --decimal comma or --decimal point")
                         : absl::StrCat("\"", text, "\" is not a number"));
    }
    return number;
  }

  std::optional<int64_t> Count(const TableRow& row, const std::string& heading) {
    const std::string& text = Text(row, heading);
    // Programs write whole numbers as "12.0" in columns that have gaps.
    const auto number = ParseNumber(text, mark_);
    if (!number || *number < 0 || *number != std::floor(*number) || *number > 1e15) {
      Fault(row, heading,
            text.empty() ? std::string("is empty; every study needs it")
                         : absl::StrCat("\"", text,
                                        "\" is not a count; give a whole "
                                        "number, 0 or more"));
      return std::nullopt;
    }
    return static_cast<int64_t>(*number);
  }

  void ReadRow(const TableRow& row) {
    plugin::v1::StudyEffect study;
    study.set_study(Text(row, "study"));
    if (study.study().empty()) Fault(row, "study", "is empty; every study needs a name");
    const auto [known, is_new] = names_.emplace(study.study(), row.number);
    if (!is_new && !study.study().empty()) {
      Fault(row, "study",
            absl::StrCat("\"", study.study(), "\" is in row ", known->second,
                         " already; each study has one row"));
    }
    if (file_.counts) {
      ReadCounts(row, &study);
    } else {
      ReadEffect(row, &study);
    }
    if (Has("group")) study.set_group(Text(row, "group"));
    for (const std::string& name : moderators_) {
      const auto value = ParseNumber(Text(row, name), mark_);
      if (!value) continue;
      auto* moderator = study.add_moderators();
      moderator->set_name(name);
      moderator->set_value(*value);
    }
    file_.studies.push_back(std::move(study));
  }

  void ReadEffect(const TableRow& row, plugin::v1::StudyEffect* study) {
    if (const auto effect = Number(row, "effect")) study->set_effect(*effect);
    const std::string spread = Has("variance") ? "variance" : "standard_error";
    const auto number = Number(row, spread);
    if (!number) return;
    const double variance = spread == "variance" ? *number : *number * *number;
    if (!(*number > 0) || !(variance > 0) || !std::isfinite(variance)) {
      Fault(row, spread,
            absl::StrCat("\"", Text(row, spread), "\" can't be a ",
                         spread == "variance" ? "variance" : "standard error",
                         "; it is above 0 and finite"));
      return;
    }
    study->set_variance(variance);
  }

  void ReadCounts(const TableRow& row, plugin::v1::StudyEffect* study) {
    std::array<std::optional<int64_t>, 4> counts;
    for (size_t i = 0; i < kCounts.size(); ++i) counts[i] = Count(row, kCounts[i]);
    for (const size_t events : {size_t{0}, size_t{2}}) {
      const auto n = counts[events + 1];
      if (n && *n == 0) Fault(row, kCounts[events + 1], "is 0; an arm needs at least one unit");
      if (n && counts[events] && *counts[events] > *n) {
        Fault(row, kCounts[events],
              absl::StrCat(*counts[events], " is more than ", kCounts[events + 1], ", ", *n));
      }
    }
    auto* out = study->mutable_counts();
    out->set_events_treated(counts[0].value_or(0));
    out->set_n_treated(counts[1].value_or(0));
    out->set_events_control(counts[2].value_or(0));
    out->set_n_control(counts[3].value_or(0));
  }

  const Table& table_;
  const char mark_;
  ProblemList& problems_;
  std::vector<std::string> moderators_;
  std::map<std::string, int> names_;
  StudyFile file_;
};

}  // namespace

std::optional<StudyFile> ReadStudies(const Table& table, char decimal_mark, ProblemList* problems) {
  return StudyReader(table, decimal_mark, problems).Run();
}

}  // namespace plumule::cli
