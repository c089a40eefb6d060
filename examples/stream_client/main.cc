// plumule-stream: a client of the streaming API, as small as one can be.
//
//   plumule-stream --server 127.0.0.1:7413 --key-file intake.key
//       --study communities/windowsill/studies/basil --from diary.jsonl
//
// Sends the records of a file, one JSON object (the protobuf JSON of plumule.intake.v1.Record) a
// line, and says what became of them. Each record brings its id, so the same file may be sent
// again.
//
// Exit status: 0 all kept; 1 some refused; 2 unusable input or usage; 3 server or network.

#include <google/protobuf/util/json_util.h>

#include <CLI/CLI.hpp>
#include <cstdlib>
#include <fstream>
#include <iostream>
#include <string>

#include "clients/cpp/connection.h"
#include "clients/cpp/error.h"
#include "clients/cpp/record_streamer.h"

namespace {

using plumule::intake::v1::Receipt;
using plumule::intake::v1::Record;

struct Options {
  std::string server;
  std::string key_file;
  std::string study;
  std::string from;
};

// How many records came to what.
struct Tally {
  int taken = 0;
  int deviation = 0;
  int refused = 0;
  int pending = 0;
  int duplicate = 0;

  void Add(const Receipt& receipt) {
    if (receipt.repeated()) ++duplicate;
    switch (receipt.judgement().outcome()) {
      case plumule::intake::v1::OUTCOME_TAKEN:
        ++taken;
        break;
      case plumule::intake::v1::OUTCOME_DEVIATION:
        ++deviation;
        break;
      case plumule::intake::v1::OUTCOME_PENDING:
        ++pending;
        break;
      default:
        ++refused;
    }
  }
};

void PrintRefusal(const Receipt& receipt) {
  for (const auto& problem : receipt.judgement().problems()) {
    std::cout << "refused " << receipt.record_id() << ' ' << problem.field() << ": "
              << problem.message() << ' ' << problem.remedy() << " (" << problem.reason() << ")\n";
  }
}

// Fills `options` from the command line; false if the program is to end with `exit_code`.
bool ReadOptions(int argc, char** argv, Options* options, int* exit_code) {
  CLI::App app("Sends records over the streaming API and says what became of them.");
  app.add_option("--server", options->server, "HOST:PORT")->envname("PLUMULE_SERVER")->required();
  app.add_option("--key-file", options->key_file, "File with an intake key")->required();
  app.add_option("--study", options->study, "communities/{community}/studies/{study}")->required();
  app.add_option("--from", options->from, "File of records, one JSON object a line")->required();
  try {
    app.parse(argc, argv);
    return true;
  } catch (const CLI::ParseError& error) {
    *exit_code = app.exit(error) == 0 ? 0 : 2;
    return false;
  }
}

int Fail(int exit_code, const std::string& words) {
  std::cerr << "plumule-stream: " << words << '\n';
  return exit_code;
}

int Run(const Options& options) {
  std::ifstream key_file(options.key_file);
  std::string key;
  if (!(key_file >> key)) return Fail(2, "there is no key in " + options.key_file);
  std::ifstream file(options.from);
  if (!file) return Fail(2, "can't read " + options.from);

  plumule::client::Connection server({.address = options.server, .key = key});
  // Receipts come on another thread, one after the other; Finish waits for the last.
  Tally tally;
  plumule::client::RecordStreamer streamer(server, options.study,
                                           [&](const Record&, const Receipt& receipt) {
                                             tally.Add(receipt);
                                             PrintRefusal(receipt);
                                           });
  int line_number = 0;
  absl::Status sent;
  for (std::string line; sent.ok() && std::getline(file, line);) {
    ++line_number;
    if (line.empty()) continue;
    Record record;
    const auto read = google::protobuf::util::JsonStringToMessage(line, &record);
    if (!read.ok()) {
      return Fail(2, options.from + ":" + std::to_string(line_number) + ": not a record: " +
                         std::string(read.message().data(), read.message().size()));
    }
    sent = streamer.Send(std::move(record));
  }
  if (sent.ok()) sent = streamer.Finish();
  if (!sent.ok()) return Fail(3, plumule::client::Explain(sent));

  std::cout << options.study << ": taken " << tally.taken << ", deviation " << tally.deviation
            << ", refused " << tally.refused << ", pending " << tally.pending << "; of these "
            << tally.duplicate << " had come before\n";
  return tally.refused == 0 ? 0 : 1;
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  int exit_code = 0;
  if (!ReadOptions(argc, argv, &options, &exit_code)) return exit_code;
  return Run(options);
}
