#include "clients/cli/import/propose.h"

#include <google/protobuf/text_format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <set>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "clients/cli/import/cell_matching.h"
#include "clients/cli/import/cell_reading.h"
#include "clients/cli/import/date_reading.h"
#include "clients/cli/import/heading_words.h"
#include "clients/cli/print/result_text.h"
#include "clients/cli/table/cell.h"
#include "server/protocol/units.h"

namespace plumule::cli {
namespace {

using study::v1::Variable;
using Words = std::vector<std::string>;

// Cells that people write where there is nothing to say. Proposed, never assumed.
constexpr std::array<absl::string_view, 12> kBlankWords = {
    "-", "–", "—", "n/a", "na", "n.a.", "none", "nil", "not yet", "?", ".", "#n/a"};

bool IsBlankWord(absl::string_view cell) {
  return std::any_of(kBlankWords.begin(), kBlankWords.end(),
                     [cell](absl::string_view word) { return absl::EqualsIgnoreCase(word, cell); });
}

// A column of the file and what is seen in it.
struct Seen {
  std::string heading;
  Words words;                      // of the heading, without unit and arm
  std::string unit;                 // named in the heading
  std::string arm;                  // named in the heading
  std::vector<PlacedCell> cells;    // filled, without blank words
  std::vector<std::string> values;  // different ones, in order
  size_t blanks = 0;
  DateEvidence dates;
  bool is_date = false;
};

Means DateMeaning(const Seen& column) {
  const Words& words = column.words;
  if (HasRun(words, {"not", "yet"}) ||
      (HasAny(words, {"last"}) && HasAny(words, {"look", "looked", "check", "checked", "seen"}))) {
    return MEANS_NOT_YET_ON;
  }
  if (HasAny(words, {"lost", "died", "dead", "death", "failed", "discarded", "rotted"})) {
    return MEANS_LOST_ON;
  }
  if (HasAny(words, {"joined", "join", "consent", "consented", "enrolled", "signed"})) {
    return MEANS_JOINED_ON;
  }
  if (HasAny(words, {"start", "started", "sown", "sowed", "sowing", "sow", "planted", "planting",
                     "stuck", "placed", "potted", "begin", "began", "begun"})) {
    return MEANS_STARTED_ON;
  }
  if (HasAny(words, {"reached", "germinated", "germination", "sprouted", "sprout", "emerged",
                     "emergence", "rooted", "rooting", "roots", "root", "shoot", "radicle",
                     "finished", "finish", "end", "ended", "done", "success"})) {
    return MEANS_REACHED_ON;
  }
  if (HasAny(words, {"look", "looked", "observed", "observation", "checked", "check", "measured",
                     "visit", "date", "day", "when"})) {
    return MEANS_LOOKED_ON;
  }
  return MEANS_UNSPECIFIED;
}

bool IsStartWord(const std::string& word) {
  return HasAny({word},
                {"start", "started", "starting", "sown", "sowed", "sowing", "sow", "planted",
                 "planting", "stuck", "placed", "potted", "begin", "began", "date", "day"});
}

// What headings of starts say beside the start: "husk on sown", "husk off sown" name the arms
// "husk on" and "husk off". Only words at an end that all headings share are taken for the start's.
std::vector<Words> ArmNamesOf(std::vector<Words> headings) {
  const auto share = [&](bool back) {
    for (const Words& words : headings) {
      if (words.empty()) return false;
      const std::string& mine = back ? words.back() : words.front();
      const std::string& first = back ? headings[0].back() : headings[0].front();
      if (mine != first || !(IsStartWord(mine) || mine == "on" || mine == "of")) return false;
    }
    return !headings.empty();
  };
  while (share(true)) {
    for (Words& words : headings) words.pop_back();
  }
  while (share(false)) {
    for (Words& words : headings) words.erase(words.begin());
  }
  std::vector<Words> names;
  for (Words& name : headings) {
    std::erase_if(name, IsStartWord);
    if (!name.empty() && std::find(names.begin(), names.end(), name) == names.end()) {
      names.push_back(name);
    }
  }
  return names;
}

class Proposer {
 public:
  Proposer(const Table& table, const study::v1::Protocol* protocol, const ProposeOptions& options)
      : table_(table), protocol_(protocol), options_(options) {}

