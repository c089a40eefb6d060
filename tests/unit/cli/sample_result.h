#pragma once

#include "plumule/analysis/v1/analysis_service.pb.h"

namespace plumule::cli {

// A result with one of everything that readers see. Invented.
inline analysis::v1::StoredResult SampleResult() {
  analysis::v1::StoredResult stored;
  auto& from = *stored.mutable_provenance();
  from.set_study("communities/balcony/studies/coat");
  from.set_dataset_digest(std::string(64, 'd'));
  from.mutable_plugin()->set_id("time-to-threshold");
  auto& result = *stored.mutable_result();
  result.set_status(analysis::v1::RESULT_STATUS_ANSWERED);
  result.add_findings()->set_text("Seeds without their coat sprouted 9.1 days sooner.");
  auto& estimate = *result.add_estimates();
  estimate.set_id("main");
  estimate.set_measure("restricted_mean_difference");
  estimate.set_method("kaplan_meier");
  estimate.set_arm("coat_off");
  estimate.set_against("coat_on");
  estimate.set_at(60);
  estimate.set_value(-9.1);
  estimate.set_standard_error(2.5);
  estimate.set_lower(-14);
  estimate.set_upper(-4.2);
  estimate.set_level(0.95);
  estimate.set_unit("d");
  estimate.set_standing(analysis::v1::STANDING_PRIMARY);
  estimate.set_units(80);
  estimate.set_blocks(40);
  auto& test = *result.add_tests();
  test.set_name("log_rank_stratified_by_block");
  test.set_method("chi_square");
  test.set_statistic(10.714285714285714);
  test.set_p_value(0.001063);
  auto& flow = *result.add_flow();
  flow.set_step("started");
  flow.set_label("started");
  flow.set_units(80);
  flow.set_blocks(40);
  auto& assumption = *result.add_assumptions();
  assumption.set_what("Losses say nothing about the arm.");
  assumption.set_verdict(analysis::v1::VERDICT_DOUBTFUL);
  auto& figure = *result.add_figures();
  figure.set_id("curves");
  figure.set_title("Share sprouted");
  figure.set_caption("By day and arm.");
  figure.set_text_alternative("By day 60, 85 of 100 and 70 of 100 had sprouted.");
  figure.set_vega_lite(
      R"({"mark":"line","data":{"values":[{"day":0,"share":0},{"day":60,"share":0.85}]},)"
      R"("encoding":{"x":{"field":"day","type":"quantitative"},)"
      R"("y":{"field":"share","type":"quantitative"}}})");
  result.add_references()->set_citation("Kaplan & Meier (1958). JASA 53:457-481.");
  result.set_method_statement("Kaplan-Meier curves were compared.");
  return stored;
}

}  // namespace plumule::cli
