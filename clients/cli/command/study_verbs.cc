#include <memory>
#include <ostream>

#include "absl/strings/ascii.h"
#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/print/json.h"
#include "clients/cli/print/judgement_text.h"
#include "clients/cli/print/problem_text.h"
#include "clients/cpp/uuid.h"
#include "server/protocol/protocol_file.h"

namespace plumule::cli {
namespace {

using intake::v1::LogService;
using study::v1::StudyService;

struct Options {
  ServerOptions server;
  std::string study, community, file, reason, block, unit;
  int revision = 0;
  std::string format = "text";
};

std::string StateWords(study::v1::StudyState state) {
  const std::string name = study::v1::StudyState_Name(state);
  constexpr absl::string_view kPrefix = "STUDY_STATE_";
  return absl::AsciiStrToLower(absl::string_view(name).substr(kPrefix.size()));
}

std::string StudyLine(const study::v1::Study& study) {
  return absl::StrCat(study.name(), "  ", StateWords(study.state()), "  revision ",
                      study.revision(), "  log ", study.log_head(),
                      study.title().empty() ? "" : absl::StrCat("  ", study.title()), "\n");
}

// Sends one request about a study, prints the answer as JSON or by `words`.
template <class Method, class Request, class Words>
ExitCode Ask(const Options& options, Context& context, Method method, const Request& request,
             const Words& words) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  const auto answer = (*server)->Call(method, request);
  if (!answer.ok()) return FailServer(context, answer.status());
  context.out << (options.format == "json" ? ToJson(*answer) : words(*answer));
  return kDone;
}

// The study's name from the options, or a failure printed.
bool Named(const Options& options, Context& context, std::string* name) {
  const auto study = StudyName(options.study);
  if (!study.ok()) {
    FailLocal(context, study.status());
    return false;
  }
  *name = *study;
  return true;
}

ExitCode Create(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  study::v1::CreateStudyRequest request;
  const size_t cut = name.find("/studies/");
  request.set_parent(name.substr(0, cut));
  request.set_study_id(name.substr(cut + 9));
  const auto answer = (*server)->CallOnce(&StudyService::Stub::CreateStudy, request);
  if (!answer.ok()) return FailServer(context, answer.status());
  context.out << (options.format == "json" ? ToJson(*answer) : StudyLine(answer->study()));
  return kDone;
}

ExitCode Publish(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  auto protocol = protocol::ReadProtocolFile(options.file);
  if (!protocol.ok()) return FailLocal(context, protocol.status());
  study::v1::PublishProtocolRequest request;
  request.set_name(name);
  *request.mutable_protocol() = *std::move(protocol);
  request.set_reason(options.reason);
  request.set_request_id(client::NewUuid());
  return Ask(options, context, &StudyService::Stub::PublishProtocol, request,
             [](const study::v1::PublishProtocolResponse& answer) {
               std::string words = StudyLine(answer.study());
               if (!answer.problems().empty()) {
                 absl::StrAppend(&words, "\n",
                                 ProblemText({answer.problems().begin(), answer.problems().end()}));
               }
               return words;
             });
}

ExitCode Show(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  study::v1::GetStudyRequest request;
  request.set_name(name);
  return Ask(options, context, &StudyService::Stub::GetStudy, request,
             [](const study::v1::GetStudyResponse& answer) {
               std::string words = StudyLine(answer.study());
               if (answer.study().log_head() > 0) {
                 absl::StrAppend(&words, "  head ",
                                 absl::BytesToHexString(answer.study().log_head_hash()), "\n");
               }
               return words;
             });
}

ExitCode List(const Options& options, Context& context) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  study::v1::ListStudiesRequest request;
  request.set_parent(CommunityName(options.community));
  study::v1::ListStudiesResponse all;
  do {
    auto page = (*server)->Call(&StudyService::Stub::ListStudies, request);
    if (!page.ok()) return FailServer(context, page.status());
    request.set_page_token(page->next_page_token());
    all.MergeFrom(*page);
  } while (!request.page_token().empty());
  all.clear_next_page_token();
  if (options.format == "json") {
    context.out << ToJson(all);
    return kDone;
  }
  for (const auto& study : all.studies()) context.out << StudyLine(study);
  if (all.studies().empty()) context.out << "No studies.\n";
  return kDone;
}

ExitCode Close(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  study::v1::CloseStudyRequest request;
  request.set_name(name);
  request.set_reason(options.reason);
  request.set_request_id(client::NewUuid());
  return Ask(options, context, &StudyService::Stub::CloseStudy, request,
             [](const auto& answer) { return StudyLine(answer.study()); });
}

ExitCode FreezeIt(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  study::v1::FreezeStudyRequest request;
  request.set_name(name);
  request.set_request_id(client::NewUuid());
  return Ask(options, context, &StudyService::Stub::FreezeStudy, request, [](const auto& answer) {
    return absl::StrCat(answer.freeze().name(), "  ", answer.freeze().units(), " units in ",
                        answer.freeze().blocks(), " blocks, at log ",
                        answer.freeze().log_sequence(), "\n  sha256 ",
                        answer.freeze().dataset_digest(), "\n");
  });
}

