#include "examples/demo/records.h"

#include <algorithm>
#include <cmath>
#include <iterator>

#include "absl/strings/str_format.h"
#include "google/protobuf/util/json_util.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/protocol/civil_date.h"

namespace plumule::demo {
namespace {

using intake::v1::Record;

// A version 4 UUID (RFC 9562) from the demonstration's own random numbers, so that running it again
// sends the same ids.
std::string DrawUuid(std::mt19937_64& random) {
  const std::uint64_t a = random();
  const std::uint64_t b = random();
  return absl::StrFormat("%08x-%04x-4%03x-%04x-%012x", a >> 32, (a >> 16) & 0xffff, a & 0xfff,
                         0x8000 | ((b >> 48) & 0x3fff), b & 0xffffffffffff);
}

Record Envelope(const Grower& grower, absl::CivilDay day, std::mt19937_64& random) {
  Record record;
  record.set_record_id(DrawUuid(random));
  record.set_protocol_revision(1);
  record.set_grower(grower.id);
  record.set_happened_on(protocol::FormatDate(day));
  record.mutable_client()->set_program("windowsill diary");
  record.mutable_client()->set_version("0.3");
  return record;
}

Record UnitEnvelope(const Grower& grower, const Unit& unit, absl::CivilDay day,
                    std::mt19937_64& random) {
  Record record = Envelope(grower, day, random);
  record.clear_grower();
  record.set_block(grower.id + "-a");
  record.set_unit(unit.id);
  return record;
}

// Length or count at a look: nothing until shortly before the threshold, at it when it is reached.
double Size(const Unit& unit, absl::CivilDay day, double threshold) {
  const double share = static_cast<double>(day - unit.start) / unit.days_to_threshold;
  if (share < 0.8) return 0;
  if (share < 1) return threshold * (share - 0.8) * 4.5;
  return threshold * std::max(1.0, share * share);
}

void SetLook(const RecordStyle& style, const Unit& unit, absl::CivilDay day, Record& record,
             std::mt19937_64& random) {
  auto* value = record.mutable_observed()->add_values();
  value->set_variable(style.look_variable);
  if (style.counts) {
    value->mutable_value()->set_count(
        static_cast<std::int64_t>(std::floor(Size(unit, day, style.threshold))));
    return;
  }
  const double millimeters = std::round(Size(unit, day, style.threshold) * 2) / 2;
  auto* number = value->mutable_value()->mutable_number();
  // One grower in six measures in inches, one in six in centimeters; they don't round down past the
  // threshold.
  const std::uint64_t habit = random() % 6;
  if (habit == 0 && millimeters > 0) {
    number->set_value(std::ceil(millimeters / 25.4 * 16) / 16);
    number->set_unit("[in_i]");
  } else if (habit == 1) {
    number->set_value(millimeters / 10);
    number->set_unit("cm");
  } else {
    number->set_value(millimeters);
    number->set_unit("mm");
  }
}

// A slip of the kind that people and programs make.
void Spoil(const RecordStyle& style, Record& record, std::mt19937_64& random) {
  const absl::CivilDay day = *protocol::ParseDate(record.happened_on());
  auto* value = record.mutable_observed()->mutable_values(0)->mutable_value();
  switch (random() % 3) {
    case 0:
      record.set_happened_on(absl::StrFormat("%02d/%02d/%d", day.day(), day.month(), day.year()));
      return;
    case 1:
      if (style.counts) {
        value->set_count(-1);
      } else {
        value->mutable_number()->set_unit("inch");
      }
      return;
    default:
      if (style.counts) {
        value->set_count(75);
      } else {
        value->mutable_number()->set_value(25000);
        value->mutable_number()->set_unit("mm");
      }
  }
}

void AddGrower(const Grower& grower, const RecordStyle& style, std::mt19937_64& random,
               std::vector<Record>& records) {
  const absl::CivilDay start = grower.units.front().start;
  Record joined = Envelope(grower, start - 3, random);
  joined.mutable_joined()->set_consent_version(style.consent_version);
  auto* country = joined.mutable_joined()->add_values();
  country->set_variable("country");
  country->mutable_value()->set_country(grower.country);
  records.push_back(std::move(joined));

  Record block = Envelope(grower, start, random);
  block.set_block(grower.id + "-a");
  auto* value = block.mutable_block_started()->add_values();
  value->set_variable(style.block_variable);
  if (style.block_codes.empty()) {
    value->mutable_value()->set_yes_no(random() % 2 == 0);
  } else {
    value->mutable_value()->mutable_choice()->add_codes(
        style.block_codes[Pick(random, style.block_codes.size())]);
  }
  records.push_back(std::move(block));

  for (const Unit& unit : grower.units) {
    // One unit in fifty is started a day later than its neighbours: a deviation.
    const absl::CivilDay begun = unit.start + (Uniform(random) < 0.02 ? 1 : 0);
    Record started = UnitEnvelope(grower, unit, begun, random);
    started.mutable_unit_started()->set_arm(unit.arm);
    records.push_back(std::move(started));
    for (absl::CivilDay day : unit.looks) {
      Record look = UnitEnvelope(grower, unit, day, random);
      SetLook(style, unit, day, look, random);
      records.push_back(std::move(look));
    }
    const bool reached =
        !unit.looks.empty() &&
        static_cast<double>(unit.looks.back() - unit.start) >= unit.days_to_threshold;
    if (reached) continue;
    if (unit.rotted_on) {
      Record lost = UnitEnvelope(grower, unit, *unit.rotted_on, random);
      lost.mutable_lost()->set_cause(style.rotted_cause);
      records.push_back(std::move(lost));
    } else if (grower.stopped_on && Uniform(random) < 0.5) {
      // The other half of those who stop just fall silent.
      Record lost = UnitEnvelope(grower, unit, *grower.stopped_on, random);
      lost.mutable_lost()->set_cause("stopped");
      records.push_back(std::move(lost));
    }
  }
}

}  // namespace

std::vector<std::string> WriteRecords(const std::vector<Grower>& growers, const RecordStyle& style,
                                      std::mt19937_64& random) {
  std::vector<Record> records;
  for (const Grower& grower : growers) AddGrower(grower, style, random, records);

  // Some looks overtake the start that they belong to, as they do when phones come back online.
  for (std::size_t i = 1; i < records.size(); ++i) {
    if (records[i].has_observed() && records[i - 1].has_unit_started() && Uniform(random) < 0.4) {
      std::swap(records[i], records[i - 1]);
    }
  }
  std::vector<std::string> lines;
  for (Record& record : records) {
    Record sent = record;
    const bool spoiled = record.has_observed() && Uniform(random) < 0.02;
    if (spoiled) Spoil(style, sent, random);
    std::string line;
    google::protobuf::util::JsonPrintOptions options;
    options.preserve_proto_field_names = true;
    if (!google::protobuf::util::MessageToJsonString(sent, &line, options).ok()) continue;
    lines.push_back(line);
    if (Uniform(random) < 0.03) lines.push_back(line);
  }
  return lines;
}

}  // namespace plumule::demo
