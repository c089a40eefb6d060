#include "server/operate/logging.h"

#include <spdlog/pattern_formatter.h>
#include <spdlog/sinks/stdout_sinks.h>

#include <cstdio>
#include <utility>

namespace plumule::operate {
namespace {

// The message as the inside of a JSON string.
class JsonEscaped : public spdlog::custom_flag_formatter {
 public:
  void format(const spdlog::details::log_msg& message, const std::tm&,
              spdlog::memory_buf_t& out) override {
    for (const char c : message.payload) Append(c, out);
  }

  std::unique_ptr<custom_flag_formatter> clone() const override {
    return std::make_unique<JsonEscaped>();
  }

 private:
  static void Append(char c, spdlog::memory_buf_t& out) {
    if (c == '"' || c == '\\') {
      out.push_back('\\');
      out.push_back(c);
    } else if (static_cast<unsigned char>(c) < 0x20) {
      char escape[8];
      const int length = std::snprintf(escape, sizeof escape, "\\u%04x", c);
      out.append(escape, escape + length);
    } else {
      out.push_back(c);
    }
  }
};

std::unique_ptr<spdlog::formatter> FormatterOf(LogFormat format) {
  auto formatter = std::make_unique<spdlog::pattern_formatter>(spdlog::pattern_time_type::utc);
  if (format == LogFormat::kConsole) {
    formatter->set_pattern("%Y-%m-%dT%H:%M:%S.%eZ %l %v");
  } else {
    formatter->add_flag<JsonEscaped>('*').set_pattern(
        R"({"time":"%Y-%m-%dT%H:%M:%S.%eZ","level":"%l","message":"%*"})");
  }
  return formatter;
}

}  // namespace

std::shared_ptr<spdlog::logger> MakeLogger(LogFormat format) {
  auto logger = std::make_shared<spdlog::logger>("plumule-server",
                                                 std::make_shared<spdlog::sinks::stderr_sink_mt>());
  logger->set_formatter(FormatterOf(format));
  logger->flush_on(spdlog::level::info);
  return logger;
}

}  // namespace plumule::operate
