#include "server/log/answers.h"

#include <algorithm>
#include <string>
#include <utility>
#include <variant>

#include "server/log/days.h"

namespace plumule::log {
namespace {

using protocol::CanonicalValue;
using protocol::ChosenCodes;
using protocol::CompiledProtocol;

void SetChoice(const study::v1::ChoiceType& type, const ChosenCodes& chosen, Chosen* out) {
  for (const int option : chosen.options) out->add_codes(type.options(option).code());
  out->set_other(chosen.other);
}

ChosenCodes ReadChoice(const study::v1::ChoiceType& type, const Chosen& chosen) {
  ChosenCodes codes;
  for (int i = 0; i < type.options_size(); ++i) {
    const auto& all = chosen.codes();
    if (std::find(all.begin(), all.end(), type.options(i).code()) != all.end()) {
      codes.options.push_back(i);
    }
  }
  codes.other = chosen.other();
  return codes;
}

}  // namespace

Answer ToAnswer(const CompiledProtocol& protocol, int variable, const CanonicalValue& value) {
  Answer answer;
  const study::v1::Variable& definition = protocol.variable(variable);
  answer.set_variable(definition.id());
  if (const auto* number = std::get_if<double>(&value)) {
    answer.set_number(*number);
  } else if (const auto* count = std::get_if<std::int64_t>(&value)) {
    answer.set_count(*count);
  } else if (const auto* date = std::get_if<absl::CivilDay>(&value)) {
    answer.set_date(DayNumber(*date));
  } else if (const auto* yes_no = std::get_if<bool>(&value)) {
    answer.set_yes_no(*yes_no);
  } else if (const auto* chosen = std::get_if<ChosenCodes>(&value)) {
    SetChoice(definition.choice(), *chosen, answer.mutable_choice());
  } else {
    answer.set_text(std::get<std::string>(value));
  }
  return answer;
}

std::optional<CanonicalValue> FromAnswer(const CompiledProtocol& protocol, int variable,
                                         const Answer& answer) {
  switch (answer.value_case()) {
    case Answer::kNumber:
      return answer.number();
    case Answer::kCount:
      return answer.count();
    case Answer::kDate:
      return DayOf(answer.date());
    case Answer::kYesNo:
      return answer.yes_no();
    case Answer::kText:
      return answer.text();
    case Answer::kChoice: {
      ChosenCodes codes = ReadChoice(protocol.variable(variable).choice(), answer.choice());
      if (codes.options.empty() && codes.other.empty()) return std::nullopt;
      return codes;
    }
    case Answer::VALUE_NOT_SET:
      return std::nullopt;
  }
  return std::nullopt;
}

const Answer* FindAnswer(const Fact& fact, absl::string_view variable) {
  for (const Answer& answer : fact.answers()) {
    if (answer.variable() == variable) return &answer;
  }
  return nullptr;
}

std::optional<CanonicalValue> AnswerTo(const CompiledProtocol& protocol, int variable,
                                       const Fact& fact) {
  const Answer* answer = FindAnswer(fact, protocol.variable(variable).id());
  if (answer == nullptr) return std::nullopt;
  return FromAnswer(protocol, variable, *answer);
}

}  // namespace plumule::log