  Proposal Run() {
    for (const std::string& line : table_.reading) Remark(line);
    for (const TableProblem& problem : table_.problems) Remark(problem.Words(table_));
    for (size_t i = 0; i < table_.columns.size(); ++i) Look(i);
    FindArms();
    for (Seen& column : seen_) Classify(column);
    ChooseLayout();
    SettleDates();
    SettleDecimalMark();
    NameBlankWords();
    SettleWho();
    Consent();
    NotYetLooks();
    return std::move(out_);
  }

 private:
  void Remark(std::string words) { out_.remarks.push_back(std::move(words)); }
  void Ask(std::string words) { out_.questions.push_back(std::move(words)); }

  void Look(size_t index) {
    Seen column;
    column.heading = table_.columns[index];
    if (column.heading.empty()) return;
    column.words = WordsOf(column.heading);
    column.unit = UnitInHeading(column.heading, &column.words);
    for (const TableRow& row : table_.rows) {
      const std::string& cell = row.cells[index];
      if (cell.empty() || IsBlankWord(cell)) {
        ++column.blanks;
        if (!cell.empty()) blank_words_[absl::AsciiStrToLower(cell)].push_back(row.number);
        continue;
      }
      column.cells.push_back({row.number, cell});
      if (std::find(column.values.begin(), column.values.end(), cell) == column.values.end()) {
        column.values.push_back(cell);
      }
    }
    column.dates = WeighDates(column.cells);
    column.is_date = column.dates.verdict != DateEvidence::Verdict::kNoDates;
    seen_.push_back(std::move(column));
  }

  // --- Arms in headings -------------------------------------------------------------------------

  // Ways in which a heading may name an arm of the protocol, longest first.
  std::vector<std::pair<Words, std::string>> ArmNames() const {
    std::vector<std::pair<Words, std::string>> names;
    int treatments = 0;
    for (const auto& arm : protocol_->arms()) {
      treatments += arm.role() == study::v1::ARM_ROLE_TREATMENT ? 1 : 0;
    }
    for (const auto& arm : protocol_->arms()) {
      names.emplace_back(WordsOf(arm.id()), arm.id());
      names.emplace_back(WordsOf(arm.label().text()), arm.id());
      if (arm.role() == study::v1::ARM_ROLE_CONTROL) names.emplace_back(Words{"control"}, arm.id());
      if (arm.role() == study::v1::ARM_ROLE_TREATMENT && treatments == 1) {
        names.emplace_back(Words{"treatment"}, arm.id());
        names.emplace_back(Words{"treated"}, arm.id());
      }
    }
    std::stable_sort(names.begin(), names.end(),
                     [](const auto& a, const auto& b) { return a.first.size() > b.first.size(); });
    return names;
  }

  void FindArms() {
    if (protocol_ != nullptr) {
      const auto names = ArmNames();
      for (Seen& column : seen_) {
        for (const auto& [words, arm] : names) {
          if (!HasRun(column.words, words)) continue;
          column.arm = arm;
          column.words = Without(column.words, words);
          break;
        }
      }
      return;
    }
    // Without a protocol: two or more columns of starts that differ in one run of words name arms.
    std::vector<Words> starts;
    for (const Seen& column : seen_) {
      if (column.is_date && DateMeaning(column) == MEANS_STARTED_ON) starts.push_back(column.words);
    }
    std::vector<Words> names = ArmNamesOf(std::move(starts));
    if (names.size() < 2) return;
    std::stable_sort(names.begin(), names.end(),
                     [](const Words& a, const Words& b) { return a.size() > b.size(); });
    for (Seen& column : seen_) {
      for (const Words& name : names) {
        if (!HasRun(column.words, name)) continue;
        column.arm = IdOf(name);
        column.words = Without(column.words, name);
        break;
      }
    }
  }

  // --- What columns mean ------------------------------------------------------------------------

  void Take(const Seen& seen, Means means, std::string reason, const std::string& id = "") {
    Column& column = *out_.mapping.add_columns();
    column.set_heading(seen.heading);
    column.set_means(means);
    column.set_id(id);
    column.set_arm(seen.arm);
    out_.reasons.push_back(std::move(reason));
  }

  Column& Last() { return *out_.mapping.mutable_columns()->rbegin(); }

  void Classify(Seen& column) {
    if (column.cells.empty()) {
      Remark(absl::StrCat("column \"", column.heading, "\" is left out: all its cells are blank"));
      return;
    }
    if (const Variable* variable = MatchVariable(column)) {
      TakeAnswer(column, *variable,
                 absl::StrCat("the heading names the variable ", variable->id()));
    } else if (column.is_date) {
      ClassifyDate(column);
    } else {
      ClassifyWords(column);
    }
  }

