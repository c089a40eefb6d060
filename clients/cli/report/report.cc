#include "clients/cli/report/report.h"

#include <algorithm>
#include <initializer_list>
#include <map>
#include <vector>

#include "absl/strings/escaping.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "absl/time/time.h"
#include "clients/cli/print/words.h"
#include "clients/cli/report/assets.h"
#include "clients/cli/report/effect_picture.h"
#include "clients/cli/report/figure_table.h"
#include "clients/cli/report/html.h"
#include "clients/cli/version.h"
#include "server/analysis/sha256.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {
namespace {

using analysis::v1::Estimate;
using analysis::v1::Result;
using analysis::v1::Standing;

// The seedling above the title: our mark, drawn by hand in a 40 by 40 box.
constexpr char kStem[] =
    R"(<svg class="stem" viewBox="0 0 40 40" aria-hidden="true" focusable="false"><path d="M20 38V19" stroke="currentColor" stroke-width="2.5" fill="none" stroke-linecap="round"/><path d="M20 21C19 12 12 8 4 8c0 8 6 14 16 13z" fill="currentColor"/><path d="M20 16c0-8 6-12 15-12 0 8-5 13-15 12z" fill="currentColor" opacity=".72"/></svg>)";

std::string ScriptHash(absl::string_view script) {
  return absl::StrCat("'sha256-",
                      absl::Base64Escape(absl::HexStringToBytes(analysis::Sha256Hex(script))), "'");
}

class Page {
 public:
  explicit Page(const ReportContents& contents)
      : contents_(contents), result_(contents.stored.result()) {
    if (contents.protocol) {
      for (const auto& arm : contents.protocol->arms()) labels_[arm.id()] = arm.label().text();
    }
  }

  std::string Write() {
    Head();
    Opening();
    absl::StrAppend(&out_, "<main id=\"main\">\n");
    Finding();
    Warnings();
    Picture();
    Figures();
    Estimates("What was compared",
              {analysis::v1::STANDING_PRIMARY, analysis::v1::STANDING_SECONDARY});
    Estimates("Each arm", {analysis::v1::STANDING_DESCRIPTIVE, analysis::v1::STANDING_UNSPECIFIED});
    Flow();
    Estimates("Under other assumptions", {analysis::v1::STANDING_SENSITIVITY});
    Estimates("Not declared before the data were seen", {analysis::v1::STANDING_EXPLORATORY});
    Tests();
    Assumptions();
    Tables();
    Method();
    Cautions();
    Provenance();
    Citation();
    absl::StrAppend(&out_, "</main>\n");
    Closing();
    return std::move(out_);
  }

 private:
  std::string Label(const std::string& id) const {
    const auto label = labels_.find(id);
    return label == labels_.end() || label->second.empty() ? id : label->second;
  }

  const analysis::v1::Provenance& provenance() const { return contents_.stored.provenance(); }

  std::string Title() const {
    if (contents_.protocol && !contents_.protocol->words().title().text().empty()) {
      return contents_.protocol->words().title().text();
    }
    if (!provenance().study().empty()) return provenance().study();
    return provenance().plugin().id().empty()
               ? "A local analysis"
               : absl::StrCat("Local analysis: ", provenance().plugin().id());
  }

  std::string Question() const {
    if (contents_.protocol && !contents_.protocol->words().question().text().empty()) {
      return contents_.protocol->words().question().text();
    }
    return Title();
  }

  void Head() {
    const std::string language = contents_.protocol && !contents_.protocol->language().empty()
                                     ? contents_.protocol->language()
                                     : "en";
    script_ = absl::StrCat(FigureLibraries(), FigureScript());
    absl::StrAppend(
        &out_, "<!DOCTYPE html>\n<html lang=\"", Escaped(language), "\">\n<head>\n",
        "<meta charset=\"utf-8\">\n",
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; script-src ",
        ScriptHash(script_),
        "; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
        "form-action 'none'\">\n",
        "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n",
        "<meta name=\"referrer\" content=\"no-referrer\">\n", "<title>", Escaped(Title()),
        "</title>\n<style>", StyleSheet(), "</style>\n</head>\n");
  }

