/*
 * The chip on the other end of two streams; on a board your SPI driver and your timer stand here.
 *
 *     'T' size bytes...   one chip-select burst; answered with as many bytes
 *     'W' four bytes      wait so many microseconds (least significant byte first)
 */
#ifndef STREAMS_H
#define STREAMS_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

static bool transfer(void *context, const uint8_t *out, uint8_t *in, uint8_t size)
{
    (void)context;
    if ((putchar('T') == EOF) || (putchar(size) == EOF)) {
        return false;
    }
    if ((fwrite(out, 1, size, stdout) != size) || (fflush(stdout) != 0)) {
        return false;
    }
    return fread(in, 1, size, stdin) == size;
}

static void wait_us(void *context, uint32_t us)
{
    int i;
    (void)context;
    (void)putchar('W');
    for (i = 0; i < 4; i++) {
        (void)putchar((int)((us >> (8 * i)) & 0xFFU));
    }
    (void)fflush(stdout);
}

#endif