  const Variable* MatchVariable(const Seen& column) const {
    if (protocol_ == nullptr) return nullptr;
    for (const Variable& variable : protocol_->variables()) {
      if (variable.has_date() != column.is_date && !variable.has_text()) continue;
      const Words id = WordsOf(variable.id());
      const Words label = WordsOf(variable.label().text());
      if (column.words == id || column.words == label ||
          (id.size() > 1 && HasRun(column.words, id))) {
        return &variable;
      }
    }
    return nullptr;
  }

  // The only choice variable, not yet taken, whose options nearly all cells name.
  const Variable* MatchByCells(const Seen& column) const {
    if (protocol_ == nullptr || column.is_date || column.values.size() < 2) return nullptr;
    const Variable* found = nullptr;
    for (const Variable& variable : protocol_->variables()) {
      if (!variable.has_choice() || IsAnswered(variable.id())) continue;
      const ListReading reading =
          ReadLists(column.values, OptionsOf(variable.choice()), variable.choice().multiple());
      if (reading.matched * 5 < reading.pieces.size() * 4) continue;
      if (found != nullptr) return nullptr;
      found = &variable;
    }
    return found;
  }

  bool IsAnswered(const std::string& variable) const {
    return std::any_of(out_.mapping.columns().begin(), out_.mapping.columns().end(),
                       [&](const Column& column) {
                         return column.means() == MEANS_ANSWER && column.id() == variable;
                       });
  }

  void TakeAnswer(const Seen& column, const Variable& variable, std::string reason) {
    Take(column, MEANS_ANSWER, "", variable.id());
    if (variable.has_number()) absl::StrAppend(&reason, "; ", ChooseUnit(column, variable));
    if (variable.has_choice()) absl::StrAppend(&reason, ChoiceCodes(column, variable.choice()));
    if (variable.has_yes_no()) CheckYesNo(column);
    if (variable.has_number()) number_columns_.push_back(&column);
    out_.reasons.back() = reason;
  }

  std::string ChooseUnit(const Seen& column, const Variable& variable) {
    const std::string& canonical = variable.number().unit();
    const auto stated = options_.column_units.find(column.heading);
    if (stated != options_.column_units.end()) {
      Last().set_unit(stated->second);
      return absl::StrCat("unit ", stated->second, ": stated");
    }
    if (!column.unit.empty()) {
      if (!protocol::ConversionBetween(column.unit, canonical).ok()) {
        Ask(absl::StrCat("column \"", column.heading, "\" is headed in ", column.unit,
                         ", which does not convert to ", canonical, "; say what it is: --unit \"",
                         column.heading, "=UNIT\""));
      }
      Last().set_unit(column.unit);
      if (column.unit == "Cel") SuspectFahrenheit(column);
      return absl::StrCat("the heading says ", column.unit);
    }
    Last().set_unit(canonical);
    if (canonical == "Cel") SuspectFahrenheit(column);
    return absl::StrCat("no unit in the heading: taken as ", canonical,
                        ", the protocol's own. Check this");
  }

  void SuspectFahrenheit(const Seen& column) {
    for (const PlacedCell& cell : column.cells) {
      auto number = ParseNumber(cell.text, '.');
      if (!number) number = ParseNumber(cell.text, ',');
      if (!number || *number <= 45) continue;
      Ask(absl::StrCat("column \"", column.heading, "\" would be in °C, but row ", cell.row,
                       " has ", cell.text, ": was it measured in °F? Say --unit \"", column.heading,
                       "=[degF]\" or --unit \"", column.heading, "=Cel\""));
      return;
    }
  }

  static std::vector<NamedMember> OptionsOf(const study::v1::ChoiceType& type) {
    std::vector<NamedMember> members;
    for (const auto& option : type.options()) {
      members.push_back({option.code(), option.label().text()});
    }
    return members;
  }

  // Adds codes to the last column for the pieces of cells that mean a member. Says what a person
  // should look at: matches of part of the words, and pieces that mean nothing.
  std::string AddCodes(const std::vector<std::string>& pieces,
                       const std::vector<NamedMember>& members, absl::string_view what) {
    std::vector<std::string> unknown, guessed;
    for (const std::string& piece : pieces) {
      const auto match = MatchMember(piece, members);
      if (!match) {
        unknown.push_back(absl::StrCat("\"", piece, "\""));
        continue;
      }
      if (!match->exact) guessed.push_back(absl::StrCat("\"", piece, "\" as ", match->id));
      if (match->id == piece) continue;
      Code& code = *Last().add_codes();
      code.set_cell(piece);
      code.set_id(match->id);
    }
    std::string words;
    if (!guessed.empty())
      absl::StrAppend(&words, "; takes ", absl::StrJoin(guessed, ", "), ". Check this");
    if (!unknown.empty()) {
      absl::StrAppend(&words, "; no ", what, " is known for ", absl::StrJoin(unknown, ", "),
                      ". Add codes { cell: \"…\" id: \"…\" } for these, or their rows are refused");
    }
    return words;
  }

