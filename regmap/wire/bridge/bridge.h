/* Adapter side of the serial-to-SPI protocol, version 1: reference part for a microcontroller.
 *
 * Portable C99: no heap, no clock, no interrupt, no dependence on byte order. Feed it the bytes
 * of the serial line one at a time, from one context; it calls back to drive SPI and pins and to
 * write its answer, and returns when that is done. The protocol is described in regmap/wire.
 * It needs 8-bit bytes: a signal controller whose smallest unit has 16 bits has no uint8_t.
 *
 * One chip-select burst must not be interrupted by another user of the bus. The answer to the last
 * request stays in memory, so that a repeated request is answered without driving SPI again.
 */
#ifndef BRIDGE_H
#define BRIDGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Limits of one transfer: bytes in all bursts together (1..65535), and bursts (1..255). */
#ifndef BRIDGE_MAX_BYTES
#define BRIDGE_MAX_BYTES 256u
#endif
#ifndef BRIDGE_MAX_BURSTS
#define BRIDGE_MAX_BURSTS 32u
#endif
#define BRIDGE_MAX_NAME 31u

/* Longest request: header, burst count, a length and a bit count per burst, data, CRC. Then what byte
 * stuffing adds to it, and the longest answer, which has a start time per burst as well. */
#define BRIDGE_RX_BYTES (4u + 1u + 2u * BRIDGE_MAX_BURSTS + BRIDGE_MAX_BYTES + 4u)
#define BRIDGE_RX_ENCODED (BRIDGE_RX_BYTES + BRIDGE_RX_BYTES / 254u + 1u)
#define BRIDGE_TX_DATA (4u + 1u + 5u * BRIDGE_MAX_BURSTS + BRIDGE_MAX_BYTES + 4u)
#define BRIDGE_TX_HELLO (4u + 15u + 1u + BRIDGE_MAX_NAME + 4u)
#define BRIDGE_TX_BYTES (BRIDGE_TX_DATA > BRIDGE_TX_HELLO ? BRIDGE_TX_DATA : BRIDGE_TX_HELLO)

enum bridge_capability {
    BRIDGE_ENABLE_PIN = 0x0001,
    BRIDGE_FAULT_PIN = 0x0002,
    BRIDGE_TIMESTAMPS = 0x0004,
    BRIDGE_LSB_FIRST = 0x0008,
    BRIDGE_SELECT_HIGH = 0x0010,
    BRIDGE_IDLE = 0x0020,
    BRIDGE_BIT_COUNTS = 0x0040,
    BRIDGE_MODE_0 = 0x0100,
    BRIDGE_MODE_1 = 0x0200,
    BRIDGE_MODE_2 = 0x0400,
    BRIDGE_MODE_3 = 0x0800
};

/* What a callback says. BUSY means that nothing at all was done; the host will ask again. */
typedef enum { BRIDGE_OK, BRIDGE_BUSY, BRIDGE_FAILED } bridge_status;

typedef struct {
    uint8_t mode; /* 0..3 */
    bool lsb_first;
    bool select_high;
    uint32_t clock_hz;    /* at most; write back what is used */
    uint32_t idle_ns; /* at least, select inactive between bursts; write back what is used */
} bridge_setup;

typedef struct {
    const char *name;      /* ASCII, BRIDGE_MAX_NAME characters at most */
    uint16_t firmware;     /* major * 256 + minor */
    uint16_t capabilities; /* of enum bridge_capability */
    uint32_t min_clock_hz;
    uint32_t max_clock_hz;

    void *context; /* handed to each callback */
    bridge_status (*setup)(void *context, bridge_setup *setup);
    /* One chip select: send n bytes, store as many, and the time at which select became active
     * (microseconds, free running; 0 without BRIDGE_TIMESTAMPS). */
    bridge_status (*burst)(void *context, const uint8_t *out, uint8_t *in, size_t n,
                           uint32_t *time_us);
    /* The same, but of the last byte only the first `last` bits (1..8) on the wire are clocked: the
     * upper ones, or with LSB first the lower; the others are stored as 0. Only with
     * BRIDGE_BIT_COUNTS, else it may be NULL. */
    bridge_status (*burst_bits)(void *context, const uint8_t *out, uint8_t *in, size_t n,
                                uint8_t last, uint32_t *time_us);
    /* Drive the pins of `drive` to `levels`, then read all levels; bits BRIDGE_..._PIN. */
    bridge_status (*pins)(void *context, uint8_t drive, uint8_t levels, uint8_t *state);
    /* Send these bytes; called several times per answer, so let it fill a buffer. */
    void (*write)(void *context, const uint8_t *data, size_t n);
} bridge_port;

typedef struct {
    const bridge_port *port;
    bool session;    /* greeted since power-up */
    bool is_set_up;  /* SPI parameters are in force */
    bool has_answer; /* tx holds the answer to request `last` */
    uint16_t last;
    uint32_t last_check;
    /* receiving */
    uint8_t code; /* stuffing code of the block under way */
    uint8_t left; /* bytes still missing in it */
    size_t raw;   /* bytes since the delimiter; stops counting beyond the limit */
    size_t length;
    uint8_t rx[BRIDGE_RX_ENCODED];
    /* the last answer, CRC included, not stuffed */
    size_t tx_length;
    uint8_t tx[BRIDGE_TX_BYTES];
} bridge;

/* `port` and what it points to must outlive the bridge. */
void bridge_init(bridge *b, const bridge_port *port);

/* One byte from the serial line. Returns after a complete request has been answered. */
void bridge_feed(bridge *b, uint8_t byte);

#endif