  void Opening() {
    absl::StrAppend(&out_,
                    "<body>\n<a class=\"skip\" href=\"#main\">To the finding</a>\n<header>\n",
                    kStem, "\n");
    if (Question() != Title()) {
      absl::StrAppend(&out_, "<p class=\"study\">", Escaped(Title()), "</p>\n");
    }
    absl::StrAppend(&out_, "<h1>", Escaped(Question()), "</h1>\n</header>\n");
  }

  void Finding() {
    absl::StrAppend(&out_, "<section class=\"finding\">\n<h2>", Escaped(contents_.finding_heading),
                    "</h2>\n");
    bool first = true;
    for (const auto& sentence : result_.findings()) {
      absl::StrAppend(&out_, first ? "<p class=\"lead\">" : "<p>", Escaped(sentence.text()),
                      "</p>\n");
      first = false;
    }
    if (first || result_.status() != analysis::v1::RESULT_STATUS_ANSWERED) {
      absl::StrAppend(&out_, "<p class=\"status\">", Escaped(StatusWords(result_.status())),
                      "</p>\n");
    }
    absl::StrAppend(&out_, "</section>\n");
  }

  void Warnings() {
    if (result_.warnings().empty()) return;
    absl::StrAppend(&out_, "<section class=\"note\"><p><strong>Mind this</strong></p><ul>\n");
    for (const auto& warning : result_.warnings()) {
      absl::StrAppend(&out_, "<li>", Escaped(warning.message()), " <code>",
                      Escaped(warning.reason()), "</code></li>\n");
    }
    absl::StrAppend(&out_, "</ul></section>\n");
  }

  std::vector<const Estimate*> Of(std::initializer_list<Standing> standings) const {
    std::vector<const Estimate*> found;
    for (const Estimate& estimate : result_.estimates()) {
      if (std::find(standings.begin(), standings.end(), estimate.standing()) != standings.end()) {
        found.push_back(&estimate);
      }
    }
    return found;
  }

  void Picture() {
    const study::v1::Quantity* margin =
        provenance().analysis().has_margin() ? &provenance().analysis().margin() : nullptr;
    absl::StrAppend(&out_, EffectPicture(Of({analysis::v1::STANDING_PRIMARY}), margin,
                                         [this](const std::string& id) { return Label(id); }));
  }

  std::string Contrast(const Estimate& estimate) const {
    Estimate named = estimate;
    named.set_arm(estimate.arm().empty() ? "" : Label(estimate.arm()));
    named.set_against(estimate.against().empty() ? "" : Label(estimate.against()));
    return ContrastWords(named);
  }

  void Estimates(absl::string_view heading, std::initializer_list<Standing> standings) {
    const std::vector<const Estimate*> rows = Of(standings);
    if (rows.empty()) return;
    const auto with_limits = std::find_if(
        rows.begin(), rows.end(), [](const Estimate* estimate) { return estimate->level() > 0; });
    const double level = with_limits == rows.end() ? 0.95 : (*with_limits)->level();
    absl::StrAppend(&out_, "<section>\n<h2>", Escaped(heading),
                    "</h2>\n<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"",
                    Escaped(heading),
                    "\"><table class=\"estimates\"><thead><tr><th scope=\"col\">What</th>"
                    "<th scope=\"col\">Of</th><th scope=\"col\" class=\"number\">Estimate</th>"
                    "<th scope=\"col\">",
                    Escaped(LevelWords(level)),
                    "</th><th scope=\"col\">How, and "
                    "from how many</th></tr></thead><tbody>\n");
    for (const Estimate* row : rows) {
      std::string basis = MethodWords(row->method());
      if (row->units() > 0) absl::StrAppend(&basis, "; ", Counted(row->units(), "unit"));
      if (row->blocks() > 0) absl::StrAppend(&basis, " in ", Counted(row->blocks(), "block"));
      if (row->has_events()) absl::StrAppend(&basis, ", ", Counted(row->events(), "event"));
      if (!row->analysis_set().empty() && row->analysis_set() != "all_started") {
        absl::StrAppend(&basis, "; ", MethodWords(row->analysis_set()));
      }
      std::string what = MeasureWords(row->measure());
      const std::string at = AtWords(*row);
      if (!at.empty()) absl::StrAppend(&what, ", ", at);
      absl::StrAppend(&out_, "<tr><th scope=\"row\">", Escaped(what), "</th><td>",
                      Escaped(Contrast(*row)), "</td><td class=\"number\">",
                      Escaped(ValueWords(*row)), "</td><td class=\"limits\">",
                      Escaped(row->level() == level ? LimitWords(*row) : IntervalWords(*row)),
                      "</td><td>", Escaped(basis), "</td></tr>\n");
    }
    absl::StrAppend(&out_, "</tbody></table></div>\n</section>\n");
  }