  std::string ChoiceCodes(const Seen& column, const study::v1::ChoiceType& type) {
    const std::vector<NamedMember> members = OptionsOf(type);
    const ListReading reading = ReadLists(column.values, members, type.multiple());
    Last().set_list_separator(reading.separator);
    std::string words = AddCodes(reading.pieces, members, "option");
    if (!reading.separator.empty()) {
      words =
          absl::StrCat("; several options in a cell, parted by \"", reading.separator, "\"", words);
    }
    return words;
  }

  void CheckYesNo(const Seen& column) {
    std::vector<std::string> unknown;
    for (const std::string& value : column.values) {
      const std::string lower = absl::AsciiStrToLower(value);
      if (!HasAny({lower}, {"yes", "y", "true", "1", "no", "n", "false", "0"})) {
        unknown.push_back(value);
      }
    }
    if (!unknown.empty()) {
      Remark(absl::StrCat("column \"", column.heading, "\" has cells that are neither yes nor no: ",
                          absl::StrJoin(unknown, ", "),
                          "; list them in yes_words and no_words (with yes and no, if used)"));
    }
  }

  void ClassifyDate(const Seen& column) {
    Means means = DateMeaning(column);
    std::string threshold = MatchThreshold(column);
    if (!threshold.empty() && means != MEANS_NOT_YET_ON && means != MEANS_STARTED_ON &&
        means != MEANS_LOST_ON) {
      means = MEANS_REACHED_ON;
    }
    if (means == MEANS_UNSPECIFIED) {
      Remark(absl::StrCat("column \"", column.heading,
                          "\" holds dates but its heading does not say of what: left out"));
      return;
    }
    const bool needs_threshold = means == MEANS_REACHED_ON || means == MEANS_NOT_YET_ON;
    if (needs_threshold && threshold.empty()) threshold = OnlyThreshold(column);
    Take(column, means,
         absl::StrCat("dates; the heading speaks of ", MeaningWords(means),
                      column.arm.empty() ? "" : absl::StrCat(" of arm ", column.arm)),
         needs_threshold ? threshold : "");
  }

  static std::string MeaningWords(Means means) {
    switch (means) {
      case MEANS_STARTED_ON:
        return "the start";
      case MEANS_REACHED_ON:
        return "reaching the threshold";
      case MEANS_NOT_YET_ON:
        return "the last look before";
      case MEANS_LOST_ON:
        return "a loss";
      case MEANS_JOINED_ON:
        return "joining";
      default:
        return "a look";
    }
  }

  std::string MatchThreshold(const Seen& column) const {
    if (protocol_ == nullptr) return "";
    for (const auto& threshold : protocol_->thresholds()) {
      if (HasRun(column.words, WordsOf(threshold.id())) ||
          HasRun(column.words, WordsOf(threshold.label().text()))) {
        return threshold.id();
      }
    }
    const auto quantity = QuantityInHeading(column.heading);
    if (!quantity) return "";
    for (const auto& threshold : protocol_->thresholds()) {
      if (IsTarget(*quantity, threshold.target().number())) return threshold.id();
    }
    return "";
  }

  // "5 cm" in a heading names the threshold of 50 mm.
  static bool IsTarget(const HeadingQuantity& quantity, const study::v1::Quantity& target) {
    if (target.unit().empty()) return false;
    const auto conversion = protocol::ConversionBetween(quantity.unit, target.unit());
    if (!conversion.ok()) return false;
    return std::abs((*conversion)(quantity.value) - target.value()) <=
           1e-9 * std::abs(target.value());
  }

  std::string OnlyThreshold(const Seen& column) {
    if (protocol_ == nullptr) return "reached";
    if (protocol_->thresholds_size() == 1) return protocol_->thresholds(0).id();
    if (protocol_->thresholds_size() > 1) {
      Ask(absl::StrCat(
          "column \"", column.heading,
          "\" does not say which threshold was reached; name one in the heading: ",
          absl::StrJoin(protocol_->thresholds(), ", ", [](std::string* out, const auto& threshold) {
            out->append(threshold.id());
          })));
    }
    return "";
  }

