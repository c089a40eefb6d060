#include "tests/reference/references.h"

#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <stdexcept>

namespace plumule::reference {
namespace {

nlohmann::json Read() {
  const char* path = std::getenv("PLUMULE_REFERENCES");
  if (path == nullptr) throw std::runtime_error("PLUMULE_REFERENCES names no file");
  std::ifstream file(path);
  if (!file) throw std::runtime_error(std::string("cannot read ") + path);
  nlohmann::json references = nlohmann::json::parse(file);
  for (const auto& [package, version] : references.at("versions").items()) {
    std::printf("compared with %s %s\n", package.c_str(), version.get<std::string>().c_str());
  }
  return references;
}

}  // namespace

const nlohmann::json& References() {
  static const nlohmann::json references = Read();
  return references;
}

}  // namespace plumule::reference
