#include "server/analysis/plugin_process.h"

#include <google/protobuf/util/message_differencer.h>

#include <algorithm>
#include <cmath>
#include <thread>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "server/analysis/plugin_session.h"
#include "server/analysis/result_check.h"
#include "server/analysis/utf8.h"

namespace plumule::analysis {
namespace {

constexpr size_t kOutputInMessage = size_t{2} << 10;
constexpr size_t kMaxDoing = 200;

absl::StatusCode CodeOf(v1::RunFailure cause) {
  switch (cause) {
    case v1::RUN_FAILURE_UNSPECIFIED:
      return absl::StatusCode::kCancelled;
    case v1::RUN_FAILURE_TIMED_OUT:
      return absl::StatusCode::kDeadlineExceeded;
    case v1::RUN_FAILURE_LIMIT_PASSED:
      return absl::StatusCode::kResourceExhausted;
    case v1::RUN_FAILURE_PLUGIN_DECLINED:
      return absl::StatusCode::kInvalidArgument;
    case v1::RUN_FAILURE_COULD_NOT_START:
    case v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET:
    case v1::RUN_FAILURE_RESULT_REFUSED:
      return absl::StatusCode::kFailedPrecondition;
    default:
      return absl::StatusCode::kUnavailable;
  }
}

// The last `kOutputInMessage` bytes of readable output, from the start of a line if there is one.
absl::string_view LastOutput(absl::string_view output) {
  if (output.size() <= kOutputInMessage) return output;
  output.remove_prefix(output.size() - kOutputInMessage);
  const size_t line = output.find('\n');
  if (line != absl::string_view::npos && line + 1 < output.size()) {
    output.remove_prefix(line + 1);
  }
  while (!output.empty() && (static_cast<unsigned char>(output[0]) & 0xc0) == 0x80) {
    output.remove_prefix(1);
  }
  return output;
}

absl::Status StatusOf(const InstalledPlugin& plugin, const PluginFailure& failure,
                      absl::string_view output) {
  std::string message = absl::StrCat("The plugin ", plugin.manifest.id(), " ",
                                     plugin.manifest.version(), " ", failure.words, ".");
  if (!output.empty()) absl::StrAppend(&message, "\nThe end of its output:\n", LastOutput(output));
  return absl::Status(CodeOf(failure.cause), message);
}

absl::Duration WorkTime(const InstalledPlugin& plugin, const PluginLimits& limits) {
  const auto wish = absl::Seconds(plugin.manifest.resources().seconds());
  return wish > absl::ZeroDuration() ? std::min(wish, limits.max_work) : limits.work;
}

bool Can(const InstalledPlugin& plugin, plugin::v1::Capability capability) {
  const auto& capabilities = plugin.manifest.capabilities();
  return std::find(capabilities.begin(), capabilities.end(), capability) != capabilities.end();
}

// Opens a session, lets `work` use it, closes it. `work` fills in the answer or says what failed.
template <typename Answer, typename Work>
PluginOutcome<Answer> InSession(const InstalledPlugin& plugin, const PluginLimits& limits,
                                absl::Duration patience, std::stop_token stop, Work work) {
  PluginOutcome<Answer> outcome;
  PluginSession session(plugin, limits, std::move(stop));
  Answer answer;
  MaybeFailure failure = session.Open(patience);
  if (!failure) failure = work(session, answer);
  session.Close();
  outcome.output = session.output();
  outcome.enforced = session.enforced();
  if (!outcome.enforced.empty()) {
    outcome.enforced.insert(outcome.enforced.begin(),
                            absl::StrCat("time: ", SecondsInWords(patience), " for the work, ",
                                         SecondsInWords(limits.start), " to start"));
  }
  if (failure) {
    outcome.failure = failure->cause;
    outcome.answer = StatusOf(plugin, *failure, outcome.output);
  } else {
    outcome.answer = std::move(answer);
  }
  return outcome;
}

template <typename Answer>
PluginOutcome<Answer> Refusal(const InstalledPlugin& plugin, v1::RunFailure cause,
                              std::string words) {
  PluginOutcome<Answer> outcome;
  outcome.failure = cause;
  outcome.answer = StatusOf(plugin, {cause, std::move(words)}, "");
  return outcome;
}

// Takes in the messages of a piece of work: progress, then one result.
class Harvest {
 public:
  Harvest(const PluginLimits& limits, const ProgressListener& on_progress)
      : limits_(limits), on_progress_(on_progress) {}

  // False: no more messages are wanted; Failure() says why.
  template <typename Response>
  bool Take(Response& response) {
    if (failure_) return false;
    received_ += static_cast<std::int64_t>(response.ByteSizeLong());
    if (received_ > limits_.received_bytes) {
      return Fail(v1::RUN_FAILURE_LIMIT_PASSED,
                  absl::StrCat("sent more than ", limits_.received_bytes, " bytes"));
    }
    if (result_) return Fail(v1::RUN_FAILURE_RESULT_REFUSED, "sent more after its result");
    if (response.has_result()) {
      result_ = std::move(*response.mutable_result());
      return true;
    }
    if (++progress_messages_ > limits_.progress_messages) {
      return Fail(
          v1::RUN_FAILURE_LIMIT_PASSED,
          absl::StrCat("sent more than ", limits_.progress_messages, " messages of progress"));
    }
    if (response.has_progress()) Tell(response.progress());
    return true;
  }

