#include "clients/cli/command/context.h"

#include <ostream>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "clients/cpp/error.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {

ExitCode Fail(Context& context, ExitCode code, absl::string_view message) {
  for (const absl::string_view line : absl::StrSplit(message, '\n')) {
    context.err << "plumule: " << line << '\n';
  }
  return code;
}

ExitCode FailLocal(Context& context, const absl::Status& status) {
  return Fail(context, kUnusable, status.message());
}

ExitCode FailServer(Context& context, const absl::Status& status) {
  ExitCode code = kServer;
  switch (status.code()) {
    case absl::StatusCode::kFailedPrecondition:
    case absl::StatusCode::kAlreadyExists:
    case absl::StatusCode::kNotFound:
    case absl::StatusCode::kAborted:
      code = kAnswerIsNo;
      break;
    case absl::StatusCode::kInvalidArgument:
    case absl::StatusCode::kOutOfRange:
      code = kUnusable;
      break;
    default:
      break;
  }
  const std::string reason = client::Reason(status);
  std::string message = client::Explain(status);
  if (!reason.empty()) absl::StrAppend(&message, " [", reason, "]");
  if (reason.empty() && status.code() == absl::StatusCode::kUnavailable) {
    absl::StrAppend(&message,
                    "\nIs the server running, and is --server (or PLUMULE_SERVER) its address?");
  }
  return Fail(context, code, message);
}

void ShowProgress(Context& context, absl::string_view words) {
  if (context.progress) context.err << "\r\x1b[K" << words << std::flush;
}

void ClearProgress(Context& context) {
  if (context.progress) context.err << "\r\x1b[K" << std::flush;
}

void AddFormat(CLI::App* verb, std::string* format) {
  verb->add_option("--format", *format, "text for people, json for programs")
      ->check(CLI::IsMember({"text", "json"}))
      ->capture_default_str();
}

std::string Today(const Context& context) {
  return protocol::FormatDate(absl::ToCivilDay(context.now(), absl::UTCTimeZone()));
}

}  // namespace plumule::cli
