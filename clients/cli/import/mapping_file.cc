#include "clients/cli/import/mapping_file.h"

#include <google/protobuf/io/tokenizer.h>
#include <google/protobuf/text_format.h>

#include <algorithm>
#include <set>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/string_view.h"
#include "clients/cli/import/protocol_index.h"

namespace plumule::cli {
namespace {

// Gathers the parser's complaints as lines.
class Lines : public google::protobuf::io::ErrorCollector {
 public:
  explicit Lines(absl::string_view file_name) : file_name_(file_name) {}
  void AddError(int line, google::protobuf::io::ColumnNumber column,
                const std::string& message) override {
    lines_.push_back(absl::StrCat(file_name_, ":", line + 1, ":", column + 1, ": ", message));
  }
  std::string Joined() const { return absl::StrJoin(lines_, "\n"); }

 private:
  std::string file_name_;
  std::vector<std::string> lines_;
};

std::string Name(const Column& column) {
  switch (column.source_case()) {
    case Column::kHeading:
      return absl::StrCat("columns \"", column.heading(), "\"");
    case Column::kConstant:
      return absl::StrCat("constant \"", column.constant(), "\"");
    default:
      return "the row number";
  }
}

// Judges a mapping part by part.
class Judge {
 public:
  Judge(const Mapping& mapping, const Table& table, const study::v1::Protocol& protocol)
      : mapping_(mapping), table_(table), index_(protocol) {}

  std::vector<std::string> Run() {
    CheckWhole();
    for (const Column& column : mapping_.columns()) CheckColumn(column);
    for (const NotYet& not_yet : mapping_.not_yet()) CheckNotYet(not_yet);
    return std::move(problems_);
  }

 private:
  void Add(std::string problem) { problems_.push_back(std::move(problem)); }

  bool Has(Means means) const {
    return std::any_of(mapping_.columns().begin(), mapping_.columns().end(),
                       [means](const Column& column) { return column.means() == means; });
  }

  void CheckWhole() {
    const Layout layout = mapping_.layout();
    if (layout == LAYOUT_UNSPECIFIED) {
      Add("layout is missing; say LAYOUT_UNIT_ROWS, LAYOUT_GROWER_ROWS or LAYOUT_LOOK_ROWS");
    }
    if (!Has(MEANS_GROWER) && !Has(MEANS_BLOCK)) {
      Add("no column says which grower; add columns { heading: … means: MEANS_GROWER }");
    }
    if (Has(MEANS_STARTED_ON) && layout != LAYOUT_GROWER_ROWS && !Has(MEANS_ARM)) {
      Add("no column says the unit's arm; add columns { heading: … means: MEANS_ARM }");
    }
    if (layout == LAYOUT_LOOK_ROWS && !Has(MEANS_LOOKED_ON)) {
      Add("look rows need the day of the look; add columns { heading: … means: MEANS_LOOKED_ON }");
    }
    if (Has(MEANS_LOST_ON) != Has(MEANS_LOSS_CAUSE)) {
      Add("MEANS_LOST_ON and MEANS_LOSS_CAUSE need each other; add the missing column, or a "
          "constant");
    }
    if (!mapping_.growers_joined_already() && Has(MEANS_GROWER) && Has(MEANS_STARTED_ON) &&
        mapping_.consent_version().empty()) {
      Add("consent_version is missing: state the version of the consent text that every grower "
          "agreed to, or growers_joined_already: true");
    }
    if (mapping_.century() != 0 && mapping_.century() % 100 != 0) {
      Add(absl::StrCat("century ", mapping_.century(), " is not a century; say 2000"));
    }
    for (const Column& column : mapping_.columns()) {
      const bool both = column.means() == MEANS_REACHED_ON || column.means() == MEANS_LOOKED_ON;
      if (layout != LAYOUT_GROWER_ROWS && !column.arm().empty() && both) {
        Add(absl::StrCat(Name(column), ": arm is only for LAYOUT_GROWER_ROWS; take it out"));
      }
    }
  }

  static bool IsDate(Means means) {
    return means == MEANS_JOINED_ON || means == MEANS_BLOCK_STARTED_ON ||
           means == MEANS_STARTED_ON || means == MEANS_LOOKED_ON || means == MEANS_REACHED_ON ||
           means == MEANS_NOT_YET_ON || means == MEANS_LOST_ON;
  }

