// Checks of the words of a definition.
#include <algorithm>
#include <array>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "server/protocol/cautions.h"
#include "server/protocol/report.h"
#include "server/protocol/spelling.h"

namespace plumule::protocol {
namespace {

constexpr size_t kLongestTitle = 120;
constexpr int kMostCautions = 20;

// SPDX identifiers of licences made for data or documents.
constexpr std::array<absl::string_view, 10> kDataLicenses = {
    "CC0-1.0",   "CC-BY-4.0",    "CC-BY-SA-4.0", "CC-BY-NC-4.0", "CC-BY-NC-SA-4.0",
    "CC-BY-3.0", "CC-BY-SA-3.0", "ODbL-1.0",     "ODC-By-1.0",   "PDDL-1.0"};

void CheckTitle(const DefinitionIndex& index, Report* report) {
  const auto& title = index.definition.words().title();
  CheckText(index, "words.title", title, Words::kRequired, report, kLongestTitle);
  if (absl::StripAsciiWhitespace(title.text()).find('\n') != absl::string_view::npos) {
    report->Add("words.title", "title_not_one_line", "the title has a line break",
                "write it on one line; the rest fits into background");
  }
}

void CheckQuestion(const DefinitionIndex& index, Report* report) {
  const auto& question = index.definition.words().question();
  CheckText(index, "words.question", question, Words::kRequired, report);
  constexpr std::array<absl::string_view, 5> kMarks = {"?", "？", "؟", ";", "՞"};
  const bool asked = std::any_of(kMarks.begin(), kMarks.end(), [&](absl::string_view mark) {
    return absl::StrContains(question.text(), mark);
  });
  if (!asked && !absl::StripAsciiWhitespace(question.text()).empty()) {
    report->Add("words.question", "question_not_asked", "the question has no question mark",
                "ask one thing: \"Does … speed …?\"");
  }
}

void CheckExpectation(const DefinitionIndex& index, Report* report) {
  const study::v1::Words& words = index.definition.words();
  CheckText(index, "words.hypothesis", words.hypothesis(), Words::kOptional, report);
  const std::string& arm = words.expected_better_arm();
  const bool explained = !words.hypothesis().text().empty();
  if (arm.empty() && explained) {
    report->Add("words.expected_better_arm", "expectation_unexplained",
                "there is a hypothesis, but no arm is expected to do better",
                "name the arm, or tell the hypothesis in background");
  } else if (!arm.empty() && !index.HasArm(arm)) {
    report->Add("words.expected_better_arm", "arm_unknown",
                absl::StrCat("there is no arm ", Quote(arm)),
                Suggest(arm, index.arm_ids, "declare the arms first"));
  } else if (!arm.empty() && !explained) {
    report->Add("words.hypothesis", "expectation_unexplained",
                absl::StrCat("arm ", Quote(arm), " is expected to do better, but not why"),
                "say in a sentence why");
  }
}

void CheckCautions(const DefinitionIndex& index, Report* report) {
  const auto& cautions = index.definition.words().cautions();
  const int count = CheckLength("words.cautions", cautions.size(), kMostCautions, report);
  for (int i = 0; i < count; ++i) {
    CheckText(index, At("words.cautions", i), cautions[i], Words::kRequired, report);
  }
  const std::vector<UsualCaution> advised = CautionsAdvised(index.definition);
  if (cautions.empty()) {
    std::string remedy = "add what can hurt people, animals or other plants, and whom to ask";
    for (const UsualCaution& caution : advised) {
      absl::StrAppend(&remedy, "; for ", caution.about, ": \"", caution.words, "\"");
    }
    if (HasDose(index.definition)) {
      report->Add("words.cautions", "dose_without_caution",
                  "an arm has a dose, and growers are not cautioned", std::move(remedy));
    } else {
      report->Add("words.cautions", "cautions_missing", "there are no cautions", std::move(remedy));
    }
    return;
  }
  for (const UsualCaution& caution : advised) {
    report->Add("words.cautions", "caution_advised",
                absl::StrCat("no caution speaks of ", caution.about),
                absl::StrCat("add one, for example: \"", caution.words, "\""));
  }
}

void CheckLicense(const DefinitionIndex& index, Report* report) {
  const std::string& license = index.definition.words().data_license();
  if (license.empty()) {
    report->Add("words.data_license", "license_missing", "no licence is named",
                "write an SPDX identifier: \"CC0-1.0\" or \"CC-BY-4.0\"");
  } else if (std::find(kDataLicenses.begin(), kDataLicenses.end(), license) ==
             kDataLicenses.end()) {
    report->Add("words.data_license", "license_unknown",
                absl::StrCat(Quote(license), " is not a common licence for data"),
                Suggest(license, kDataLicenses, ""));
  }
}

void CheckConsent(const DefinitionIndex& index, Report* report) {
  const study::v1::Words& words = index.definition.words();
  CheckText(index, "words.consent", words.consent(), Words::kRequired, report);
  if (words.consent_version().empty() && words.has_consent()) {
    report->Add("words.consent_version", "consent_version_missing", "the consent has no version",
                "write \"1\", and the next number whenever the text changes");
  }
}

}  // namespace

void CheckWords(const DefinitionIndex& index, Report* report) {
  const study::v1::Protocol& definition = index.definition;
  if (!definition.language().empty()) {
    CheckLanguage("language", definition.language(), report);
  }
  if (!definition.has_words()) {
    report->Add("words", "words_missing", "there are no words",
                "write at least title, question and consent");
    return;
  }
  CheckTitle(index, report);
  CheckQuestion(index, report);
  const study::v1::Words& words = definition.words();
  CheckText(index, "words.background", words.background(), Words::kOptional, report);
  CheckExpectation(index, report);
  CheckText(index, "words.instructions", words.instructions(), Words::kOptional, report);
  CheckCautions(index, report);
  CheckConsent(index, report);
  CheckLicense(index, report);
  if (words.contact().empty()) {
    report->Add("words.contact", "contact_missing", "growers are not told whom to ask",
                "write how to reach the organizer, in words that may be public");
  }
}

}  // namespace plumule::protocol
