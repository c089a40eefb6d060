#include "server/operate/stop_signal.h"

#include <csignal>
#include <ctime>

namespace plumule::operate {
namespace {

sigset_t StopSignals() {
  sigset_t signals;
  sigemptyset(&signals);
  sigaddset(&signals, SIGTERM);
  sigaddset(&signals, SIGINT);
  return signals;
}

}  // namespace

void BlockStopSignals() {
  const sigset_t signals = StopSignals();
  pthread_sigmask(SIG_BLOCK, &signals, nullptr);
  std::signal(SIGPIPE, SIG_IGN);
}

bool StopSignalArrives(std::chrono::milliseconds wait) {
  const sigset_t signals = StopSignals();
  timespec timeout;
  timeout.tv_sec = wait.count() / 1000;
  timeout.tv_nsec = (wait.count() % 1000) * 1'000'000;
  return sigtimedwait(&signals, nullptr, &timeout) > 0;
}

}  // namespace plumule::operate
