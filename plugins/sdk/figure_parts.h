#ifndef PLUMULE_PLUGINS_SDK_FIGURE_PARTS_H_
#define PLUMULE_PLUGINS_SDK_FIGURE_PARTS_H_

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/result.pb.h"

namespace plumule::sdk {

// What all figures are made with. Internal to the SDK: plugins use figure.h and its like.

using Json = nlohmann::ordered_json;

// A number as a picture needs it: five significant digits.
double Seen(double value);
Json Seen(const std::optional<double>& value);  // null where absent

// A label as a figure may hold it: with a space inside whatever the host would take for an address
// or a script, however the label came by it.
std::string Inert(std::string label);

// Title of one panel of several: the label of its arm.
Json PanelTitle(const std::string& label);

// The figure of a Vega-Lite specification that lacks its schema and our configuration.
analysis::v1::Figure MakeFigure(absl::string_view id, absl::string_view title,
                                absl::string_view caption, const Json& specification,
                                std::string text_alternative);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_FIGURE_PARTS_H_
