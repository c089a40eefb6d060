#ifndef PLUMULE_PLUGINS_SDK_PARAMETERS_H_
#define PLUMULE_PLUGINS_SDK_PARAMETERS_H_

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/plugin/v1/plugin.pb.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::sdk {

using ParameterList = google::protobuf::RepeatedPtrField<study::v1::Parameter>;
using ParameterSpecs = google::protobuf::RepeatedPtrField<plugin::v1::ParameterSpec>;

// What is wrong with one parameter.
struct ParameterProblem {
  std::string parameter;
  std::string what;
};

// Values of a plugin's parameters: those given, else the manifest's defaults. Only parameters that
// the manifest declares and values of the declared type and range get in. Immutable.
class Parameters {
 public:
  // INVALID_ARGUMENT with one line a problem.
  static absl::StatusOr<Parameters> Make(const plugin::v1::Manifest& manifest,
                                         const ParameterList& given);
  // The same of what is expected of a study that is planned: `manifest.expectations`.
  static absl::StatusOr<Parameters> MakeExpectations(const plugin::v1::Manifest& manifest,
                                                     const ParameterList& given);

  // Absent: not given and without a default. The name must be declared with that type in the
  // manifest; a name that is not is a mistake of the plugin and answered with absence.
  std::optional<double> Number(absl::string_view name) const;
  std::optional<std::int64_t> Count(absl::string_view name) const;
  std::optional<bool> YesNo(absl::string_view name) const;
  // The one code chosen; empty if absent.
  std::string Choice(absl::string_view name) const;

 private:
  static Parameters Collect(const ParameterSpecs& specs, const ParameterList& given);
  const study::v1::Value* Find(absl::string_view name) const;
  std::map<std::string, study::v1::Value, std::less<>> values_;
};

// Everything that keeps Make() from succeeding, in the order given.
std::vector<ParameterProblem> CheckParameters(const plugin::v1::Manifest& manifest,
                                              const ParameterList& given);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_PARAMETERS_H_
