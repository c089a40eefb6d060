// Who may call what: the one table of the server. A method that is not in it is denied to everyone.
//
// gRPC's own health and reflection services stand outside: they say nothing about any community.
#pragma once

#include <cstdint>
#include <span>

#include "absl/strings/string_view.h"
#include "plumule/access/v1/access_service.pb.h"

namespace plumule::access {

// A set of roles.
class RoleSet {
 public:
  constexpr RoleSet() = default;
  // NOLINTNEXTLINE(google-explicit-constructor): a role is the set of itself.
  constexpr RoleSet(v1::Role role) : bits_(1u << static_cast<unsigned>(role)) {}
  constexpr RoleSet operator|(RoleSet other) const { return RoleSet(bits_ | other.bits_); }
  constexpr bool Holds(v1::Role role) const {
    return role != v1::ROLE_UNSPECIFIED && (bits_ & (1u << static_cast<unsigned>(role))) != 0;
  }

 private:
  constexpr explicit RoleSet(unsigned bits) : bits_(bits) {}
  unsigned bits_ = 0;
};

// What a method's request speaks of.
enum class Reach : std::uint8_t {
  // The server as a whole; there is no resource to compare.
  kServer,
  // A resource of one community, which must be the key's own; the operator's key fits all.
  kCommunity,
};

// One line of the table.
struct MethodRule {
  // "plumule.study.v1.StudyService/GetStudy".
  absl::string_view method;
  RoleSet roles;
  Reach reach;
};

namespace internal {

inline constexpr RoleSet kOperator = v1::ROLE_OPERATOR;
inline constexpr RoleSet kOrganizer = v1::ROLE_ORGANIZER;
inline constexpr RoleSet kSenders = kOrganizer | v1::ROLE_INTAKE;
inline constexpr RoleSet kReaders = kOrganizer | v1::ROLE_RESEARCHER;
inline constexpr RoleSet kMembers = kReaders | v1::ROLE_INTAKE;
inline constexpr RoleSet kKeyKeepers = kOperator | v1::ROLE_ORGANIZER;

inline constexpr MethodRule kMethodTable[] = {
    {"plumule.access.v1.AccessService/CreateCommunity", kOperator, Reach::kServer},
    {"plumule.access.v1.AccessService/ListCommunities", kOperator, Reach::kServer},
    {"plumule.access.v1.AccessService/CreateKey", kKeyKeepers, Reach::kCommunity},
    {"plumule.access.v1.AccessService/ListKeys", kKeyKeepers, Reach::kCommunity},
    {"plumule.access.v1.AccessService/RevokeKey", kKeyKeepers, Reach::kCommunity},

    {"plumule.study.v1.StudyService/CreateStudy", kOrganizer, Reach::kCommunity},
    {"plumule.study.v1.StudyService/GetStudy", kMembers, Reach::kCommunity},
    {"plumule.study.v1.StudyService/ListStudies", kMembers, Reach::kCommunity},
    {"plumule.study.v1.StudyService/CheckProtocol", kOrganizer, Reach::kCommunity},
    {"plumule.study.v1.StudyService/PublishProtocol", kOrganizer, Reach::kCommunity},
    {"plumule.study.v1.StudyService/GetProtocol", kMembers, Reach::kCommunity},
    {"plumule.study.v1.StudyService/CloseStudy", kOrganizer, Reach::kCommunity},
    {"plumule.study.v1.StudyService/FreezeStudy", kOrganizer, Reach::kCommunity},
    {"plumule.study.v1.StudyService/ListFreezes", kMembers, Reach::kCommunity},

    {"plumule.intake.v1.IntakeService/Record", kSenders, Reach::kCommunity},
    {"plumule.intake.v1.IntakeService/RecordBatch", kSenders, Reach::kCommunity},
    {"plumule.intake.v1.IntakeService/RecordStream", kSenders, Reach::kCommunity},
    {"plumule.intake.v1.IntakeService/TryRecords", kSenders, Reach::kCommunity},

    {"plumule.intake.v1.LogService/ReadLog", kReaders, Reach::kCommunity},
    {"plumule.intake.v1.LogService/GetProgress", kReaders, Reach::kCommunity},
    {"plumule.intake.v1.LogService/ListRefused", kOrganizer, Reach::kCommunity},
    {"plumule.intake.v1.LogService/ListPending", kReaders, Reach::kCommunity},
    {"plumule.intake.v1.LogService/Exclude", kOrganizer, Reach::kCommunity},

    {"plumule.analysis.v1.AnalysisService/ListPlugins", kReaders, Reach::kServer},
    {"plumule.analysis.v1.AnalysisService/ReadDataset", kReaders, Reach::kCommunity},
    {"plumule.analysis.v1.AnalysisService/CreateRun", kReaders, Reach::kCommunity},
    {"plumule.analysis.v1.AnalysisService/GetRun", kReaders, Reach::kCommunity},
    {"plumule.analysis.v1.AnalysisService/ListRuns", kReaders, Reach::kCommunity},
    {"plumule.analysis.v1.AnalysisService/CancelRun", kReaders, Reach::kCommunity},
    {"plumule.analysis.v1.AnalysisService/GetResult", kReaders, Reach::kCommunity},
    {"plumule.analysis.v1.AnalysisService/ListResults", kReaders, Reach::kCommunity},
};

}  // namespace internal

// The whole table.
inline std::span<const MethodRule> MethodTable() { return internal::kMethodTable; }

// The rule of a method, or nullptr: then it is denied. Linear in the table.
constexpr const MethodRule* FindRule(absl::string_view method) {
  for (const MethodRule& rule : internal::kMethodTable) {
    if (rule.method == method) return &rule;
  }
  return nullptr;
}

// The rule of a method whose name is known when compiling; a method that has none does not compile.
consteval const MethodRule& RuleOf(absl::string_view method) { return *FindRule(method); }

}  // namespace plumule::access
