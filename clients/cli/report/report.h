#pragma once

#include <optional>
#include <string>

#include "absl/status/statusor.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::cli {

// What a report is made of.
struct ReportContents {
  analysis::v1::StoredResult stored;
  // The definition under which the study ran, for its words; without it the report speaks in ids.
  std::optional<study::v1::Protocol> protocol;
  // Words for where the result came from if there is no provenance: "local file U.csv".
  std::string origin;
  // ISO date, for "how to cite".
  std::string made_on;
  std::string finding_heading = "What was found";
};

// One self-contained HTML page. It loads nothing: scripts, styles and data are in it, and its
// content security policy forbids anything else. Without JavaScript the figures' words and numbers
// stand in their place. Everything that comes from the result or the protocol is escaped.
std::string ReportPage(const ReportContents& contents);

}  // namespace plumule::cli
