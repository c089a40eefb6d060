// plumule-stream: a client of the streaming API, short enough to learn it from.
//
//   plumule-stream --server 127.0.0.1:7413 --key-file intake.key
//       --study communities/windowsill/studies/basil --from diary.jsonl
//
// Sends the records of a file, one JSON object a line, and says what became of them. Each record
// brings its own id, so the same file may be sent again at any time: nothing is stored twice.
//
// Exit status: 0 all kept; 1 some refused; 2 unusable input or usage; 3 server or network.

#include <CLI/CLI.hpp>
#include <cstdlib>
#include <fstream>
#include <iostream>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "clients/cpp/connection.h"
#include "clients/cpp/error.h"
#include "clients/cpp/record_streamer.h"
#include "examples/stream_client/record_lines.h"
#include "examples/stream_client/tally.h"

namespace plumule::stream_client {
namespace {

using intake::v1::Receipt;
using intake::v1::Record;

struct Options {
  std::string server, key_file, study, from;
};

// Sends every line and waits for the last receipt. A connection that breaks is mended on the way,
// and what has no receipt yet is sent again.
absl::Status SendAll(client::Connection& server, const std::string& study,
                     const std::vector<Line>& lines, Tally* tally) {
  // Receipts come on a thread of the streamer, one after the other, in the order of sending. The
  // thread is over once the streamer is gone: then the tally is ours again.
  client::RecordStreamer streamer(
      server, study, [tally](const Record&, const Receipt& receipt) { tally->Add(receipt); });
  for (const Line& line : lines) {
    // Waits while too many records have no receipt.
    if (const absl::Status sent = streamer.Send(line.record); !sent.ok()) return sent;
  }
  return streamer.Finish();
}

// How many of the records that had to wait for others were judged since. A record that is sent
// again is answered with how it stands now.
std::string AskForPending(client::Connection& server, const std::string& study,
                          const std::vector<Line>& lines, const Tally& tally) {
  if (tally.pending().empty()) return "";
  std::vector<Line> again;
  for (const std::size_t place : tally.pending()) again.push_back(lines[place]);
  Tally now;
  if (!SendAll(server, study, again, &now).ok()) return "how they stand now is not known";
  return absl::StrCat(again.size() - now.pending().size(), " of them settled meanwhile");
}

// From the file, or from PLUMULE_KEY; never from the command line, which others can see.
std::string ReadKey(const std::string& file) {
  std::string key;
  if (!file.empty()) {
    std::ifstream(file) >> key;
  } else if (const char* from_environment = std::getenv("PLUMULE_KEY")) {
    key = from_environment;
  }
  return key;
}

int Fail(int exit_code, absl::string_view words) {
  std::cerr << "plumule-stream: " << words << '\n';
  return exit_code;
}

int Run(const Options& options) {
  const std::string key = ReadKey(options.key_file);
  if (key.empty()) return Fail(2, "there is no key; give --key-file FILE or set PLUMULE_KEY");
  const absl::StatusOr<std::vector<Line>> lines = ReadLines(options.from);
  if (!lines.ok()) return Fail(2, lines.status().message());

  client::Connection server({.address = options.server, .key = key});
  Tally tally;
  const absl::Status sent = SendAll(server, options.study, *lines, &tally);
  if (!sent.ok()) {
    if (tally.answered() > 0) {
      std::cout << options.study << ": " << tally.answered() << " of " << lines->size()
                << " records answered; send the file again, nothing is stored twice\n"
                << tally.Counts("");
    }
    return Fail(3, client::Explain(sent));
  }
  const std::string of_pending = AskForPending(server, options.study, *lines, tally);
  std::cout << options.study << ": " << lines->size() << " records sent\n"
            << tally.Counts(of_pending) << tally.Refusals(*lines);
  return tally.refused() == 0 ? 0 : 1;
}

}  // namespace
}  // namespace plumule::stream_client

int main(int argc, char** argv) {
  plumule::stream_client::Options options;
  CLI::App app("Sends records over the streaming API and says what became of them.");
  app.add_option("--server", options.server, "HOST:PORT")->envname("PLUMULE_SERVER")->required();
  app.add_option("--key-file", options.key_file, "File with an intake key; or set PLUMULE_KEY");
  app.add_option("--study", options.study, "communities/{community}/studies/{study}")->required();
  app.add_option("--from", options.from, "File of records, one JSON object a line")->required();
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    return app.exit(error) == 0 ? 0 : 2;
  }
  return plumule::stream_client::Run(options);
}
