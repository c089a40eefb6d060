// A RocksDB file system whose write-ahead log fails on demand, and which can forget what was not
// synced, as a power cut does.
#pragma once

#include <atomic>
#include <memory>
#include <string>

#include "rocksdb/env.h"
#include "rocksdb/file_system.h"

namespace plumule::store {

class FaultyFileSystem : public rocksdb::FileSystemWrapper {
 public:
  enum class Fault { kNone, kAppend, kSync, kNoSpace };

  FaultyFileSystem() : FileSystemWrapper(rocksdb::FileSystem::Default()) {}
  const char* Name() const override { return "FaultyFileSystem"; }

  // After `operations` more appends to or syncs of logs, the next one of the kind fails, and every
  // later one.
  void FailAfter(Fault fault, int operations) {
    remaining_ = operations;
    fault_ = fault;
  }
  int operations() const { return operations_; }

  rocksdb::IOStatus NewWritableFile(const std::string& name, const rocksdb::FileOptions& options,
                                    std::unique_ptr<rocksdb::FSWritableFile>* result,
                                    rocksdb::IODebugContext* context) override {
    rocksdb::IOStatus status = target()->NewWritableFile(name, options, result, context);
    if (status.ok() && name.size() > 4 && name.substr(name.size() - 4) == ".log") {
      *result = std::make_unique<LogFile>(std::move(*result), *this);
    }
    return status;
  }

 private:
  class LogFile : public rocksdb::FSWritableFileOwnerWrapper {
   public:
    LogFile(std::unique_ptr<rocksdb::FSWritableFile> file, FaultyFileSystem& owner)
        : FSWritableFileOwnerWrapper(std::move(file)), owner_(owner) {}

    rocksdb::IOStatus Append(const rocksdb::Slice& data, const rocksdb::IOOptions& options,
                             rocksdb::IODebugContext* context) override {
      if (owner_.Fails(Fault::kAppend)) return rocksdb::IOStatus::IOError("injected append error");
      if (owner_.Fails(Fault::kNoSpace)) return rocksdb::IOStatus::NoSpace("injected");
      return FSWritableFileOwnerWrapper::Append(data, options, context);
    }
    rocksdb::IOStatus Append(const rocksdb::Slice& data, const rocksdb::IOOptions& options,
                             const rocksdb::DataVerificationInfo&,
                             rocksdb::IODebugContext* context) override {
      return Append(data, options, context);
    }
    rocksdb::IOStatus Sync(const rocksdb::IOOptions& options,
                           rocksdb::IODebugContext* context) override {
      if (owner_.Fails(Fault::kSync)) return rocksdb::IOStatus::IOError("injected sync error");
      return FSWritableFileOwnerWrapper::Sync(options, context);
    }

   private:
    FaultyFileSystem& owner_;
  };

  bool Fails(Fault kind) {
    if (kind != Fault::kNoSpace) ++operations_;
    if (fault_ != kind) return false;
    return remaining_-- <= 0;
  }

  std::atomic<Fault> fault_ = Fault::kNone;
  std::atomic<int> remaining_ = 0;
  std::atomic<int> operations_ = 0;
};

}  // namespace plumule::store
