// What the host gives to one plugin process, and how long it waits.
#pragma once

#include <cstdint>
#include <string>

#include "absl/time/time.h"

namespace plumule::analysis {

// Limits of one plugin process. Passing one ends the process and fails the run with a distinct
// cause.
struct PluginLimits {
  // From the start of the process to its answer to Handshake.
  absl::Duration start = absl::Seconds(10);
  // For a piece of work if the manifest wishes nothing.
  absl::Duration work = absl::Minutes(5);
  // Most that a manifest can wish for.
  absl::Duration max_work = absl::Minutes(30);
  // For Describe and CheckProtocol.
  absl::Duration question = absl::Seconds(10);
  // From the closing of the lease to the kill.
  absl::Duration shutdown = absl::Seconds(1);

  // MiB if the manifest wishes nothing.
  std::int64_t memory_mib = 1024;
  // Most that a manifest can wish for, MiB.
  std::int64_t max_memory_mib = 8192;
  // Address space beyond the memory, MiB: stacks and reserved pages that are never touched.
  std::int64_t address_space_margin_mib = 2048;
  // Largest file it may write, bytes.
  std::int64_t file_bytes = std::int64_t{1} << 30;
  // Most descriptors it may have open.
  std::int64_t open_files = 256;

  // Largest message either way: results of 16 MiB, and what is around them.
  int message_bytes = 17 << 20;
  // Most bytes of all messages that it sends.
  std::int64_t received_bytes = std::int64_t{64} << 20;
  // Most messages of progress.
  int progress_messages = 10000;
  // Bytes of output that are kept; the middle is dropped.
  std::size_t kept_output_bytes = 64 << 10;
  // Most bytes of output.
  std::int64_t output_bytes = std::int64_t{64} << 20;

  // Told to plugins in the handshake.
  std::string host_version;
  // Folder in which the private folder of each process is made; empty: the system's for temporary
  // files. Short: a path of a socket in it must fit into 100 bytes.
  std::string scratch;
};

}  // namespace plumule::analysis