ExitCode ShowProgressOf(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  intake::v1::GetProgressRequest request;
  request.set_study(name);
  return Ask(options, context, &LogService::Stub::GetProgress, request,
             [](const auto& answer) { return ProgressText(answer.progress()); });
}

template <class Method, class Request, class Response, class Words>
ExitCode Pages(const Options& options, Context& context, Method method, Request request,
               Response all, const char* none, const Words& words) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  do {
    auto page = (*server)->Call(method, request);
    if (!page.ok()) return FailServer(context, page.status());
    request.set_page_token(page->next_page_token());
    all.MergeFrom(*page);
  } while (!request.page_token().empty());
  all.clear_next_page_token();
  if (options.format == "json") {
    context.out << ToJson(all);
    return kDone;
  }
  for (const auto& record : all.records()) context.out << words(record);
  if (all.records().empty()) context.out << none;
  return kDone;
}

ExitCode Refused(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  intake::v1::ListRefusedRequest request;
  request.set_study(name);
  return Pages(options, context, &LogService::Stub::ListRefused, request,
               intake::v1::ListRefusedResponse(), "Nothing was refused.\n",
               [](const intake::v1::RefusedRecord& record) {
                 return absl::StrCat(RecordWords(record.record()), "\n",
                                     JudgementText(record.judgement(), 2));
               });
}

ExitCode Pending(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  intake::v1::ListPendingRequest request;
  request.set_study(name);
  return Pages(options, context, &LogService::Stub::ListPending, request,
               intake::v1::ListPendingResponse(), "Nothing waits.\n",
               [](const intake::v1::PendingRecord& record) {
                 std::string words = absl::StrCat(RecordWords(record.record()), "\n");
                 for (const std::string& what : record.waits_for()) {
                   absl::StrAppend(&words, "  waits: ", what, "\n");
                 }
                 return words;
               });
}

ExitCode Exclude(const Options& options, Context& context) {
  std::string name;
  if (!Named(options, context, &name)) return kUnusable;
  intake::v1::ExcludeRequest request;
  request.set_study(name);
  request.set_block(options.block);
  request.set_unit(options.unit);
  request.set_reason(options.reason);
  request.set_request_id(client::NewUuid());
  return Ask(options, context, &LogService::Stub::Exclude, request, [&](const auto& answer) {
    return absl::StrCat("Left out of every later dataset: block ", options.block,
                        options.unit.empty() ? "" : absl::StrCat(", unit ", options.unit), " (log ",
                        answer.receipt().log_sequence(), ").\n");
  });
}

}  // namespace

void AddStudyVerbs(CLI::App& app, Action* action) {
  auto* noun = app.add_subcommand("study", "Studies of a community");
  noun->require_subcommand(1);
  auto options = std::make_shared<Options>();
  using Verb = ExitCode (*)(const Options&, Context&);
  const auto add = [&](const char* name, const char* words, const char* example, Verb verb) {
    auto* sub = noun->add_subcommand(name, words);
    sub->footer(absl::StrCat("Example:\n  plumule study ", name, " ", example));
    sub->callback([=] { *action = [=](Context& context) { return verb(*options, context); }; });
    AddServerOptions(sub, &options->server);
    AddFormat(sub, &options->format);
    return sub;
  };
  const auto add_study = [&](const char* name, const char* words, const char* example, Verb verb) {
    auto* sub = add(name, words, example, verb);
    sub->add_option("STUDY", options->study, "COMMUNITY/STUDY, or the full name")->required();
    return sub;
  };
  add_study("create", "Make a study without a protocol", "balcony/basil-water", &Create);
  auto* publish = add_study("publish", "Publish a protocol as the study's next revision",
                            "balcony/basil-water basil.protocol.txtpb", &Publish);
  publish->add_option("FILE", options->file, "the definition")->required();
  publish->add_option("--reason", options->reason, "what an amendment changes and why");
  add_study("show", "Show where a study stands", "balcony/basil-water", &Show);
  add("list", "List a community's studies", "balcony", &List)
      ->add_option("COMMUNITY", options->community, "id of the community")
      ->required();
  add_study("close", "End intake for good", "balcony/basil-water", &Close)
      ->add_option("--reason", options->reason, "why before the closing date");
  add_study("freeze", "Fix the dataset of a closed study", "balcony/basil-water", &FreezeIt);
  add_study("progress", "Show how a study is doing, without outcomes by arm", "balcony/basil-water",
            &ShowProgressOf);
  add_study("refused", "List records that were refused, and why", "balcony/basil-water", &Refused);
  add_study("pending", "List records that wait for others", "balcony/basil-water", &Pending);
  auto* exclude =
      add_study("exclude", "Leave a block or unit out of later datasets, on the record",
                "balcony/basil-water --block b12 --reason \"seeds of another lot\"", &Exclude);
  exclude->add_option("--block", options->block, "id of the block")->required();
  exclude->add_option("--unit", options->unit, "id of the unit; else the whole block");
  exclude->add_option("--reason", options->reason, "why; quoted in the flow of units")->required();
}

}  // namespace plumule::cli
