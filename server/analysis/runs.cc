#include "server/analysis/runs.h"

#include <google/protobuf/io/coded_stream.h>
#include <google/protobuf/io/zero_copy_stream_impl_lite.h>

#include <algorithm>
#include <cstdlib>
#include <map>
#include <optional>
#include <stop_token>
#include <thread>
#include <utility>

#include "absl/base/thread_annotations.h"
#include "absl/strings/ascii.h"
#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "absl/synchronization/mutex.h"
#include "server/analysis/fair_queue.h"
#include "server/analysis/plugin_process.h"
#include "server/analysis/sha256.h"
#include "server/analysis/utf8.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::analysis {
namespace {

constexpr size_t kMaxMessage = size_t{4} << 10;
constexpr absl::Duration kBusyRetry = absl::Seconds(10);

void SetTime(absl::Time time, google::protobuf::Timestamp* out) {
  const std::int64_t seconds = absl::ToUnixSeconds(time);
  out->set_seconds(seconds);
  out->set_nanos(static_cast<int>(absl::ToInt64Nanoseconds(time - absl::FromUnixSeconds(seconds))));
}

// The same message has the same bytes.
template <typename Message>
std::string DeterministicBytes(const Message& message) {
  std::string bytes;
  google::protobuf::io::StringOutputStream sink(&bytes);
  google::protobuf::io::CodedOutputStream out(&sink);
  out.SetSerializationDeterministic(true);
  message.SerializeToCodedStream(&out);
  out.Trim();
  return bytes;
}

bool IsUuid(absl::string_view text) {
  if (text.size() != 36) return false;
  for (size_t i = 0; i < text.size(); ++i) {
    const bool is_dash = i == 8 || i == 13 || i == 18 || i == 23;
    const auto c = static_cast<unsigned char>(text[i]);
    if (is_dash ? c != '-' : !absl::ascii_isxdigit(c)) return false;
  }
  return true;
}

absl::Status NotFound(absl::string_view reason, absl::string_view name) {
  return ReasonedError(absl::StatusCode::kNotFound, reason,
                       absl::StrCat("There is no ", Utf8Prefix(Readable(name), 200), "."));
}

absl::Status Stopping() {
  return ReasonedError(absl::StatusCode::kUnavailable, "server_stopping",
                       "The server is about to stop; ask again once it is back.");
}

void Fail(v1::RunFailure failure, absl::string_view message, v1::Run* run) {
  run->set_state(v1::RUN_STATE_FAILED);
  run->set_failure(failure);
  run->set_message(std::string(Utf8Prefix(Readable(message), kMaxMessage)));
}

constexpr absl::string_view kStoppedWords =
    "The server stopped before the run had ended; ask for the analysis again.";

}  // namespace

std::int64_t DeriveSeed(absl::string_view dataset_digest, absl::string_view analysis_id) {
  const std::string digest =
      Sha256Hex(absl::StrCat("plumule seed 1\n", dataset_digest, "\n", analysis_id, "\n"));
  const unsigned long long high = std::strtoull(digest.substr(0, 16).c_str(), nullptr, 16);
  return static_cast<std::int64_t>(high & 0x7fffffffffffffffULL);
}

class Runs::Implementation {
 public:
  Implementation(store::Store* store, std::shared_ptr<const PluginCatalog> catalog,
                 PrepareAnalysis prepare, std::function<absl::Time()> clock, RunsOptions options)
      : runs_(store),
        catalog_(std::move(catalog)),
        prepare_(std::move(prepare)),
        clock_(std::move(clock)),
        options_(std::move(options)) {}
  ~Implementation() { Stop(); }

  absl::Status EndLostRuns();
  void StartWorkers();
  absl::StatusOr<v1::Run> CreateRun(const v1::CreateRunRequest& request);
  absl::StatusOr<v1::Run> WaitFor(absl::string_view name, absl::Time deadline) const;
  absl::StatusOr<v1::Run> Cancel(absl::string_view name);
  absl::StatusOr<Page<v1::Run>> List(absl::string_view study, int page_size,
                                     absl::string_view page_token) const;
  const RunStore& stored() const { return runs_; }
  void Stop();

 private:
  // A run that has not ended.
  struct OpenRun {
    // What is known when it is made.
    StudyPartName name;
    std::int64_t number = 0;
    std::string freeze;
    PreparedAnalysis prepared;
    const InstalledPlugin* plugin = nullptr;
    study::v1::Analysis analysis;
    std::string cache_key;
    std::stop_source stop;

    // Guarded by mutex_.
    v1::Run run;
    bool has_ended = false;
    bool cancelled = false;
  };
  using OpenRunPointer = std::shared_ptr<OpenRun>;

