#include "server/rpc/worker_pool.h"

#include <gtest/gtest.h>

#include <atomic>

#include "absl/synchronization/notification.h"

namespace plumule::rpc {
namespace {

TEST(WorkerPool, RunsAllThatItTookBeforeItEnds) {
  std::atomic<int> ran = 0;
  {
    WorkerPool pool(3, 1000);
    for (int i = 0; i < 1000; ++i) ASSERT_TRUE(pool.Add([&] { ++ran; }));
  }
  EXPECT_EQ(ran, 1000);
}

TEST(WorkerPool, RefusesWhatDoesNotFitIntoItsQueue) {
  absl::Notification started, go;
  WorkerPool pool(1, 2);
  ASSERT_TRUE(pool.Add([&] {
    started.Notify();
    go.WaitForNotification();
  }));
  started.WaitForNotification();
  EXPECT_TRUE(pool.Add([] {}));
  EXPECT_TRUE(pool.Add([] {}));
  EXPECT_FALSE(pool.Add([] {}));
  go.Notify();
}

}  // namespace
}  // namespace plumule::rpc
