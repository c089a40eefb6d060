#include "tests/integration/running_server.h"

#include <fcntl.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstring>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string_view>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/time/clock.h"

namespace plumule::integration {
namespace {

constexpr std::string_view kStartWord = "listening ";
constexpr std::size_t kKeyLength = 56;

// Starts the server program with its streams at these descriptors.
pid_t Spawn(const std::vector<std::string>& arguments, int out, int err) {
  std::vector<std::string> words{PLUMULE_SERVER_PROGRAM};
  words.insert(words.end(), arguments.begin(), arguments.end());
  std::vector<char*> argv;
  for (std::string& word : words) argv.push_back(word.data());
  argv.push_back(nullptr);
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, out, STDOUT_FILENO);
  if (err >= 0) posix_spawn_file_actions_adddup2(&actions, err, STDERR_FILENO);
  pid_t process = -1;
  const int failed = posix_spawn(&process, argv[0], &actions, nullptr, argv.data(), environ);
  posix_spawn_file_actions_destroy(&actions);
  EXPECT_EQ(failed, 0) << std::strerror(failed);
  return process;
}

std::string ReadFile(const std::string& path) {
  std::ifstream file(path);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

int StatusOf(int wait_status) {
  return WIFEXITED(wait_status) ? WEXITSTATUS(wait_status) : 128 + WTERMSIG(wait_status);
}

}  // namespace

TemporaryDirectory::TemporaryDirectory() {
  path_ = (std::filesystem::temp_directory_path() / "plumule-test-XXXXXX").string();
  EXPECT_NE(mkdtemp(path_.data()), nullptr);
}

TemporaryDirectory::~TemporaryDirectory() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

Ending RunServerProgram(const std::vector<std::string>& arguments) {
  const TemporaryDirectory directory;
  const std::string out_path = directory.path() + "/out";
  const std::string err_path = directory.path() + "/err";
  const int out = open(out_path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
  const int err = open(err_path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
  const pid_t process = Spawn(arguments, out, err);
  close(out);
  close(err);
  int status = 0;
  const bool ended =
      Eventually([&] { return waitpid(process, &status, WNOHANG) == process; }, absl::Seconds(60));
  if (!ended) {
    kill(process, SIGKILL);
    waitpid(process, &status, 0);
  }
  EXPECT_TRUE(ended) << "the program does not end by itself";
  return {StatusOf(status), ReadFile(out_path), ReadFile(err_path)};
}

RunningServer::RunningServer(std::string data_directory, int port) {
  int pipe[2];
  EXPECT_EQ(pipe2(pipe, O_CLOEXEC), 0);
  process_ = Spawn({"--data", std::move(data_directory), "--listen",
                    absl::StrCat("127.0.0.1:", port), "--plugins", PLUMULE_PLUGIN_DIRECTORY},
                   pipe[1], -1);
  close(pipe[1]);
  out_ = pipe[0];
  const absl::Time deadline = absl::Now() + absl::Seconds(30);
  std::string text;
  std::size_t start = std::string::npos, end = std::string::npos;
  const auto started = [&] {
    start = text.find(kStartWord);
    end = start == std::string::npos ? start : text.find('\n', start);
    return end != std::string::npos;
  };
  while (!started()) {
    pollfd ready{.fd = out_, .events = POLLIN, .revents = 0};
    const int wait = static_cast<int>(absl::ToInt64Milliseconds(deadline - absl::Now()));
    char bytes[4096];
    const ssize_t got = wait > 0 && poll(&ready, 1, wait) > 0 ? read(out_, bytes, sizeof bytes) : 0;
    if (got <= 0) break;
    text.append(bytes, static_cast<std::size_t>(got));
  }
  EXPECT_NE(end, std::string::npos) << "the server did not start; it said: " << text;
  if (end == std::string::npos) return;
  greeting_ = text.substr(0, start);
  start += kStartWord.size();
  address_ = text.substr(start, end - start);
}

RunningServer::~RunningServer() {
  Kill();
  close(out_);
}

int RunningServer::port() const {
  int port = 0;
  EXPECT_TRUE(absl::SimpleAtoi(address_.substr(address_.rfind(':') + 1), &port));
  return port;
}

std::string RunningServer::operator_key() const {
  const std::size_t start = greeting_.find("plu_");
  return start == std::string::npos ? "" : greeting_.substr(start, kKeyLength);
}

std::unique_ptr<client::Connection> RunningServer::Connect(const std::string& key) const {
  client::ConnectionOptions options;
  options.address = address_;
  options.key = key;
  options.back_off = {
      .attempts = 100, .first = absl::Milliseconds(10), .longest = absl::Milliseconds(300)};
  return std::make_unique<client::Connection>(std::move(options));
}

void RunningServer::Kill() {
  if (process_ < 0) return;
  kill(process_, SIGKILL);
  int status = 0;
  waitpid(process_, &status, 0);
  process_ = -1;
}

bool RunningServer::HasEnded(int* status) { return waitpid(process_, status, WNOHANG) == process_; }

int RunningServer::Terminate(absl::Duration limit) {
  kill(process_, SIGTERM);
  int status = 0;
  if (!Eventually([&] { return HasEnded(&status); }, limit)) {
    ADD_FAILURE() << "the server does not stop within " << limit;
    Kill();
    return -1;
  }
  process_ = -1;
  return StatusOf(status);
}

}  // namespace plumule::integration