  void ClassifyWords(const Seen& column) {
    if (TakeArm(column) || TakeCause(column)) return;
    if (HasAny(column.words, {"grower", "growers", "member", "participant", "name", "gardener",
                              "person", "household", "who"})) {
      const bool named = HasAny(column.words, {"name", "person", "who"});
      const bool fit = std::all_of(column.values.begin(), column.values.end(),
                                   [](const std::string& value) { return IsRecordId(value); });
      Take(column, MEANS_GROWER,
           absl::StrCat("the heading speaks of the grower",
                        fit && !named
                            ? ""
                            : "; ids must not be names of people, so a pseudonym is computed"));
      if (!fit || named) Last().set_id_form(ID_FORM_PSEUDONYM);
      return;
    }
    if (HasAny(column.words, {"block", "pair", "set", "rep", "replicate"})) {
      Take(column, MEANS_BLOCK, "the heading speaks of the block");
      return;
    }
    if (HasAny(column.words, {"unit", "seed", "cutting", "pot", "tray", "tag", "label"})) {
      Take(column, MEANS_UNIT, "the heading speaks of the unit");
      return;
    }
    if (const Variable* variable = MatchByCells(column)) {
      TakeAnswer(column, *variable,
                 absl::StrCat("its cells are options of the variable ", variable->id()));
      return;
    }
    Remark(
        absl::StrCat("column \"", column.heading, "\" is left out: nothing in the ",
                     protocol_ == nullptr ? "file says what it means" : "protocol has its name"));
  }

  bool TakeArm(const Seen& column) {
    const bool headed =
        HasAny(column.words, {"arm", "treatment", "method", "condition", "variant"}) ||
        (!column.arm.empty() && column.words.empty());
    std::vector<Code> codes;
    size_t known = 0;
    if (protocol_ != nullptr) {
      for (const std::string& value : column.values) {
        for (const auto& arm : protocol_->arms()) {
          const bool same = WordsOf(value) == WordsOf(arm.id()) ||
                            WordsOf(value) == WordsOf(arm.label().text()) ||
                            (arm.role() == study::v1::ARM_ROLE_CONTROL &&
                             absl::EqualsIgnoreCase(value, "control"));
          if (!same) continue;
          ++known;
          if (value != arm.id()) {
            codes.emplace_back();
            codes.back().set_cell(value);
            codes.back().set_id(arm.id());
          }
          break;
        }
      }
    }
    if (!headed && (known < 2 || known < column.values.size())) return false;
    Seen bare = column;
    bare.arm.clear();
    std::string reason = headed ? "the heading speaks of the arm" : "all its cells name arms";
    if (protocol_ != nullptr && known < column.values.size()) {
      absl::StrAppend(&reason,
                      "; some cells name no arm of the protocol. Add codes { cell: … id: … "
                      "}, or they are refused");
    }
    Take(bare, MEANS_ARM, reason);
    for (const Code& code : codes) *Last().add_codes() = code;
    if (protocol_ == nullptr) {
      for (const std::string& value : column.values) {
        const std::string id = IdOf(WordsOf(value));
        if (id == value) continue;
        Code& code = *Last().add_codes();
        code.set_cell(value);
        code.set_id(id);
      }
    }
    return true;
  }

  bool TakeCause(const Seen& column) {
    std::vector<NamedMember> causes;
    if (protocol_ != nullptr) {
      for (const auto& loss : protocol_->losses()) {
        causes.push_back({loss.id(), loss.label().text()});
      }
    }
    const auto known = std::count_if(
        column.values.begin(), column.values.end(),
        [&](const std::string& value) { return MatchMember(value, causes).has_value(); });
    const bool headed = HasAny(column.words, {"cause", "reason", "why", "lost", "loss", "died"});
    if (!headed && (known == 0 || static_cast<size_t>(known) < column.values.size())) return false;
    Take(column, MEANS_LOSS_CAUSE, "");
    std::string reason = headed
                             ? "the heading speaks of a loss, and the cells are no dates: its cause"
                             : "all its cells name causes of loss";
    if (protocol_ != nullptr) reason += AddCodes(column.values, causes, "cause");
    out_.reasons.back() = std::move(reason);
    return true;
  }

  // --- The whole --------------------------------------------------------------------------------