  absl::StatusOr<std::optional<v1::Run>> FindEarlier(const v1::CreateRunRequest& request,
                                                     const StudyPartName& name) const;
  absl::StatusOr<OpenRunPointer> Prepare(const v1::CreateRunRequest& request,
                                         const StudyPartName& name) const;
  absl::Status CheckRoom(const std::string& community) const;
  OpenRunPointer FindOpen(absl::string_view name) const;
  void Work();
  void Execute(OpenRun& open);
  v1::StoredResult Store(const OpenRun& open, const PluginOutcome<v1::Result>& outcome,
                         absl::Time start, absl::Time end) const;
  void NoteProgress(OpenRun& open, double fraction);
  void End(OpenRun& open, v1::Run run, const v1::StoredResult* result);
  std::string CacheKey(const OpenRun& open) const;

  RunStore runs_;
  const std::shared_ptr<const PluginCatalog> catalog_;
  const PrepareAnalysis prepare_;
  const std::function<absl::Time()> clock_;
  const RunsOptions options_;

  // Held while a run is added, so that numbers and the length of the queue stay right.
  absl::Mutex adding_ ABSL_ACQUIRED_BEFORE(mutex_);
  mutable absl::Mutex mutex_;
  FairQueue<OpenRunPointer> queue_ ABSL_GUARDED_BY(mutex_);
  std::map<std::string, OpenRunPointer, std::less<>> open_ ABSL_GUARDED_BY(mutex_);
  bool stopping_ ABSL_GUARDED_BY(mutex_) = false;

  absl::Mutex joining_;
  std::vector<std::thread> workers_ ABSL_GUARDED_BY(joining_);
};

absl::Status Runs::Implementation::EndLostRuns() {
  PLUMULE_ASSIGN_OR_RETURN(const std::vector<StudyPartName> names, runs_.OpenRuns());
  for (const StudyPartName& name : names) {
    absl::StatusOr<std::optional<v1::Run>> found = runs_.GetRun(name);
    PLUMULE_RETURN_IF_ERROR(found.status());
    if (!found->has_value()) continue;
    v1::Run& run = **found;
    Fail(v1::RUN_FAILURE_SERVER_STOPPED, kStoppedWords, &run);
    SetTime(clock_(), run.mutable_end_time());
    PLUMULE_RETURN_IF_ERROR(runs_.EndLostRun(name, run));
  }
  return absl::OkStatus();
}

void Runs::Implementation::StartWorkers() {
  absl::MutexLock lock(&joining_);
  for (int i = 0; i < std::max(1, options_.workers); ++i) workers_.emplace_back([this] { Work(); });
}

Runs::Implementation::OpenRunPointer Runs::Implementation::FindOpen(absl::string_view name) const {
  absl::MutexLock lock(&mutex_);
  const auto found = open_.find(name);
  return found == open_.end() ? nullptr : found->second;
}

absl::StatusOr<std::optional<v1::Run>> Runs::Implementation::FindEarlier(
    const v1::CreateRunRequest& request, const StudyPartName& name) const {
  PLUMULE_ASSIGN_OR_RETURN(std::optional<v1::Run> earlier, runs_.GetRun(name));
  if (!earlier) return earlier;
  if (earlier->freeze() != request.freeze() || earlier->analysis() != request.analysis()) {
    return ReasonedError(
        absl::StatusCode::kAlreadyExists, "request_id_reused",
        absl::StrCat("The request id ", name.id, " was used for the analysis `",
                     earlier->analysis(), "` of ", earlier->freeze(), "; use a new one."));
  }
  if (const OpenRunPointer open = FindOpen(earlier->name())) {
    absl::MutexLock lock(&mutex_);
    return std::optional<v1::Run>(open->run);
  }
  return earlier;
}

std::string Runs::Implementation::CacheKey(const OpenRun& open) const {
  // Length before each part: no two lists of parts have the same bytes.
  std::string bytes;
  for (const std::string& part :
       {std::string("plumule result 1"), open.name.study.Format(), open.prepared.dataset_digest,
        open.plugin->digest, DeterministicBytes(open.analysis),
        absl::StrCat(open.prepared.setup.seed())}) {
    absl::StrAppend(&bytes, part.size(), ":", part, "\n");
  }
  return absl::HexStringToBytes(Sha256Hex(bytes));
}

