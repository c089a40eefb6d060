// Where the server's log goes.
#pragma once

#include <spdlog/logger.h>

#include <memory>

#include "server/operate/config.h"

namespace plumule::operate {

// A logger that writes to standard error, one line an event: for people, or one JSON object a line
// (`time`, `level`, `message`). Thread-safe. Nothing is logged per record above debug, and keys and
// answers never.
std::shared_ptr<spdlog::logger> MakeLogger(LogFormat format);

}  // namespace plumule::operate
