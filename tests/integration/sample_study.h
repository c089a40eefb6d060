// A small study that is open today, and records for it. Invented for tests.
#pragma once

#include <string>

#include "absl/time/civil_time.h"
#include "clients/cpp/connection.h"
#include "plumule/intake/v1/record.pb.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::integration {

// Two arms, `water` and `mix`; a required country of the grower; a shoot length in mm, cm or
// inches, hard range 0 to 2,000 mm; threshold `long_enough` at 50 mm, derived; losses `rotted`
// (biological) and `eaten` (incidental); primary analysis `how_soon` by time-to-threshold. Opened
// 60 days ago, closes in 30 days, in UTC.
study::v1::Protocol SampleProtocol();

// The day `days` before today, UTC, as in records.
std::string DaysAgo(int days);

// Records, each with a new id.
intake::v1::Record Joined(const std::string& grower);
intake::v1::Record BlockStarted(const std::string& grower, const std::string& block);
intake::v1::Record UnitStarted(const std::string& block, const std::string& unit,
                               const std::string& arm, int days_ago);
intake::v1::Record Observed(const std::string& block, const std::string& unit, int days_ago,
                            double millimetres);
intake::v1::Record Lost(const std::string& block, const std::string& unit, int days_ago,
                        const std::string& cause);

// A community with a key of each role, and one open study.
struct SampleCommunity {
  std::string name;
  std::string organizer_key;
  std::string intake_key;
  std::string researcher_key;
  std::string study;
};

// Makes one; fails the test if that goes wrong. Without `open` the study stays a draft.
SampleCommunity MakeCommunity(client::Connection& as_operator, const std::string& id,
                              bool open = true);

}  // namespace plumule::integration
