#include "clients/cli/import/protocol_index.h"

namespace plumule::cli {

ProtocolIndex::ProtocolIndex(const study::v1::Protocol& protocol) {
  for (const auto& arm : protocol.arms()) arms_[arm.id()] = &arm;
  for (const auto& variable : protocol.variables()) variables_[variable.id()] = &variable;
  for (const auto& threshold : protocol.thresholds()) thresholds_[threshold.id()] = &threshold;
  for (const auto& loss : protocol.losses()) losses_[loss.id()] = &loss;
}

}  // namespace plumule::cli
