#include "server/analysis/run_store.h"

#include <algorithm>
#include <utility>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::analysis {
namespace {

constexpr int kDefaultPage = 100;
constexpr int kLargestPage = 1000;
// A page ends early beyond this size, so that it fits into a message.
constexpr size_t kPageBytes = size_t{1} << 20;

template <typename Message>
absl::StatusOr<Message> Parse(absl::string_view bytes) {
  Message message;
  if (!message.ParseFromArray(bytes.data(), static_cast<int>(bytes.size()))) {
    return ReasonedError(absl::StatusCode::kDataLoss, "store_damaged",
                         absl::StrCat("A stored ", Message::descriptor()->name(),
                                      " can't be read; restore the store from a backup."));
  }
  return message;
}

template <typename Message>
absl::StatusOr<std::optional<Message>> Read(const store::Reader& reader, const std::string& key) {
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> bytes, reader.Get(key));
  if (!bytes) return std::optional<Message>();
  PLUMULE_ASSIGN_OR_RETURN(Message message, Parse<Message>(*bytes));
  return std::optional<Message>(std::move(message));
}

// Where a page begins, and how many items it has.
struct PageRange {
  store::KeyRange keys;
  size_t items = 0;
};

absl::StatusOr<PageRange> RangeOf(const std::string& prefix, int page_size,
                                  absl::string_view page_token,
                                  const std::function<std::string(std::int64_t)>& key_of) {
  if (page_size < 0) {
    return ReasonedError(absl::StatusCode::kInvalidArgument, "page_size_not_valid",
                         "`page_size` is below 0; leave it out for pages of 100.",
                         {{"page_size", "page_size_not_valid", "0 to 1000"}});
  }
  PageRange range;
  range.keys = store::PrefixRange(prefix);
  range.items =
      static_cast<size_t>(page_size == 0 ? kDefaultPage : std::min(page_size, kLargestPage));
  // The one after the page tells whether there is a next page.
  range.keys.limit = range.items + 1;
  if (page_token.empty()) return range;
  std::int64_t number = 0;
  if (!absl::SimpleAtoi(page_token, &number) || number < 1) {
    return ReasonedError(
        absl::StatusCode::kInvalidArgument, "page_token_not_valid",
        "`page_token` is not one that this method gave; start again without one.",
        {{"page_token", "page_token_not_valid", "`next_page_token` of the previous page"}});
  }
  range.keys.start = key_of(number);
  return range;
}

// Fills a page from the keys of `range`; `read` turns a key's value into an item.
template <typename Item, typename ReadItem>
absl::StatusOr<Page<Item>> ReadPage(const store::Reader& reader, const PageRange& range,
                                    ReadItem read) {
  Page<Item> page;
  size_t bytes = 0;
  absl::Status status;
  const auto visit = [&](absl::string_view key, absl::string_view value) {
    if (page.items.size() == range.items || bytes > kPageBytes) {
      page.next_page_token = absl::StrCat(store::ReversedNumberOf(key));
      return false;
    }
    absl::StatusOr<Item> item = read(value);
    if (!item.ok()) {
      status = item.status();
      return false;
    }
    bytes += item->ByteSizeLong();
    page.items.push_back(*std::move(item));
    return true;
  };
  PLUMULE_RETURN_IF_ERROR(reader.Scan(range.keys, visit));
  PLUMULE_RETURN_IF_ERROR(status);
  return page;
}

}  // namespace

absl::StatusOr<StudyPartName> ParseStudyPart(absl::string_view name, absl::string_view collection) {
  const std::string middle = absl::StrCat("/", collection, "/");
  const size_t at = name.find(middle);
  const absl::string_view id = at == absl::string_view::npos ? "" : name.substr(at + middle.size());
  if (id.empty() || id.size() > 64 || id.find_first_of(absl::string_view("/\0", 2)) != id.npos) {
    return ReasonedError(absl::StatusCode::kInvalidArgument, "name_not_valid",
                         absl::StrCat("A name of the form communities/{community}/studies/{study}/",
                                      collection, "/{id} is needed here."));
  }
  StudyPartName parsed;
  PLUMULE_ASSIGN_OR_RETURN(parsed.study, store::ParseStudyName(name.substr(0, at)));
  parsed.id = std::string(id);
  return parsed;
}

absl::StatusOr<std::optional<v1::Run>> RunStore::GetRun(const StudyPartName& name) const {
  return Read<v1::Run>(*store_, store::RunKey(name.study, name.id));
}

absl::StatusOr<std::optional<v1::StoredResult>> RunStore::GetResult(
    const StudyPartName& name) const {
  return Read<v1::StoredResult>(*store_, store::ResultKey(name.study, name.id));
}

