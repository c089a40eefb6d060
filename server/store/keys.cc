#include "server/store/keys.h"

#include <algorithm>
#include <utility>

namespace plumule::store {
namespace {

// Appends the parts of a key to its table's letter.
class KeyBuilder {
 public:
  explicit KeyBuilder(char table) {
    key_.reserve(96);
    key_.push_back(table);
  }
  KeyBuilder& Text(absl::string_view part) {
    key_.append(part.data(), part.size());
    key_.push_back('\0');
    return *this;
  }
  KeyBuilder& Study(const StudyName& name) { return Text(name.community).Text(name.study); }
  KeyBuilder& Number(std::int64_t number) {
    const auto bits = static_cast<std::uint64_t>(number);
    for (int shift = 56; shift >= 0; shift -= 8) {
      key_.push_back(static_cast<char>((bits >> shift) & 0xff));
    }
    return *this;
  }
  // Orders greater numbers first.
  KeyBuilder& Reversed(std::int64_t number) { return Number(~number); }
  KeyBuilder& Bytes(absl::string_view bytes) {
    key_.append(bytes.data(), bytes.size());
    return *this;
  }
  std::string Take() { return std::move(key_); }

 private:
  std::string key_;
};

}  // namespace

std::string LayoutKey() { return "@"; }

std::string CommunityKey(absl::string_view community) {
  return KeyBuilder('c').Text(community).Take();
}
std::string CommunitiesPrefix() { return "c"; }
std::string AccessKeyKey(absl::string_view key_id) { return KeyBuilder('k').Text(key_id).Take(); }
std::string CommunityAccessKeyKey(absl::string_view community, absl::string_view key_id) {
  return KeyBuilder('K').Text(community).Text(key_id).Take();
}
std::string CommunityAccessKeysPrefix(absl::string_view community) {
  return KeyBuilder('K').Text(community).Take();
}

std::string StudyKey(const StudyName& study) { return StudyTablePrefix('s', study); }
std::string StudiesPrefix(absl::string_view community) {
  return KeyBuilder('s').Text(community).Take();
}
std::string StudyStateKey(const StudyName& study) { return StudyTablePrefix('S', study); }
std::string LogEntryKey(const StudyName& study, std::int64_t sequence) {
  return KeyBuilder('e').Study(study).Number(sequence).Take();
}
std::string LogPrefix(const StudyName& study) { return StudyTablePrefix('e', study); }
std::string LogHeadKey(const StudyName& study) { return StudyTablePrefix('h', study); }

std::string GrowerKey(const StudyName& study, absl::string_view grower) {
  return KeyBuilder('g').Study(study).Text(grower).Take();
}
std::string BlockKey(const StudyName& study, absl::string_view block) {
  return KeyBuilder('b').Study(study).Text(block).Take();
}
std::string BlocksPrefix(const StudyName& study) { return StudyTablePrefix('b', study); }
std::string UnitKey(const StudyName& study, absl::string_view block, absl::string_view unit) {
  return KeyBuilder('b').Study(study).Text(block).Text(unit).Take();
}
std::string RecordIndexKey(const StudyName& study, absl::string_view record_id) {
  return KeyBuilder('i').Study(study).Text(record_id).Take();
}
std::string WaitKey(const StudyName& study, absl::string_view prerequisite) {
  return KeyBuilder('w').Study(study).Text(prerequisite).Take();
}
std::string PendingKey(const StudyName& study, std::int64_t sequence) {
  return KeyBuilder('p').Study(study).Number(sequence).Take();
}
std::string PendingPrefix(const StudyName& study) { return StudyTablePrefix('p', study); }
std::string UniqueKey(const StudyName& study, absl::string_view variable,
                      absl::string_view digest) {
  return KeyBuilder('u').Study(study).Text(variable).Bytes(digest).Take();
}
std::string FreezeKey(const StudyName& study, std::int64_t number) {
  return KeyBuilder('f').Study(study).Number(number).Take();
}
std::string FreezesPrefix(const StudyName& study) { return StudyTablePrefix('f', study); }
std::string StudyTablePrefix(char table, const StudyName& study) {
  return KeyBuilder(table).Study(study).Take();
}

std::string RefusedKey(const StudyName& study, absl::string_view record_id) {
  return KeyBuilder('r').Study(study).Text(record_id).Take();
}
std::string RefusedArrivalKey(const StudyName& study, std::int64_t arrival) {
  return KeyBuilder('R').Study(study).Reversed(arrival).Take();
}
std::string RefusedArrivalsPrefix(const StudyName& study) { return StudyTablePrefix('R', study); }
std::string RefusedCountKey(const StudyName& study) { return StudyTablePrefix('q', study); }

std::string RunKey(const StudyName& study, absl::string_view run) {
  return KeyBuilder('a').Study(study).Text(run).Take();
}
std::string RunOrderKey(const StudyName& study, std::int64_t number) {
  return KeyBuilder('A').Study(study).Reversed(number).Take();
}
std::string RunOrderPrefix(const StudyName& study) { return StudyTablePrefix('A', study); }
std::string OpenRunKey(const StudyName& study, absl::string_view run) {
  return KeyBuilder('o').Study(study).Text(run).Take();
}
std::string OpenRunsPrefix() { return "o"; }
std::string ResultKey(const StudyName& study, absl::string_view result) {
  return KeyBuilder('n').Study(study).Text(result).Take();
}
std::string ResultOrderKey(const StudyName& study, std::int64_t number) {
  return KeyBuilder('N').Study(study).Reversed(number).Take();
}
std::string ResultOrderPrefix(const StudyName& study) { return StudyTablePrefix('N', study); }
std::string ResultCacheKey(absl::string_view digest) {
  return KeyBuilder('m').Bytes(digest).Take();
}

std::string ServerKey(absl::string_view name) { return KeyBuilder('x').Text(name).Take(); }

std::int64_t SequenceOf(absl::string_view key) {
  std::uint64_t bits = 0;
  for (const char c : key.substr(key.size() - std::min<std::size_t>(8, key.size()))) {
    bits = (bits << 8) | static_cast<unsigned char>(c);
  }
  return static_cast<std::int64_t>(bits);
}

std::int64_t ReversedNumberOf(absl::string_view key) { return ~SequenceOf(key); }

absl::string_view TextPartOf(absl::string_view key, int index) {
  if (key.empty()) return {};
  key.remove_prefix(1);
  for (;; --index) {
    const std::size_t end = key.find('\0');
    if (end == absl::string_view::npos) return {};
    if (index == 0) return key.substr(0, end);
    key.remove_prefix(end + 1);
  }
}

}  // namespace plumule::store
