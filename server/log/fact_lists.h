// The ordered lists that states hold. Their order depends on the facts alone.
#pragma once

#include <algorithm>
#include <string>

#include "server/log/state.pb.h"

namespace plumule::log {

// Orders of facts within a unit.
inline bool LookBefore(const Fact& a, const Fact& b) {
  return a.day() != b.day() ? a.day() < b.day() : a.record_id() < b.record_id();
}
inline bool ReportBefore(const Fact& a, const Fact& b) { return a.code() < b.code(); }
inline bool PhotoBefore(const Fact& a, const Fact& b) { return a.record_id() < b.record_id(); }

// Sets a field of which a state has only one, or clears it.
template <typename State>
void ChangeOne(const Fact* put, State* state, Fact* (State::*field)(), void (State::*clear)()) {
  if (put != nullptr) {
    *(state->*field)() = *put;
  } else {
    (state->*clear)();
  }
}

// Takes the fact of `corrects` out, if it is there, and puts `put` in its place by `before`, if
// there is one.
inline void ChangeFact(const std::string& corrects, const Fact* put,
                       bool (*before)(const Fact&, const Fact&),
                       google::protobuf::RepeatedPtrField<Fact>* facts) {
  if (!corrects.empty()) {
    const auto old = std::find_if(facts->begin(), facts->end(),
                                  [&](const Fact& fact) { return fact.record_id() == corrects; });
    if (old != facts->end()) facts->erase(old);
  }
  if (put == nullptr) return;
  int at = static_cast<int>(std::upper_bound(facts->begin(), facts->end(), *put, before) -
                            facts->begin());
  *facts->Add() = *put;
  for (int last = facts->size() - 1; last > at; --last) facts->SwapElements(last, last - 1);
}

// Puts an id into a list in bytewise order, or takes it out.
inline void ChangeId(const std::string& id, bool there,
                     google::protobuf::RepeatedPtrField<std::string>* ids) {
  const auto at = std::lower_bound(ids->begin(), ids->end(), id);
  const bool found = at != ids->end() && *at == id;
  if (there == found) return;
  if (!there) {
    ids->erase(at);
    return;
  }
  const int position = static_cast<int>(at - ids->begin());
  *ids->Add() = id;
  for (int last = ids->size() - 1; last > position; --last) ids->SwapElements(last, last - 1);
}

}  // namespace plumule::log
