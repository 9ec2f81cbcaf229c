/* The bridge as a host program in front of a simulated chip: serial line on stdin and stdout, SPI
 * and pins over the socket whose number is the only argument, where the test's Python half answers.
 *
 * Asked there: a letter, a length of 2 bytes (most significant first), that many bytes.
 *   B  the bytes of one chip select      answer: status, 4 bytes of time, as many bytes
 *   N  how many bits of the last, bytes  answer: as for B
 *   S  mode, flags, clock, gap (10)      answer: status, clock, gap (8)
 *   P  pins to drive, their levels (2)   answer: status, levels
 */
#define _POSIX_C_SOURCE 200809L

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "bridge.h"

#define ALL_CAPABILITIES                                                                    \
    (BRIDGE_ENABLE_PIN | BRIDGE_FAULT_PIN | BRIDGE_TIMESTAMPS | BRIDGE_LSB_FIRST |          \
     BRIDGE_SELECT_HIGH | BRIDGE_IDLE | BRIDGE_BIT_COUNTS | BRIDGE_MODE_0 | BRIDGE_MODE_1 | BRIDGE_MODE_2 | \
     BRIDGE_MODE_3)

static int spi = -1;

static void put_all(int to, const uint8_t *data, size_t n)
{
    while (n > 0u) {
        const ssize_t done = write(to, data, n);
        if (done < 0 && errno == EINTR) {
            continue;
        }
        if (done <= 0) {
            _exit(1);
        }
        data += done;
        n -= (size_t)done;
    }
}

static void get_all(int from, uint8_t *data, size_t n)
{
    while (n > 0u) {
        const ssize_t done = read(from, data, n);
        if (done < 0 && errno == EINTR) {
            continue;
        }
        if (done <= 0) {
            _exit(1);
        }
        data += done;
        n -= (size_t)done;
    }
}

static bridge_status ask(char kind, const uint8_t *out, size_t n, uint8_t *answer, size_t m)
{
    uint8_t head[3];
    uint8_t status;
    head[0] = (uint8_t)kind;
    head[1] = (uint8_t)(n >> 8);
    head[2] = (uint8_t)(n & 0xFFu);
    put_all(spi, head, sizeof head);
    put_all(spi, out, n);
    get_all(spi, &status, 1);
    get_all(spi, answer, m);
    return status == 0u ? BRIDGE_OK : status == 1u ? BRIDGE_BUSY : BRIDGE_FAILED;
}

static void put32(uint8_t *at, uint32_t value)
{
    int i;
    for (i = 0; i < 4; i++) {
        at[i] = (uint8_t)((value >> (24 - 8 * i)) & 0xFFu);
    }
}

static uint32_t get32(const uint8_t *at)
{
    return (uint32_t)at[0] << 24 | (uint32_t)at[1] << 16 | (uint32_t)at[2] << 8 | at[3];
}

static bridge_status twin_setup(void *context, bridge_setup *setup)
{
    uint8_t out[10];
    uint8_t in[8];
    bridge_status status;
    (void)context;
    out[0] = setup->mode;
    out[1] = (uint8_t)((setup->lsb_first ? 1 : 0) | (setup->select_high ? 2 : 0));
    put32(out + 2, setup->clock_hz);
    put32(out + 6, setup->idle_ns);
    status = ask('S', out, sizeof out, in, sizeof in);
    setup->clock_hz = get32(in);
    setup->idle_ns = get32(in + 4);
    return status;
}

static bridge_status twin_burst(void *context, const uint8_t *out, uint8_t *in, size_t n,
                                uint32_t *time_us)
{
    uint8_t answer[4u + BRIDGE_MAX_BYTES];
    const bridge_status status = ask('B', out, n, answer, 4u + n);
    (void)context;
    *time_us = get32(answer);
    memcpy(in, answer + 4, n);
    return status;
}

static bridge_status twin_burst_bits(void *context, const uint8_t *out, uint8_t *in, size_t n,
                                     uint8_t last, uint32_t *time_us)
{
    uint8_t asked[1u + BRIDGE_MAX_BYTES];
    uint8_t answer[4u + BRIDGE_MAX_BYTES];
    bridge_status status;
    (void)context;
    asked[0] = last;
    memcpy(asked + 1, out, n);
    status = ask('N', asked, 1u + n, answer, 4u + n);
    *time_us = get32(answer);
    memcpy(in, answer + 4, n);
    return status;
}

static bridge_status twin_pins(void *context, uint8_t drive, uint8_t levels, uint8_t *state)
{
    uint8_t out[2];
    (void)context;
    out[0] = drive;
    out[1] = levels;
    return ask('P', out, sizeof out, state, 1);
}

static void twin_write(void *context, const uint8_t *data, size_t n)
{
    (void)context;
    put_all(STDOUT_FILENO, data, n);
}

int main(int argc, char **argv)
{
    static bridge b;
    static bridge_port port;
    uint8_t bytes[4096];

    if (argc != 2) {
        fputs("the socket's number is missing\n", stderr);
        return 2;
    }
    spi = atoi(argv[1]);
    port.name = "bridge to a twin";
    port.firmware = 0x0100u;
    port.capabilities = ALL_CAPABILITIES;
    port.min_clock_hz = 1u;
    port.max_clock_hz = 10000000u;
    port.context = NULL;
    port.setup = twin_setup;
    port.burst = twin_burst;
    port.burst_bits = twin_burst_bits;
    port.pins = twin_pins;
    port.write = twin_write;
    bridge_init(&b, &port);
    for (;;) {
        ssize_t i;
        const ssize_t n = read(STDIN_FILENO, bytes, sizeof bytes);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n <= 0) {
            return 0; /* the other end of the terminal is gone */
        }
        for (i = 0; i < n; i++) {
            bridge_feed(&b, bytes[i]);
        }
    }
}
