// Being asked to stop.
#pragma once

#include <chrono>

namespace plumule::operate {

// Blocks SIGTERM and SIGINT in the calling thread and all that it starts later, so that only
// StopSignalArrives sees them, and ignores SIGPIPE. Call before any thread is started.
void BlockStopSignals();

// Waits up to `wait` for SIGTERM or SIGINT; true if one came.
bool StopSignalArrives(std::chrono::milliseconds wait);

}  // namespace plumule::operate
