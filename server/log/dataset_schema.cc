#include "server/log/dataset_schema.h"

#include <string>

#include "absl/strings/string_view.h"
#include "server/protocol/units.h"

namespace plumule::log {
namespace {

using analysis::v1::ColumnType;
using protocol::CompiledProtocol;
using study::v1::Variable;

void AddColumn(absl::string_view name, ColumnType type, absl::string_view unit,
               absl::string_view label, TableColumns* table) {
  analysis::v1::ColumnSchema* column = table->schema.add_columns();
  column->set_name(std::string(name));
  column->set_type(type);
  column->set_unit(std::string(unit));
  column->set_label(std::string(label));
}

ColumnType TypeOf(const Variable& variable) {
  switch (variable.type_case()) {
    case Variable::kNumber:
      return analysis::v1::COLUMN_TYPE_NUMBER;
    case Variable::kCount:
      return analysis::v1::COLUMN_TYPE_COUNT;
    case Variable::kDate:
      return analysis::v1::COLUMN_TYPE_DATE;
    case Variable::kYesNo:
      return analysis::v1::COLUMN_TYPE_YES_NO;
    case Variable::kText:
      return analysis::v1::COLUMN_TYPE_TEXT;
    default:
      return analysis::v1::COLUMN_TYPE_CODE;
  }
}

bool ForOrganizersOnly(const CompiledProtocol& protocol, absl::string_view variable) {
  for (const auto& audience : protocol.definition().privacy().variables()) {
    if (audience.variable() == variable) {
      return audience.audience() == study::v1::AUDIENCE_ORGANIZERS;
    }
  }
  return false;
}

// Adds the variables that are on looks, or those that are not.
void AddVariables(const CompiledProtocol& protocol, bool on_looks, TableColumns* table) {
  for (int handle = 0; handle < protocol.definition().variables_size(); ++handle) {
    const Variable& variable = protocol.variable(handle);
    if ((variable.scope() == study::v1::SCOPE_OBSERVATION) != on_looks) continue;
    if (variable.has_photo() || ForOrganizersOnly(protocol, variable.id())) continue;
    AddColumn(variable.id(), TypeOf(variable), variable.number().unit(), variable.label().text(),
              table);
    table->variables.push_back(handle);
  }
}

void AddDose(const CompiledProtocol& protocol, TableColumns* table) {
  std::string unit;
  for (const study::v1::Arm& arm : protocol.definition().arms()) {
    if (unit.empty()) unit = arm.dose().amount().unit();
  }
  if (unit.empty()) return;
  for (const study::v1::Arm& arm : protocol.definition().arms()) {
    const study::v1::Quantity& amount = arm.dose().amount();
    // Check has seen that doses convert; an arm without one is untreated.
    const auto conversion =
        protocol::ConversionBetween(amount.unit().empty() ? unit : amount.unit(), unit);
    table->doses.push_back(conversion.ok() ? (*conversion)(amount.value()) : 0);
  }
  table->schema.set_dose_unit(unit);
  AddColumn("dose", analysis::v1::COLUMN_TYPE_NUMBER, unit, "dose", table);
}

}  // namespace

TableColumns UnitColumns(const CompiledProtocol& protocol) {
  TableColumns table;
  AddColumn("block", analysis::v1::COLUMN_TYPE_CODE, "", "block", &table);
  AddColumn("unit", analysis::v1::COLUMN_TYPE_CODE, "", "unit", &table);
  AddColumn("arm", analysis::v1::COLUMN_TYPE_CODE, "", "arm", &table);
  AddDose(protocol, &table);
  AddColumn("in_primary", analysis::v1::COLUMN_TYPE_YES_NO, "", "followed the protocol", &table);
  AddVariables(protocol, /*on_looks=*/false, &table);
  for (const study::v1::Threshold& threshold : protocol.definition().thresholds()) {
    const std::string& label = threshold.label().text();
    AddColumn(threshold.id() + "_lower", analysis::v1::COLUMN_TYPE_NUMBER, "d", label, &table);
    AddColumn(threshold.id() + "_upper", analysis::v1::COLUMN_TYPE_NUMBER, "d", label, &table);
    AddColumn(threshold.id() + "_status", analysis::v1::COLUMN_TYPE_CODE, "", label, &table);
    table.schema.add_thresholds(threshold.id());
  }
  return table;
}

TableColumns LookColumns(const CompiledProtocol& protocol) {
  TableColumns table;
  AddColumn("block", analysis::v1::COLUMN_TYPE_CODE, "", "block", &table);
  AddColumn("unit", analysis::v1::COLUMN_TYPE_CODE, "", "unit", &table);
  AddColumn("day", analysis::v1::COLUMN_TYPE_NUMBER, "d", "days from the unit's start", &table);
  AddVariables(protocol, /*on_looks=*/true, &table);
  return table;
}

}  // namespace plumule::log
