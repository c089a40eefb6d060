# plumule_plugin(ID SOURCES main.cc DEPS …)
#
# The program of a plugin: <build>/plugins/ID/ID with manifest.json beside it. The manifest of the
# source folder is also compiled in, as `kManifest` of "plugin_manifest.h", so that file and program
# can't differ.
function(plumule_plugin id)
  cmake_parse_arguments(arg "" "" "SOURCES;DEPS" ${ARGN})
  string(REPLACE "-" "_" name ${id})
  set(manifest ${CMAKE_CURRENT_SOURCE_DIR}/manifest.json)
  set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS ${manifest})
  file(READ ${manifest} plumule_manifest_json)
  set(generated ${CMAKE_CURRENT_BINARY_DIR}/generated)
  configure_file(${CMAKE_CURRENT_FUNCTION_LIST_DIR}/plugin_manifest.h.in ${generated}/plugin_manifest.h @ONLY)
  configure_file(${manifest} ${CMAKE_BINARY_DIR}/plugins/${id}/manifest.json COPYONLY)
  plumule_executable(plugin_${name} SOURCES ${arg_SOURCES} DEPS ${arg_DEPS} plumule::sdk)
  target_include_directories(plugin_${name} PRIVATE ${generated})
  set_target_properties(plugin_${name} PROPERTIES
    OUTPUT_NAME ${id}
    RUNTIME_OUTPUT_DIRECTORY ${CMAKE_BINARY_DIR}/plugins/${id})
endfunction()