  void Figures() {
    if (result_.figures().empty()) return;
    absl::StrAppend(&out_, "<section>\n<h2>In pictures</h2>\n");
    for (int i = 0; i < result_.figures_size(); ++i) {
      const auto& figure = result_.figures(i);
      const std::string spec = absl::StrCat("spec-", i), words = absl::StrCat("words-", i);
      absl::StrAppend(&out_, "<figure>\n<figcaption><h3>", Escaped(figure.title()), "</h3>",
                      Paragraphs(figure.caption()), "</figcaption>\n");
      if (IsDrawable(figure.vega_lite())) {
        absl::StrAppend(&out_, "<div class=\"plot\" role=\"img\" aria-label=\"",
                        Escaped(figure.title()), ". In words and numbers below.\" data-spec=\"",
                        spec, "\" data-words=\"", words, "\"></div>\n",
                        "<script type=\"application/json\" id=\"", spec, "\">",
                        ScriptJson(figure.vega_lite()), "</script>\n");
      }
      absl::StrAppend(&out_, "<details open id=\"", words,
                      "\"><summary>The same in words and numbers</summary>\n",
                      Paragraphs(figure.text_alternative()), FigureTables(figure.vega_lite()),
                      "</details>\n</figure>\n");
    }
    absl::StrAppend(&out_, "</section>\n");
  }

  void Flow() {
    if (result_.flow().empty()) return;
    absl::StrAppend(&out_,
                    "<section>\n<h2>What became of the units</h2>\n<div class=\"scroll\" "
                    "tabindex=\"0\" role=\"region\" aria-label=\"Flow of units\"><table>"
                    "<thead><tr><th scope=\"col\">Step</th><th scope=\"col\">Arm</th>"
                    "<th scope=\"col\" class=\"number\">Units</th>"
                    "<th scope=\"col\" class=\"number\">Blocks</th></tr></thead><tbody>\n");
    for (const auto& step : result_.flow()) {
      std::string words = step.label().empty() ? MethodWords(step.step()) : step.label();
      if (!step.reason().empty()) absl::StrAppend(&words, ": ", step.reason());
      absl::StrAppend(&out_, "<tr><th scope=\"row\">", Escaped(words), "</th><td>",
                      step.arm().empty() ? "all" : Escaped(Label(step.arm())),
                      "</td><td class=\"number\">", step.units(), "</td><td class=\"number\">",
                      step.blocks(), "</td></tr>\n");
    }
    absl::StrAppend(&out_, "</tbody></table></div>\n</section>\n");
  }

