// A study's life: made, published, amended, closed, frozen. Each step but the first is a record in
// its log.
//
// Every method waits until its step is durable, so call from a thread that may wait. A `request_id`
// (a UUID made by the client) that was used before with the same request gets the first answer.
// With another request: ALREADY_EXISTS (`record_id_reused`). Errors beside those named: those of
// Intake.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "plumule/study/v1/study_service.pb.h"
#include "server/intake/intake.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::intake {

// Any thread.
class StudyLife {
 public:
  // Both must outlive it.
  StudyLife(store::Store& store, Intake& intake, Intake::Clock clock);

  // Makes a study without a protocol. ALREADY_EXISTS (`study_exists`).
  absl::StatusOr<study::v1::Study> Create(const store::StudyName& name, const Actor& actor);

  // Publishes the next revision. INVALID_ARGUMENT (`protocol_has_problems`, one violation a
  // problem; `amendment_incompatible`, one violation a change that would make earlier records
  // meaningless; `reason_missing` for an amendment without one), FAILED_PRECONDITION
  // (`study_closed`), ABORTED
  // (`revision_taken`: someone else published meanwhile).
  absl::StatusOr<study::v1::Study> Publish(const store::StudyName& name,
                                           const study::v1::Protocol& definition,
                                           const std::string& request_id, const std::string& reason,
                                           const Actor& actor);

  // Ends intake for good. FAILED_PRECONDITION (`study_not_open`; `closes_early`: before `closes_on`
  // and no reason given).
  absl::StatusOr<study::v1::Study> Close(const store::StudyName& name,
                                         const std::string& request_id, const std::string& reason,
                                         const Actor& actor);

  // Fixes the dataset at the head of the log; the newest freeze if nothing was logged since. One
  // pass over the dataset, on the calling thread. FAILED_PRECONDITION (`study_not_closed`).
  absl::StatusOr<study::v1::Freeze> Freeze(const store::StudyName& name,
                                           const std::string& request_id, const Actor& actor);

  // Leaves one unit, or with an empty `unit` one block, out of every later dataset. The receipt
  // says if it was refused (`block_not_found`, `unit_not_found`, `reason_missing`).
  absl::StatusOr<v1::Receipt> Exclude(const store::StudyName& name, const std::string& block,
                                      const std::string& unit, const std::string& reason,
                                      const std::string& request_id, const Actor& actor);

 private:
  absl::StatusOr<Answer> Write(const store::StudyName& name, v1::Record record, const Actor& actor,
                               std::optional<std::int64_t> expected_head = std::nullopt);

  store::Store& store_;
  Intake& intake_;
  Intake::Clock clock_;
};

}  // namespace plumule::intake
