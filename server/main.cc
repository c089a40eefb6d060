// plumule-server: flags → wiring → serve → drain.
//
// Exit status: 0 stopped as asked, or sound; 1 damaged (--verify); 2 usage; 3 could not serve, or
// could not go on.

#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <iostream>
#include <memory>
#include <string>
#include <thread>
#include <variant>

#include "absl/strings/str_cat.h"
#include "absl/synchronization/notification.h"
#include "absl/time/clock.h"
#include "server/access/directory.h"
#include "server/access/randomness.h"
#include "server/analysis/plugin_catalog.h"
#include "server/analysis/runs.h"
#include "server/intake/intake.h"
#include "server/intake/study_life.h"
#include "server/operate/config.h"
#include "server/operate/data_directory.h"
#include "server/operate/logging.h"
#include "server/operate/operator_key.h"
#include "server/operate/stop_signal.h"
#include "server/protocol/status_macros.h"
#include "server/rpc/frozen_dataset.h"
#include "server/rpc/server.h"

namespace plumule {
namespace {

constexpr int kUsage = 2;
constexpr int kCantServe = 3;
constexpr absl::Duration kDrainBound = absl::Seconds(10);
// After this the process ends whatever still runs: all that was answered is on disk.
constexpr absl::Duration kStopBound = absl::Seconds(20);
constexpr std::chrono::milliseconds kLook{200};

std::string ExecutableDirectory() {
  std::error_code error;
  return std::filesystem::read_symlink("/proc/self/exe", error).parent_path().string();
}

absl::Status EnsureOperatorKey(const operate::Config& config, access::Directory& directory,
                               spdlog::logger& logger) {
  const auto show = [&](absl::string_view key) {
    if (!config.operator_key_file.empty()) {
      return operate::WriteOperatorKey(config.operator_key_file, key);
    }
    operate::ShowOperatorKey(std::cout, key);
    return absl::OkStatus();
  };
  PLUMULE_ASSIGN_OR_RETURN(const bool made, directory.EnsureOperatorKey(absl::Now(), show));
  if (made) logger.info("made the operator's key");
  return absl::OkStatus();
}

std::shared_ptr<const analysis::PluginCatalog> ReadPlugins(const std::string& directory,
                                                           spdlog::logger& logger) {
  absl::StatusOr<analysis::PluginCatalog> catalog = analysis::PluginCatalog::Read(directory);
  if (!catalog.ok()) {
    logger.warn("no plugins, so no analyses: {}; say where they are with --plugins",
                std::string(catalog.status().message()));
    return std::make_shared<const analysis::PluginCatalog>();
  }
  for (const analysis::CatalogProblem& problem : catalog->problems()) {
    logger.warn("plugin folder {}: {}", problem.folder, problem.what);
  }
  for (const analysis::InstalledPlugin& plugin : catalog->plugins()) {
    logger.info("plugin {} {} {}", plugin.manifest.id(), plugin.manifest.version(), plugin.digest);
  }
  return std::make_shared<const analysis::PluginCatalog>(*std::move(catalog));
}

// Ends the process if stopping takes too long, for whatever reason.
class StopWatch {
 public:
  StopWatch(int exit_code, spdlog::logger& logger)
      : thread_([this, exit_code, &logger] {
          if (stopped_.WaitForNotificationWithTimeout(kStopBound)) return;
          logger.warn("something does not end; leaving it. What was answered is on disk");
          std::_Exit(exit_code);
        }) {}
  ~StopWatch() {
    stopped_.Notify();
    thread_.join();
  }

