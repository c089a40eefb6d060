#include "server/log/dataset_schema.h"

#include "absl/strings/str_cat.h"
#include "server/protocol/units.h"

namespace plumule::log {
namespace {

using analysis::v1::ColumnType;
using protocol::CompiledProtocol;
using Content = DatasetColumn::Content;

void Add(const std::string& name, ColumnType type, const std::string& unit,
         const std::string& label, DatasetColumn column, TableLayout* layout) {
  analysis::v1::ColumnSchema* schema = layout->schema.add_columns();
  schema->set_name(name);
  schema->set_type(type);
  schema->set_unit(unit);
  schema->set_label(label);
  layout->columns.push_back(column);
}

ColumnType TypeOf(const study::v1::Variable& variable) {
  switch (variable.type_case()) {
    case study::v1::Variable::kNumber:
      return analysis::v1::COLUMN_TYPE_NUMBER;
    case study::v1::Variable::kCount:
      return analysis::v1::COLUMN_TYPE_COUNT;
    case study::v1::Variable::kDate:
      return analysis::v1::COLUMN_TYPE_DATE;
    case study::v1::Variable::kYesNo:
      return analysis::v1::COLUMN_TYPE_YES_NO;
    case study::v1::Variable::kChoice:
    case study::v1::Variable::kCountry:
      return analysis::v1::COLUMN_TYPE_CODE;
    default:
      return analysis::v1::COLUMN_TYPE_TEXT;
  }
}

bool LeavesOrganizers(const study::v1::Protocol& definition, const std::string& variable) {
  for (const study::v1::VariableAudience& audience : definition.privacy().variables()) {
    if (audience.variable() == variable) {
      return audience.audience() != study::v1::AUDIENCE_ORGANIZERS;
    }
  }
  return true;
}

// Variables of observation scope, or all others.
void AddVariables(const CompiledProtocol& protocol, bool of_looks, TableLayout* layout) {
  for (int i = 0; i < protocol.definition().variables_size(); ++i) {
    const study::v1::Variable& variable = protocol.variable(i);
    if ((variable.scope() == study::v1::SCOPE_OBSERVATION) != of_looks) continue;
    if (variable.has_photo()) continue;
    if (!LeavesOrganizers(protocol.definition(), variable.id())) continue;
    Add(variable.id(), TypeOf(variable), variable.number().unit(), variable.label().text(),
        {Content::kVariable, i}, layout);
  }
}

bool HasDoses(const study::v1::Protocol& definition) {
  for (const study::v1::Arm& arm : definition.arms()) {
    if (arm.has_dose()) return true;
  }
  return false;
}

// The unit of the first dose: all of a protocol convert into each other.
std::string DoseUnit(const study::v1::Protocol& definition) {
  for (const study::v1::Arm& arm : definition.arms()) {
    if (arm.has_dose()) return arm.dose().amount().unit();
  }
  return "";
}

}  // namespace

TableLayout UnitsLayout(const CompiledProtocol& protocol) {
  using namespace analysis::v1;
  TableLayout layout;
  Add("block", COLUMN_TYPE_CODE, "", "Block", {Content::kBlock}, &layout);
  Add("unit", COLUMN_TYPE_CODE, "", "Unit", {Content::kUnit}, &layout);
  Add("arm", COLUMN_TYPE_CODE, "", "Arm", {Content::kArm}, &layout);
  if (HasDoses(protocol.definition())) {
    const std::string unit = DoseUnit(protocol.definition());
    layout.schema.set_dose_unit(unit);
    Add("dose", COLUMN_TYPE_NUMBER, unit, "Dose", {Content::kDose}, &layout);
  }
  Add("in_primary", COLUMN_TYPE_YES_NO, "", "Followed the protocol", {Content::kInPrimary},
      &layout);
  AddVariables(protocol, false, &layout);
  for (int i = 0; i < protocol.definition().thresholds_size(); ++i) {
    const study::v1::Threshold& threshold = protocol.threshold(i);
    const std::string& label = threshold.label().text();
    layout.schema.add_thresholds(threshold.id());
    Add(absl::StrCat(threshold.id(), "_lower"), COLUMN_TYPE_NUMBER, "d",
        absl::StrCat(label, ": last day not yet"), {Content::kLower, i}, &layout);
    Add(absl::StrCat(threshold.id(), "_upper"), COLUMN_TYPE_NUMBER, "d",
        absl::StrCat(label, ": first day"), {Content::kUpper, i}, &layout);
    Add(absl::StrCat(threshold.id(), "_status"), COLUMN_TYPE_CODE, "",
        absl::StrCat(label, ": status"), {Content::kStatus, i}, &layout);
  }
  return layout;
}

TableLayout LooksLayout(const CompiledProtocol& protocol) {
  using namespace analysis::v1;
  TableLayout layout;
  Add("block", COLUMN_TYPE_CODE, "", "Block", {Content::kBlock}, &layout);
  Add("unit", COLUMN_TYPE_CODE, "", "Unit", {Content::kUnit}, &layout);
  Add("day", COLUMN_TYPE_NUMBER, "d", "Days from the unit's start", {Content::kDay}, &layout);
  AddVariables(protocol, true, &layout);
  return layout;
}

std::vector<std::optional<double>> DosesOf(const CompiledProtocol& protocol) {
  const std::string unit = DoseUnit(protocol.definition());
  std::vector<std::optional<double>> doses;
  for (const study::v1::Arm& arm : protocol.definition().arms()) {
    doses.emplace_back();
    if (!arm.has_dose()) continue;
    const auto conversion = protocol::ConversionBetween(arm.dose().amount().unit(), unit);
    if (conversion.ok()) doses.back() = (*conversion)(arm.dose().amount().value());
  }
  return doses;
}

}  // namespace plumule::log
