#include "server/intake/amendment.h"

#include <algorithm>
#include <string>

#include "absl/strings/str_cat.h"
#include "absl/strings/string_view.h"
#include "server/log/content_digest.h"

namespace plumule::intake {
namespace {

using study::v1::Arm;
using study::v1::LossCause;
using study::v1::Threshold;
using study::v1::Variable;

void Add(absl::string_view list, const std::string& id, absl::string_view what,
         std::vector<FieldViolation>* violations) {
  violations->push_back({absl::StrCat("protocol.", list, "[", id, "]"), "amendment_incompatible",
                         absl::StrCat(what,
                                      "; records were made under the earlier revision: keep "
                                      "it, and add another beside it if you need to")});
}

bool SameArm(const Arm& before, const Arm& after) {
  return before.role() == after.role() && log::SerializeDeterministically(before.dose()) ==
                                              log::SerializeDeterministically(after.dose());
}

// Options may be added to a choice, not taken away.
bool SameType(const Variable& before, const Variable& after) {
  if (before.scope() != after.scope() || before.type_case() != after.type_case()) return false;
  if (before.has_number() && before.number().unit() != after.number().unit()) return false;
  return std::all_of(
      before.choice().options().begin(), before.choice().options().end(), [&](const auto& option) {
        return std::any_of(after.choice().options().begin(), after.choice().options().end(),
                           [&](const auto& other) { return other.code() == option.code(); });
      });
}

bool SameThreshold(const Threshold& before, const Threshold& after) {
  Threshold a = before;
  Threshold b = after;
  a.clear_label();
  b.clear_label();
  return log::SerializeDeterministically(a) == log::SerializeDeterministically(b);
}

bool SameLoss(const LossCause& before, const LossCause& after) {
  return before.kind() == after.kind();
}

template <typename Member>
void Compare(absl::string_view list, const google::protobuf::RepeatedPtrField<Member>& before,
             const google::protobuf::RepeatedPtrField<Member>& after,
             bool (*same)(const Member&, const Member&), std::vector<FieldViolation>* violations) {
  for (const Member& old : before) {
    const auto kept = std::find_if(after.begin(), after.end(),
                                   [&](const Member& member) { return member.id() == old.id(); });
    if (kept == after.end()) {
      Add(list, old.id(), "it is gone", violations);
    } else if (!same(old, *kept)) {
      Add(list, old.id(), "it no longer means the same", violations);
    }
  }
}

}  // namespace

std::vector<FieldViolation> IncompatibleChanges(const study::v1::Protocol& before,
                                                const study::v1::Protocol& after) {
  std::vector<FieldViolation> violations;
  Compare("arms", before.arms(), after.arms(), &SameArm, &violations);
  Compare("variables", before.variables(), after.variables(), &SameType, &violations);
  Compare("thresholds", before.thresholds(), after.thresholds(), &SameThreshold, &violations);
  Compare("losses", before.losses(), after.losses(), &SameLoss, &violations);
  return violations;
}

}  // namespace plumule::intake
