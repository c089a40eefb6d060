#include "server/protocol/json_outline.h"

#include <iterator>
#include <nlohmann/json.hpp>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/strip.h"
#include "server/protocol/spelling.h"

namespace plumule::protocol {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

// Goes over a text and tells how far it has come, so that the events of the JSON parser get places.
class Cursor {
 public:
  using iterator_category = std::input_iterator_tag;
  using value_type = char;
  using difference_type = std::ptrdiff_t;
  using pointer = const char*;
  using reference = const char&;

  Cursor(const char* at, const char** furthest) : at_(at), furthest_(furthest) {}
  reference operator*() const { return *at_; }
  Cursor& operator++() {
    *furthest_ = ++at_;
    return *this;
  }
  Cursor operator++(int) {
    Cursor before = *this;
    ++*this;
    return before;
  }
  friend bool operator==(const Cursor& a, const Cursor& b) { return a.at_ == b.at_; }

 private:
  const char* at_;
  const char** furthest_;
};

// Follows the parser through objects and arrays, beside the message's descriptor.
class Outliner : public nlohmann::json_sax<nlohmann::json> {
 public:
  Outliner(absl::string_view text, const Descriptor& message, int deepest,
           const char* const* furthest)
      : text_(text), root_(&message), deepest_(deepest), furthest_(furthest) {}

  JsonOutline Take() { return std::move(outline_); }

  bool null() override { return Scalar(); }
  bool boolean(bool) override { return Scalar(); }
  bool number_integer(number_integer_t) override { return Scalar(); }
  bool number_unsigned(number_unsigned_t) override { return Scalar(); }
  bool number_float(number_float_t, const string_t&) override { return Scalar(); }
  bool string(string_t&) override { return Scalar(); }
  bool binary(binary_t&) override { return Scalar(); }
  bool start_object(std::size_t) override { return Open(false); }
  bool end_object() override { return Close(); }
  bool start_array(std::size_t) override { return Open(true); }
  bool end_array() override { return Close(); }

  bool key(string_t& name) override {
    Frame& frame = frames_.back();
    frame.field = nullptr;
    frame.member = frame.path.empty() ? name : absl::StrCat(frame.path, ".", name);
    const size_t end = static_cast<size_t>(*furthest_ - text_.data());
    const size_t begin = text_.rfind('"', end >= 2 ? end - 2 : 0);
    const TextPosition position = Place(begin == absl::string_view::npos ? 0 : begin);
    if (frame.message != nullptr) {
      frame.field = frame.message->FindFieldByName(name);
      if (frame.field == nullptr) frame.field = frame.message->FindFieldByCamelcaseName(name);
      if (frame.field == nullptr) return Fail(UnknownField(*frame.message, name), position);
    }
    if (!outline_.positions.emplace(frame.member, position).second) {
      return Fail(absl::StrCat(Quote(name), " stands here a second time; keep one"), position);
    }
    return true;
  }

  bool parse_error(std::size_t offset, const std::string&,
                   const nlohmann::detail::exception& error) override {
    absl::string_view words = error.what();
    // "[json.exception.parse_error.101] parse error at line 2, column 3: syntax error …"
    const size_t colon = words.find(": ");
    if (colon != absl::string_view::npos) words.remove_prefix(colon + 2);
    return Fail(std::string(words), PositionAt(text_, offset > 0 ? offset - 1 : 0));
  }

 private:
  struct Frame {
    bool is_array = false;
    // The message whose fields the object holds; null within scalars' arrays and the unknown.
    const Descriptor* message = nullptr;
    // Field of the current member.
    const FieldDescriptor* field = nullptr;
    std::string path;
    // Path of the current member.
    std::string member;
    int next = 0;
  };

  bool Fail(std::string fault, TextPosition position) {
    outline_.fault = std::move(fault);
    outline_.fault_position = position;
    return false;
  }

  // The position of a byte, counted on from the last one asked for: places come in order.
  TextPosition Place(size_t offset) {
    if (offset < placed_) {
      placed_ = 0;
      place_ = {};
    }
    const TextPosition step = PositionAt(text_.substr(placed_), offset - placed_);
    place_.column = step.line > 1 ? step.column : place_.column + step.column - 1;
    place_.line += step.line - 1;
    placed_ = offset;
    return place_;
  }

  TextPosition Here() {
    const size_t end = static_cast<size_t>(*furthest_ - text_.data());
    return Place(end > 0 ? end - 1 : 0);
  }

  // Moves to the next element if the value at hand stands in an array.
  void Step() {
    if (frames_.empty() || !frames_.back().is_array) return;
    Frame& frame = frames_.back();
    frame.member = absl::StrCat(frame.path, "[", frame.next++, "]");
    outline_.positions.emplace(frame.member, Here());
  }

  bool Scalar() {
    Step();
    return true;
  }

  bool Open(bool is_array) {
    Step();
    if (static_cast<int>(frames_.size()) >= deepest_) {
      return Fail(absl::StrCat("nested more than ", deepest_, " deep; no protocol needs that"),
                  Here());
    }
    Frame frame;
    frame.is_array = is_array;
    if (frames_.empty()) {
      frame.message = root_;
    } else {
      frame.path = frames_.back().member;
      frame.field = frames_.back().field;
      if (frame.field != nullptr) frame.message = frame.field->message_type();
    }
    frames_.push_back(std::move(frame));
    return true;
  }

  bool Close() {
    frames_.pop_back();
    return true;
  }

  const absl::string_view text_;
  const Descriptor* const root_;
  const int deepest_;
  const char* const* const furthest_;
  std::vector<Frame> frames_;
  JsonOutline outline_;
  // The last place that was asked for.
  size_t placed_ = 0;
  TextPosition place_;
};

}  // namespace

TextPosition PositionAt(absl::string_view text, size_t offset) {
  TextPosition position;
  for (size_t i = 0; i < offset && i < text.size(); ++i) {
    ++position.column;
    if (text[i] == '\n') position = {position.line + 1, 1};
  }
  return position;
}

std::string UnknownField(const Descriptor& message, absl::string_view name) {
  std::vector<absl::string_view> known;
  for (int i = 0; i < message.field_count(); ++i) known.push_back(message.field(i)->name());
  return absl::StrCat(Quote(name), " is not a field of ", message.name(), "; ",
                      Suggest(name, known, "it has none"));
}

JsonOutline OutlineJson(absl::string_view text, const Descriptor& message, int deepest) {
  const char* furthest = text.data();
  Outliner outliner(text, message, deepest, &furthest);
  nlohmann::json::sax_parse(Cursor(text.data(), &furthest),
                            Cursor(text.data() + text.size(), &furthest), &outliner);
  return outliner.Take();
}

}  // namespace plumule::protocol
