#pragma once

#include <map>
#include <string>

#include "plumule/study/v1/protocol.pb.h"

namespace plumule::cli {

// Members of a definition by id. Refers to the definition, which must outlive it. Null for ids
// that are not there; the `…Words` list what is, for messages.
class ProtocolIndex {
 public:
  explicit ProtocolIndex(const study::v1::Protocol& protocol);

  const study::v1::Arm* Arm(const std::string& id) const { return Find(arms_, id); }
  const study::v1::Variable* Variable(const std::string& id) const { return Find(variables_, id); }
  const study::v1::Threshold* Threshold(const std::string& id) const {
    return Find(thresholds_, id);
  }
  const study::v1::LossCause* Loss(const std::string& id) const { return Find(losses_, id); }

  std::string ArmWords() const { return Words("arms", arms_); }
  std::string VariableWords() const { return Words("variables", variables_); }
  std::string ThresholdWords() const { return Words("thresholds", thresholds_); }
  std::string LossWords() const { return Words("causes of loss", losses_); }

 private:
  template <class T>
  using ById = std::map<std::string, const T*>;

  template <class T>
  static const T* Find(const ById<T>& members, const std::string& id) {
    const auto at = members.find(id);
    return at == members.end() ? nullptr : at->second;
  }

  template <class T>
  static std::string Words(const char* what, const ById<T>& members) {
    if (members.empty()) return std::string("it has no ") + what;
    std::string words = std::string("its ") + what + ": ";
    const char* between = "";
    for (const auto& [id, member] : members) {
      words += between + id;
      between = ", ";
    }
    return words;
  }

  ById<study::v1::Arm> arms_;
  ById<study::v1::Variable> variables_;
  ById<study::v1::Threshold> thresholds_;
  ById<study::v1::LossCause> losses_;
};

}  // namespace plumule::cli
