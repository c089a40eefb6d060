#pragma once

#include <google/protobuf/text_format.h>
#include <gtest/gtest.h>

#include "plumule/study/v1/protocol.pb.h"

namespace plumule::cli {

// A small definition that can be published: two arms, one yes/no threshold, one measured one.
// Invented.
inline study::v1::Protocol SampleProtocol() {
  study::v1::Protocol protocol;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(R"txt(
    language: "en"
    words {
      title { text: "Seed coat on or off" }
      question { text: "Do seeds without their coat sprout sooner?" }
      consent { text: "My records may be used." }
      consent_version: "1"
      data_license: "CC0-1.0"
    }
    calendar { opens_on: "2027-03-01" start_by: "2027-03-31" closes_on: "2027-06-30"
               grace_days: 14 time_zone: "Europe/Lisbon" }
    arms { id: "coat_on" label { text: "seed coat on" } role: ARM_ROLE_CONTROL
           instructions { text: "Sow as it is." } }
    arms { id: "coat_off" label { text: "seed coat off" } role: ARM_ROLE_TREATMENT
           instructions { text: "Take the coat off." } }
    block { min_units_per_arm: 1 max_units_per_arm: 10 max_blocks_per_grower: 1
            description { text: "One windowsill." } }
    allocation { method: ALLOCATION_METHOD_GROWER_CHOOSES }
    variables { id: "country" label { text: "Country" } scope: SCOPE_GROWER country {} }
    variables { id: "light" label { text: "Light" } scope: SCOPE_BLOCK
                choice { options { code: "sill" label { text: "window sill" } }
                         options { code: "lamp" label { text: "lamp" } } } }
    variables { id: "seed_mass" label { text: "Seed mass" } scope: SCOPE_UNIT
                number { unit: "mg" hard_min: 0 hard_max: 5000 entry_units: "g" } }
    variables { id: "sprouted" label { text: "Sprouted" } scope: SCOPE_OBSERVATION yes_no {} }
    variables { id: "shoot" label { text: "Shoot length" } scope: SCOPE_OBSERVATION
                number { unit: "mm" hard_min: 0 hard_max: 2000 entry_units: "cm"
                         entry_units: "[in_i]" } }
    variables { id: "air_temp" label { text: "Air temperature" } scope: SCOPE_OBSERVATION
                number { unit: "Cel" hard_min: -10 hard_max: 50 entry_units: "[degF]" } }
    thresholds { id: "sprout" label { text: "the seed has sprouted" } variable: "sprouted"
                 comparison: COMPARISON_AT_LEAST target { yes_no: true }
                 source: CROSSING_SOURCE_EITHER }
    losses { id: "rotted" label { text: "rotted" } kind: LOSS_KIND_BIOLOGICAL }
    losses { id: "eaten" label { text: "eaten by a pet" } kind: LOSS_KIND_INCIDENTAL }
    analyses { id: "main" role: ANALYSIS_ROLE_PRIMARY plugin: "time-to-threshold"
               threshold: "sprout" }
  )txt",
                                                            &protocol));
  return protocol;
}

}  // namespace plumule::cli
