#ifndef PLUMULE_PLUGINS_SDK_SERVE_H_
#define PLUMULE_PLUGINS_SDK_SERVE_H_

#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "plugins/sdk/plugin.h"

namespace plumule::sdk {

// Version of the plugin protocol that this library speaks.
inline constexpr absl::string_view kProtocolVersion = "1";

// Serves a plugin to the host that started this process, as plugin/v1/plugin.proto says: reads
// PLUMULE_PLUGIN_SOCKET, _TOKEN and _LEASE, listens, works, and ends when the lease reads end of
// file, whatever is going on then. Returns main's exit status: 0 after the lease ended, 2 with a
// line on standard error if the environment or the manifest is unusable or the socket can't be
// listened on.
int Serve(const Plugin& plugin);

// The server without the process around it; Serve() and tests start it. Until Handshake has been
// answered with a protocol version every other method is refused with FAILED_PRECONDITION.
class PluginServer {
 public:
  // INVALID_ARGUMENT for an unusable manifest or a socket path over 100 bytes; UNAVAILABLE if the
  // socket can't be listened on.
  static absl::StatusOr<std::unique_ptr<PluginServer>> Listen(const Plugin& plugin,
                                                              const std::string& socket_path,
                                                              const std::string& token);
  // Stops; work that goes on is waited for.
  virtual ~PluginServer() = default;

 protected:
  PluginServer() = default;
};

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_SERVE_H_