absl::StatusOr<Runs::Implementation::OpenRunPointer> Runs::Implementation::Prepare(
    const v1::CreateRunRequest& request, const StudyPartName& name) const {
  auto open = std::make_shared<OpenRun>();
  open->name = name;
  open->freeze = request.freeze();
  PLUMULE_ASSIGN_OR_RETURN(open->prepared, prepare_(request.freeze(), request.analysis()));
  plugin::v1::AnalysisSetup& setup = open->prepared.setup;
  PLUMULE_ASSIGN_OR_RETURN(open->plugin, catalog_->Choose(setup.analysis()));
  open->analysis = WithDefaults(setup.analysis(), open->plugin->manifest);
  setup.set_seed(DeriveSeed(open->prepared.dataset_digest, setup.analysis().id()));
  open->cache_key = CacheKey(*open);

  v1::Run& run = open->run;
  run.set_name(absl::StrCat(name.study.Format(), "/runs/", name.id));
  run.set_freeze(request.freeze());
  run.set_analysis(request.analysis());
  *run.mutable_plugin() = Describe(*open->plugin);
  run.set_state(v1::RUN_STATE_QUEUED);
  SetTime(clock_(), run.mutable_create_time());
  return open;
}

absl::Status Runs::Implementation::CheckRoom(const std::string& community) const {
  absl::MutexLock lock(&mutex_);
  if (stopping_) return Stopping();
  const auto own = static_cast<int>(queue_.size_of(community));
  if (own < options_.queued_per_community &&
      static_cast<int>(queue_.size()) < options_.queued_in_all) {
    return absl::OkStatus();
  }
  return WithRetryAfter(
      ReasonedError(absl::StatusCode::kResourceExhausted, "run_queue_full",
                    absl::StrCat(own, " runs of this community wait already, ", queue_.size(),
                                 " in all; try again when some have ended.")),
      kBusyRetry);
}

absl::StatusOr<v1::Run> Runs::Implementation::CreateRun(const v1::CreateRunRequest& request) {
  if (!IsUuid(request.request_id())) {
    return ReasonedError(absl::StatusCode::kInvalidArgument, "request_id_not_valid",
                         "`request_id` must be a UUID, made by the client for this request.",
                         {{"request_id", "request_id_not_valid", "a UUID"}});
  }
  PLUMULE_ASSIGN_OR_RETURN(const StudyPartName freeze, ParseStudyPart(request.freeze(), "freezes"));
  const StudyPartName name{freeze.study, absl::AsciiStrToLower(request.request_id())};

  absl::MutexLock adding(&adding_);
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<v1::Run> earlier, FindEarlier(request, name));
  if (earlier) return *earlier;
  PLUMULE_ASSIGN_OR_RETURN(const OpenRunPointer open, Prepare(request, name));
  PLUMULE_ASSIGN_OR_RETURN(open->number, runs_.NextNumber(name.study));
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> cached,
                           runs_.FindCached(open->cache_key));
  v1::Run run = open->run;
  if (cached) {
    run.set_state(v1::RUN_STATE_SUCCEEDED);
    run.set_result(*cached);
    run.set_progress(1);
    run.set_cached(true);
    *run.mutable_end_time() = run.create_time();
    PLUMULE_RETURN_IF_ERROR(runs_.AddRun(name, open->number, run));
    return run;
  }
  PLUMULE_RETURN_IF_ERROR(CheckRoom(name.study.community));
  PLUMULE_RETURN_IF_ERROR(runs_.AddRun(name, open->number, run));
  {
    absl::MutexLock lock(&mutex_);
    open_.emplace(run.name(), open);
    if (!stopping_) {
      queue_.Push(name.study.community, open);
      return run;
    }
  }
  Fail(v1::RUN_FAILURE_SERVER_STOPPED, kStoppedWords, &run);
  End(*open, run, nullptr);
  return run;
}

absl::StatusOr<v1::Run> Runs::Implementation::WaitFor(absl::string_view name,
                                                      absl::Time deadline) const {
  PLUMULE_ASSIGN_OR_RETURN(const StudyPartName parsed, ParseStudyPart(name, "runs"));
  if (const OpenRunPointer open = FindOpen(name)) {
    absl::MutexLock lock(&mutex_);
    mutex_.AwaitWithDeadline(absl::Condition(&open->has_ended), deadline);
    return open->run;
  }
  PLUMULE_ASSIGN_OR_RETURN(std::optional<v1::Run> run, runs_.GetRun(parsed));
  if (!run) return NotFound("run_not_found", name);
  return *std::move(run);
}