  void Tests() {
    if (result_.tests().empty()) return;
    absl::StrAppend(&out_,
                    "<section>\n<h2>Tests</h2>\n<p class=\"small\">A p-value says how "
                    "surprising these data would be if the arms did not differ. It does not "
                    "say how large or important a difference is: the estimates above do."
                    "</p>\n<div class=\"scroll\" tabindex=\"0\" role=\"region\" "
                    "aria-label=\"Tests\"><table><thead><tr><th scope=\"col\">Test</th>"
                    "<th scope=\"col\">Of</th><th scope=\"col\" class=\"number\">Statistic"
                    "</th><th scope=\"col\" class=\"number\">df</th><th scope=\"col\" "
                    "class=\"number\">p</th><th scope=\"col\">Standing</th></tr></thead>"
                    "<tbody>\n");
    for (const auto& test : result_.tests()) {
      std::string of = test.arm().empty() ? "all arms" : Label(test.arm());
      if (!test.against().empty()) absl::StrAppend(&of, " against ", Label(test.against()));
      if (!test.subgroup().empty()) absl::StrAppend(&of, " [", test.subgroup(), "]");
      absl::StrAppend(
          &out_, "<tr><th scope=\"row\">",
          Escaped(absl::StrCat(MethodWords(test.name()), " (", MethodWords(test.method()), ")")),
          "</th><td>", Escaped(of), "</td><td class=\"number\">",
          test.has_statistic() ? Escaped(NumberWords(test.statistic())) : "",
          "</td><td class=\"number\">", test.has_df() ? Escaped(NumberWords(test.df())) : "",
          "</td><td class=\"number\">",
          test.has_p_value() ? Escaped(PValueWords(test.p_value())) : "none", "</td><td>",
          Escaped(StandingWords(test.standing())), "</td></tr>\n");
    }
    absl::StrAppend(&out_, "</tbody></table></div>\n</section>\n");
  }

  void Assumptions() {
    if (result_.assumptions().empty()) return;
    absl::StrAppend(&out_, "<section>\n<h2>What was assumed, and whether it holds</h2>\n");
    for (const auto& assumption : result_.assumptions()) {
      const std::string verdict = VerdictWords(assumption.verdict());
      absl::StrAppend(&out_, "<h3>", Escaped(assumption.what()), " <span class=\"verdict ",
                      absl::StrReplaceAll(verdict, {{" ", "-"}}), "\">", Escaped(verdict),
                      "</span></h3>\n", Paragraphs(assumption.check()),
                      Paragraphs(assumption.consequence()));
    }
    absl::StrAppend(&out_, "</section>\n");
  }

  void Tables() {
    for (const auto& table : result_.tables()) {
      absl::StrAppend(&out_, "<section>\n<h2>",
                      Escaped(table.title().empty() ? table.id() : table.title()),
                      "</h2>\n<div class=\"scroll\" tabindex=\"0\"><table><thead><tr>");
      for (const std::string& column : table.columns()) {
        absl::StrAppend(&out_, "<th scope=\"col\">", Escaped(column), "</th>");
      }
      absl::StrAppend(&out_, "</tr></thead><tbody>\n");
      for (const auto& row : table.rows()) {
        absl::StrAppend(&out_, "<tr>");
        for (const auto& cell : row.cells()) {
          absl::StrAppend(&out_,
                          cell.has_number()  ? absl::StrCat("<td class=\"number\">",
                                                            Escaped(NumberWords(cell.number())))
                          : cell.has_count() ? absl::StrCat("<td class=\"number\">", cell.count())
                                             : absl::StrCat("<td>", Escaped(cell.text())),
                          "</td>");
        }
        absl::StrAppend(&out_, "</tr>\n");
      }
      absl::StrAppend(&out_, "</tbody></table></div>\n</section>\n");
    }
  }

  void Method() {
    if (result_.method_statement().empty() && result_.references().empty()) return;
    absl::StrAppend(&out_, "<section>\n<h2>Method</h2>\n", Paragraphs(result_.method_statement()));
    if (!result_.references().empty()) {
      absl::StrAppend(&out_, "<h3>Sources of the methods</h3>\n<ul>\n");
    }
    for (const auto& reference : result_.references()) {
      absl::StrAppend(&out_, "<li>", Escaped(reference.citation()));
      if (!reference.doi().empty()) {
        absl::StrAppend(&out_, " doi:<code>", Escaped(reference.doi()), "</code>");
      }
      if (!reference.used_for().empty()) {
        absl::StrAppend(&out_, " <span class=\"small\">(", Escaped(reference.used_for()),
                        ")</span>");
      }
      absl::StrAppend(&out_, "</li>\n");
    }
    if (!result_.references().empty()) absl::StrAppend(&out_, "</ul>\n");
    absl::StrAppend(&out_, "</section>\n");
  }

