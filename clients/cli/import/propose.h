#pragma once

#include <map>
#include <string>
#include <vector>

#include "clients/cli/import/mapping.pb.h"
#include "clients/cli/table/table.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::cli {

// What the user states beforehand, so that it need not be found out.
struct ProposeOptions {
  DateOrder date_order = DATE_ORDER_UNSPECIFIED;    // for all date columns
  std::map<std::string, DateOrder> column_orders;   // for single ones, by heading
  std::map<std::string, std::string> column_units;  // UCUM code by heading
  DecimalMark decimal_mark = DECIMAL_MARK_UNSPECIFIED;
};

// A mapping that a file suggests.
struct Proposal {
  Mapping mapping;
  // What the data leave open and a person must decide; with any of these the mapping is not to be
  // used. Each says which option settles it.
  std::vector<std::string> questions;
  // Why each column was taken as it is, in the order of mapping.columns().
  std::vector<std::string> reasons;
  // Remarks on the whole: how the file was read, columns left out, what to check.
  std::vector<std::string> remarks;
};

// Proposes how to read `table`. With a `protocol` (may be null) columns are matched with its arms,
// thresholds, variables and causes; without it ids are made from the headings and must be made to
// agree with the protocol by hand. Never guesses a date order that the cells leave open.
Proposal Propose(const Table& table, const study::v1::Protocol* protocol,
                 const ProposeOptions& options);

// The proposal as a mapping file: text format with the reasons as comments.
std::string ProposalText(const Proposal& proposal);

}  // namespace plumule::cli
