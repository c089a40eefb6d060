# The few functions with which every folder declares its targets, so that flags and names are the
# same everywhere.
#
#   plumule_library(NAME SOURCES a.cc … DEPS t1 …)      static library plumule_NAME, alias plumule::NAME
#   plumule_executable(NAME SOURCES main.cc … DEPS …)   program NAME (linked with the project's flags)
#   plumule_test(NAME SOURCES a_test.cc … DEPS … [LABELS unit])   GoogleTest program, one CTest entry a TEST
include_guard()

add_library(plumule_options INTERFACE)
target_compile_features(plumule_options INTERFACE cxx_std_20)
target_compile_options(plumule_options INTERFACE
  -Wall -Wextra -Wconversion -Wshadow -Wnon-virtual-dtor -Woverloaded-virtual -Werror)
target_include_directories(plumule_options INTERFACE ${PROJECT_SOURCE_DIR})

function(plumule_library name)
  cmake_parse_arguments(arg "" "" "SOURCES;DEPS" ${ARGN})
  add_library(plumule_${name} STATIC ${arg_SOURCES})
  add_library(plumule::${name} ALIAS plumule_${name})
  target_link_libraries(plumule_${name} PUBLIC ${arg_DEPS} PRIVATE plumule_options)
  target_include_directories(plumule_${name} PUBLIC ${PROJECT_SOURCE_DIR})
endfunction()

function(plumule_executable name)
  cmake_parse_arguments(arg "" "" "SOURCES;DEPS" ${ARGN})
  add_executable(${name} ${arg_SOURCES})
  target_link_libraries(${name} PRIVATE ${arg_DEPS} plumule_options)
  target_include_directories(${name} PRIVATE ${PROJECT_SOURCE_DIR})
endfunction()

function(plumule_test name)
  cmake_parse_arguments(arg "" "TIMEOUT" "SOURCES;DEPS;LABELS" ${ARGN})
  if(NOT arg_LABELS)
    set(arg_LABELS unit)
  endif()
  if(NOT arg_TIMEOUT)
    set(arg_TIMEOUT 120)
  endif()
  add_executable(${name} ${arg_SOURCES})
  target_link_libraries(${name} PRIVATE ${arg_DEPS} plumule_options GTest::gtest GTest::gmock GTest::gtest_main)
  target_include_directories(${name} PRIVATE ${PROJECT_SOURCE_DIR})
  gtest_discover_tests(${name} TEST_PREFIX "${name}." DISCOVERY_TIMEOUT 60
    PROPERTIES LABELS "${arg_LABELS}" TIMEOUT ${arg_TIMEOUT})
endfunction()
