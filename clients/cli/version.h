#pragma once

namespace plumule::cli {

// Version of plumule, from the build.
inline constexpr char kVersion[] = PLUMULE_VERSION;

}  // namespace plumule::cli
