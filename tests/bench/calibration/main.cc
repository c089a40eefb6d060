// calibrate [STUDIES [OUTPUT.md]]: draws so many studies a design (2,000 if not said; each line of
// the table needs some seconds a thousand), prints the table, and writes it where asked.
#include <cstdlib>
#include <fstream>
#include <iostream>

#include "tests/bench/calibration/calibration.h"

int main(int argc, char** argv) {
  const int studies = argc > 1 ? std::atoi(argv[1]) : 2000;
  if (studies < 1) {
    std::cerr << "usage: calibrate [STUDIES [OUTPUT.md]]\n";
    return 2;
  }
  const auto rates = plumule::calibration::Calibrate({30, 60, 200}, studies, 20270517);
  const std::string table = plumule::calibration::TableOf(rates);
  std::cout << table << "Monte Carlo error of a rate: " << 100 * rates.front().error()
            << " of 100. A ! marks a rate beyond four of these and what is allowed.\n";
  if (argc > 2) std::ofstream(argv[2]) << table;
  for (const auto& rate : rates) {
    if (!rate.holds()) return 1;
  }
}
