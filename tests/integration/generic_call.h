// Calls of any method by name, unary or streaming, for tests that go through all of them.
#pragma once

#include <grpcpp/support/status.h>

#include <optional>
#include <string>
#include <vector>

namespace plumule::integration {

// What came back.
struct GenericAnswer {
  grpc::Status status;
  // Serialized messages.
  std::vector<std::string> messages;
};

// Sends one serialized message to "package.Service/Method" and reads until the call is over, at
// most ten seconds. `authorization` is the value of that metadata, if it is to be sent.
GenericAnswer CallByName(const std::string& address, const std::string& method,
                         const std::optional<std::string>& authorization,
                         const std::string& message);

}  // namespace plumule::integration