absl::StatusOr<std::optional<std::string>> RunStore::FindCached(absl::string_view cache_key) const {
  return store_->Get(store::ResultCacheKey(cache_key));
}

absl::StatusOr<std::int64_t> RunStore::NextNumber(const store::StudyName& study) const {
  std::int64_t newest = 0;
  PLUMULE_RETURN_IF_ERROR(store_->Scan(store::PrefixRange(store::RunOrderPrefix(study), 1),
                                       [&](absl::string_view key, absl::string_view) {
                                         newest = store::ReversedNumberOf(key);
                                         return false;
                                       }));
  return newest + 1;
}

absl::Status RunStore::AddRun(const StudyPartName& name, std::int64_t number, const v1::Run& run) {
  const bool has_ended = run.has_end_time();
  store::WriteBatch batch;
  batch.Put(store::RunKey(name.study, name.id), run.SerializeAsString());
  batch.Put(store::RunOrderKey(name.study, number), name.id);
  if (!has_ended) batch.Put(store::OpenRunKey(name.study, name.id), "");
  return store_->Commit(batch);
}

absl::Status RunStore::NoteRunning(const StudyPartName& name, const v1::Run& run) {
  store::WriteBatch batch;
  batch.Put(store::RunKey(name.study, name.id), run.SerializeAsString());
  return store_->Commit(batch, {}, store::Durability::kBuffered);
}

absl::Status RunStore::EndRun(const StudyPartName& name, std::int64_t number, const v1::Run& run,
                              const v1::StoredResult* result, absl::string_view cache_key) {
  store::WriteBatch batch;
  batch.Put(store::RunKey(name.study, name.id), run.SerializeAsString());
  batch.Delete(store::OpenRunKey(name.study, name.id));
  if (result != nullptr) {
    v1::StoredResult head;
    head.set_name(result->name());
    *head.mutable_provenance() = result->provenance();
    batch.Put(store::ResultKey(name.study, name.id), result->SerializeAsString());
    batch.Put(store::ResultOrderKey(name.study, number), head.SerializeAsString());
    batch.Put(store::ResultCacheKey(cache_key), result->name());
  }
  return store_->Commit(batch);
}

absl::StatusOr<std::vector<StudyPartName>> RunStore::OpenRuns() const {
  std::vector<StudyPartName> names;
  PLUMULE_RETURN_IF_ERROR(store_->Scan(
      store::PrefixRange(store::OpenRunsPrefix()), [&](absl::string_view key, absl::string_view) {
        names.push_back(
            {{std::string(store::TextPartOf(key, 0)), std::string(store::TextPartOf(key, 1))},
             std::string(store::TextPartOf(key, 2))});
        return true;
      }));
  return names;
}

absl::Status RunStore::EndLostRun(const StudyPartName& name, const v1::Run& run) {
  store::WriteBatch batch;
  batch.Put(store::RunKey(name.study, name.id), run.SerializeAsString());
  batch.Delete(store::OpenRunKey(name.study, name.id));
  return store_->Commit(batch);
}

absl::StatusOr<Page<v1::Run>> RunStore::ListRuns(const store::StudyName& study, int page_size,
                                                 absl::string_view page_token) const {
  PLUMULE_ASSIGN_OR_RETURN(
      const PageRange range,
      RangeOf(store::RunOrderPrefix(study), page_size, page_token,
              [&](std::int64_t number) { return store::RunOrderKey(study, number); }));
  const auto read = [&](absl::string_view id) -> absl::StatusOr<v1::Run> {
    PLUMULE_ASSIGN_OR_RETURN(std::optional<v1::Run> run, GetRun({study, std::string(id)}));
    if (run) return *std::move(run);
    return ReasonedError(absl::StatusCode::kDataLoss, "store_damaged",
                         absl::StrCat("The run ", id,
                                      " is listed but not there; restore the store "
                                      "from a backup."));
  };
  return ReadPage<v1::Run>(*store_, range, read);
}

absl::StatusOr<Page<v1::StoredResult>> RunStore::ListResults(const store::StudyName& study,
                                                             int page_size,
                                                             absl::string_view page_token) const {
  PLUMULE_ASSIGN_OR_RETURN(
      const PageRange range,
      RangeOf(store::ResultOrderPrefix(study), page_size, page_token,
              [&](std::int64_t number) { return store::ResultOrderKey(study, number); }));
  return ReadPage<v1::StoredResult>(*store_, range, Parse<v1::StoredResult>);
}

}  // namespace plumule::analysis
