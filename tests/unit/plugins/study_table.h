// Small studies as tables, for tests of plugins.
#ifndef PLUMULE_TESTS_UNIT_PLUGINS_STUDY_TABLE_H_
#define PLUMULE_TESTS_UNIT_PLUGINS_STUDY_TABLE_H_

#include <optional>
#include <string>
#include <vector>

#include "plugins/sdk/plugin.h"
#include "plumule/analysis/v1/result.pb.h"
#include "plumule/plugin/v1/plugin.pb.h"

namespace plumule::tests {

struct UnitRow {
  std::string block;
  std::string unit;
  std::string arm;
  double lower = 0;
  std::optional<double> upper;
  std::string status = "reached";
  bool in_primary = true;
  std::string site = "";  // a subgroup variable; "" is missing
};

// First seen on `day`, last looked at the day before; and still under way on `day`.
UnitRow Reached(const std::string& block, const std::string& unit, const std::string& arm,
                double day);
UnitRow Unfinished(const std::string& block, const std::string& unit, const std::string& arm,
                   double day, const std::string& status = "not_reached");

// A protocol with a control and treatments of these ids, one threshold "sprouted" and one analysis
// "main"; units are seeds, allocated by the server.
plugin::v1::AnalysisSetup MakeSetup(const std::string& control,
                                    const std::vector<std::string>& treatments);

// The rows in the given order, in chunks of `chunk_rows`, read back as a plugin reads them.
sdk::AnalysisInput MakeInput(const plugin::v1::AnalysisSetup& setup,
                             const std::vector<UnitRow>& rows, int chunk_rows = 1000);

// The manifest of a plugin, from its file.
plugin::v1::Manifest ReadManifest(const std::string& id);

// Progress that nobody listens to.
sdk::Progress Quiet();

// The one estimate, or test, of these names; null if there is none, and a failed check if several.
const analysis::v1::Estimate* FindEstimate(const analysis::v1::Result& result,
                                           const std::string& measure, const std::string& method,
                                           const std::string& arm = "", const std::string& set = "",
                                           std::optional<double> at = std::nullopt,
                                           const std::string& subgroup = "");
const analysis::v1::Test* FindTest(const analysis::v1::Result& result, const std::string& name,
                                   const std::string& arm = "", const std::string& method = "");

bool HasWarning(const analysis::v1::Result& result, const std::string& reason);

// All findings, one a line.
std::string Findings(const analysis::v1::Result& result);

// Fails the test for every rule of the host that the result breaks, and for words that no result
// may hold.
void ExpectAcceptable(const analysis::v1::Result& result);

// The acceptable result that a plugin gave; fails the test, and is empty, if it gave an error.
analysis::v1::Result Accepted(absl::StatusOr<analysis::v1::Result> result);

}  // namespace plumule::tests

#endif  // PLUMULE_TESTS_UNIT_PLUGINS_STUDY_TABLE_H_
