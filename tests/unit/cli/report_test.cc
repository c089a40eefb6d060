#include "clients/cli/report/report.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <regex>
#include <string>

#include "clients/cli/report/effect_picture.h"
#include "clients/cli/report/figure_table.h"
#include "clients/cli/report/html.h"
#include "tests/unit/cli/sample_protocol.h"
#include "tests/unit/cli/sample_result.h"

namespace plumule::cli {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

std::string Page() {
  return ReportPage({.stored = SampleResult(),
                     .protocol = SampleProtocol(),
                     .origin = "",
                     .made_on = "2027-07-01"});
}

// The page without the text of its one script and without its style sheet.
std::string Markup(std::string page) {
  const size_t script = page.find("<script>");
  EXPECT_NE(script, std::string::npos);
  page.erase(script, page.find("</script>", script) - script);
  const size_t style = page.find("<style>");
  page.erase(style, page.find("</style>", style) - style);
  return page;
}

TEST(Report, SaysTheQuestionAndTheFindingFirst) {
  const std::string page = Markup(Page());
  const size_t question = page.find("<h1>Do seeds without their coat sprout sooner?</h1>");
  const size_t finding = page.find("Seeds without their coat sprouted 9.1 days sooner.");
  ASSERT_NE(question, std::string::npos);
  ASSERT_NE(finding, std::string::npos);
  EXPECT_LT(question, finding);
  EXPECT_LT(finding, page.find("<table"));
}

TEST(Report, LoadsNothingFromAnywhere) {
  const std::string page = Page();
  const std::string markup = Markup(page);
  const std::regex loads(
      R"re((src|srcset|data|poster|action)\s*=|<link|<iframe|<object|<embed|<base|@import|url\()re",
      std::regex::icase);
  // `data-spec` and its like are our own attributes.
  const std::string without_data =
      std::regex_replace(markup, std::regex("data-(spec|words|figures)="), "");
  std::smatch found;
  EXPECT_FALSE(std::regex_search(without_data, found, loads)) << found.str();
  EXPECT_FALSE(std::regex_search(markup, std::regex(R"re(href="(?!#))re")));
  EXPECT_THAT(markup, HasSubstr("default-src 'none'"));
  EXPECT_THAT(page, Not(HasSubstr("sourceMappingURL")));
}

TEST(Report, AllowsNoScriptButItsOwn) {
  const std::string page = Page();
  EXPECT_THAT(page, ::testing::ContainsRegex("script-src 'sha256-[A-Za-z0-9+/=]{44}'"));
  size_t scripts = 0;
  for (size_t at = page.find("<script"); at != std::string::npos;
       at = page.find("<script", at + 1)) {
    if (page.compare(at, 8, "<script>") == 0) ++scripts;
  }
  EXPECT_EQ(scripts, 1U);
}

TEST(Report, EscapesEverythingThatComesFromOutside) {
  constexpr char kAttack[] =
      "</script><script>alert(1)</script><img src=x onerror=\"alert('2')\">&";
  auto stored = SampleResult();
  auto& result = *stored.mutable_result();
  result.mutable_findings(0)->set_text(kAttack);
  result.mutable_estimates(0)->set_arm(kAttack);
  result.mutable_estimates(0)->set_subgroup(kAttack);
  result.mutable_tests(0)->set_name(kAttack);
  result.mutable_flow(0)->set_label(kAttack);
  result.mutable_assumptions(0)->set_what(kAttack);
  auto& figure = *result.mutable_figures(0);
  figure.set_title(kAttack);
  figure.set_caption(kAttack);
  figure.set_text_alternative(kAttack);
  figure.set_vega_lite(
      R"({"mark":"line","data":{"values":[{"</script><script>alert(1)</script>":"<img src=x>"}]}})");
  result.mutable_references(0)->set_citation(kAttack);
  result.set_method_statement(kAttack);
  auto& table = *result.add_tables();
  table.set_title(kAttack);
  table.add_columns(kAttack);
  table.add_rows()->add_cells()->set_text(kAttack);
  auto& warning = *result.add_warnings();
  warning.set_message(kAttack);
  stored.mutable_provenance()->set_study(kAttack);
  stored.mutable_provenance()->mutable_plugin()->set_version(kAttack);
  auto protocol = SampleProtocol();
  protocol.set_language(kAttack);
  protocol.mutable_words()->mutable_title()->set_text(kAttack);
  protocol.mutable_words()->add_cautions()->set_text(kAttack);
  protocol.mutable_words()->set_contact(kAttack);
  const std::string page = Markup(ReportPage(
      {.stored = stored, .protocol = protocol, .origin = kAttack, .made_on = "2027-07-01"}));
  EXPECT_THAT(page, Not(HasSubstr("alert(1)</script>")));
  EXPECT_THAT(page, Not(HasSubstr("<img")));
  EXPECT_THAT(page, Not(HasSubstr("onerror=\"")));
  EXPECT_THAT(page, HasSubstr("&lt;img src=x onerror=&quot;alert(&#39;2&#39;)&quot;&gt;&amp;"));
}

TEST(Report, CarriesWordsAndNumbersOfEachFigureWithoutScript) {
  const std::string page = Markup(Page());
  EXPECT_THAT(page, HasSubstr("By day 60, 85 of 100 and 70 of 100 had sprouted."));
  EXPECT_THAT(page, HasSubstr("<details open"));
  EXPECT_THAT(page, HasSubstr("0.85</td>"));
  EXPECT_THAT(page, HasSubstr("<html lang=\"en\">"));
}

TEST(Report, SpeaksInLabelsAndQuotesDigests) {
  const std::string page = Markup(Page());
  EXPECT_THAT(page, HasSubstr("seed coat off"));
  EXPECT_THAT(page, HasSubstr(std::string(64, 'd')));
  EXPECT_THAT(page, HasSubstr("CC0-1.0"));
}

TEST(Report, WorksForALocalResultWithoutProtocol) {
  analysis::v1::StoredResult bare;
  *bare.mutable_result() = SampleResult().result();
  const std::string page = Markup(ReportPage(
      {.stored = bare, .protocol = {}, .origin = "local file r.json", .made_on = "2027-07-01"}));
  EXPECT_THAT(page, HasSubstr("local file r.json"));
  EXPECT_THAT(page, HasSubstr("coat_off"));
}

TEST(EffectPicture, DrawsOneScaleWithTheMargin) {
  const auto result = SampleResult().result();
  study::v1::Quantity margin;
  margin.set_value(3);
  margin.set_unit("d");
  const auto label = [](const std::string& id) { return id; };
  const std::string html = EffectPicture({&result.estimates(0)}, &margin, label);
  EXPECT_THAT(html, HasSubstr("class=\"band\""));
  EXPECT_THAT(html, HasSubstr("sooner"));
  analysis::v1::Estimate open = result.estimates(0);
  open.clear_value();
  EXPECT_EQ(EffectPicture({&open}, nullptr, label), "");
}

TEST(FigureTables, ShowsInlineDataOnce) {
  const std::string html = FigureTables(
      R"({"layer":[{"data":{"values":[{"day":1,"arm":"a"}]}},{"data":{"values":[{"day":1,"arm":"a"}]}}]})");
  EXPECT_EQ(html.find("<table"), html.rfind("<table"));
  EXPECT_THAT(html, HasSubstr("<td>a</td>"));
  EXPECT_EQ(FigureTables("not json"), "");
  EXPECT_FALSE(IsDrawable("[1]"));
}

TEST(ScriptJson, CanNotEndItsElement) {
  EXPECT_EQ(ScriptJson(R"({"a":"</script><!--"})"), R"({"a":"\u003c/script\u003e\u003c!--"})");
}

TEST(Escaped, DropsControlCharacters) { EXPECT_EQ(Escaped(std::string("a\0b\x1b", 4)), "ab"); }

}  // namespace
}  // namespace plumule::cli
