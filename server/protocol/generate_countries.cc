// Build tool: writes the table of ISO 3166-1 countries that country.cc includes, from the JSON file
// of Debian's iso-codes.
//
//   plumule_generate_countries iso_3166-1.json countries.inc
#include <fstream>
#include <iostream>
#include <map>
#include <nlohmann/json.hpp>
#include <string>

int main(int argc, char** argv) {
  if (argc != 3) {
    std::cerr << "usage: plumule_generate_countries iso_3166-1.json countries.inc\n";
    return 2;
  }
  std::ifstream input(argv[1]);
  const nlohmann::json list = nlohmann::json::parse(input, nullptr, false);
  if (list.is_discarded() || !list.contains("3166-1")) {
    std::cerr << argv[1] << ": not the ISO 3166-1 list of iso-codes\n";
    return 1;
  }
  std::map<std::string, std::string> rows;
  for (const nlohmann::json& country : list["3166-1"]) {
    const std::string code = country.value("alpha_2", "");
    const std::string name = country.value("common_name", country.value("name", ""));
    rows[code] = "{\"" + code + "\", \"" + country.value("alpha_3", "") + "\", \"" + name + "\"},";
  }
  std::ofstream output(argv[2]);
  for (const auto& [code, row] : rows) output << row << "\n";
  output.close();
  return output.good() && !rows.empty() ? 0 : 1;
}
