// Every reason with which ReadValues refuses a field, in one table that DEVELOPERS.md lists.
#pragma once

#include <array>
#include <string_view>

namespace plumule::protocol {

struct FieldReason {
  // lower_snake_case, stable.
  std::string_view reason;
  // When it is given.
  std::string_view when;
};

inline constexpr std::array kFieldReasons = {
    FieldReason{"variable_unknown", "the revision declares no such variable"},
    FieldReason{"variable_repeated", "a variable is answered twice in one fact"},
    FieldReason{"variable_scope_unfit", "the variable comes with another kind of fact"},
    FieldReason{"value_missing", "a variable is named, but not answered"},
    FieldReason{"type_unfit", "the value is not of the variable's type"},
    FieldReason{"required_missing", "a required variable is not answered"},
    FieldReason{"not_finite", "a number is infinite or not a number"},
    FieldReason{"unit_unknown", "a unit is not one of the accepted UCUM codes"},
    FieldReason{"unit_not_accepted", "the variable does not accept the unit"},
    FieldReason{"entered_too_long", "the characters as entered are more than 64 bytes"},
    FieldReason{"out_of_range", "a number or count lies outside the variable's hard range"},
    FieldReason{"count_negative", "a count is below 0"},
    FieldReason{"date_missing", "a date is empty"},
    FieldReason{"date_impossible", "a day that does not exist"},
    FieldReason{"date_order", "a date in another order than year-month-day"},
    FieldReason{"not_a_date", "a text that is no date"},
    FieldReason{"date_out_of_range", "a date outside the variable's limits"},
    FieldReason{"choice_empty", "a choice has neither codes nor other words"},
    FieldReason{"choice_not_multiple", "several codes where one is asked for"},
    FieldReason{"code_unknown", "a code that the variable does not offer"},
    FieldReason{"code_repeated", "a code stands twice in one choice"},
    FieldReason{"other_not_allowed", "other words where the variable takes codes only"},
    FieldReason{"text_empty", "a text without any character"},
    FieldReason{"text_too_long", "a text with more characters than allowed"},
    FieldReason{"country_unknown", "not an ISO 3166-1 alpha-2 code"},
    FieldReason{"photo_digest_malformed", "not a SHA-256 in lower-case hexadecimal"},
    FieldReason{"rule_broken", "a rule whose outcome is refuse"},
    FieldReason{"more_problems", "there are more problems than are listed"},
};

// A reason that is checked to stand in the table when the program is compiled.
class FieldReasonName {
 public:
  consteval FieldReasonName(const char* reason) : reason_(Find(reason)) {}  // NOLINT: a string
  constexpr std::string_view name() const { return reason_; }

 private:
  static consteval std::string_view Find(std::string_view reason) {
    for (const FieldReason& row : kFieldReasons) {
      if (row.reason == reason) return row.reason;
    }
    throw "add the reason to kFieldReasons";
  }

  std::string_view reason_;
};

}  // namespace plumule::protocol
