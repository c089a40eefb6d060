#include "tests/integration/generic_call.h"

#include <grpcpp/create_channel.h>
#include <grpcpp/generic/generic_stub.h>
#include <grpcpp/security/credentials.h>

#include <chrono>

namespace plumule::integration {
namespace {

std::string BytesOf(const grpc::ByteBuffer& buffer) {
  std::vector<grpc::Slice> slices;
  if (!buffer.Dump(&slices).ok()) return "";
  std::string bytes;
  for (const grpc::Slice& slice : slices) {
    bytes.append(reinterpret_cast<const char*>(slice.begin()), slice.size());
  }
  return bytes;
}

}  // namespace

GenericAnswer CallByName(const std::string& address, const std::string& method,
                         const std::optional<std::string>& authorization,
                         const std::string& message) {
  grpc::GenericStub stub(grpc::CreateChannel(address, grpc::InsecureChannelCredentials()));
  grpc::ClientContext context;
  if (authorization.has_value()) context.AddMetadata("authorization", *authorization);
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(10));
  grpc::CompletionQueue queue;
  // One operation at a time, so that its tag need not be looked at.
  const auto wait = [&queue] {
    void* tag = nullptr;
    bool ok = false;
    return queue.Next(&tag, &ok) && ok;
  };
  const auto call = stub.PrepareCall(&context, "/" + method, &queue);
  call->StartCall(nullptr);
  if (wait()) {
    const grpc::Slice slice(message);
    call->Write(grpc::ByteBuffer(&slice, 1), nullptr);
    if (wait()) {
      call->WritesDone(nullptr);
      wait();
    }
  }
  GenericAnswer answer;
  grpc::ByteBuffer buffer;
  call->Read(&buffer, nullptr);
  while (wait()) {
    answer.messages.push_back(BytesOf(buffer));
    call->Read(&buffer, nullptr);
  }
  call->Finish(&answer.status, nullptr);
  wait();
  return answer;
}

}  // namespace plumule::integration
