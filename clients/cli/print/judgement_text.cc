#include "clients/cli/print/judgement_text.h"

#include "absl/strings/str_cat.h"
#include "clients/cli/print/result_text.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {

std::string RecordWords(const intake::v1::Record& record) {
  const auto* fact =
      intake::v1::Record::descriptor()->FindFieldByNumber(static_cast<int>(record.fact_case()));
  std::string words = fact == nullptr ? "record" : fact->name();
  if (!record.unit().empty()) {
    absl::StrAppend(&words, " of unit ", record.block(), "/", record.unit());
  } else if (!record.block().empty()) {
    absl::StrAppend(&words, " of block ", record.block());
  } else if (!record.grower().empty()) {
    absl::StrAppend(&words, " of grower ", record.grower());
  }
  if (const auto day = protocol::ParseDate(record.happened_on())) {
    absl::StrAppend(&words, " on ", protocol::SpellDate(*day));
  }
  return absl::StrCat(words, " (", record.record_id(), ")");
}

absl::string_view OutcomeWord(const intake::v1::Receipt& receipt) {
  if (receipt.repeated()) return "duplicate";
  switch (receipt.judgement().outcome()) {
    case intake::v1::OUTCOME_TAKEN:
      return "taken";
    case intake::v1::OUTCOME_DEVIATION:
      return "deviation";
    case intake::v1::OUTCOME_REFUSED:
      return "refused";
    case intake::v1::OUTCOME_PENDING:
      return "pending";
    default:
      return "unknown";
  }
}

std::string JudgementText(const intake::v1::Judgement& judgement, int indent) {
  std::string out;
  for (const auto& problem : judgement.problems()) {
    absl::StrAppend(&out,
                    Wrapped(absl::StrCat(problem.field(), problem.field().empty() ? "" : ": ",
                                         problem.message(), problem.remedy().empty() ? "" : "; ",
                                         problem.remedy(), " [", problem.reason(), "]"),
                            indent));
  }
  for (const auto& deviation : judgement.deviations()) {
    absl::StrAppend(
        &out,
        Wrapped(absl::StrCat("deviation ", deviation.rule(), ": ", deviation.message()), indent));
  }
  for (const auto& note : judgement.notes()) {
    absl::StrAppend(&out,
                    Wrapped(absl::StrCat("note ", note.rule(), ": ", note.message()), indent));
  }
  for (const std::string& what : judgement.waits_for()) {
    absl::StrAppend(&out, Wrapped(absl::StrCat("waits: ", what), indent));
  }
  return out;
}

std::string ProgressText(const intake::v1::Progress& progress) {
  std::string out =
      absl::StrCat("Growers    ", progress.growers(), " joined, ", progress.withdrawn(), " left\n");
  absl::StrAppend(&out, "Blocks     ", progress.blocks(), "\nUnits      ", progress.units());
  for (const auto& arm : progress.arms()) {
    absl::StrAppend(&out, "\n  ", arm.arm(), "  ", arm.units());
  }
  absl::StrAppend(&out, "\nLooks      ", progress.observations(), "\nUnder way  ",
                  progress.under_way(), "\n");
  const auto tallies = [&out](const char* heading, const auto& list) {
    if (list.empty()) return;
    absl::StrAppend(&out, heading, "\n");
    for (const auto& tally : list) {
      absl::StrAppend(&out, "  ", tally.id(), "  ", tally.count(), "\n");
    }
  };
  tallies("Reached, all arms together", progress.reached());
  tallies("Lost, all arms together", progress.lost());
  tallies("Deviations by rule", progress.deviations());
  absl::StrAppend(&out, "Records    ", progress.taken(), " taken (", progress.with_deviations(),
                  " with deviations), ", progress.refused(), " refused, ", progress.pending(),
                  " waiting\nLog        ", progress.log_sequence(), "\n");
  return out;
}

}  // namespace plumule::cli
