#include "tests/integration/sample_study.h"

#include <google/protobuf/text_format.h>
#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "absl/time/clock.h"
#include "clients/cpp/error.h"
#include "clients/cpp/uuid.h"
#include "server/protocol/civil_date.h"

namespace plumule::integration {
namespace {

constexpr char kDefinition[] = R"pb(
  language: "en"
  words {
    title { text: "Basil cuttings: water or mix?" }
    question { text: "Do basil cuttings grow a shoot of 50 mm sooner in water or in potting mix?" }
    background { text: "Invented for tests." }
    instructions { text: "Cut, place, look every three days." }
    cautions { text: "Blades: cut away from the hand." }
    cautions {
      text: "Potting mix can carry Legionella: dampen it first, wear gloves, wash your hands. Follow what the bag says."
    }
    consent { text: "You take part because you want to, and may stop at any time." }
    consent_version: "1"
    data_license: "CC0-1.0"
    contact: "the club's table"
  }
  material { species: "Ocimum basilicum" unit_kind: UNIT_KIND_CUTTING origin: "Own plants." }
  calendar { grace_days: 14 time_zone: "UTC" }
  arms {
    id: "water"
    label { text: "water" }
    role: ARM_ROLE_CONTROL
    instructions { text: "Stand it in water." }
  }
  arms {
    id: "mix"
    label { text: "potting mix" }
    role: ARM_ROLE_TREATMENT
    instructions { text: "Stick it into damp mix." }
  }
  block {
    min_units_per_arm: 1
    max_units_per_arm: 10
    max_blocks_per_grower: 3
    description { text: "Side by side on one windowsill." }
  }
  allocation { method: ALLOCATION_METHOD_GROWER_CHOOSES }
  variables {
    id: "country"
    label { text: "Where do you grow?" }
    scope: SCOPE_GROWER
    required: true
    country {}
  }
  variables {
    id: "shoot_length"
    label { text: "How long is the shoot?" }
    scope: SCOPE_OBSERVATION
    required: true
    number {
      unit: "mm"
      hard_min: 0
      hard_max: 2000
      plausible_min: 0
      plausible_max: 400
      decimal_places: 0
      entry_units: "cm"
      entry_units: "[in_i]"
    }
  }
  thresholds {
    id: "long_enough"
    label { text: "the shoot is 50 mm long" }
    variable: "shoot_length"
    comparison: COMPARISON_AT_LEAST
    target { number { value: 50 unit: "mm" } }
    source: CROSSING_SOURCE_DERIVED
  }
  losses {
    id: "rotted"
    label { text: "rotted" }
    kind: LOSS_KIND_BIOLOGICAL
  }
  losses {
    id: "eaten"
    label { text: "eaten by a pet" }
    kind: LOSS_KIND_INCIDENTAL
  }
  analyses {
    id: "how_soon"
    role: ANALYSIS_ROLE_PRIMARY
    plugin: "time-to-threshold"
    threshold: "long_enough"
    set: ANALYSIS_SET_ALL_STARTED
    confidence_level: 0.95
    margin { value: 3 unit: "d" }
  }
  privacy {
    variables { variable: "country" audience: AUDIENCE_PUBLIC }
    variables { variable: "shoot_length" audience: AUDIENCE_PUBLIC }
    smallest_cell: 5
  }
)pb";

absl::CivilDay Today() { return absl::ToCivilDay(absl::Now(), absl::UTCTimeZone()); }

intake::v1::Record Envelope(int days_ago) {
  intake::v1::Record record;
  record.set_record_id(client::NewUuid());
  record.set_protocol_revision(1);
  record.set_happened_on(DaysAgo(days_ago));
  record.mutable_client()->set_program("integration test");
  record.mutable_client()->set_version("1");
  return record;
}

std::string MakeKey(client::Connection& as_operator, const std::string& community,
                    access::v1::Role role) {
  access::v1::CreateKeyRequest request;
  request.set_parent(community);
  request.set_role(role);
  const auto made = as_operator.CallOnce(&access::v1::AccessService::Stub::CreateKey, request);
  EXPECT_TRUE(made.ok()) << made.status();
  return made.ok() ? made->secret() : "";
}

}  // namespace

