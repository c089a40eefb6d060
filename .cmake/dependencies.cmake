# Everything that comes from outside, as imported targets. Debian 12 package names beside each;
# `.ci/packages` lists them for the installer.
find_package(Threads REQUIRED)
find_package(Protobuf REQUIRED)             # libprotobuf-dev, protobuf-compiler
find_package(PkgConfig REQUIRED)
pkg_check_modules(GRPCPP REQUIRED IMPORTED_TARGET grpc++)  # libgrpc++-dev
pkg_check_modules(SODIUM REQUIRED IMPORTED_TARGET libsodium)  # libsodium-dev
find_package(absl REQUIRED)                 # libabsl-dev
find_package(spdlog REQUIRED)               # libspdlog-dev
find_package(GTest REQUIRED)                # libgtest-dev, libgmock-dev
find_package(Eigen3 REQUIRED)               # libeigen3-dev
find_package(nlohmann_json REQUIRED)        # nlohmann-json3-dev (reads iso-codes)
find_package(CLI11 REQUIRED)                # libcli11-dev
find_path(BOOST_MATH_INCLUDE boost/math/distributions/normal.hpp REQUIRED)  # libboost1.81-dev
find_library(ROCKSDB_LIBRARY rocksdb REQUIRED)  # librocksdb-dev
find_library(UDUNITS_LIBRARY udunits2 REQUIRED)  # libudunits2-dev
find_library(CSV_LIBRARY csv REQUIRED)      # libcsv-dev
find_library(GRPCPP_REFLECTION grpc++_reflection REQUIRED)
find_program(PROTOC protoc REQUIRED)
find_program(GRPC_CPP_PLUGIN grpc_cpp_plugin REQUIRED)  # protobuf-compiler-grpc

add_library(plumule_boost_math INTERFACE)
target_include_directories(plumule_boost_math SYSTEM INTERFACE ${BOOST_MATH_INCLUDE})
add_library(plumule::boost_math ALIAS plumule_boost_math)