absl::StatusOr<v1::Run> Runs::Implementation::Cancel(absl::string_view name) {
  const OpenRunPointer open = FindOpen(name);
  if (open == nullptr) return WaitFor(name, absl::InfinitePast());
  bool was_queued;
  v1::Run run;
  {
    absl::MutexLock lock(&mutex_);
    open->cancelled = true;
    was_queued = queue_.Remove(open->name.study.community, open);
    run = open->run;
  }
  if (was_queued) {
    run.set_state(v1::RUN_STATE_CANCELLED);
    run.set_message("It was stopped before its turn had come.");
    End(*open, std::move(run), nullptr);
  }
  open->stop.request_stop();
  return WaitFor(name, absl::Now() + options_.limits.shutdown + absl::Seconds(5));
}

absl::StatusOr<Page<v1::Run>> Runs::Implementation::List(absl::string_view study, int page_size,
                                                         absl::string_view page_token) const {
  PLUMULE_ASSIGN_OR_RETURN(const store::StudyName parsed, store::ParseStudyName(study));
  PLUMULE_ASSIGN_OR_RETURN(Page<v1::Run> page, runs_.ListRuns(parsed, page_size, page_token));
  absl::MutexLock lock(&mutex_);
  for (v1::Run& run : page.items) {
    const auto open = open_.find(run.name());
    if (open != open_.end()) run = open->second->run;
  }
  return page;
}

void Runs::Implementation::Work() {
  const auto has_work = [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) {
    return stopping_ || !queue_.empty();
  };
  while (true) {
    OpenRunPointer open;
    v1::Run run;
    {
      absl::MutexLock lock(&mutex_);
      mutex_.Await(absl::Condition(&has_work));
      if (stopping_) return;
      open = queue_.Pop();
      open->run.set_state(v1::RUN_STATE_RUNNING);
      run = open->run;
    }
    // Only for readers after a crash, who find it as open either way.
    runs_.NoteRunning(open->name, run).IgnoreError();
    Execute(*open);
  }
}

void Runs::Implementation::NoteProgress(OpenRun& open, double fraction) {
  absl::MutexLock lock(&mutex_);
  open.run.set_progress(fraction);
}

v1::StoredResult Runs::Implementation::Store(const OpenRun& open,
                                             const PluginOutcome<v1::Result>& outcome,
                                             absl::Time start, absl::Time end) const {
  v1::StoredResult stored;
  stored.set_name(absl::StrCat(open.name.study.Format(), "/results/", open.name.id));
  v1::Provenance& provenance = *stored.mutable_provenance();
  provenance.set_study(open.name.study.Format());
  provenance.set_freeze(open.freeze);
  provenance.set_dataset_digest(open.prepared.dataset_digest);
  *provenance.mutable_plugin() = Describe(*open.plugin);
  *provenance.mutable_analysis() = open.analysis;
  provenance.set_seed(open.prepared.setup.seed());
  provenance.set_plumule_version(options_.plumule_version);
  for (const std::string& words : outcome.enforced) provenance.add_enforced(words);
  SetTime(start, provenance.mutable_start_time());
  SetTime(end, provenance.mutable_end_time());
  provenance.set_result_digest(Sha256Hex(DeterministicBytes(*outcome.answer)));
  *stored.mutable_result() = *outcome.answer;
  return stored;
}

void Runs::Implementation::Execute(OpenRun& open) {
  v1::Run run;
  {
    absl::MutexLock lock(&mutex_);
    run = open.run;
  }
  // The same analysis may have been asked for twice, and have succeeded while this one waited.
  const absl::StatusOr<std::optional<std::string>> cached = runs_.FindCached(open.cache_key);
  if (cached.ok() && *cached) {
    run.set_state(v1::RUN_STATE_SUCCEEDED);
    run.set_result(**cached);
    run.set_cached(true);
    return End(open, std::move(run), nullptr);
  }
  const absl::StatusOr<std::unique_ptr<DatasetSource>> data = open.prepared.open();
  if (!data.ok()) {
    Fail(v1::RUN_FAILURE_SERVER_FAULT,
         absl::StrCat("The frozen dataset could not be read: ", data.status().message()), &run);
    return End(open, std::move(run), nullptr);
  }
  PluginLimits limits = options_.limits;
  limits.host_version = options_.plumule_version;
  const absl::Time start = clock_();
  const PluginOutcome<v1::Result> outcome =
      Analyze(*open.plugin, open.prepared.setup, **data, limits, open.stop.get_token(),
              [&](double fraction, absl::string_view) { NoteProgress(open, fraction); });
  if (outcome.answer.ok()) {
    const v1::StoredResult stored = Store(open, outcome, start, clock_());
    run.set_state(v1::RUN_STATE_SUCCEEDED);
    run.set_result(stored.name());
    return End(open, std::move(run), &stored);
  }
  bool cancelled;
  {
    absl::MutexLock lock(&mutex_);
    cancelled = open.cancelled;
    run.set_progress(open.run.progress());
  }
  if (!absl::IsCancelled(outcome.answer.status())) {
    Fail(outcome.failure, outcome.answer.status().message(), &run);
  } else if (cancelled) {
    run.set_state(v1::RUN_STATE_CANCELLED);
    run.set_message("It was stopped while the plugin worked.");
  } else {
    Fail(v1::RUN_FAILURE_SERVER_STOPPED, kStoppedWords, &run);
  }
  End(open, std::move(run), nullptr);
}