  // Moves a fit result into `answer`, or says why there is none.
  MaybeFailure Finish(v1::Result& answer) {
    if (failure_) return failure_;
    if (!result_) {
      return PluginFailure{v1::RUN_FAILURE_RESULT_REFUSED,
                           "ended its answer without a result that can be read"};
    }
    const std::vector<std::string> violations = ResultViolations(*result_);
    if (!violations.empty()) {
      return PluginFailure{v1::RUN_FAILURE_RESULT_REFUSED,
                           absl::StrCat("sent a result that breaks rules of results:\n",
                                        absl::StrJoin(violations, "\n"))};
    }
    answer = *std::move(result_);
    return std::nullopt;
  }

  const MaybeFailure& failure() const { return failure_; }

 private:
  bool Fail(v1::RunFailure cause, std::string words) {
    failure_ = PluginFailure{cause, std::move(words)};
    return false;
  }
  void Tell(const plugin::v1::Progress& progress) const {
    if (!on_progress_) return;
    const double fraction =
        std::isfinite(progress.fraction()) ? std::clamp(progress.fraction(), 0.0, 1.0) : 0.0;
    on_progress_(fraction, Utf8Prefix(Readable(progress.doing()), kMaxDoing));
  }

  const PluginLimits& limits_;
  const ProgressListener& on_progress_;
  std::int64_t received_ = 0;
  int progress_messages_ = 0;
  std::optional<v1::Result> result_;
  MaybeFailure failure_;
};

// One request, answered by progress and a result; `open` makes the call and gives its reader.
template <typename Response, typename OpenCall>
PluginOutcome<v1::Result> AskForResult(const InstalledPlugin& plugin, const PluginLimits& limits,
                                       std::stop_token stop, const ProgressListener& on_progress,
                                       const OpenCall& open) {
  const absl::Duration patience = WorkTime(plugin, limits);
  const auto work = [&](PluginSession& session, v1::Result& result) -> MaybeFailure {
    Harvest harvest(limits, on_progress);
    const auto call = [&](auto& stub, grpc::ClientContext& context) {
      const auto stream = open(stub, context);
      Response response;
      while (stream->Read(&response)) {
        if (!harvest.Take(response)) context.TryCancel();
      }
      return stream->Finish();
    };
    MaybeFailure failure = session.Ask(patience, call);
    const bool stopped = failure && failure->cause == v1::RUN_FAILURE_UNSPECIFIED;
    if (stopped || !harvest.failure()) return failure ? failure : harvest.Finish(result);
    return harvest.failure();
  };
  return InSession<v1::Result>(plugin, limits, patience, std::move(stop), work);
}

using AnalyzeStream =
    grpc::ClientReaderWriter<plugin::v1::AnalyzeRequest, plugin::v1::AnalyzeResponse>;

// Sends one table: its schema, then its rows. OK, too, if the plugin no longer listens.
absl::Status SendTable(TableSource& table, bool is_looks, AnalyzeStream& stream) {
  plugin::v1::AnalyzeRequest request;
  *(is_looks ? request.mutable_looks() : request.mutable_units()) = table.schema();
  bool listening = stream.Write(request);
  std::int64_t rows = 0;
  while (listening) {
    v1::DatasetChunk* chunk =
        is_looks ? request.mutable_looks_chunk() : request.mutable_units_chunk();
    absl::StatusOr<bool> more = table.Next(chunk);
    if (!more.ok()) return more.status();
    if (!*more) break;
    if (chunk->rows() < 1 || chunk->rows() > kMaxChunkRows ||
        chunk->ByteSizeLong() > kMaxChunkBytes) {
      return absl::InternalError("a chunk of the dataset is larger than chunks may be");
    }
    rows += chunk->rows();
    listening = stream.Write(request);
  }
  if (listening && rows != table.schema().rows()) {
    return absl::InternalError(absl::StrCat("the dataset has ", rows,
                                            " rows where its schema says ", table.schema().rows()));
  }
  return absl::OkStatus();
}

absl::Status SendDataset(const plugin::v1::AnalysisSetup& setup, DatasetSource& data,
                         AnalyzeStream& stream) {
  plugin::v1::AnalyzeRequest request;
  *request.mutable_setup() = setup;
  if (!stream.Write(request)) return absl::OkStatus();
  if (absl::Status sent = SendTable(data.units(), false, stream); !sent.ok()) return sent;
  if (data.looks() != nullptr) {
    if (absl::Status sent = SendTable(*data.looks(), true, stream); !sent.ok()) return sent;
  }
  stream.WritesDone();
  return absl::OkStatus();
}

}  // namespace

PluginOutcome<v1::Result> Analyze(const InstalledPlugin& plugin,
                                  const plugin::v1::AnalysisSetup& setup, DatasetSource& data,
                                  const PluginLimits& limits, std::stop_token stop,
                                  const ProgressListener& on_progress) {
  if (!Can(plugin, plugin::v1::CAPABILITY_ANALYZE)) {
    return Refusal<v1::Result>(plugin, v1::RUN_FAILURE_PLUGIN_DECLINED,
                               "does not analyze single studies");
  }
  const absl::Duration patience = WorkTime(plugin, limits);
  const auto work = [&](PluginSession& session, v1::Result& result) -> MaybeFailure {
    Harvest harvest(limits, on_progress);
    absl::Status sent;
    const auto call = [&](auto& stub, grpc::ClientContext& context) {
      const std::unique_ptr<AnalyzeStream> stream = stub.Analyze(&context);
      // Sending and receiving at the same time: a plugin that reports progress before it has read
      // everything must not end in a deadlock.
      std::thread sender([&] {
        sent = SendDataset(setup, data, *stream);
        if (!sent.ok()) context.TryCancel();
      });
      plugin::v1::AnalyzeResponse response;
      while (stream->Read(&response)) {
        if (!harvest.Take(response)) context.TryCancel();
      }
      sender.join();
      return stream->Finish();
    };
    MaybeFailure failure = session.Ask(patience, call);
    const bool stopped = failure && failure->cause == v1::RUN_FAILURE_UNSPECIFIED;
    if (stopped) return failure;
    if (!sent.ok()) {
      return PluginFailure{v1::RUN_FAILURE_SERVER_FAULT,
                           absl::StrCat("could not be given its data: ", sent.message())};
    }
    if (harvest.failure()) return harvest.failure();
    return failure ? failure : harvest.Finish(result);
  };
  return InSession<v1::Result>(plugin, limits, patience, std::move(stop), work);
}

PluginOutcome<v1::Result> Plan(const InstalledPlugin& plugin,
                               const plugin::v1::PlanRequest& request, const PluginLimits& limits,
                               std::stop_token stop, const ProgressListener& on_progress) {
  if (!Can(plugin, plugin::v1::CAPABILITY_PLAN)) {
    return Refusal<v1::Result>(plugin, v1::RUN_FAILURE_PLUGIN_DECLINED, "does not plan studies");
  }
  return AskForResult<plugin::v1::PlanResponse>(
      plugin, limits, std::move(stop), on_progress,
      [&](auto& stub, grpc::ClientContext& context) { return stub.Plan(&context, request); });
}

PluginOutcome<v1::Result> Synthesize(const InstalledPlugin& plugin,
                                     const plugin::v1::SynthesizeRequest& request,
                                     const PluginLimits& limits, std::stop_token stop,
                                     const ProgressListener& on_progress) {
  if (!Can(plugin, plugin::v1::CAPABILITY_SYNTHESIZE)) {
    return Refusal<v1::Result>(plugin, v1::RUN_FAILURE_PLUGIN_DECLINED, "does not pool studies");
  }
  return AskForResult<plugin::v1::SynthesizeResponse>(
      plugin, limits, std::move(stop), on_progress,
      [&](auto& stub, grpc::ClientContext& context) { return stub.Synthesize(&context, request); });
}

PluginOutcome<plugin::v1::CheckProtocolResponse> CheckProtocol(
    const InstalledPlugin& plugin, const plugin::v1::CheckProtocolRequest& request,
    const PluginLimits& limits, std::stop_token stop) {
  const auto work = [&](PluginSession& session, plugin::v1::CheckProtocolResponse& answer) {
    return session.Ask(limits.question, [&](auto& stub, grpc::ClientContext& context) {
      return stub.CheckProtocol(&context, request, &answer);
    });
  };
  return InSession<plugin::v1::CheckProtocolResponse>(plugin, limits, limits.question,
                                                      std::move(stop), work);
}

PluginOutcome<plugin::v1::Manifest> AskManifest(const InstalledPlugin& plugin,
                                                const PluginLimits& limits, std::stop_token stop) {
  const auto work = [&](PluginSession& session, plugin::v1::Manifest& answer) -> MaybeFailure {
    plugin::v1::DescribeResponse response;
    const auto call = [&](auto& stub, grpc::ClientContext& context) {
      return stub.Describe(&context, plugin::v1::DescribeRequest(), &response);
    };
    if (MaybeFailure failure = session.Ask(limits.question, call)) return failure;
    if (!google::protobuf::util::MessageDifferencer::Equals(response.manifest(), plugin.manifest)) {
      return PluginFailure{
          v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET,
          "describes itself otherwise than its manifest.json; install the manifest "
          "that belongs to the executable"};
    }
    answer = std::move(*response.mutable_manifest());
    return std::nullopt;
  };
  return InSession<plugin::v1::Manifest>(plugin, limits, limits.question, std::move(stop), work);
}

}  // namespace plumule::analysis