  void Cautions() {
    if (!contents_.protocol || contents_.protocol->words().cautions().empty()) return;
    absl::StrAppend(&out_, "<section>\n<h2>If you want to try it</h2>\n<div class=\"note\">\n");
    for (const auto& caution : contents_.protocol->words().cautions()) {
      absl::StrAppend(&out_, Paragraphs(caution.text()));
    }
    absl::StrAppend(&out_,
                    "<p>Labels and local rules come first. This is general information, not "
                    "legal or medical advice.</p>\n</div>\n</section>\n");
  }

  void Key(absl::string_view name, absl::string_view value, bool code = false) {
    if (value.empty()) return;
    absl::StrAppend(&out_, "<dt>", Escaped(name), "</dt><dd>", code ? "<code>" : "", Escaped(value),
                    code ? "</code>" : "", "</dd>\n");
  }

  static std::string Moment(const google::protobuf::Timestamp& time) {
    if (time.seconds() == 0) return "";
    const absl::Time at = absl::FromUnixSeconds(time.seconds());
    return absl::StrCat(protocol::SpellDate(absl::ToCivilDay(at, absl::UTCTimeZone())),
                        absl::FormatTime(", %H:%M UTC", at, absl::UTCTimeZone()));
  }

  void Provenance() {
    absl::StrAppend(&out_, "<section>\n<h2>Where this comes from</h2>\n<dl class=\"key\">\n");
    const auto& from = provenance();
    Key("Study", from.study());
    Key("Frozen data", from.freeze());
    Key("Digest of the data", from.dataset_digest(), true);
    if (!from.plugin().id().empty()) {
      Key("Analysis program", absl::StrCat(from.plugin().id(), " ", from.plugin().version()));
    }
    Key("Digest of the program", from.plugin().digest(), true);
    Key("Analysis in the protocol", from.analysis().id());
    Key("Threshold", from.analysis().threshold());
    if (!from.plugin().id().empty()) Key("Seed", absl::StrCat(from.seed()));
    Key("plumule", from.plumule_version());
    Key("Computed", Moment(from.end_time()));
    Key("Digest of the result", from.result_digest(), true);
    for (const std::string& limit : from.enforced()) Key("Limits on the program", limit);
    Key("Origin", contents_.origin);
    absl::StrAppend(&out_,
                    "</dl>\n<p class=\"small\">The same data, program, parameters and seed "
                    "give the same result. Digests are SHA-256.</p>\n</section>\n");
  }

  void Citation() {
    absl::StrAppend(&out_, "<section>\n<h2>How to cite</h2>\n");
    std::string words = absl::StrCat(Title(), ".");
    const auto made = protocol::ParseDate(contents_.made_on);
    if (!provenance().freeze().empty()) absl::StrAppend(&words, " ", provenance().freeze(), ".");
    if (!provenance().dataset_digest().empty()) {
      absl::StrAppend(&words, " Dataset sha256:", provenance().dataset_digest().substr(0, 16),
                      "….");
    }
    absl::StrAppend(&words, " Report made with plumule ", kVersion,
                    made ? absl::StrCat(" on ", protocol::SpellDate(*made)) : std::string(), ".");
    absl::StrAppend(&out_, "<p>", Escaped(words), "</p>\n");
    if (contents_.protocol && !contents_.protocol->words().data_license().empty()) {
      absl::StrAppend(&out_, "<p>Data licence: <code>",
                      Escaped(contents_.protocol->words().data_license()), "</code>.</p>\n");
    }
    if (contents_.protocol && !contents_.protocol->words().contact().empty()) {
      absl::StrAppend(&out_, "<p>Questions: ", Escaped(contents_.protocol->words().contact()),
                      "</p>\n");
    }
    absl::StrAppend(&out_, "</section>\n");
  }

  void Closing() {
    absl::StrAppend(&out_,
                    "<footer>\n<p>This file is complete: it loads nothing from anywhere. "
                    "Figures are drawn with vega and vega-lite (BSD 3-clause).</p>\n"
                    "</footer>\n<script>",
                    script_, "</script>\n</body>\n</html>\n");
  }

  const ReportContents& contents_;
  const Result& result_;
  std::map<std::string, std::string> labels_;
  std::string script_;
  std::string out_;
};

}  // namespace

std::string ReportPage(const ReportContents& contents) { return Page(contents).Write(); }

}  // namespace plumule::cli
