// Every key of the store. The only place that builds one.
//
// A key is a table's letter, then its parts. Text parts end in a zero byte, which none of them
// holds, so keys order as their parts do, bytewise; numbers are 8 bytes, big endian. `study` below
// stands for the two parts community, study.
//
//   letter  parts                      value
//   ------  -------------------------  ----------------------------------------------------------
//   @       —                          layout version, decimal text
//   c       community                  access: community
//   k       key id                     access: key, without its secret
//   K       community, key id          access: empty; the keys of a community
//   s       study                      log.StudyCreation
//   S       study                      log.StudyState, a fold of the log
//   e       study, sequence            32 bytes hash, then the bytes of the LogEntry
//   h       study                      8 bytes sequence, 32 bytes hash: the head of the log
//   g       study, grower              log.GrowerState, a fold
//   b       study, block               log.BlockState, a fold
//   b       study, block, unit         log.UnitState, a fold; right behind its block
//   i       study, record id           log.RecordIndex, a fold
//   w       study, prerequisite        log.WaitList, a fold: what waits for it
//   p       study, sequence            log.PendingState, a fold
//   u       study, variable, digest    log.UniqueCount, a fold
//   f       study, number              study.v1.Freeze, a fold
//   r       study, record id           log.RefusedState; beside the log
//   R       study, ~arrival            record id; refused records, newest first
//   q       study                      log.RefusedCount
//   a       study, run id              analysis: run
//   A       study, ~number             analysis: run id; runs, newest first
//   o       study, run id              analysis: empty; runs that have not ended
//   n       study, result id           analysis: stored result
//   N       study, ~number             analysis: stored result without its body; newest first
//   m       digest                     analysis: name of the result of a cache key
//   x       name                       server: counters and secrets of the server itself
#pragma once

#include <cstdint>
#include <string>

#include "absl/strings/string_view.h"
#include "server/store/study_name.h"

namespace plumule::store {

std::string LayoutKey();

// Access.
std::string CommunityKey(absl::string_view community);
std::string CommunitiesPrefix();
std::string AccessKeyKey(absl::string_view key_id);
std::string CommunityAccessKeyKey(absl::string_view community, absl::string_view key_id);
std::string CommunityAccessKeysPrefix(absl::string_view community);

// Studies and their logs.
std::string StudyKey(const StudyName& study);
// All studies of a community, by id.
std::string StudiesPrefix(absl::string_view community);
std::string StudyStateKey(const StudyName& study);
std::string LogEntryKey(const StudyName& study, std::int64_t sequence);
std::string LogPrefix(const StudyName& study);
std::string LogHeadKey(const StudyName& study);

// Folds of the log.
std::string GrowerKey(const StudyName& study, absl::string_view grower);
std::string BlockKey(const StudyName& study, absl::string_view block);
// A study's blocks, each followed by its units.
std::string BlocksPrefix(const StudyName& study);
std::string UnitKey(const StudyName& study, absl::string_view block, absl::string_view unit);
std::string RecordIndexKey(const StudyName& study, absl::string_view record_id);
// `prerequisite` is text without zero bytes, as log/prerequisite.h makes it.
std::string WaitKey(const StudyName& study, absl::string_view prerequisite);
std::string PendingKey(const StudyName& study, std::int64_t sequence);
std::string PendingPrefix(const StudyName& study);
// `digest` is 32 bytes.
std::string UniqueKey(const StudyName& study, absl::string_view variable, absl::string_view digest);
std::string FreezeKey(const StudyName& study, std::int64_t number);
std::string FreezesPrefix(const StudyName& study);
// The tables that a rebuild from the log must make again, by letter.
inline constexpr absl::string_view kFoldTables = "Sgbiwpuf";
// All keys of a study in one table.
std::string StudyTablePrefix(char table, const StudyName& study);

// Refused records.
std::string RefusedKey(const StudyName& study, absl::string_view record_id);
std::string RefusedArrivalKey(const StudyName& study, std::int64_t arrival);
std::string RefusedArrivalsPrefix(const StudyName& study);
std::string RefusedCountKey(const StudyName& study);

// Analysis.
std::string RunKey(const StudyName& study, absl::string_view run);
std::string RunOrderKey(const StudyName& study, std::int64_t number);
std::string RunOrderPrefix(const StudyName& study);
std::string OpenRunKey(const StudyName& study, absl::string_view run);
// Of all studies.
std::string OpenRunsPrefix();
std::string ResultKey(const StudyName& study, absl::string_view result);
std::string ResultOrderKey(const StudyName& study, std::int64_t number);
std::string ResultOrderPrefix(const StudyName& study);
// `digest` is 32 bytes.
std::string ResultCacheKey(absl::string_view digest);

// The server itself.
std::string ServerKey(absl::string_view name);

// What a key says, taken apart again.
// Last 8 bytes of a key as a number; of keys with ~, the number that was meant.
std::int64_t SequenceOf(absl::string_view key);
std::int64_t ReversedNumberOf(absl::string_view key);
// The text part at `index` after the table's letter, from 0. Empty if there is none.
absl::string_view TextPartOf(absl::string_view key, int index);

}  // namespace plumule::store
