// Records through Intake against the same bytes written straight into RocksDB in synced batches of
// the same size, in one run on one disk. The promise is a ratio of at least 0.6.
#include <benchmark/benchmark.h>

#include <algorithm>
#include <atomic>
#include <cstdio>
#include <functional>
#include <memory>
#include <string>
#include <thread>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/synchronization/blocking_counter.h"
#include "absl/synchronization/mutex.h"
#include "absl/synchronization/notification.h"
#include "absl/time/time.h"
#include "server/intake/intake.h"
#include "server/intake/study_life.h"
#include "server/store/rocksdb/rocksdb_store.h"
#include "tests/unit/log/dataset_study.h"
#include "tests/unit/store/scratch_directory.h"

namespace plumule::intake {
namespace {

const store::StudyName kStudy{"windowsill", "rooting"};
const Actor kGrowers = {"growers", access::v1::ROLE_INTAKE};
const Actor kOrganizer = {"organizer", access::v1::ROLE_ORGANIZER};

absl::Time Today() {
  return absl::FromCivil(absl::CivilSecond(2027, 4, 15, 12, 0, 0), absl::UTCTimeZone());
}

// Passes everything on, and keeps what each commit wrote.
class RecordingStore : public store::Store {
 public:
  explicit RecordingStore(store::Store& store) : store_(store) {}
  absl::StatusOr<std::optional<std::string>> Get(absl::string_view key) const override {
    return store_.Get(key);
  }
  absl::Status Scan(const store::KeyRange& range, store::Visit visit) const override {
    return store_.Scan(range, visit);
  }
  std::unique_ptr<store::Snapshot> TakeSnapshot() const override { return store_.TakeSnapshot(); }
  absl::Status Commit(const store::WriteBatch& batch,
                      absl::Span<const store::Precondition> preconditions,
                      store::Durability durability) override {
    {
      absl::MutexLock lock(&mutex_);
      batches_.push_back(batch);
    }
    return store_.Commit(batch, preconditions, durability);
  }
  bool trusted() const override { return store_.trusted(); }

  std::vector<store::WriteBatch> TakeBatches() {
    absl::MutexLock lock(&mutex_);
    return std::exchange(batches_, {});
  }

 private:
  store::Store& store_;
  absl::Mutex mutex_;
  std::vector<store::WriteBatch> batches_ ABSL_GUARDED_BY(mutex_);
};

// A study with six thousand units, looked at every third day.
class Server {
 public:
  explicit Server(store::Store& store) : intake_(store, Today), life_(store, intake_, Today) {
    if (!life_.Create(kStudy, kOrganizer).ok()) std::abort();
    const std::string request = "f0000000-0000-4000-8000-000000000001";
    if (!life_.Publish(kStudy, log::DatasetDefinition(), request, "", kOrganizer).ok()) {
      std::abort();
    }
    for (int block = 0; block < kBlocks; ++block) Send(Block(block));
  }

  // One look at a unit; the units take turns.
  v1::Record Look() {
    const int turn = next_look_++;
    const int look = turn / (kBlocks * kUnits);
    const absl::CivilDay day = absl::CivilDay(2027, 3, 3) + 3 * look;
    return make_.Observed(absl::StrCat("b", turn % kBlocks),
                          absl::StrCat("u", turn / kBlocks % kUnits),
                          absl::StrFormat("%04d-%02d-%02d", day.year(), day.month(), day.day()),
                          {log::Number("shoot", look, "mm"), log::Count("roots", 0)});
  }
  Intake& intake() { return intake_; }

 private:
  static constexpr int kBlocks = 600;
  static constexpr int kUnits = 10;

  std::vector<v1::Record> Block(int number) {
    const std::string grower = absl::StrCat("g", number);
    const std::string block = absl::StrCat("b", number);
    std::vector<v1::Record> records = {make_.Joined(grower), make_.BlockStarted(grower, block)};
    for (int unit = 0; unit < kUnits; ++unit) {
      const std::string arm = unit % 2 == 0 ? "control" : "high";
      records.push_back(make_.UnitStarted(block, absl::StrCat("u", unit), arm, "2027-03-02"));
    }
    return records;
  }
  void Send(std::vector<v1::Record> records) {
    absl::Notification done;
    intake_.Submit(kStudy, std::move(records), kGrowers, [&](const Answers& answers) {
      if (!answers.ok()) std::abort();
      done.Notify();
    });
    done.WaitForNotification();
  }

