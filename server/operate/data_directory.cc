#include "server/operate/data_directory.h"

#include <filesystem>
#include <vector>

#include "absl/strings/str_cat.h"
#include "server/log/chain.h"
#include "server/log/log_reader.h"
#include "server/protocol/reason.h"
#include "server/store/keys.h"
#include "server/store/memory_store.h"
#include "server/store/rocksdb/rocksdb_store.h"
#include "server/store/study_name.h"

namespace plumule::operate {
namespace {

// Every study of the store, and the first error that reading all keys met.
absl::Status ReadEverything(const store::Store& store, std::vector<store::StudyName>* studies,
                            std::int64_t* keys) {
  absl::Status status = store.Scan({}, [&](absl::string_view, absl::string_view) {
    ++*keys;
    return true;
  });
  std::vector<std::string> communities;
  status.Update(store.Scan(store::PrefixRange(store::CommunitiesPrefix()),
                           [&](absl::string_view key, absl::string_view) {
                             communities.emplace_back(store::TextPartOf(key, 0));
                             return true;
                           }));
  for (const std::string& community : communities) {
    status.Update(
        store.Scan(store::PrefixRange(store::StudiesPrefix(community)),
                   [&](absl::string_view key, absl::string_view) {
                     studies->push_back({community, std::string(store::TextPartOf(key, 1))});
                     return true;
                   }));
  }
  return status;
}

bool VerifyStudy(const store::Store& store, const store::StudyName& study, std::ostream& out) {
  const absl::StatusOr<log::Head> head = log::Verify(store, study);
  if (!head.ok()) {
    out << "damaged  " << study.Format() << ": " << head.status().message() << '\n';
    return false;
  }
  store::MemoryStore fresh;
  const absl::Status state = log::RebuildState(store, study, fresh);
  if (!state.ok()) {
    out << "damaged  " << study.Format() << ": " << state.message() << '\n';
    return false;
  }
  out << "sound    " << study.Format() << ": " << head->sequence << " entries, head "
      << (head->sequence == 0 ? "none" : log::ToHex(head->hash)) << '\n';
  return true;
}

}  // namespace

absl::StatusOr<std::unique_ptr<store::Store>> OpenDataDirectory(const std::string& directory) {
  std::error_code error;
  const bool made = std::filesystem::create_directories(directory, error);
  if (error) {
    return ReasonedError(absl::StatusCode::kUnavailable, "directory_not_made",
                         absl::StrCat("can't make the data directory ", directory, ": ",
                                      error.message(), "; choose another with --data"));
  }
  if (made) {
    std::filesystem::permissions(directory, std::filesystem::perms::owner_all, error);
  }
  return store::OpenRocksDbStore(directory);
}

bool VerifyStore(const store::Store& store, std::ostream& out) {
  std::vector<store::StudyName> studies;
  std::int64_t keys = 0;
  const absl::Status read = ReadEverything(store, &studies, &keys);
  if (!read.ok()) out << "damaged  " << read.message() << '\n';
  std::size_t sound = 0;
  for (const store::StudyName& study : studies) sound += VerifyStudy(store, study, out) ? 1 : 0;
  const bool all_sound = read.ok() && sound == studies.size();
  out << (all_sound ? "sound: " : "damaged: ") << sound << " of " << studies.size() << " studies, "
      << keys << " keys read\n";
  return all_sound;
}

}  // namespace plumule::operate
