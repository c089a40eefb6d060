// Remembers what RocksDB says about damage while it opens, since its status often names no file.
#pragma once

#include <cstdarg>
#include <cstdio>
#include <string>

#include "absl/base/thread_annotations.h"
#include "absl/strings/match.h"
#include "absl/synchronization/mutex.h"
#include "rocksdb/env.h"

namespace plumule::store {

// RocksDB's own diary is not kept: it would grow beside the data.
class DamageLog : public rocksdb::Logger {
 public:
  DamageLog() : rocksdb::Logger(rocksdb::InfoLogLevel::WARN_LEVEL) {}

  using rocksdb::Logger::Logv;
  void Logv(const char* format, va_list arguments) override {
    char line[1024];
    std::vsnprintf(line, sizeof line, format, arguments);
    if (!absl::StrContains(line, "dropping") && !absl::StrContains(line, "orruption")) return;
    absl::MutexLock lock(&mutex_);
    if (first_damage_.empty()) first_damage_ = line;
  }

  // The first line that spoke of damage; empty for none.
  std::string first_damage() const {
    absl::MutexLock lock(&mutex_);
    return first_damage_;
  }

 private:
  mutable absl::Mutex mutex_;
  std::string first_damage_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace plumule::store
