// A study made through Intake, with all that a dataset can hold. Invented.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "plumule/intake/v1/record.pb.h"
#include "plumule/study/v1/protocol.pb.h"
#include "server/intake/intake.h"
#include "server/intake/study_life.h"
#include "server/log/dataset.h"
#include "server/store/memory_store.h"
#include "server/store/study_name.h"

namespace plumule::log {

using intake::v1::Judgement;
using intake::v1::Record;

// The good definition of the protocol's tests, without the rule that refuses by several records, so
// that any order of arrival is taken. Arms `control` 0 [ppm], `low` 500 mg/L, `high` 1000 [ppm];
// open from 2027-03-01, starts until 2027-03-23, closes on 2027-06-30.
study::v1::Protocol DatasetDefinition();

// One answer each.
study::v1::NamedValue Number(const std::string& variable, double value, const std::string& unit);
study::v1::NamedValue Count(const std::string& variable, std::int64_t value);
study::v1::NamedValue Date(const std::string& variable, const std::string& date);
study::v1::NamedValue YesNo(const std::string& variable, bool value);
study::v1::NamedValue Choice(const std::string& variable, const std::vector<std::string>& codes,
                             const std::string& other = "");
study::v1::NamedValue Text(const std::string& variable, const std::string& text);
study::v1::NamedValue Country(const std::string& variable, const std::string& code);
study::v1::NamedValue Photo(const std::string& variable, const std::string& digest);

using Values = std::vector<study::v1::NamedValue>;

// Makes records of revision 1 with ids in the order of the calls.
class RecordMaker {
 public:
  // A new id, for requests too.
  std::string NextId();

  // Joins on 2027-03-01, from `country`.
  Record Joined(const std::string& grower, Values values = {Country("country", "PT")});
  // Starts on 2027-03-02.
  Record BlockStarted(const std::string& grower, const std::string& block, Values values = {});
  Record UnitStarted(const std::string& block, const std::string& unit, const std::string& arm,
                     const std::string& day, Values values = {});
  Record Observed(const std::string& block, const std::string& unit, const std::string& day,
                  Values values);
  Record Reached(const std::string& block, const std::string& unit, const std::string& threshold,
                 const std::string& day, const std::string& not_yet = "");
  Record Lost(const std::string& block, const std::string& unit, const std::string& cause,
              const std::string& day);
  Record Withdrew(const std::string& grower, bool keep);
  // `replacement` is what `wrong` should have said.
  Record Corrected(const Record& wrong, Record replacement);
  // `wrong` should not have been said.
  Record Withdrawn(const Record& wrong);

 private:
  Record Make(const std::string& day);

  int next_id_ = 1;
};

// Records of two growers, three units and three looks, with answers of every type.
std::vector<Record> SmallStudy(RecordMaker* make);

// A study with a published protocol, on 2027-07-05: after the closing day, within the grace.
class DatasetStudy {
 public:
  explicit DatasetStudy(const study::v1::Protocol& definition = DatasetDefinition());

  const store::StudyName& name() const { return name_; }
  store::Store& store() { return store_; }

  // Sends records of an intake key, and expects that none is refused.
  void Send(std::vector<Record> records);
  // Sends one, whatever becomes of it.
  Judgement SendOne(Record record);
  void Publish(const study::v1::Protocol& definition, const std::string& reason);
  void Close();
  study::v1::Freeze Freeze();
  // Of a block, if `unit` is empty.
  void Exclude(const std::string& block, const std::string& unit, const std::string& reason);

  // The dataset at `log_sequence`; 0 for the head. Expects that it opens.
  std::unique_ptr<Dataset> Open(std::int64_t log_sequence = 0, ChunkLimits limits = {});

 private:
  // None that a record has.
  std::string NextRequestId() { return "f" + requests_.NextId().substr(1); }

  const store::StudyName name_{"windowsill", "rooting"};
  RecordMaker requests_;
  store::MemoryStore store_;
  intake::Intake intake_;
  intake::StudyLife life_;
};

// All chunks of a table, in order.
std::vector<analysis::v1::DatasetChunk> ReadChunks(DatasetReader& reader);

// A table as text: the names of its columns, then a line a row. Cells are set apart by a space;
// missing ones read `-`.
std::vector<std::string> PrintTable(DatasetReader& reader);
std::vector<std::string> PrintUnits(const Dataset& dataset);
std::vector<std::string> PrintLooks(const Dataset& dataset);

// "lower upper status" of a unit for a threshold; empty if there is no such unit.
std::string CrossingIn(const Dataset& dataset, const std::string& unit,
                       const std::string& threshold);
// The cell of a unit.
std::string CellIn(const Dataset& dataset, const std::string& unit, const std::string& column);

}  // namespace plumule::log
