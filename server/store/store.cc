#include "server/store/store.h"

namespace plumule::store {

KeyRange PrefixRange(absl::string_view prefix, std::size_t limit) {
  KeyRange range{std::string(prefix), std::string(prefix), limit};
  while (static_cast<unsigned char>(range.end.back()) == 0xff) range.end.pop_back();
  ++range.end.back();
  return range;
}

}  // namespace plumule::store