  void CheckColumn(const Column& column) {
    if (column.means() == MEANS_UNSPECIFIED) Add(absl::StrCat(Name(column), ": means is missing"));
    if (column.source_case() == Column::SOURCE_NOT_SET) {
      Add("a column has neither heading nor constant; give it one");
    }
    if (column.has_heading() && !table_.Find(column.heading())) {
      Add(absl::StrCat("the file has no column \"", column.heading(),
                       "\"; it has: ", absl::StrJoin(table_.columns, ", ")));
    }
    if (column.has_row_number() && column.means() != MEANS_GROWER) {
      Add("row_number can only be MEANS_GROWER");
    }
    if (!column.arm().empty() && index_.Arm(column.arm()) == nullptr) {
      Add(absl::StrCat(Name(column), ": the protocol has no arm \"", column.arm(), "\"; ",
                       index_.ArmWords()));
    }
    const bool unit_fact = column.means() == MEANS_STARTED_ON ||
                           column.means() == MEANS_REACHED_ON ||
                           column.means() == MEANS_NOT_YET_ON || column.means() == MEANS_LOST_ON;
    if (mapping_.layout() == LAYOUT_GROWER_ROWS && unit_fact && column.arm().empty()) {
      Add(absl::StrCat(Name(column), ": in grower rows it must say which arm; add arm: …"));
    }
    const bool threshold = column.means() == MEANS_REACHED_ON || column.means() == MEANS_NOT_YET_ON;
    if (threshold && index_.Threshold(column.id()) == nullptr) {
      Add(absl::StrCat(Name(column), ": the protocol has no threshold \"", column.id(), "\"; ",
                       index_.ThresholdWords()));
    }
    const study::v1::Variable* variable =
        column.means() == MEANS_ANSWER ? index_.Variable(column.id()) : nullptr;
    if (column.means() == MEANS_ANSWER && variable == nullptr) {
      Add(absl::StrCat(Name(column), ": the protocol has no variable \"", column.id(), "\"; ",
                       index_.VariableWords()));
    }
    if (variable != nullptr && variable->scope() == study::v1::SCOPE_OBSERVATION &&
        !Has(MEANS_LOOKED_ON)) {
      Add(absl::StrCat(Name(column), ": \"", column.id(),
                       "\" is answered at a look, so its day is needed; add a column or a constant "
                       "with MEANS_LOOKED_ON"));
    }
    const bool dates = IsDate(column.means()) || (variable != nullptr && variable->has_date());
    if (dates && !column.has_constant() && column.date_order() == DATE_ORDER_UNSPECIFIED &&
        mapping_.date_order() == DATE_ORDER_UNSPECIFIED) {
      Add(absl::StrCat(Name(column), ": date_order is missing; say how its dates are written"));
    }
    for (const Code& code : column.codes()) CheckCode(column, code);
  }

  void CheckCode(const Column& column, const Code& code) {
    if (column.means() == MEANS_ARM && index_.Arm(code.id()) == nullptr) {
      Add(absl::StrCat(Name(column), ": \"", code.cell(), "\" stands for \"", code.id(),
                       "\", which is no arm; ", index_.ArmWords()));
    }
    if (column.means() == MEANS_LOSS_CAUSE && index_.Loss(code.id()) == nullptr) {
      Add(absl::StrCat(Name(column), ": \"", code.cell(), "\" stands for \"", code.id(),
                       "\", which is no cause of loss; ", index_.LossWords()));
    }
  }

  void CheckNotYet(const NotYet& not_yet) {
    if (index_.Threshold(not_yet.threshold()) == nullptr) {
      Add(absl::StrCat("not_yet: the protocol has no threshold \"", not_yet.threshold(), "\"; ",
                       index_.ThresholdWords()));
    }
    if (not_yet.answer().empty()) {
      Add("not_yet: answer is missing; say what was seen, as a cell would (\"no\", \"0\")");
    }
    if (not_yet.looked_on().empty() && !Has(MEANS_NOT_YET_ON) && !Has(MEANS_LOOKED_ON)) {
      Add("not_yet: looked_on is missing; give the day (ISO), or a column with MEANS_LOOKED_ON");
    }
  }

  const Mapping& mapping_;
  const Table& table_;
  const ProtocolIndex index_;
  std::vector<std::string> problems_;
};

}  // namespace

absl::StatusOr<Mapping> ParseMapping(absl::string_view text, absl::string_view file_name) {
  Lines lines(file_name);
  google::protobuf::TextFormat::Parser parser;
  parser.RecordErrorsTo(&lines);
  parser.SetRecursionLimit(8);
  Mapping mapping;
  if (!parser.ParseFromString(std::string(text), &mapping)) {
    return absl::InvalidArgumentError(lines.Joined());
  }
  return mapping;
}

std::vector<std::string> CheckMapping(const Mapping& mapping, const Table& table,
                                      const study::v1::Protocol& protocol) {
  return Judge(mapping, table, protocol).Run();
}

}  // namespace plumule::cli
