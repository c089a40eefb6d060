// The same growers as the spreadsheet that a club's volunteers fill in: one row a grower, a pair of
// columns an arm.
#pragma once

#include <random>
#include <string>
#include <vector>

#include "examples/demo/growers.h"

namespace plumule::demo {

// A table in Windows-1252, semicolons between cells, days as day/month/year, decimal commas: what a
// spreadsheet writes in much of the world. Columns: Grower, Joined on, Country, Place, Mix,
// Temperature °C, and for each arm of a pair "<label> sown", "<label> 5 cm on", "<label> last seen
// without", "<label> lost on", "<label> lost by". About one row in twenty has a slip: a row twice,
// Fahrenheit in a Celsius column, two dates swapped, a mix without any organic part.
std::string WriteSpreadsheet(const std::vector<Grower>& growers, std::mt19937_64& random);

}  // namespace plumule::demo
