// An open study whose pair begins on its second day, and judgements in one line.
#pragma once

#include <gtest/gtest.h>

#include <string>

#include "absl/strings/str_cat.h"
#include "tests/unit/intake/open_study.h"

namespace plumule::intake {

// "taken", "deviation same_start", "refused field:reason …": what a judgement says, short.
inline std::string Short(const v1::Judgement& judgement) {
  std::string text;
  switch (judgement.outcome()) {
    case v1::OUTCOME_TAKEN:
      text = "taken";
      for (const v1::Finding& note : judgement.notes()) absl::StrAppend(&text, " ", note.rule());
      return text;
    case v1::OUTCOME_DEVIATION:
      text = "deviation";
      for (const v1::Finding& found : judgement.deviations()) {
        absl::StrAppend(&text, " ", found.rule());
      }
      return text;
    case v1::OUTCOME_REFUSED:
      text = "refused";
      for (const v1::FieldProblem& problem : judgement.problems()) {
        absl::StrAppend(&text, " ", problem.field(), ":", problem.reason());
        EXPECT_FALSE(problem.message().empty()) << problem.reason();
        EXPECT_FALSE(problem.remedy().empty()) << problem.reason();
      }
      return text;
    case v1::OUTCOME_PENDING:
      EXPECT_GT(judgement.waits_for_size(), 0);
      return "pending";
    default:
      return "?";
  }
}

class PairStudy : public OpenStudy {
 public:
  // Grower g, block b, units c (control) and h (high), started on 2027-03-02.
  void StartPair() {
    Take({make.Joined("g"), make.BlockStarted("g", "b"),
          make.UnitStarted("b", "c", "control", "2027-03-02"),
          make.UnitStarted("b", "h", "high", "2027-03-02")});
  }
};

}  // namespace plumule::intake