  bool Has(Means means) const {
    return std::any_of(out_.mapping.columns().begin(), out_.mapping.columns().end(),
                       [means](const Column& column) { return column.means() == means; });
  }

  void ChooseLayout() {
    std::vector<std::string> arms;
    for (const Column& column : out_.mapping.columns()) {
      const bool fact = column.means() == MEANS_STARTED_ON || column.means() == MEANS_REACHED_ON;
      if (fact && !column.arm().empty() &&
          std::find(arms.begin(), arms.end(), column.arm()) == arms.end()) {
        arms.push_back(column.arm());
      }
    }
    if (arms.size() >= 2) {
      out_.mapping.set_layout(LAYOUT_GROWER_ROWS);
      Remark(absl::StrCat("one row a grower: there are columns for each of the arms ",
                          absl::StrJoin(arms, ", ")));
      ShareStart(arms);
      return;
    }
    const bool looks = Has(MEANS_LOOKED_ON) && !Has(MEANS_REACHED_ON);
    out_.mapping.set_layout(looks ? LAYOUT_LOOK_ROWS : LAYOUT_UNIT_ROWS);
    Remark(looks ? "one row a look: there is a day of looking and none of reaching"
                 : "one row a unit: there is one set of dates in each row");
  }

  // A single start for all arms stands for each of them.
  void ShareStart(const std::vector<std::string>& arms) {
    const int columns = out_.mapping.columns_size();
    for (int i = 0; i < columns; ++i) {
      const Column column = out_.mapping.columns(i);
      if (column.means() != MEANS_STARTED_ON || !column.arm().empty()) continue;
      for (size_t k = 0; k < arms.size(); ++k) {
        Column& mine = k == 0 ? *out_.mapping.mutable_columns(i) : *out_.mapping.add_columns();
        mine = column;
        mine.set_arm(arms[k]);
        if (k > 0) out_.reasons.push_back("the same start, for another arm");
      }
    }
  }

  const Seen* SeenOf(const std::string& heading) const {
    const auto at = std::find_if(seen_.begin(), seen_.end(),
                                 [&](const Seen& column) { return column.heading == heading; });
    return at == seen_.end() ? nullptr : &*at;
  }

  void SettleDates() {
    std::set<std::string> done;
    std::set<DateOrder> orders;
    std::vector<std::string> settled_elsewhere;
    std::map<std::string, DateOrder> by_heading;
    std::vector<const Seen*> open;
    for (const Column& column : out_.mapping.columns()) {
      const Seen* seen = SeenOf(column.heading());
      if (seen == nullptr || !seen->is_date || !done.insert(column.heading()).second) continue;
      const DateOrder stated = StatedOrder(column.heading());
      NoteOddDates(*seen);
      if (stated != DATE_ORDER_UNSPECIFIED) {
        by_heading[column.heading()] = stated;
        orders.insert(stated);
        continue;
      }
      if (seen->dates.verdict != DateEvidence::Verdict::kSettled) {
        open.push_back(seen);
        continue;
      }
      by_heading[column.heading()] = seen->dates.order;
      orders.insert(seen->dates.order);
      settled_elsewhere.push_back(absl::StrCat("\"", column.heading(), "\" is ",
                                               DateOrderName(seen->dates.order), " (",
                                               seen->dates.why, ")"));
    }
    for (const Seen* seen : open) AskOrder(*seen, settled_elsewhere);
    if (orders.size() == 1) out_.mapping.set_date_order(*orders.begin());
    for (int i = 0; i < out_.mapping.columns_size(); ++i) {
      Column& column = *out_.mapping.mutable_columns(i);
      const auto order = by_heading.find(column.heading());
      if (order == by_heading.end()) continue;
      if (orders.size() > 1) column.set_date_order(order->second);
      const Seen* seen = SeenOf(column.heading());
      absl::StrAppend(
          &out_.reasons[static_cast<size_t>(i)], "; ", DateOrderName(order->second), ": ",
          StatedOrder(column.heading()) != DATE_ORDER_UNSPECIFIED ? "stated" : seen->dates.why);
    }
  }

  DateOrder StatedOrder(const std::string& heading) const {
    const auto own = options_.column_orders.find(heading);
    return own == options_.column_orders.end() ? options_.date_order : own->second;
  }

