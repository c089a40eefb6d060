#include "clients/cli/command/fetch.h"

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace plumule::cli {

absl::StatusOr<study::v1::GetProtocolResponse> FetchProtocol(client::Connection& server,
                                                             const std::string& study) {
  study::v1::GetProtocolRequest request;
  request.set_name(study);
  return server.Call(&study::v1::StudyService::Stub::GetProtocol, request);
}

absl::StatusOr<std::string> NewestFreeze(client::Connection& server, const std::string& study) {
  study::v1::ListFreezesRequest request;
  request.set_parent(study);
  request.set_page_size(1);
  const auto answer = server.Call(&study::v1::StudyService::Stub::ListFreezes, request);
  if (!answer.ok()) return answer.status();
  if (answer->freezes().empty()) {
    return absl::FailedPreconditionError(absl::StrCat(
        study,
        " has no frozen dataset; close it and freeze it first: plumule study close, plumule "
        "study freeze"));
  }
  return answer->freezes(0).name();
}

absl::StatusOr<analysis::v1::StoredResult> FetchResult(client::Connection& server,
                                                       const std::string& name) {
  analysis::v1::GetResultRequest request;
  request.set_name(name);
  auto answer = server.Call(&analysis::v1::AnalysisService::Stub::GetResult, request);
  if (!answer.ok()) return answer.status();
  return std::move(*answer->mutable_result());
}

}  // namespace plumule::cli