std::string DaysAgo(int days) { return protocol::FormatDate(Today() - days); }

study::v1::Protocol SampleProtocol() {
  study::v1::Protocol definition;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(kDefinition, &definition));
  definition.mutable_calendar()->set_opens_on(DaysAgo(60));
  definition.mutable_calendar()->set_closes_on(DaysAgo(-30));
  return definition;
}

intake::v1::Record Joined(const std::string& grower) {
  intake::v1::Record record = Envelope(50);
  record.set_grower(grower);
  record.mutable_joined()->set_consent_version("1");
  auto* country = record.mutable_joined()->add_values();
  country->set_variable("country");
  country->mutable_value()->set_country("PT");
  return record;
}

intake::v1::Record BlockStarted(const std::string& grower, const std::string& block) {
  intake::v1::Record record = Envelope(45);
  record.set_grower(grower);
  record.set_block(block);
  record.mutable_block_started();
  return record;
}

intake::v1::Record UnitStarted(const std::string& block, const std::string& unit,
                               const std::string& arm, int days_ago) {
  intake::v1::Record record = Envelope(days_ago);
  record.set_block(block);
  record.set_unit(unit);
  record.mutable_unit_started()->set_arm(arm);
  return record;
}

intake::v1::Record Observed(const std::string& block, const std::string& unit, int days_ago,
                            double millimetres) {
  intake::v1::Record record = Envelope(days_ago);
  record.set_block(block);
  record.set_unit(unit);
  auto* length = record.mutable_observed()->add_values();
  length->set_variable("shoot_length");
  length->mutable_value()->mutable_number()->set_value(millimetres);
  length->mutable_value()->mutable_number()->set_unit("mm");
  return record;
}

intake::v1::Record Lost(const std::string& block, const std::string& unit, int days_ago,
                        const std::string& cause) {
  intake::v1::Record record = Envelope(days_ago);
  record.set_block(block);
  record.set_unit(unit);
  record.mutable_lost()->set_cause(cause);
  return record;
}

SampleCommunity MakeCommunity(client::Connection& as_operator, const std::string& id, bool open) {
  SampleCommunity community;
  access::v1::CreateCommunityRequest request;
  request.set_community_id(id);
  request.set_title("The " + id);
  const auto made =
      as_operator.CallOnce(&access::v1::AccessService::Stub::CreateCommunity, request);
  EXPECT_TRUE(made.ok()) << client::Explain(made.status());
  if (!made.ok()) return community;
  community.name = made->community().name();
  community.organizer_key = made->secret();
  community.intake_key = MakeKey(as_operator, community.name, access::v1::ROLE_INTAKE);
  community.researcher_key = MakeKey(as_operator, community.name, access::v1::ROLE_RESEARCHER);

  client::ConnectionOptions options = as_operator.options();
  options.key = community.organizer_key;
  client::Connection organizer(options);
  study::v1::CreateStudyRequest create;
  create.set_parent(community.name);
  create.set_study_id("basil");
  const auto study = organizer.CallOnce(&study::v1::StudyService::Stub::CreateStudy, create);
  EXPECT_TRUE(study.ok()) << client::Explain(study.status());
  if (!study.ok()) return community;
  community.study = study->study().name();
  if (!open) return community;

  study::v1::PublishProtocolRequest publish;
  publish.set_name(community.study);
  *publish.mutable_protocol() = SampleProtocol();
  publish.set_request_id(client::NewUuid());
  const auto published = organizer.Call(&study::v1::StudyService::Stub::PublishProtocol, publish);
  EXPECT_TRUE(published.ok()) << client::Explain(published.status());
  return community;
}

}  // namespace plumule::integration
