/* The bridge as a host program: serial line on stdin and stdout, or on the terminal named as the
 * only argument. Its "chip" sends back each byte inverted, and misbehaves on request:
 *
 *   a burst that begins with EE   fails
 *   a burst that begins with BB   is refused as busy at every other call
 *
 * Time is invented: each burst starts 1000 us after the one before, the first close to the
 * turnover of 32 bits. The fault pin is low (fault) while enable is low.
 */
#define _POSIX_C_SOURCE 200809L

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>

#include "bridge.h"

#ifndef HOST_CAPABILITIES
#define HOST_CAPABILITIES                                                                   \
    (BRIDGE_ENABLE_PIN | BRIDGE_FAULT_PIN | BRIDGE_TIMESTAMPS | BRIDGE_SELECT_HIGH |        \
     BRIDGE_IDLE | BRIDGE_BIT_COUNTS | BRIDGE_MODE_0 | BRIDGE_MODE_1 | BRIDGE_MODE_3)
#endif

typedef struct {
    int out;
    uint32_t now_us;
    uint8_t enable;
    bool ready; /* a burst with BB passes at the second call */
    size_t used;
    uint8_t buffer[4096];
} host;

static bridge_status host_setup(void *context, bridge_setup *setup)
{
    (void)context;
    if (setup->clock_hz == 666u) {
        return BRIDGE_FAILED;
    }
    setup->clock_hz -= setup->clock_hz % 1000u; /* this hardware divides in whole kHz */
    setup->idle_ns = (setup->idle_ns + 99u) / 100u * 100u;
    return BRIDGE_OK;
}

static bridge_status host_burst(void *context, const uint8_t *out, uint8_t *in, size_t n,
                                uint32_t *time_us)
{
    host *h = context;
    size_t i;
    if (out[0] == 0xEEu) {
        return BRIDGE_FAILED;
    }
    if (out[0] == 0xBBu) {
        h->ready = !h->ready;
        if (h->ready) {
            return BRIDGE_BUSY;
        }
    }
    for (i = 0; i < n; i++) {
        in[i] = (uint8_t)~(unsigned)out[i];
    }
    *time_us = h->now_us;
    h->now_us += 1000u;
    return BRIDGE_OK;
}

static bridge_status host_burst_bits(void *context, const uint8_t *out, uint8_t *in, size_t n,
                                     uint8_t last, uint32_t *time_us)
{
    const bridge_status status = host_burst(context, out, in, n, time_us);
    if (status == BRIDGE_OK) {
        in[n - 1u] = (uint8_t)(in[n - 1u] & (0xFF00u >> last));
    }
    return status;
}

static bridge_status host_pins(void *context, uint8_t drive, uint8_t levels, uint8_t *state)
{
    host *h = context;
    if ((drive & BRIDGE_ENABLE_PIN) != 0) {
        h->enable = (levels & BRIDGE_ENABLE_PIN) != 0;
    }
    *state = h->enable != 0u ? (BRIDGE_ENABLE_PIN | BRIDGE_FAULT_PIN) : 0;
    return BRIDGE_OK;
}

static void host_flush(host *h)
{
    size_t done = 0;
    while (done < h->used) {
        const ssize_t n = write(h->out, h->buffer + done, h->used - done);
        if (n < 0 && errno != EINTR) {
            _exit(1);
        }
        done += n > 0 ? (size_t)n : 0u;
    }
    h->used = 0;
}

static void host_write(void *context, const uint8_t *data, size_t n)
{
    host *h = context;
    size_t i;
    for (i = 0; i < n; i++) {
        if (h->used == sizeof h->buffer) {
            host_flush(h);
        }
        h->buffer[h->used++] = data[i];
    }
}

int main(int argc, char **argv)
{
    static bridge b;
    static host h;
    static bridge_port port;
    uint8_t bytes[4096];
    int in = STDIN_FILENO;

    h.out = STDOUT_FILENO;
    h.now_us = 0xFFFFF000u;
    if (argc > 1) {
        in = open(argv[1], O_RDWR | O_NOCTTY);
        if (in < 0) {
            perror(argv[1]);
            return 1;
        }
        h.out = in;
    }
    port.name = "bridge on a host";
    port.firmware = 0x0102u;
    port.capabilities = HOST_CAPABILITIES;
    port.min_clock_hz = 500u;
    port.max_clock_hz = 8000000u;
    port.context = &h;
    port.setup = host_setup;
    port.burst = host_burst;
    port.burst_bits = host_burst_bits;
    port.pins = host_pins;
    port.write = host_write;
    bridge_init(&b, &port);
    for (;;) {
        ssize_t i;
        const ssize_t n = read(in, bytes, sizeof bytes);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n <= 0) {
            return 0; /* end of file, or the other end of a terminal is gone */
        }
        for (i = 0; i < n; i++) {
            bridge_feed(&b, bytes[i]);
        }
        host_flush(&h);
    }
}