void Runs::Implementation::End(OpenRun& open, v1::Run run, const v1::StoredResult* result) {
  SetTime(clock_(), run.mutable_end_time());
  if (run.state() == v1::RUN_STATE_SUCCEEDED) run.set_progress(1);
  const absl::Status kept = runs_.EndRun(open.name, open.number, run, result, open.cache_key);
  if (!kept.ok()) {
    run.clear_result();
    run.set_cached(false);
    Fail(v1::RUN_FAILURE_SERVER_FAULT,
         absl::StrCat("The end of the run could not be stored: ", kept.message()), &run);
  }
  absl::MutexLock lock(&mutex_);
  open.run = std::move(run);
  open.has_ended = true;
  // An end that isn't stored stays known as long as the server runs.
  if (kept.ok()) open_.erase(open.run.name());
}

void Runs::Implementation::Stop() {
  absl::MutexLock joining(&joining_);
  std::vector<OpenRunPointer> waiting;
  std::vector<OpenRunPointer> all;
  {
    absl::MutexLock lock(&mutex_);
    stopping_ = true;
    while (!queue_.empty()) waiting.push_back(queue_.Pop());
    for (const auto& [name, open] : open_) all.push_back(open);
  }
  for (const OpenRunPointer& open : waiting) {
    v1::Run run;
    {
      absl::MutexLock lock(&mutex_);
      run = open->run;
    }
    Fail(v1::RUN_FAILURE_SERVER_STOPPED, kStoppedWords, &run);
    End(*open, std::move(run), nullptr);
  }
  for (const OpenRunPointer& open : all) open->stop.request_stop();
  for (std::thread& worker : workers_) worker.join();
  workers_.clear();
}

Runs::Runs(std::unique_ptr<Implementation> implementation)
    : implementation_(std::move(implementation)) {}

Runs::~Runs() = default;

absl::StatusOr<std::unique_ptr<Runs>> Runs::Open(store::Store* store,
                                                 std::shared_ptr<const PluginCatalog> catalog,
                                                 PrepareAnalysis prepare,
                                                 std::function<absl::Time()> clock,
                                                 RunsOptions options) {
  auto implementation = std::make_unique<Implementation>(
      store, std::move(catalog), std::move(prepare), std::move(clock), std::move(options));
  PLUMULE_RETURN_IF_ERROR(implementation->EndLostRuns());
  implementation->StartWorkers();
  return std::unique_ptr<Runs>(new Runs(std::move(implementation)));
}

absl::StatusOr<v1::Run> Runs::CreateRun(const v1::CreateRunRequest& request) {
  return implementation_->CreateRun(request);
}

absl::StatusOr<v1::Run> Runs::Get(absl::string_view name) const {
  return implementation_->WaitFor(name, absl::InfinitePast());
}

absl::StatusOr<v1::Run> Runs::WaitFor(absl::string_view name, absl::Time deadline) const {
  return implementation_->WaitFor(name, deadline);
}

absl::StatusOr<v1::Run> Runs::Cancel(absl::string_view name) {
  return implementation_->Cancel(name);
}

absl::StatusOr<Page<v1::Run>> Runs::List(absl::string_view study, int page_size,
                                         absl::string_view page_token) const {
  return implementation_->List(study, page_size, page_token);
}

absl::StatusOr<v1::StoredResult> Runs::GetResult(absl::string_view name) const {
  PLUMULE_ASSIGN_OR_RETURN(const StudyPartName parsed, ParseStudyPart(name, "results"));
  PLUMULE_ASSIGN_OR_RETURN(std::optional<v1::StoredResult> result,
                           implementation_->stored().GetResult(parsed));
  if (!result) return NotFound("result_not_found", name);
  return *std::move(result);
}

absl::StatusOr<Page<v1::StoredResult>> Runs::ListResults(absl::string_view study, int page_size,
                                                         absl::string_view page_token) const {
  PLUMULE_ASSIGN_OR_RETURN(const store::StudyName parsed, store::ParseStudyName(study));
  return implementation_->stored().ListResults(parsed, page_size, page_token);
}

void Runs::Stop() { implementation_->Stop(); }

}  // namespace plumule::analysis
