#include "server/access/method_table.h"

#include <gmock/gmock.h>
#include <google/protobuf/descriptor.h>
#include <gtest/gtest.h>

#include <set>
#include <string>

#include "absl/strings/str_cat.h"
#include "plumule/access/v1/access_service.pb.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "plumule/intake/v1/intake_service.pb.h"
#include "plumule/study/v1/study_service.pb.h"

namespace plumule::access {
namespace {

// Every method of every service in the files of the public contract.
std::set<std::string> MethodsOfTheContract() {
  std::set<std::string> methods;
  for (const google::protobuf::FileDescriptor* file :
       {v1::Key::descriptor()->file(), study::v1::Study::descriptor()->file(),
        intake::v1::RecordRequest::descriptor()->file(), analysis::v1::Run::descriptor()->file()}) {
    for (int s = 0; s < file->service_count(); ++s) {
      for (int m = 0; m < file->service(s)->method_count(); ++m) {
        methods.insert(
            absl::StrCat(file->service(s)->full_name(), "/", file->service(s)->method(m)->name()));
      }
    }
  }
  return methods;
}

TEST(MethodTable, HoldsEveryMethodOfTheContractOnceAndNoOther) {
  std::vector<std::string> listed;
  for (const MethodRule& rule : MethodTable()) listed.emplace_back(rule.method);
  EXPECT_THAT(listed, testing::UnorderedElementsAreArray(MethodsOfTheContract()));
}

TEST(MethodTable, GivesNoRuleForAnUnknownMethod) {
  EXPECT_EQ(FindRule("plumule.study.v1.StudyService/DeleteEverything"), nullptr);
  EXPECT_EQ(FindRule(""), nullptr);
}

TEST(MethodTable, LetsNobodyWithoutARoleIn) {
  for (const MethodRule& rule : MethodTable()) {
    EXPECT_FALSE(rule.roles.Holds(v1::ROLE_UNSPECIFIED)) << rule.method;
  }
}

TEST(MethodTable, KeepsTheOperatorOutOfStudies) {
  for (const MethodRule& rule : MethodTable()) {
    const bool about_access = absl::string_view(rule.method).find(".access.") != std::string::npos;
    EXPECT_EQ(rule.roles.Holds(v1::ROLE_OPERATOR), about_access) << rule.method;
  }
}

TEST(MethodTable, LetsIntakeKeysSendAndReadTheProtocolOnly) {
  std::set<std::string> allowed;
  for (const MethodRule& rule : MethodTable()) {
    if (rule.roles.Holds(v1::ROLE_INTAKE)) allowed.emplace(rule.method);
  }
  EXPECT_THAT(allowed, testing::UnorderedElementsAre("plumule.intake.v1.IntakeService/Record",
                                                     "plumule.intake.v1.IntakeService/RecordBatch",
                                                     "plumule.intake.v1.IntakeService/RecordStream",
                                                     "plumule.intake.v1.IntakeService/TryRecords",
                                                     "plumule.study.v1.StudyService/GetStudy",
                                                     "plumule.study.v1.StudyService/ListStudies",
                                                     "plumule.study.v1.StudyService/GetProtocol",
                                                     "plumule.study.v1.StudyService/ListFreezes"));
}

}  // namespace
}  // namespace plumule::access