 private:
  absl::Notification stopped_;
  std::thread thread_;
};

// Serves until a signal comes or the store fails; the exit status.
absl::StatusOr<int> Serve(const operate::Config& config, spdlog::logger& logger) {
  // The stop watch outlives everything that is taken down.
  std::unique_ptr<StopWatch> stop_watch;
  PLUMULE_ASSIGN_OR_RETURN(const std::unique_ptr<store::Store> store,
                           operate::OpenDataDirectory(config.data_directory));
  access::SystemRandomness randomness;
  access::Directory directory(*store, randomness);
  PLUMULE_RETURN_IF_ERROR(directory.Load());
  PLUMULE_RETURN_IF_ERROR(EnsureOperatorKey(config, directory, logger));

  intake::Intake intake(*store, absl::Now);
  intake::StudyLife life(*store, intake, absl::Now);
  const std::shared_ptr<const analysis::PluginCatalog> plugins =
      ReadPlugins(config.plugin_directory, logger);
  analysis::RunsOptions run_options;
  run_options.plumule_version = std::string(operate::Version());
  PLUMULE_ASSIGN_OR_RETURN(const std::unique_ptr<analysis::Runs> runs,
                           analysis::Runs::Open(
                               store.get(), plugins,
                               [&](absl::string_view freeze, absl::string_view analysis) {
                                 return rpc::PrepareFrozen(*store, freeze, analysis);
                               },
                               absl::Now, run_options));

  rpc::ServerOptions options;
  options.listen = config.listen;
  PLUMULE_ASSIGN_OR_RETURN(
      const std::unique_ptr<rpc::Server> server,
      rpc::Server::Start({*store, directory, intake, life, *runs, *plugins, absl::Now, logger},
                         options));
  if (!operate::IsLoopback(config.listen)) {
    logger.warn("{} can be reached from other machines, unencrypted", server->address());
  }
  std::cout << "listening " << server->address() << std::endl;
  logger.info("serving {} on {}", config.data_directory, server->address());

  bool stop = false;
  while (!stop && store->trusted() && !intake.stopped()) stop = operate::StopSignalArrives(kLook);
  const int exit_code = stop ? EXIT_SUCCESS : kCantServe;
  if (!stop) {
    logger.critical(
        "the store failed during a write, so what was written last is uncertain; stopping. Mend "
        "the "
        "disk and start again: records that had no answer can be sent again");
  }
  stop_watch = std::make_unique<StopWatch>(exit_code, logger);
  logger.info("stopping");
  server->Drain(kDrainBound);
  runs->Stop();
  intake.Shutdown();
  logger.info("stopped");
  return exit_code;
}

int Verify(const operate::Config& config) {
  if (!std::filesystem::is_directory(config.data_directory)) {
    std::cerr << "plumule-server: there is no data directory " << config.data_directory << '\n';
    return kUsage;
  }
  const auto store = operate::OpenDataDirectory(config.data_directory);
  if (!store.ok()) {
    std::cerr << "plumule-server: " << store.status().message() << '\n';
    return absl::IsDataLoss(store.status()) ? EXIT_FAILURE : kCantServe;
  }
  return operate::VerifyStore(**store, std::cout) ? EXIT_SUCCESS : EXIT_FAILURE;
}

int Run(int argc, const char* const* argv) {
  operate::BlockStopSignals();
  const auto read = operate::ReadCommandLine(argc, argv, ExecutableDirectory());
  if (const auto* end = std::get_if<operate::EndNow>(&read)) {
    (end->exit_code == 0 ? std::cout : std::cerr) << end->text;
    return end->exit_code;
  }
  const auto& config = std::get<operate::Config>(read);
  if (config.verify) return Verify(config);
  if (const absl::Status address = operate::CheckAddress(config); !address.ok()) {
    std::cerr << "plumule-server: " << address.message() << '\n';
    return kUsage;
  }
  const std::shared_ptr<spdlog::logger> logger = operate::MakeLogger(config.log_format);
  const absl::StatusOr<int> served = Serve(config, *logger);
  if (served.ok()) return *served;
  std::cerr << "plumule-server: " << served.status().message() << '\n';
  return kCantServe;
}

}  // namespace
}  // namespace plumule

int main(int argc, char** argv) { return plumule::Run(argc, argv); }
