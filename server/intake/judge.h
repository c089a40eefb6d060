// Judges a record against what is known: the growers, blocks and units it speaks of.
#pragma once

#include "absl/status/status.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/log/fold.h"
#include "server/log/state_space.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/study_name.h"

namespace plumule::intake {

// Limits of what one grower, block or unit can hold.
inline constexpr int kMostUnitsOfBlock = 20'000;
inline constexpr int kMostLooksOfUnit = 2'000;
inline constexpr int kMostPhotosOfUnit = 200;
// Findings of one rule that one record is told of.
inline constexpr int kMostFindingsOfRule = 20;

// Adds to `judgement` what is wrong with `record`, whose `effect` lacks nothing that it waits for,
// and what departs from the protocol because of it. `effect` gets its place if it is a correction.
// State is read, not changed. Errors: those of the store.
absl::Status JudgeAgainstState(const v1::Record& record, const protocol::CompiledProtocol& protocol,
                               const store::StudyName& study, log::StateSpace& space,
                               log::Fold& fold, log::Effect* effect, v1::Judgement* judgement);

}  // namespace plumule::intake
