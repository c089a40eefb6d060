#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"
#include "server/store/store.h"

namespace plumule::store {
namespace {

absl::Status LayoutUnknown(absl::string_view found) {
  return ReasonedError(
      absl::StatusCode::kFailedPrecondition, "layout_unknown",
      absl::StrCat("the store's layout is ", found, ", this program reads layout ", kLayoutVersion,
                   ": use the version of plumule that wrote it, or one that can convert it"));
}

absl::StatusOr<bool> IsEmpty(const Reader& reader) {
  bool empty = true;
  KeyRange first{.start = "", .end = "", .limit = 1};
  PLUMULE_RETURN_IF_ERROR(reader.Scan(first, [&](absl::string_view, absl::string_view) {
    empty = false;
    return false;
  }));
  return empty;
}

}  // namespace

absl::Status CheckLayout(Store& store) {
  const std::string expected = absl::StrCat(kLayoutVersion);
  PLUMULE_ASSIGN_OR_RETURN(std::optional<std::string> found, store.Get(LayoutKey()));
  if (found == expected) return absl::OkStatus();
  if (found) return LayoutUnknown(*found);
  PLUMULE_ASSIGN_OR_RETURN(bool empty, IsEmpty(store));
  if (!empty) return LayoutUnknown("not stated");
  WriteBatch batch;
  batch.Put(LayoutKey(), expected);
  return store.Commit(batch);
}

}  // namespace plumule::store
