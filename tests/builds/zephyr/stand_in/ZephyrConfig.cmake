# What the recipe needs of such a system: the library target `app`, and a program that links it.
project(stand_in C)
add_library(app STATIC "")
file(WRITE "${CMAKE_BINARY_DIR}/empty.c" "extern int main(void);\nint (*const stand_in_entry)(void) = main;\n")
add_executable(firmware "${CMAKE_BINARY_DIR}/empty.c")
target_link_libraries(firmware PRIVATE app)
target_compile_options(app PRIVATE -std=c99 -Wall -Wextra -Werror)
