#include "clients/cli/table/text_encoding.h"

#include <gtest/gtest.h>

#include <string>

namespace plumule::cli {
namespace {

using std::string_literals::operator""s;

TEST(TextEncoding, ReadsPlainUtf8) {
  const auto text = DecodeText(
      "gr\xC3\xB6\xC3\x9F"
      "e");
  ASSERT_TRUE(text.ok());
  EXPECT_EQ(text->text, "größe");
  EXPECT_EQ(text->encoding, "UTF-8");
}

TEST(TextEncoding, DropsTheUtf8ByteOrderMark) {
  const auto text = DecodeText(
      "\xEF\xBB\xBF"
      "block");
  ASSERT_TRUE(text.ok());
  EXPECT_EQ(text->text, "block");
}

TEST(TextEncoding, ReadsUtf16OfBothByteOrders) {
  const auto little = DecodeText(
      "\xFF\xFE"
      "a\0\xFC\0"s);
  ASSERT_TRUE(little.ok()) << little.status();
  EXPECT_EQ(little->text, "aü");
  const auto big = DecodeText(
      "\xFE\xFF"
      "\0a\0\xFC"s);
  ASSERT_TRUE(big.ok()) << big.status();
  EXPECT_EQ(big->text, "aü");
}

TEST(TextEncoding, TakesWhatIsNotUtf8AsWindows1252) {
  const auto text = DecodeText(
      "temperature \xB0"
      "C \x80");
  ASSERT_TRUE(text.ok()) << text.status();
  EXPECT_EQ(text->text, "temperature °C €");
  EXPECT_EQ(text->encoding, "Windows-1252");
}

TEST(TextEncoding, NamesTheLineOfAByteThatIsNoText) {
  const auto text = DecodeText("a\nb\xFF\x81");
  ASSERT_FALSE(text.ok());
  EXPECT_EQ(text.status().message().substr(0, 15), "line 2: byte 0x");
}

TEST(TextEncoding, RefusesNulBytesWithTheirLine) {
  const auto text = DecodeText("a,b\n1,\0\n"s);
  ASSERT_FALSE(text.ok());
  EXPECT_NE(text.status().message().find("line 2: holds a NUL byte"), std::string::npos);
}

TEST(TextEncoding, KnowsOverlongFormsAndSurrogatesAreNotUtf8) {
  EXPECT_FALSE(IsUtf8("\xC0\xAF"));
  EXPECT_FALSE(IsUtf8("\xE0\x80\x80"));
  EXPECT_FALSE(IsUtf8("\xED\xA0\x80"));
  EXPECT_FALSE(IsUtf8("\xF4\x90\x80\x80"));
  EXPECT_FALSE(IsUtf8("\xE2\x82"));
  EXPECT_TRUE(IsUtf8("\xF0\x9F\x8C\xB1"));
}

TEST(TextEncoding, RefusesAnEncodingThatItDoesNotKnow) {
  EXPECT_FALSE(DecodeText("a", "ebcdic").ok());
}

}  // namespace
}  // namespace plumule::cli
