// Communities and keys, as a service.
#pragma once

#include <functional>

#include "absl/time/time.h"
#include "plumule/access/v1/access_service.grpc.pb.h"
#include "server/access/directory.h"
#include "server/rpc/edge.h"

namespace plumule::rpc {

// See access_service.proto. Thread-safe.
class AccessService : public access::v1::AccessService::CallbackService {
 public:
  // Nothing is owned.
  AccessService(Edge& edge, access::Directory& directory, std::function<absl::Time()> clock);

  grpc::ServerUnaryReactor* CreateCommunity(grpc::CallbackServerContext* context,
                                            const access::v1::CreateCommunityRequest* request,
                                            access::v1::CreateCommunityResponse* response) override;
  grpc::ServerUnaryReactor* ListCommunities(grpc::CallbackServerContext* context,
                                            const access::v1::ListCommunitiesRequest* request,
                                            access::v1::ListCommunitiesResponse* response) override;
  grpc::ServerUnaryReactor* CreateKey(grpc::CallbackServerContext* context,
                                      const access::v1::CreateKeyRequest* request,
                                      access::v1::CreateKeyResponse* response) override;
  grpc::ServerUnaryReactor* ListKeys(grpc::CallbackServerContext* context,
                                     const access::v1::ListKeysRequest* request,
                                     access::v1::ListKeysResponse* response) override;
  grpc::ServerUnaryReactor* RevokeKey(grpc::CallbackServerContext* context,
                                      const access::v1::RevokeKeyRequest* request,
                                      access::v1::RevokeKeyResponse* response) override;

 private:
  Edge& edge_;
  access::Directory& directory_;
  std::function<absl::Time()> clock_;
};

}  // namespace plumule::rpc
