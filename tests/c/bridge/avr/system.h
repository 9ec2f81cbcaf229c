/* What main_twin.c takes from a system and avr-libc does not declare; included before everything. */
#ifndef SYSTEM_H
#define SYSTEM_H

#include <stddef.h>

typedef int ssize_t;
ssize_t read(int from, void *data, size_t n);
ssize_t write(int to, const void *data, size_t n);
void _exit(int status);
int twin_main(int argc, char **argv);
#define STDIN_FILENO 0
#define STDOUT_FILENO 1
#define EINTR 4
#define main twin_main

#endif
