#include <google/protobuf/util/json_util.h>

#include <array>
#include <map>
#include <memory>
#include <mutex>
#include <ostream>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/files.h"
#include "clients/cli/local/problem_list.h"
#include "clients/cli/print/judgement_text.h"
#include "clients/cpp/record_streamer.h"

namespace plumule::cli {
namespace {

struct Options {
  ServerOptions server;
  std::string study, file;
  std::string format = "text";
};

// Records of a file with one JSON record a line.
std::vector<intake::v1::Record> ReadRecords(const std::string& text, ProblemList* problems) {
  std::vector<intake::v1::Record> records;
  int line_number = 0;
  for (const absl::string_view line : absl::StrSplit(text, '\n')) {
    ++line_number;
    if (absl::StripAsciiWhitespace(line).empty()) continue;
    intake::v1::Record record;
    const auto parsed = google::protobuf::util::JsonStringToMessage(std::string(line), &record);
    if (!parsed.ok()) {
      problems->Add(absl::StrCat("line ", line_number, ": ", parsed.ToString(),
                                 "; each line is one record as JSON"));
      continue;
    }
    records.push_back(std::move(record));
  }
  if (records.empty() && problems->empty()) problems->Add("the file holds no records");
  return records;
}

std::string JsonLine(const google::protobuf::Message& message) {
  google::protobuf::util::JsonPrintOptions options;
  options.preserve_proto_field_names = true;
  std::string line;
  (void)google::protobuf::util::MessageToJsonString(message, &line, options);
  return line;
}

ExitCode Send(const Options& options, Context& context) {
  const auto study = StudyName(options.study);
  if (!study.ok()) return FailLocal(context, study.status());
  const auto text = ReadFile(options.file, size_t{1} << 30);
  if (!text.ok()) return FailLocal(context, text.status());
  ProblemList problems;
  const std::vector<intake::v1::Record> records = ReadRecords(*text, &problems);
  if (!problems.empty()) {
    for (const std::string& line : problems.Lines()) {
      context.err << options.file << ": " << line << '\n';
    }
    return kUnusable;
  }
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());

  // Receipts come on the streamer's thread.
  std::mutex mutex;
  std::map<std::string, int64_t> counts;
  size_t answered = 0;
  client::RecordStreamer streamer(
      **server, *study, [&](const intake::v1::Record& record, const intake::v1::Receipt& receipt) {
        const std::lock_guard<std::mutex> lock(mutex);
        ++counts[std::string(OutcomeWord(receipt))];
        ++answered;
        ShowProgress(context, absl::StrCat(answered, " of ", records.size(), " records answered"));
        if (options.format == "json") {
          context.out << JsonLine(receipt) << '\n';
        } else if (receipt.judgement().outcome() != intake::v1::OUTCOME_TAKEN) {
          context.out << OutcomeWord(receipt) << ": " << RecordWords(record) << '\n'
                      << JudgementText(receipt.judgement(), 2);
        }
      });
  absl::Status status = absl::OkStatus();
  for (const auto& record : records) {
    status = streamer.Send(record);
    if (!status.ok()) break;
  }
  if (status.ok()) status = streamer.Finish();
  const std::lock_guard<std::mutex> lock(mutex);
  ClearProgress(context);
  if (options.format == "text") {
    context.out << records.size() << " records:";
    for (const auto& [outcome, count] : counts) context.out << ' ' << count << ' ' << outcome;
    context.out << '\n';
  }
  if (!status.ok()) return FailServer(context, status);
  return counts["refused"] > 0 ? kAnswerIsNo : kDone;
}

}  // namespace

void AddRecordVerbs(CLI::App& app, Action* action) {
  auto* noun = app.add_subcommand("record", "Records of a study");
  noun->require_subcommand(1);
  auto options = std::make_shared<Options>();
  auto* send = noun->add_subcommand("send", "Send a file of records, one JSON record a line");
  send->add_option("FILE", options->file, "file of records (JSON lines)")->required();
  send->add_option("--study", options->study, "COMMUNITY/STUDY, or the full name")->required();
  AddServerOptions(send, &options->server);
  AddFormat(send, &options->format);
  send->footer(
      "Sending the same file twice changes nothing. Exit status 1 if a record was refused.\n\n"
      "Example:\n  plumule record send looks.jsonl --study balcony/basil-water");
  send->callback([=] { *action = [=](Context& context) { return Send(*options, context); }; });
}

}  // namespace plumule::cli
