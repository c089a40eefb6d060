// A queue that serves several parties in turn.
#pragma once

#include <algorithm>
#include <deque>
#include <map>
#include <string>
#include <utility>
#include <vector>

namespace plumule::analysis {

// Items of one party leave in the order in which they came; parties that have items take turns, so
// that one with many does not hold up the others. Not thread-safe. `Item` is cheap to move and
// compares with ==.
template <typename Item>
class FairQueue {
 public:
  bool empty() const { return turns_.empty(); }
  size_t size() const { return size_; }
  size_t size_of(const std::string& party) const {
    const auto found = items_.find(party);
    return found == items_.end() ? 0 : found->second.size();
  }

  void Push(const std::string& party, Item item) {
    std::deque<Item>& own = items_[party];
    if (own.empty()) turns_.push_back(party);
    own.push_back(std::move(item));
    ++size_;
  }

  // The next item. The queue must not be empty.
  Item Pop() {
    const std::string party = std::move(turns_.front());
    turns_.pop_front();
    std::deque<Item>& own = items_[party];
    Item item = std::move(own.front());
    own.pop_front();
    if (own.empty()) {
      items_.erase(party);
    } else {
      turns_.push_back(party);
    }
    --size_;
    return item;
  }

  // Takes an item out of turn; false if it is not there.
  bool Remove(const std::string& party, const Item& item) {
    const auto found = items_.find(party);
    if (found == items_.end()) return false;
    std::deque<Item>& own = found->second;
    const auto place = std::find(own.begin(), own.end(), item);
    if (place == own.end()) return false;
    own.erase(place);
    --size_;
    if (own.empty()) {
      items_.erase(found);
      turns_.erase(std::find(turns_.begin(), turns_.end(), party));
    }
    return true;
  }

 private:
  // No entry is empty.
  std::map<std::string, std::deque<Item>> items_;
  // Parties that have items, the next one first.
  std::deque<std::string> turns_;
  size_t size_ = 0;
};

}  // namespace plumule::analysis
