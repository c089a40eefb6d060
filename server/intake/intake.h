// The one way by which a study changes: records come in, are judged, chained and written.
//
//   any thread ── Submit ── what can be said of a record alone ──▶ queue ──▶ committer thread:
//     judge each in order against what is known ── hash ── one synced batch ── answers
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "plumule/access/v1/access_service.pb.h"
#include "plumule/intake/v1/intake_service.pb.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::intake {

// Who sends.
struct Actor {
  // Kept with each log entry.
  std::string key_id;
  // Decides what may still be sent after the grace.
  access::v1::Role role = access::v1::ROLE_INTAKE;
};

// What became of one record.
struct Answer {
  v1::Receipt receipt;
  // OK, refused records included. ALREADY_EXISTS (`record_id_reused`), with metadata
  // `stored_digest` and `sent_digest`: the receipt then says the same as a refusal.
  absl::Status error;
};

// One answer a record, in the order sent; or why there are none:
// NOT_FOUND (`study_not_found`), FAILED_PRECONDITION (`study_not_open`: no protocol yet),
// INVALID_ARGUMENT (`batch_size`: no records, or more than kMostRecords),
// RESOURCE_EXHAUSTED (`intake_queue_full`) with a time to wait; UNAVAILABLE (`outcome_unknown`: the
// store failed during or before the write; send the same records again once it is open again),
// UNAVAILABLE (`shutting_down`), RESOURCE_EXHAUSTED (`store_full`), DATA_LOSS (`log_damaged`).
using Answers = absl::StatusOr<std::vector<Answer>>;

struct IntakeOptions {
  // What may wait for the committer.
  std::size_t queued_records = 20'000;
  std::size_t queued_bytes = std::size_t{64} << 20;
  // What goes into one synced batch.
  std::size_t batch_records = 2'000;
  std::size_t batch_bytes = std::size_t{4} << 20;
  // State kept in memory between batches, as serialized; four to eight times this is used.
  std::size_t state_cache_bytes = std::size_t{16} << 20;
  // Pending records of one study, and for one prerequisite.
  std::int64_t pending_of_study = 100'000;
  int pending_of_prerequisite = 1'000;
  // Refused records kept aside of one study; later ones are refused all the same, but not kept.
  std::int64_t refused_of_study = 100'000;
};

// Records in one call.
inline constexpr std::size_t kMostRecords = 1'000;
// Bytes of one record; a larger one is refused (`record_too_large`) and not kept aside.
inline constexpr std::size_t kMostRecordBytes = 64 * 1024;

// Ends a following when destroyed; waits for a call that is under way.
class LogFollower {
 public:
  virtual ~LogFollower() = default;
};

class Intake {
 public:
  using Clock = std::function<absl::Time()>;

  // Starts the committer thread. `store` must outlive the intake; nobody else may write the keys of
  // studies.
  Intake(store::Store& store, Clock clock, IntakeOptions options = {});
  // As Shutdown.
  ~Intake();
  Intake(const Intake&) = delete;
  Intake& operator=(const Intake&) = delete;

  // Takes records in. Judges on the calling thread what can be told of each alone (microseconds a
  // record), the rest on the committer's. `done` is called exactly once, on the committer's thread
  // once all is durable, or on the calling one if nothing was queued; it must not block. Calls are
  // answered in the order in which they were queued.
  void Submit(const store::StudyName& study, std::vector<v1::Record> records, Actor actor,
              std::function<void(Answers)> done);

  // Judges as Submit would, one after the other, and stores nothing. `log_sequence` is 0. Runs on
  // the calling thread, on a snapshot.
  Answers Try(const store::StudyName& study, std::vector<v1::Record> records, const Actor& actor);

  // Calls `on_head` with the sequence of the newest entry after each batch that added to the
  // study's log, on the committer's thread; it must not block. Nothing is said of entries from
  // before.
  std::unique_ptr<LogFollower> Follow(const store::StudyName& study,
                                      std::function<void(std::int64_t)> on_head);

  // Answers what is queued, takes no more, and ends the committer. Waits.
  void Shutdown();

  // True after a failed write: everything is answered with `outcome_unknown` until store and intake
  // are made anew.
  bool stopped() const;

  // For StudyLife: a record that the server writes itself, for an organizer. `expected_head`: with
  // a value, ABORTED (`log_moved`) if the log's head is another when its turn comes. Errors as
  // above, and those of the fact: FAILED_PRECONDITION (`study_closed`, `study_not_open`,
  // `closes_early`), ABORTED (`revision_taken`).
  void SubmitOwn(const store::StudyName& study, v1::Record record, Actor actor,
                 std::optional<std::int64_t> expected_head,
                 std::function<void(absl::StatusOr<Answer>)> done);

 private:
  class Committer;
  std::unique_ptr<Committer> committer_;
};

}  // namespace plumule::intake