  void NoteOddDates(const Seen& seen) {
    if (seen.dates.two_digit_years) {
      out_.mapping.set_century(2000);
      Remark(
          absl::StrCat("column \"", seen.heading,
                       "\" has years of two digits: taken as 20…, by century: 2000. Check this"));
    }
    if (seen.dates.has_time) {
      Remark(absl::StrCat("column \"", seen.heading, "\" has times of day, which are dropped"));
    }
    for (const PlacedCell& cell : seen.dates.strange) {
      Remark(absl::StrCat("column \"", seen.heading, "\", row ", cell.row, ": \"", cell.text,
                          "\" is no date; mend it, or the row is refused"));
    }
  }

  void AskOrder(const Seen& seen, const std::vector<std::string>& settled_elsewhere) {
    std::string words = absl::StrCat("column \"", seen.heading, "\": ", seen.dates.why);
    if (seen.dates.verdict == DateEvidence::Verdict::kAmbiguous) {
      if (!settled_elsewhere.empty()) {
        absl::StrAppend(&words, ". In other columns ", absl::StrJoin(settled_elsewhere, ", "),
                        "; a column by itself may be written otherwise, so this is not taken over");
      }
      absl::StrAppend(&words,
                      ". Ask who wrote it, then say --dates day_month_year (or "
                      "month_day_year), or --dates \"",
                      seen.heading,
                      "=ORDER\" for this "
                      "column alone");
    }
    Ask(std::move(words));
  }

  void SettleDecimalMark() {
    if (options_.decimal_mark != DECIMAL_MARK_UNSPECIFIED) {
      out_.mapping.set_decimal_mark(options_.decimal_mark);
      return;
    }
    const PlacedCell *comma = nullptr, *point = nullptr, *open = nullptr;
    std::string comma_column, open_column;
    for (const Seen* column : number_columns_) {
      for (const PlacedCell& cell : column->cells) {
        if (absl::StrContains(cell.text, ".") && ParseNumber(cell.text, '.')) point = &cell;
        if (!absl::StrContains(cell.text, ",") || !ParseNumber(cell.text, ',')) continue;
        // "1,234" may be a thousand or a fraction; "12,5" can only be a fraction.
        if (cell.text.size() - cell.text.find(',') == 4 && cell.text[0] != '0') {
          open = &cell;
          open_column = column->heading;
        } else {
          comma = &cell;
          comma_column = column->heading;
        }
      }
    }
    if (comma != nullptr && point != nullptr) {
      Ask(absl::StrCat("numbers are written both with a comma (row ", comma->row, ": ", comma->text,
                       ") and with a point (row ", point->row, ": ", point->text,
                       "); make them alike"));
    } else if (comma != nullptr) {
      out_.mapping.set_decimal_mark(DECIMAL_MARK_COMMA);
      Remark(absl::StrCat("decimal comma: column \"", comma_column, "\", row ", comma->row, " has ",
                          comma->text));
    } else if (open != nullptr) {
      Ask(absl::StrCat("column \"", open_column, "\", row ", open->row, ": ", open->text,
                       " may be a thousand or a decimal fraction; say --decimal comma, or write "
                       "thousands without a mark and say --decimal point"));
    }
  }

  void NameBlankWords() {
    for (const auto& [word, rows] : blank_words_) {
      out_.mapping.add_blank_words(word);
      std::vector<int> some(
          rows.begin(),
          rows.begin() + std::min<std::ptrdiff_t>(5, static_cast<std::ptrdiff_t>(rows.size())));
      Remark(absl::StrCat("\"", word, "\" counts as blank (rows ", absl::StrJoin(some, ", "),
                          rows.size() > some.size() ? ", …" : "",
                          "); take it out of blank_words if it means something"));
    }
  }

  void SettleWho() {
    if (!Has(MEANS_GROWER) && !Has(MEANS_BLOCK)) {
      Column& column = *out_.mapping.add_columns();
      column.set_row_number(true);
      column.set_means(MEANS_GROWER);
      out_.reasons.push_back(
          "no column says which grower, so the row's number stands for it: then rows must never be "
          "sorted, inserted or deleted. Better add a column with a code for each grower");
    }
    if (out_.mapping.layout() == LAYOUT_UNIT_ROWS && !Has(MEANS_UNIT)) {
      Remark(
          "no column names the unit, so each grower can have one unit of each arm; add a column "
          "if there are more");
    }
    if (out_.mapping.layout() != LAYOUT_GROWER_ROWS && Has(MEANS_STARTED_ON) && !Has(MEANS_ARM)) {
      Ask("no column says which arm a unit belongs to; add one, headed \"arm\"");
    }
  }

