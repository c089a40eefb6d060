#include "plugins/sdk/unit_table.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <limits>

namespace plumule::sdk {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

analysis::v1::DatasetSchema Schema(std::int64_t rows) {
  analysis::v1::DatasetSchema schema;
  const auto add = [&](const std::string& name, analysis::v1::ColumnType type) {
    auto& column = *schema.add_columns();
    column.set_name(name);
    column.set_type(type);
  };
  add("block", analysis::v1::COLUMN_TYPE_CODE);
  add("height", analysis::v1::COLUMN_TYPE_NUMBER);
  add("peeled", analysis::v1::COLUMN_TYPE_YES_NO);
  schema.set_rows(rows);
  schema.add_thresholds("sprouted");
  return schema;
}

// Two rows: (a, 1.5, yes), (b, missing, no).
analysis::v1::DatasetChunk Chunk() {
  analysis::v1::DatasetChunk chunk;
  chunk.set_rows(2);
  auto& block = *chunk.add_columns();
  block.add_dictionary("a");
  block.add_dictionary("b");
  block.add_codes(0);
  block.add_codes(1);
  auto& height = *chunk.add_columns();
  height.add_numbers(1.5);
  height.add_numbers(0);
  height.set_validity(std::string(1, '\x01'));
  auto& peeled = *chunk.add_columns();
  peeled.add_flags(true);
  peeled.add_flags(false);
  return chunk;
}

TEST(UnitTable, KeepsValuesValidityAndDictionary) {
  auto reader = TableReader::Make(Schema(4), "units");
  ASSERT_TRUE(reader.ok());
  ASSERT_TRUE(reader->Add(Chunk()).ok());
  auto second = Chunk();
  second.mutable_columns(0)->clear_dictionary();
  second.mutable_columns(0)->add_dictionary("c");
  second.mutable_columns(0)->set_codes(0, 2);
  ASSERT_TRUE(reader->Add(second).ok());
  const auto table = std::move(*reader).Finish();
  ASSERT_TRUE(table.ok());
  EXPECT_EQ(table->rows(), 4);
  const auto block = table->Typed("block", analysis::v1::COLUMN_TYPE_CODE);
  ASSERT_TRUE(block.ok());
  EXPECT_THAT((*block)->dictionary, ElementsAre("a", "b", "c"));
  EXPECT_THAT((*block)->codes, ElementsAre(0, 1, 2, 1));
  const auto height = table->Typed("height", analysis::v1::COLUMN_TYPE_NUMBER);
  EXPECT_THAT((*height)->present, ElementsAre(1, 0, 1, 0));
  EXPECT_THAT(table->thresholds(), ElementsAre("sprouted"));
}

TEST(UnitTable, SaysWhatAColumnIsWhenAskedForAnotherType) {
  auto reader = TableReader::Make(Schema(0), "units");
  const auto table = std::move(*reader).Finish();
  EXPECT_EQ(table->Typed("width", analysis::v1::COLUMN_TYPE_NUMBER).status().code(),
            absl::StatusCode::kNotFound);
  EXPECT_THAT(
      std::string(table->Typed("height", analysis::v1::COLUMN_TYPE_CODE).status().message()),
      HasSubstr("column `height` is of type number; code is needed"));
}

struct Malformed {
  const char* name;
  std::function<void(analysis::v1::DatasetChunk&)> spoil;
  const char* words;
};

void PrintTo(const Malformed& malformed, std::ostream* out) { *out << malformed.name; }

class MalformedChunk : public ::testing::TestWithParam<Malformed> {};

TEST_P(MalformedChunk, IsRefusedInWords) {
  auto reader = TableReader::Make(Schema(2), "units");
  ASSERT_TRUE(reader.ok());
  auto chunk = Chunk();
  GetParam().spoil(chunk);
  const auto status = reader->Add(chunk);
  EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(status.message()), HasSubstr("table of units, chunk 1: "));
  EXPECT_THAT(std::string(status.message()), HasSubstr(GetParam().words));
}

INSTANTIATE_TEST_SUITE_P(
    UnitTable, MalformedChunk,
    ::testing::Values(
        Malformed{"NoRows", [](auto& c) { c.set_rows(0); }, "has 0 rows"},
        Malformed{"TooManyRows", [](auto& c) { c.set_rows(65537); }, "1 to 65536"},
        Malformed{"MoreRowsThanAnnounced", [](auto& c) { c.set_rows(3); }, "the 2 announced"},
        Malformed{"ColumnMissing", [](auto& c) { c.mutable_columns()->RemoveLast(); },
                  "has 2 columns; the schema has 3"},
        Malformed{"ValueMissing",
                  [](auto& c) { c.mutable_columns(1)->mutable_numbers()->RemoveLast(); },
                  "column `height` has 1 values of type number for 2 rows"},
        Malformed{"ValuesOfAnotherType", [](auto& c) { c.mutable_columns(1)->add_counts(1); },
                  "column `height` holds values of another type"},
        Malformed{"ValidityTooLong", [](auto& c) { c.mutable_columns(1)->set_validity("ab"); },
                  "has 2 validity bytes"},
        Malformed{"CodeOutsideDictionary", [](auto& c) { c.mutable_columns(0)->set_codes(1, 2); },
                  "row 2 has code 2; the dictionary has 2 entries"},
        Malformed{"NegativeCode", [](auto& c) { c.mutable_columns(0)->set_codes(1, -1); },
                  "row 2 has code -1"},
        Malformed{"RepeatedEntry", [](auto& c) { c.mutable_columns(0)->set_dictionary(1, "a"); },
                  "repeats the dictionary entry \"a\""},
        Malformed{"DictionaryWithoutCodes",
                  [](auto& c) { c.mutable_columns(2)->add_dictionary("x"); },
                  "column `peeled` has a dictionary"},
        Malformed{"NotANumber",
                  [](auto& c) {
                    c.mutable_columns(1)->set_numbers(0, std::numeric_limits<double>::quiet_NaN());
                  },
                  "row 1 is not a finite number"}),
    [](const auto& one) { return std::string(one.param.name); });

TEST(UnitTable, RefusesWhenRowsAreMissingAtTheEnd) {
  auto reader = TableReader::Make(Schema(5), "looks");
  ASSERT_TRUE(reader->Add(Chunk()).ok());
  const auto table = std::move(*reader).Finish();
  EXPECT_THAT(std::string(table.status().message()),
              HasSubstr("table of looks: 5 rows were announced, 2 came"));
}

TEST(UnitTable, RefusesSchemasThatCannotBe) {
  auto repeated = Schema(1);
  repeated.mutable_columns(1)->set_name("block");
  EXPECT_FALSE(TableReader::Make(repeated, "units").ok());
  auto untyped = Schema(1);
  untyped.mutable_columns(1)->clear_type();
  EXPECT_FALSE(TableReader::Make(untyped, "units").ok());
  EXPECT_FALSE(TableReader::Make(Schema(-1), "units").ok());
}

}  // namespace
}  // namespace plumule::sdk
