#include "tests/unit/protocol/good_definition.h"

#include <gtest/gtest.h>

#include "server/protocol/protocol_file.h"

namespace plumule::protocol {
namespace {

constexpr char kDefinition[] = R"(
language: "en"
words {
  title { text: "Title" }
  question { text: "Does it?" translations { language: "pt-BR" text: "Sim?" } }
  expected_better_arm: "high"
  hypothesis { text: "Because." }
  cautions { text: "Follow the label. Dampen dust." }
  consent { text: "I agree." }
  consent_version: "1"
  data_license: "CC0-1.0"
  contact: "Ask."
}
calendar {
  opens_on: "2027-03-01" start_by: "2027-03-20" closes_on: "2027-06-30"
  grace_days: 14 time_zone: "Europe/Lisbon" start_tolerance_days: 3
}
arms {
  id: "control" label { text: "none" } role: ARM_ROLE_CONTROL instructions { text: "Dip." }
  dose { amount { value: 0 unit: "[ppm]" } }
}
arms {
  id: "low" label { text: "low" } role: ARM_ROLE_TREATMENT instructions { text: "Dip." }
  dose { amount { value: 500 unit: "mg/L" } substance: "IBA" application: "dip" }
}
arms {
  id: "high" label { text: "high" } role: ARM_ROLE_TREATMENT instructions { text: "Dip." }
  dose { amount { value: 1000 unit: "[ppm]" } substance: "IBA" application: "dip" }
}
block {
  min_units_per_arm: 1 max_units_per_arm: 5 max_blocks_per_grower: 1
  description { text: "One sill." }
}
allocation { method: ALLOCATION_METHOD_SERVER_ALLOCATES }
variables { id: "country" label { text: "L" } scope: SCOPE_GROWER required: true country {} }
variables { id: "member" label { text: "L" } scope: SCOPE_GROWER text { max_length: 20 } }
variables {
  id: "place" label { text: "L" } scope: SCOPE_BLOCK
  choice {
    options { code: "in" label { text: "in" } } options { code: "out" label { text: "out" } }
    options { code: "frame" label { text: "frame" } }
  }
}
variables {
  id: "medium" label { text: "L" } scope: SCOPE_BLOCK
  choice {
    multiple: true
    options { code: "coir" label { text: "coir" } } options { code: "perlite" label { text: "p" } }
    options { code: "sand" label { text: "sand" } }
  }
}
variables {
  id: "temperature" label { text: "L" } scope: SCOPE_BLOCK
  number { unit: "Cel" entry_units: "[degF]" hard_min: -10 hard_max: 50 plausible_max: 35 }
}
variables {
  id: "strength" label { text: "L" } scope: SCOPE_BLOCK
  number { unit: "[ppm]" entry_units: "mg/L" hard_min: 0 hard_max: 20000 }
}
variables {
  id: "heated" label { text: "L" } scope: SCOPE_BLOCK yes_no {}
}
variables {
  id: "taken_on" label { text: "L" } scope: SCOPE_UNIT
  date { earliest: "2027-01-01" latest: "2027-06-30" }
}
variables {
  id: "origin" label { text: "L" } scope: SCOPE_UNIT
  choice {
    allow_other: true options { code: "own" label { text: "own" } }
    options { code: "bought" label { text: "bought" } }
  }
}
variables {
  id: "shoot" label { text: "L" } scope: SCOPE_OBSERVATION required: true
  number {
    unit: "mm" entry_units: "cm" entry_units: "[in_i]"
    hard_min: 0 hard_max: 500 plausible_min: 0 plausible_max: 300 decimal_places: 1
  }
}
variables {
  id: "roots" label { text: "L" } scope: SCOPE_OBSERVATION count { hard_max: 100 plausible_max: 40 }
}
variables {
  id: "callus" label { text: "L" } scope: SCOPE_OBSERVATION
  choice {
    ordered: true
    options { code: "none" label { text: "none" } } options { code: "some" label { text: "some" } }
    options { code: "full" label { text: "full" } }
  }
}
variables { id: "seen" label { text: "L" } scope: SCOPE_OBSERVATION yes_no {} }
variables { id: "picture" label { text: "L" } scope: SCOPE_OBSERVATION photo {} }
thresholds {
  id: "tall" label { text: "L" } variable: "shoot" comparison: COMPARISON_AT_LEAST
  target { number { value: 5 unit: "cm" } } source: CROSSING_SOURCE_DERIVED
}
thresholds {
  id: "rooted" label { text: "L" } variable: "roots" comparison: COMPARISON_ABOVE
  target { count: 0 } source: CROSSING_SOURCE_EITHER
}
thresholds {
  id: "callused" label { text: "L" } variable: "callus" comparison: COMPARISON_AT_LEAST
  target { choice { codes: "some" } } source: CROSSING_SOURCE_DERIVED
}
thresholds {
  id: "visible" label { text: "L" } variable: "seen" comparison: COMPARISON_AT_LEAST
  target { yes_no: true } arms: "control" arms: "high" source: CROSSING_SOURCE_REPORTED
}
losses { id: "rotted" label { text: "L" } kind: LOSS_KIND_BIOLOGICAL }
losses { id: "eaten" label { text: "L" } kind: LOSS_KIND_INCIDENTAL }
rules {
  id: "fresh" words { text: "Fresh." } outcome: RULE_OUTCOME_DEVIATION leaves_primary_set: true
  within_days {
    a { milestone: MILESTONE_UNIT_STARTED } b { date_variable: "taken_on" } max_days: 2
  }
}
rules {
  id: "in_order" words { text: "Order." } outcome: RULE_OUTCOME_REFUSE
  not_before { a { threshold: "tall" } b { threshold: "rooted" } }
}
rules {
  id: "same_origin" words { text: "Same." } outcome: RULE_OUTCOME_DEVIATION
  same_across_arms { variable: "origin" }
}
rules {
  id: "not_framed" words { text: "No frame." } outcome: RULE_OUTCOME_REFUSE
  one_of { variable: "place" codes: "in" codes: "out" }
}
rules {
  id: "has_organic_part" words { text: "Add coir." } outcome: RULE_OUTCOME_DEVIATION
  leaves_primary_set: true
  not_only { variable: "medium" codes: "perlite" codes: "sand" }
}
rules {
  id: "warm" words { text: "Warmer." } outcome: RULE_OUTCOME_NOTE
  range { variable: "temperature" min: 18 max: 30 }
}
rules {
  id: "grows" words { text: "Measure again." } outcome: RULE_OUTCOME_NOTE
  monotone { variable: "shoot" tolerated_drop: 2 }
}
rules {
  id: "weekly" words { text: "Weekly." } outcome: RULE_OUTCOME_DEVIATION
  look_interval { max_days: 7 }
}
rules {
  id: "measured" words { text: "Measure." } outcome: RULE_OUTCOME_REFUSE
  required_when { variable: "temperature" condition { variable: "heated" yes_no: true } }
}
rules {
  id: "one_member" words { text: "Once." } outcome: RULE_OUTCOME_REFUSE
  unique_in_study { variable: "member" }
}
analyses {
  id: "main" role: ANALYSIS_ROLE_PRIMARY plugin: "time-to-threshold"
  plugin_version: ">=1.0.0 <2.0.0" threshold: "tall" set: ANALYSIS_SET_ALL_STARTED
  parameters { name: "horizon_days" value { number { value: 42 unit: "d" } } }
  subgroup_variables: "place" confidence_level: 0.95 margin { value: 3 unit: "d" }
}
analyses {
  id: "rooting" role: ANALYSIS_ROLE_SECONDARY plugin: "success-share" threshold: "rooted"
  margin { value: 10 unit: "%" }
}
analyses {
  id: "callusing" role: ANALYSIS_ROLE_SECONDARY plugin: "success-share" threshold: "callused"
}
analyses {
  id: "showing" role: ANALYSIS_ROLE_SECONDARY plugin: "success-share" threshold: "visible"
}
analyses {
  id: "size" role: ANALYSIS_ROLE_SECONDARY plugin: "measured" variable: "shoot"
  margin { value: 1 unit: "cm" }
}
privacy {
  variables { variable: "country" audience: AUDIENCE_PUBLIC }
  variables { variable: "member" audience: AUDIENCE_ORGANIZERS }
  smallest_cell: 5
}
material { species: "Salvia rosmarinus" unit_kind: UNIT_KIND_CUTTING }
)";

}  // namespace

study::v1::Protocol GoodDefinition() {
  absl::StatusOr<study::v1::Protocol> definition =
      ParseProtocolText(kDefinition, "good_definition");
  EXPECT_TRUE(definition.ok()) << definition.status();
  return definition.ok() ? *std::move(definition) : study::v1::Protocol();
}

}  // namespace plumule::protocol