  void Consent() {
    if (!Has(MEANS_STARTED_ON)) return;
    const std::string version = protocol_ == nullptr ? "1" : protocol_->words().consent_version();
    out_.mapping.set_consent_version(version.empty() ? "1" : version);
    Remark(absl::StrCat("consent_version \"", out_.mapping.consent_version(),
                        "\": by keeping it you state that every grower in this file agreed to that "
                        "version of the consent text"));
  }

  void NotYetLooks() {
    for (const Column& column : out_.mapping.columns()) {
      if (column.means() != MEANS_REACHED_ON) continue;
      const Seen* seen = SeenOf(column.heading());
      const bool stated =
          std::any_of(out_.mapping.not_yet().begin(), out_.mapping.not_yet().end(),
                      [&](const NotYet& not_yet) { return not_yet.threshold() == column.id(); });
      if (seen == nullptr || seen->blanks == 0 || stated) continue;
      const Variable* variable = ThresholdVariable(column.id());
      const bool dated = Has(MEANS_NOT_YET_ON) || Has(MEANS_LOOKED_ON);
      if (variable != nullptr && variable->has_yes_no() && dated) {
        NotYet& not_yet = *out_.mapping.add_not_yet();
        not_yet.set_threshold(column.id());
        not_yet.set_answer("no");
        continue;
      }
      const bool yes_no = variable != nullptr && variable->has_yes_no();
      const std::string unit = variable != nullptr ? variable->number().unit() : "";
      Remark(absl::StrCat(
          "column \"", column.heading(), "\" is blank in ", seen->blanks,
          seen->blanks == 1 ? " row" : " rows",
          ": units not there yet. They count as followed up only to their last look, so say ",
          dated ? "" : "when they were last looked at and ",
          "what was seen: not_yet { threshold: \"", column.id(), "\" ",
          dated ? "" : "looked_on: \"2027-06-30\" ", "answer: \"", yes_no ? "no" : "0", "\" ",
          unit.empty() ? "" : absl::StrCat("unit: \"", unit, "\" "), "}"));
    }
  }

  const Variable* ThresholdVariable(const std::string& id) const {
    if (protocol_ == nullptr) return nullptr;
    for (const auto& threshold : protocol_->thresholds()) {
      if (threshold.id() != id) continue;
      for (const Variable& variable : protocol_->variables()) {
        if (variable.id() == threshold.variable()) return &variable;
      }
    }
    return nullptr;
  }

  const Table& table_;
  const study::v1::Protocol* protocol_;
  const ProposeOptions& options_;
  std::vector<Seen> seen_;
  std::vector<const Seen*> number_columns_;
  std::map<std::string, std::vector<int>> blank_words_;
  Proposal out_;
};

std::string Commented(const std::string& words) {
  std::string out;
  for (const absl::string_view line : absl::StrSplit(Wrapped(words, 0), '\n', absl::SkipEmpty())) {
    absl::StrAppend(&out, "# ", line, "\n");
  }
  return out;
}

std::string OneLine(const google::protobuf::Message& message) {
  google::protobuf::TextFormat::Printer printer;
  printer.SetSingleLineMode(true);
  printer.SetUseUtf8StringEscaping(true);
  std::string text;
  printer.PrintToString(message, &text);
  return std::string(absl::StripAsciiWhitespace(text));
}

}  // namespace

Proposal Propose(const Table& table, const study::v1::Protocol* protocol,
                 const ProposeOptions& options) {
  return Proposer(table, protocol, options).Run();
}

std::string ProposalText(const Proposal& proposal) {
  std::string out =
      "# Proposed by plumule import --propose. Read it, mend it, then try it with "
      "--dry-run.\n";
  for (const std::string& remark : proposal.remarks) out += Commented(remark);
  Mapping head = proposal.mapping;
  head.clear_columns();
  head.clear_not_yet();
  google::protobuf::TextFormat::Printer printer;
  printer.SetUseUtf8StringEscaping(true);
  std::string text;
  printer.PrintToString(head, &text);
  absl::StrAppend(&out, "\n", text);
  for (int i = 0; i < proposal.mapping.columns_size(); ++i) {
    absl::StrAppend(&out, "\n", Commented(proposal.reasons[static_cast<size_t>(i)]), "columns { ",
                    OneLine(proposal.mapping.columns(i)), " }\n");
  }
  for (const NotYet& not_yet : proposal.mapping.not_yet()) {
    absl::StrAppend(&out,
                    "\n# Units whose cell is blank were seen not to be there yet.\nnot_yet { ",
                    OneLine(not_yet), " }\n");
  }
  return out;
}

}  // namespace plumule::cli