  Intake intake_;
  StudyLife life_;
  log::RecordMaker make_;
  int next_look_ = 0;
};

// Sends `records` so that `in_flight` submissions of `at_once` records are always under way, as as
// many clients would that each wait for an answer. A thread a client.
class Senders {
 public:
  Senders(Intake& intake, std::vector<v1::Record> records, std::size_t at_once)
      : intake_(intake), records_(std::move(records)), at_once_(at_once) {}

  void Run(int in_flight) {
    absl::BlockingCounter ended(in_flight);
    std::vector<std::thread> threads;
    for (int i = 0; i < in_flight; ++i) {
      threads.emplace_back([&] {
        while (SendNext()) {
        }
        ended.DecrementCount();
      });
    }
    ended.Wait();
    for (std::thread& thread : threads) thread.join();
  }

 private:
  bool SendNext() {
    const std::size_t at = next_.fetch_add(at_once_);
    if (at >= records_.size()) return false;
    const std::size_t end = std::min(at + at_once_, records_.size());
    absl::Notification done;
    intake_.Submit(kStudy,
                   {records_.begin() + static_cast<std::ptrdiff_t>(at),
                    records_.begin() + static_cast<std::ptrdiff_t>(end)},
                   kGrowers, [&](const Answers& answers) {
                     if (!answers.ok()) std::abort();
                     done.Notify();
                   });
    done.WaitForNotification();
    return true;
  }

  Intake& intake_;
  const std::vector<v1::Record> records_;
  const std::size_t at_once_;
  std::atomic<std::size_t> next_ = 0;
};

double SecondsOf(const std::function<void()>& work) {
  const absl::Time start = absl::Now();
  work();
  return absl::ToDoubleSeconds(absl::Now() - start);
}

// Each iteration: records through Intake, then the very batches that this wrote, again and alone.
void AgainstRawBatches(benchmark::State& state) {
  const auto at_once = static_cast<std::size_t>(state.range(0));
  constexpr int kInFlight = 64;
  const std::size_t count = at_once == 1 ? 10'000 : 60'000;
  double intake_seconds = 0;
  double raw_seconds = 0;
  double records = 0;
  double batches = 0;
  for (auto unused : state) {
    store::ScratchDirectory scratch;
    const auto store = store::OpenRocksDbStore(scratch.path("intake")).value();
    const auto raw = store::OpenRocksDbStore(scratch.path("raw")).value();
    RecordingStore recording(*store);
    Server server(recording);
    recording.TakeBatches();
    std::vector<v1::Record> looks;
    for (std::size_t i = 0; i < count; ++i) looks.push_back(server.Look());
    Senders senders(server.intake(), std::move(looks), at_once);
    const double took = SecondsOf([&] { senders.Run(kInFlight); });
    const std::vector<store::WriteBatch> written = recording.TakeBatches();
    const double took_raw = SecondsOf([&] {
      for (const store::WriteBatch& batch : written) {
        if (!raw->Commit(batch).ok()) std::abort();
      }
    });
    state.SetIterationTime(took);
    intake_seconds += took;
    raw_seconds += took_raw;
    records += static_cast<double>(count);
    batches += static_cast<double>(written.size());
  }
  state.counters["intake_per_s"] = records / intake_seconds;
  state.counters["raw_per_s"] = records / raw_seconds;
  state.counters["ratio"] = raw_seconds / intake_seconds;
  state.counters["records_a_batch"] = records / batches;
}
// Records in one submission: 1 as unary calls send them, 100 as a stream does.
BENCHMARK(AgainstRawBatches)->Arg(1)->Arg(100)->UseManualTime()->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace plumule::intake

BENCHMARK_MAIN();
