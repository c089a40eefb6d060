#include <memory>
#include <optional>
#include <ostream>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/fetch.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/files.h"
#include "clients/cli/import/date_reading.h"
#include "clients/cli/import/delivery.h"
#include "clients/cli/import/mapping_file.h"
#include "clients/cli/import/propose.h"
#include "clients/cli/import/row_outcome.h"
#include "clients/cli/import/row_records.h"
#include "clients/cli/print/json.h"
#include "clients/cli/table/table.h"
#include "server/protocol/protocol_file.h"

namespace plumule::cli {
namespace {

struct Options {
  ServerOptions server;
  std::string file, study, mapping, protocol, outcome, separator, decimal;
  std::string encoding = "auto";
  std::vector<std::string> dates, units;
  bool propose = false, dry_run = false, correct = false;
};

absl::StatusOr<Table> ReadSheet(const Options& options) {
  TableOptions table;
  table.encoding = options.encoding;
  if (!options.separator.empty()) {
    const auto separator = ParseSeparator(options.separator);
    if (!separator.ok()) return separator.status();
    table.separator = *separator;
  }
  return ReadTable(options.file, table);
}

// `HEADING=VALUE` at the last equals sign; no heading if there is none.
std::pair<std::string, std::string> AtEquals(const std::string& text) {
  const size_t equals = text.rfind('=');
  if (equals == std::string::npos) return {"", text};
  return {text.substr(0, equals), text.substr(equals + 1)};
}

absl::StatusOr<ProposeOptions> StatedOptions(const Options& options) {
  ProposeOptions stated;
  for (const std::string& text : options.dates) {
    const auto [heading, name] = AtEquals(text);
    const auto order = ParseDateOrder(name);
    if (!order.ok()) return order.status();
    if (heading.empty())
      stated.date_order = *order;
    else
      stated.column_orders[heading] = *order;
  }
  for (const std::string& text : options.units) {
    const auto [heading, unit] = AtEquals(text);
    if (heading.empty()) {
      return absl::InvalidArgumentError(absl::StrCat("--unit \"", text,
                                                     "\" does not fit; say \"HEADING=UNIT\", like "
                                                     "\"air temp=[degF]\""));
    }
    stated.column_units[heading] = unit;
  }
  if (options.decimal == "comma") stated.decimal_mark = DECIMAL_MARK_COMMA;
  if (options.decimal == "point") stated.decimal_mark = DECIMAL_MARK_POINT;
  return stated;
}

// What the records are judged by.
struct Definition {
  study::v1::Protocol protocol;
  int revision = 1;
  std::string study = "communities/local/studies/local";
};

// From --protocol, else from the server. `*found` stays empty if neither is named.
ExitCode FindDefinition(const Options& options, Context& context, client::Connection* server,
                        std::optional<Definition>* found) {
  Definition definition;
  if (!options.study.empty()) {
    auto name = StudyName(options.study);
    if (!name.ok()) return FailLocal(context, name.status());
    definition.study = *std::move(name);
  }
  if (!options.protocol.empty()) {
    auto protocol = protocol::ReadProtocolFile(options.protocol);
    if (!protocol.ok()) return FailLocal(context, protocol.status());
    definition.protocol = *std::move(protocol);
    *found = std::move(definition);
    return kDone;
  }
  if (server == nullptr || options.study.empty()) return kDone;
  auto answer = FetchProtocol(*server, definition.study);
  if (!answer.ok()) return FailServer(context, answer.status());
  definition.protocol = std::move(*answer->mutable_protocol());
  definition.revision = answer->revision();
  *found = std::move(definition);
  return kDone;
}

ExitCode ProposeMapping(const Options& options, const Table& table,
                        const std::optional<Definition>& definition, Context& context) {
  const auto stated = StatedOptions(options);
  if (!stated.ok()) return FailLocal(context, stated.status());
  const Proposal proposal = Propose(table, definition ? &definition->protocol : nullptr, *stated);
  if (proposal.questions.empty()) {
    context.out << ProposalText(proposal);
    if (!definition) {
      context.err
          << "note: no protocol was given (--protocol or --study), so ids were made from the "
             "headings; make them agree with the protocol\n";
    }
    return kDone;
  }
  context.err << "plumule: " << options.file
              << ": no mapping is proposed, because the file leaves open:\n";
  for (const std::string& question : proposal.questions) context.err << "  - " << question << '\n';
  return kAnswerIsNo;
}

// Sends what was refused as a changed record once more, as a correction.
absl::Status SendCorrections(client::Connection& server, const Definition& definition,
                             SheetRecords& sheet, std::vector<intake::v1::Receipt>& receipts,
                             Delivery delivery) {
  std::vector<DraftRecord> corrections;
  std::vector<size_t> places;
  for (size_t i = 0; i < receipts.size(); ++i) {
    const auto& problems = receipts[i].judgement().problems();
    const bool reused = std::any_of(problems.begin(), problems.end(), [](const auto& problem) {
      return problem.reason() == "record_id_reused";
    });
    if (!reused) continue;
    DraftRecord correction = sheet.records[i];
    correction.record = CorrectionOf(sheet.records[i].record, definition.study);
    std::map<std::string, std::string> columns;
    for (const auto& [path, heading] : correction.columns) {
      columns["corrected.replacement." + path] = heading;
    }
    correction.columns = std::move(columns);
    corrections.push_back(std::move(correction));
    places.push_back(i);
  }
  if (corrections.empty()) return absl::OkStatus();
  auto answers = Deliver(server, definition.study, corrections, delivery, {});
  if (!answers.ok()) return answers.status();
  for (size_t k = 0; k < places.size(); ++k) {
    receipts[places[k]] = std::move((*answers)[k]);
    sheet.records[places[k]] = std::move(corrections[k]);
  }
  return absl::OkStatus();
}

ExitCode Tell(const Options& options, const SheetRecords& sheet,
              const std::vector<intake::v1::Receipt>& receipts, Context& context) {
  const SheetOutcome outcome = JoinOutcomes(sheet, receipts);
  if (!options.outcome.empty()) {
    const absl::Status written = WriteFile(options.outcome, OutcomeCsv(outcome));
    if (!written.ok()) return FailLocal(context, written);
  }
  context.out << OutcomeText(outcome, options.dry_run);
  return outcome.any_refused() ? kAnswerIsNo : kDone;
}

ExitCode ImportRows(const Options& options, const Table& table, const Definition& definition,
                    client::Connection* server, Context& context) {
  const auto text = ReadFile(options.mapping, size_t{1} << 20);
  if (!text.ok()) return FailLocal(context, text.status());
  const auto mapping = ParseMapping(*text, options.mapping);
  if (!mapping.ok()) return FailLocal(context, mapping.status());
  const std::vector<std::string> problems = CheckMapping(*mapping, table, definition.protocol);
  for (const std::string& problem : problems) {
    context.err << options.mapping << ": " << problem << '\n';
  }
  if (!problems.empty()) return kUnusable;

  SheetRecords sheet =
      MakeRecords(table, *mapping, definition.protocol, definition.revision, definition.study);
  if (server == nullptr) {
    const absl::CivilDay today = absl::ToCivilDay(context.now(), absl::UTCTimeZone());
    const auto receipts = JudgeOffline(sheet, definition.protocol, today);
    if (!receipts.ok()) return FailLocal(context, receipts.status());
    context.err << "note: judged by the protocol file alone; rules across records, and what the "
                   "server holds already, are not looked at\n";
    return Tell(options, sheet, *receipts, context);
  }
  const Delivery delivery = options.dry_run ? Delivery::kTry : Delivery::kSend;
  auto receipts = Deliver(*server, definition.study, sheet.records, delivery, [&](size_t answered) {
    ShowProgress(context,
                 absl::StrCat(answered, " of ", sheet.records.size(), " records answered"));
  });
  ClearProgress(context);
  if (!receipts.ok()) return FailServer(context, receipts.status());
  if (options.correct) {
    const absl::Status corrected = SendCorrections(*server, definition, sheet, *receipts, delivery);
    if (!corrected.ok()) return FailServer(context, corrected);
  }
  return Tell(options, sheet, *receipts, context);
}

ExitCode Import(const Options& options, Context& context) {
  const auto table = ReadSheet(options);
  if (!table.ok()) return FailLocal(context, table.status());
  std::unique_ptr<client::Connection> server;
  // A proposal or a dry run by a protocol file needs no server.
  const bool offline = (options.propose && (options.study.empty() || !options.protocol.empty())) ||
                       (options.dry_run && !options.protocol.empty() &&
                        (options.study.empty() || !HasServer(options.server, context)));
  if (!offline) {
    if (options.study.empty()) {
      return Fail(context, kUnusable,
                  "say which study: --study COMMUNITY/STUDY (or --protocol FILE with --dry-run)");
    }
    auto connected = Connect(options.server, context);
    if (!connected.ok()) return FailLocal(context, connected.status());
    server = *std::move(connected);
  }
  std::optional<Definition> definition;
  const ExitCode found = FindDefinition(options, context, server.get(), &definition);
  if (found != kDone) return found;
  if (options.propose) return ProposeMapping(options, *table, definition, context);
  if (options.mapping.empty()) {
    return Fail(context, kUnusable,
                "say how to read the columns: --mapping FILE; --propose writes a first one");
  }
  return ImportRows(options, *table, *definition, server.get(), context);
}

}  // namespace

void AddImportVerb(CLI::App& app, Action* action) {
  auto options = std::make_shared<Options>();
  auto* verb = app.add_subcommand("import", "Bring a spreadsheet's rows into a study");
  verb->add_option("FILE", options->file, "CSV or TSV, as a spreadsheet saves it")->required();
  verb->add_option("--study", options->study, "COMMUNITY/STUDY, or the full name");
  verb->add_option("--mapping", options->mapping, "what the columns say (*.mapping.txtpb)");
  verb->add_flag("--propose", options->propose,
                 "look at the file and write a mapping with reasons to standard output");
  verb->add_option("--protocol", options->protocol,
                   "definition of the study, instead of asking the server");
  verb->add_flag("--dry-run", options->dry_run, "judge every row, store nothing");
  verb->add_option("--outcome", options->outcome, "write what became of each row to this CSV file");
  verb->add_flag("--correct", options->correct,
                 "send rows that were changed after they were taken as corrections");
  verb->add_option("--dates", options->dates,
                   "with --propose: order of dates, ORDER or HEADING=ORDER; ORDER is "
                   "day_month_year, month_day_year, year_month_day, serial_1900 or serial_1904");
  verb->add_option("--unit", options->units, "with --propose: HEADING=UNIT, a UCUM code");
  verb->add_option("--decimal", options->decimal, "with --propose: point or comma")
      ->check(CLI::IsMember({"point", "comma"}));
  verb->add_option("--separator", options->separator,
                   "comma, semicolon, tab, bar; else found from the file");
  verb->add_option("--encoding", options->encoding, "auto, utf-8, utf-16 or windows-1252");
  AddServerOptions(verb, &options->server);
  verb->footer(
      "Sending the same file twice changes nothing. Exit status 1 if a row was refused, or if the\n"
      "file leaves open what --propose must know.\n\n"
      "Example:\n"
      "  plumule import growers.csv --propose --study balcony/basil-water > growers.mapping.txtpb\n"
      "  plumule import growers.csv --study balcony/basil-water --mapping growers.mapping.txtpb "
      "\\\n"
      "    --dry-run --outcome rows.csv");
  verb->callback([=] { *action = [=](Context& context) { return Import(*options, context); }; });
}

}  // namespace plumule::cli
