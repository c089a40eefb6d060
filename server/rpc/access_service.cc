#include "server/rpc/access_service.h"

#include <string>
#include <utility>
#include <vector>

#include "server/protocol/status_macros.h"
#include "server/rpc/paging.h"

namespace plumule::rpc {
namespace {

using access::Admission;
using access::ResourceKind;
using access::RuleOf;

constexpr access::MethodRule kCreateCommunity =
    RuleOf("plumule.access.v1.AccessService/CreateCommunity");
constexpr access::MethodRule kListCommunities =
    RuleOf("plumule.access.v1.AccessService/ListCommunities");
constexpr access::MethodRule kCreateKey = RuleOf("plumule.access.v1.AccessService/CreateKey");
constexpr access::MethodRule kListKeys = RuleOf("plumule.access.v1.AccessService/ListKeys");
constexpr access::MethodRule kRevokeKey = RuleOf("plumule.access.v1.AccessService/RevokeKey");

// Moves items into a repeated field; the last one's id is where the next page begins, if this one
// is full.
template <class Item>
std::string FillPage(std::vector<Item> items, const Page& page,
                     google::protobuf::RepeatedPtrField<Item>* field) {
  for (Item& item : items) *field->Add() = std::move(item);
  if (field->size() < page.size) return "";
  const std::string& name = field->at(field->size() - 1).name();
  return name.substr(name.rfind('/') + 1);
}

}  // namespace

AccessService::AccessService(Edge& edge, access::Directory& directory,
                             std::function<absl::Time()> clock)
    : edge_(edge), directory_(directory), clock_(std::move(clock)) {}

grpc::ServerUnaryReactor* AccessService::CreateCommunity(
    grpc::CallbackServerContext* context, const access::v1::CreateCommunityRequest* request,
    access::v1::CreateCommunityResponse* response) {
  return edge_.Read(context, kCreateCommunity, std::nullopt,
                    [=, this](const Admission&, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(*response,
                                               directory_.CreateCommunity(*request, clock_()));
                      return absl::OkStatus();
                    });
}

grpc::ServerUnaryReactor* AccessService::ListCommunities(
    grpc::CallbackServerContext* context, const access::v1::ListCommunitiesRequest* request,
    access::v1::ListCommunitiesResponse* response) {
  return edge_.Read(context, kListCommunities, std::nullopt,
                    [=, this](const Admission&, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          const Page page, ReadPage(kListCommunities.method, "",
                                                    request->page_size(), request->page_token()));
                      PLUMULE_ASSIGN_OR_RETURN(std::vector<access::v1::Community> found,
                                               directory_.ListCommunities(page.after, page.size));
                      response->set_next_page_token(NextToken(
                          kListCommunities.method, "",
                          FillPage(std::move(found), page, response->mutable_communities())));
                      return absl::OkStatus();
                    });
}

grpc::ServerUnaryReactor* AccessService::CreateKey(grpc::CallbackServerContext* context,
                                                   const access::v1::CreateKeyRequest* request,
                                                   access::v1::CreateKeyResponse* response) {
  return edge_.Read(
      context, kCreateKey,
      access::RequestedResource{ResourceKind::kCommunity, "parent", request->parent()},
      [=, this](const Admission& admission, std::stop_token) -> absl::Status {
        PLUMULE_ASSIGN_OR_RETURN(access::NewKey made,
                                 directory_.CreateKey(admission.resource.community, request->role(),
                                                      request->label(), clock_()));
        *response->mutable_key() = std::move(made.key);
        response->set_secret(std::move(made.secret));
        return absl::OkStatus();
      });
}

grpc::ServerUnaryReactor* AccessService::ListKeys(grpc::CallbackServerContext* context,
                                                  const access::v1::ListKeysRequest* request,
                                                  access::v1::ListKeysResponse* response) {
  return edge_.Read(
      context, kListKeys,
      access::RequestedResource{ResourceKind::kCommunity, "parent", request->parent()},
      [=, this](const Admission& admission, std::stop_token) -> absl::Status {
        PLUMULE_ASSIGN_OR_RETURN(const Page page,
                                 ReadPage(kListKeys.method, request->parent(), request->page_size(),
                                          request->page_token()));
        PLUMULE_ASSIGN_OR_RETURN(
            std::vector<access::v1::Key> found,
            directory_.ListKeys(admission.resource.community, page.after, page.size));
        response->set_next_page_token(
            NextToken(kListKeys.method, request->parent(),
                      FillPage(std::move(found), page, response->mutable_keys())));
        return absl::OkStatus();
      });
}

grpc::ServerUnaryReactor* AccessService::RevokeKey(grpc::CallbackServerContext* context,
                                                   const access::v1::RevokeKeyRequest* request,
                                                   access::v1::RevokeKeyResponse* response) {
  return edge_.Read(
      context, kRevokeKey, access::RequestedResource{ResourceKind::kKey, "name", request->name()},
      [=, this](const Admission& admission, std::stop_token) -> absl::Status {
        PLUMULE_ASSIGN_OR_RETURN(
            *response->mutable_key(),
            directory_.RevokeKey(admission.resource.community, admission.resource.leaf));
        return absl::OkStatus();
      });
}

}  // namespace plumule::rpc
