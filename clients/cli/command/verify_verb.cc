#include <memory>
#include <ostream>

#include "absl/strings/str_cat.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/server_options.h"
#include "clients/cpp/error.h"
#include "server/log/chain.h"

namespace plumule::cli {
namespace {

struct Options {
  ServerOptions server;
  std::string study;
};

ExitCode Verify(const Options& options, Context& context) {
  const auto study = StudyName(options.study);
  if (!study.ok()) return FailLocal(context, study.status());
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  // What the server says its log is, before it is read: entries that come later are no damage.
  study::v1::GetStudyRequest get;
  get.set_name(*study);
  const auto said = (*server)->Call(&study::v1::StudyService::Stub::GetStudy, get);
  if (!said.ok()) return FailServer(context, said.status());

  intake::v1::ReadLogRequest request;
  request.set_study(*study);
  grpc::ClientContext call;
  (*server)->Authorize(&call);
  auto reader = (*server)->Of<intake::v1::LogService::Stub>().ReadLog(&call, request);
  log::ChainVerifier verifier;
  intake::v1::ReadLogResponse entry;
  std::string head_hash;
  while (reader->Read(&entry)) {
    const absl::Status good = verifier.Add(entry.entry(), entry.hash());
    if (!good.ok()) {
      ClearProgress(context);
      call.TryCancel();
      (void)reader->Finish();
      context.out << "The log of " << *study << " is damaged at entry "
                  << verifier.head().sequence + 1 << ": " << good.message() << '\n';
      return kAnswerIsNo;
    }
    if (verifier.head().sequence == said->study().log_head()) {
      head_hash = log::HashBytes(verifier.head().hash);
    }
    if (verifier.head().sequence % 1000 == 0) {
      ShowProgress(context, absl::StrCat(verifier.head().sequence, " entries read"));
    }
  }
  ClearProgress(context);
  const absl::Status status = client::FromGrpc(reader->Finish());
  if (!status.ok()) {
    // A damaged store is an answer, not a failure to get one.
    if (status.code() == absl::StatusCode::kDataLoss) {
      context.out << "The log of " << *study << " is damaged after entry "
                  << verifier.head().sequence << ": " << status.message() << '\n';
      return kAnswerIsNo;
    }
    return FailServer(context, status);
  }
  if (verifier.head().sequence < said->study().log_head() ||
      (said->study().log_head() > 0 && head_hash != said->study().log_head_hash())) {
    context.out << "The log of " << *study << " is damaged: the server speaks of "
                << said->study().log_head() << " entries with another head than the "
                << verifier.head().sequence << " that can be read.\n";
    return kAnswerIsNo;
  }
  context.out << "The log of " << *study << " is whole: " << verifier.head().sequence
              << " entries, head " << log::ToHex(verifier.head().hash) << '\n';
  return kDone;
}

}  // namespace

void AddVerifyVerb(CLI::App& app, Action* action) {
  auto options = std::make_shared<Options>();
  auto* verb = app.add_subcommand("verify", "Read a study's log and compute its hash chain anew");
  verb->add_option("STUDY", options->study, "COMMUNITY/STUDY, or the full name")->required();
  AddServerOptions(verb, &options->server);
  verb->footer(
      "Exit status 1 if the chain breaks; the entry where it does is named.\n\n"
      "Example:\n  plumule verify balcony/basil-water");
  verb->callback([=] { *action = [=](Context& context) { return Verify(*options, context); }; });
}

}  // namespace plumule::cli
