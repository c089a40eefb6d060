// The digest of a dataset, against dataset.proto.
#include <gtest/gtest.h>

#include <cstring>
#include <string>
#include <vector>

#include "server/log/chain.h"
#include "tests/unit/log/dataset_study.h"

namespace plumule::log {
namespace {

std::string EightBytes(const void* value) {
  std::string bytes(8, '\0');
  std::memcpy(bytes.data(), value, bytes.size());  // Tests run on little-endian machines.
  return bytes;
}

std::string EightBytes(std::int64_t number) { return EightBytes(&number); }

std::string AsText(const std::string& text) {
  return EightBytes(static_cast<std::int64_t>(text.size())) + text;
}

// Written from dataset.proto alone, row by row, all in memory.
std::string TableBytes(DatasetReader& reader) {
  const analysis::v1::DatasetSchema& schema = reader.schema();
  std::string bytes = EightBytes(static_cast<std::int64_t>(schema.columns_size()));
  for (const auto& column : schema.columns()) {
    bytes += AsText(column.name()) + EightBytes(static_cast<std::int64_t>(column.type())) +
             AsText(column.unit()) + AsText(column.label());
  }
  std::vector<std::vector<std::string>> codes(static_cast<std::size_t>(schema.columns_size()));
  for (const analysis::v1::DatasetChunk& chunk : ReadChunks(reader)) {
    for (int i = 0; i < chunk.columns_size(); ++i) {
      for (const std::string& entry : chunk.columns(i).dictionary()) {
        codes[static_cast<std::size_t>(i)].push_back(entry);
      }
    }
    for (int row = 0; row < chunk.rows(); ++row) {
      bytes += '\x02';
      for (int i = 0; i < chunk.columns_size(); ++i) {
        const auto& column = chunk.columns(i);
        if (!column.validity().empty() &&
            (column.validity()[static_cast<std::size_t>(row / 8)] >> (row % 8) & 1) == 0) {
          bytes += '\0';
          continue;
        }
        bytes += '\x01';
        const auto type = schema.columns(i).type();
        if (type == analysis::v1::COLUMN_TYPE_NUMBER) {
          const double number = column.numbers(row);
          bytes += EightBytes(&number);
        } else if (type == analysis::v1::COLUMN_TYPE_YES_NO) {
          bytes += column.flags(row) ? '\x01' : '\0';
        } else if (type == analysis::v1::COLUMN_TYPE_CODE) {
          bytes += AsText(
              codes[static_cast<std::size_t>(i)][static_cast<std::size_t>(column.codes(row))]);
        } else if (type == analysis::v1::COLUMN_TYPE_TEXT) {
          bytes += AsText(column.texts(row));
        } else {
          bytes += EightBytes(column.counts(row));
        }
      }
    }
  }
  return bytes + '\x03';
}

std::string DigestByTheBook(const Dataset& dataset) {
  return ToHex(Sha256(AsText("plumule dataset 1") + TableBytes(**dataset.Units()) +
                      TableBytes(**dataset.Looks())));
}

class DatasetDigestOf : public testing::Test {
 protected:
  DatasetDigestOf() {
    study_.Send(SmallStudy(&make_));
    study_.Close();
  }

  RecordMaker make_;
  DatasetStudy study_;
};

TEST_F(DatasetDigestOf, AnotherProgramIsTheSame) {
  // Computed in Python with struct and hashlib from the rows that dataset_rows_test.cc lists.
  constexpr char kComputed[] = "1e39f86f5a65d4c01fa803035a0acbe41386ac44ee56f360d5c443d407cd6c50";
  const auto digest = DigestOf(*study_.Open());
  ASSERT_TRUE(digest.ok()) << digest.status();
  EXPECT_EQ(ToHex(digest->digest), kComputed);
  EXPECT_EQ(digest->units, 3);
  EXPECT_EQ(digest->blocks, 2);
}

TEST_F(DatasetDigestOf, AnySizeOfChunksIsTheSame) {
  const std::string whole = DigestByTheBook(*study_.Open());
  for (const int rows : {1, 2, 3, 8192}) {
    for (const std::size_t bytes : {std::size_t{1}, std::size_t{2} << 20}) {
      const auto dataset = study_.Open(0, {rows, bytes});
      EXPECT_EQ(DigestByTheBook(*dataset), whole) << rows << " rows, " << bytes << " bytes";
      EXPECT_EQ(ToHex(DigestOf(*dataset)->digest), whole) << rows << " rows, " << bytes << " bytes";
    }
  }
}

TEST_F(DatasetDigestOf, AnotherDatasetIsAnother) {
  const auto before = DigestOf(*study_.Open());
  study_.Exclude("b2", "u2", "mislabelled");
  const auto after = DigestOf(*study_.Open());
  EXPECT_NE(ToHex(before->digest), ToHex(after->digest));
}

TEST_F(DatasetDigestOf, AStudyWithoutUnitsIsThatOfItsColumns) {
  DatasetStudy empty;
  empty.Close();
  const auto dataset = empty.Open();
  const auto digest = DigestOf(*dataset);
  EXPECT_EQ(ToHex(digest->digest), DigestByTheBook(*dataset));
  EXPECT_EQ(digest->units, 0);
  EXPECT_EQ(digest->blocks, 0);
}

}  // namespace
}  // namespace plumule::log
