#include "bridge.h"

#include <string.h>

enum {
    VERSION = 1,
    HEADER_BYTES = 4,
    CHECK_BYTES = 4,
    LEAST_ENCODED = HEADER_BYTES + CHECK_BYTES + 1,
    ERROR_BYTES = HEADER_BYTES + 3 + CHECK_BYTES
};

enum { HELLO = 0x01, SETUP = 0x02, TRANSFER = 0x03, PINS = 0x04, BITS = 0x05, ERROR = 0x7F, REPLY = 0x80 };

enum {
    BAD_CRC = 1,
    TOO_LONG = 2,
    MALFORMED = 3,
    OTHER_VERSION = 4,
    UNSUPPORTED = 5,
    NO_SESSION = 6,
    SEQUENCE = 7,
    NOT_SET_UP = 8,
    BUSY = 9,
    SPI_FAILED = 10
};

/* What acting upon a request led to: an error to report, or code 0 and an answer in tx. */
typedef struct {
    uint8_t code;
    uint16_t detail;
} result;

static result fine(void)
{
    const result r = {0, 0};
    return r;
}

static result fail(uint8_t code, uint16_t detail)
{
    result r;
    r.code = code;
    r.detail = detail;
    return r;
}

static size_t put8(uint8_t *to, size_t at, uint8_t value)
{
    to[at] = value;
    return at + 1u;
}

static size_t put16(uint8_t *to, size_t at, uint16_t value)
{
    at = put8(to, at, (uint8_t)(value >> 8));
    return put8(to, at, (uint8_t)(value & 0xFFu));
}

static size_t put32(uint8_t *to, size_t at, uint32_t value)
{
    at = put16(to, at, (uint16_t)(value >> 16));
    return put16(to, at, (uint16_t)(value & 0xFFFFu));
}

static uint16_t get16(const uint8_t *from)
{
    return (uint16_t)((from[0] << 8) | from[1]);
}

static uint32_t get32(const uint8_t *from)
{
    return ((uint32_t)get16(from) << 16) | get16(from + 2);
}

/* CRC-32 of IEEE 802.3, bit by bit: no table in flash. Check value over "123456789": CBF43926. */
static uint32_t crc32(const uint8_t *data, size_t n)
{
    uint32_t crc = 0xFFFFFFFFu;
    size_t i;
    int bit;
    for (i = 0; i < n; i++) {
        crc ^= data[i];
        for (bit = 0; bit < 8; bit++) {
            crc = (crc >> 1) ^ ((crc & 1u) != 0u ? 0xEDB88320u : 0u);
        }
    }
    return crc ^ 0xFFFFFFFFu;
}

/* Stuff and send a message. Runs go out as they are; only the codes between them are made here. */
static void send(const bridge *b, const uint8_t *message, size_t n)
{
    static const uint8_t zero = 0;
    size_t at = 0;
    bool more = true;
    b->port->write(b->port->context, &zero, 1);
    while (more) {
        size_t run = 0;
        uint8_t code;
        while (run < 254u && at + run < n && message[at + run] != 0u) {
            run++;
        }
        code = (uint8_t)(run + 1u);
        b->port->write(b->port->context, &code, 1);
        if (run > 0u) {
            b->port->write(b->port->context, message + at, run);
        }
        at += run;
        if (run < 254u && at < n) {
            at++; /* the zero that this code stands for; a zero at the very end needs a code 1 */
        } else {
            more = at < n;
        }
    }
    b->port->write(b->port->context, &zero, 1);
}

static size_t header(uint8_t *to, uint8_t kind, uint16_t sequence)
{
    size_t at = put8(to, 0, VERSION);
    at = put8(to, at, (uint8_t)(kind | REPLY));
    return put16(to, at, sequence);
}

static size_t error_message(uint8_t *to, uint16_t sequence, result r)
{
    size_t at = header(to, ERROR, sequence);
    at = put8(to, at, r.code);
    at = put16(to, at, r.detail);
    return put32(to, at, crc32(to, at));
}

static void send_error(const bridge *b, uint16_t sequence, result r)
{
    uint8_t message[ERROR_BYTES];
    send(b, message, error_message(message, sequence, r));
}

static result of_status(bridge_status status)
{
    return status == BRIDGE_OK ? fine() : fail(status == BRIDGE_BUSY ? BUSY : SPI_FAILED, 0);
}

static size_t hello(bridge *b, size_t at)
{
    const bridge_port *port = b->port;
    size_t name = strlen(port->name);
    if (name > BRIDGE_MAX_NAME) {
        name = BRIDGE_MAX_NAME;
    }
    b->session = true;
    b->is_set_up = false;
    at = put16(b->tx, at, port->firmware);
    at = put16(b->tx, at, (uint16_t)BRIDGE_MAX_BYTES);
    at = put8(b->tx, at, (uint8_t)BRIDGE_MAX_BURSTS);
    at = put32(b->tx, at, port->min_clock_hz);
    at = put32(b->tx, at, port->max_clock_hz);
    at = put16(b->tx, at, port->capabilities);
    at = put8(b->tx, at, (uint8_t)name);
    memcpy(b->tx + at, port->name, name);
    return at + name;
}

static result set_up(bridge *b, const uint8_t *body, size_t n, size_t *at)
{
    const bridge_port *port = b->port;
    bridge_setup setup;
    result r;
    if (n != 11u || body[1] > 1u || body[2] > 1u) {
        return fail(MALFORMED, 0);
    }
    setup.mode = body[0];
    setup.lsb_first = body[1] != 0u;
    setup.select_high = body[2] != 0u;
    setup.clock_hz = get32(body + 3);
    setup.idle_ns = get32(body + 7);
    if (setup.mode > 3u || (port->capabilities & (BRIDGE_MODE_0 << setup.mode)) == 0) {
        return fail(UNSUPPORTED, 1);
    }
    if (setup.lsb_first && (port->capabilities & BRIDGE_LSB_FIRST) == 0) {
        return fail(UNSUPPORTED, 2);
    }
    if (setup.select_high && (port->capabilities & BRIDGE_SELECT_HIGH) == 0) {
        return fail(UNSUPPORTED, 3);
    }
    if (setup.clock_hz < port->min_clock_hz) {
        return fail(UNSUPPORTED, 4);
    }
    if (setup.idle_ns != 0u && (port->capabilities & BRIDGE_IDLE) == 0) {
        return fail(UNSUPPORTED, 5);
    }
    if (setup.clock_hz > port->max_clock_hz) {
        setup.clock_hz = port->max_clock_hz;
    }
    r = of_status(port->setup(port->context, &setup));
    if (r.code == 0u) {
        b->is_set_up = true;
        *at = put32(b->tx, *at, setup.clock_hz);
        *at = put32(b->tx, *at, setup.idle_ns);
    }
    return r;
}

/* `bits` 1: before each length stands how many bits of the burst's last byte are clocked; else 0. */
static result transfer(bridge *b, const uint8_t *body, size_t n, size_t *at, size_t bits)
{
    const bridge_port *port = b->port;
    size_t count = n > 0u ? body[0] : 0u;
    size_t where = 1, total = 0, i;
    if (bits != 0u && (port->capabilities & BRIDGE_BIT_COUNTS) == 0) {
        return fail(UNSUPPORTED, 6);
    }
    for (i = 0; i < count; i++) {
        /* a bit count that is none, a length of 0, or data beyond the end */
        if (bits != 0u && (where >= n || body[where] == 0u || body[where] > 8u)) {
            return fail(MALFORMED, 0);
        }
        where += bits;
        if (where >= n || body[where] == 0u || body[where] > n - where - 1u) {
            return fail(MALFORMED, 0);
        }
        total += body[where];
        where += 1u + body[where];
    }
    if (count == 0u || where != n) {
        return fail(MALFORMED, 0);
    }
    if (count > BRIDGE_MAX_BURSTS) {
        return fail(TOO_LONG, (uint16_t)BRIDGE_MAX_BURSTS);
    }
    if (total > BRIDGE_MAX_BYTES) {
        return fail(TOO_LONG, (uint16_t)BRIDGE_MAX_BYTES);
    }
    if (!b->is_set_up) {
        return fail(NOT_SET_UP, 0);
    }
    *at = put8(b->tx, *at, body[0]);
    where = 1;
    for (i = 0; i < count; i++) {
        const uint8_t *out = body + where + bits + 1u;
        const size_t length = out[-1];
        uint8_t *in = b->tx + *at + 5u;
        uint32_t time_us = 0;
        const bridge_status status =
            bits != 0u
                ? port->burst_bits(port->context, out, in, length, body[where], &time_us)
                : port->burst(port->context, out, in, length, &time_us);
        if (status == BRIDGE_BUSY && i == 0u) {
            return fail(BUSY, 0);
        }
        if (status != BRIDGE_OK) {
            return fail(SPI_FAILED, (uint16_t)i);
        }
        *at = put32(b->tx, *at, time_us);
        *at = put8(b->tx, *at, (uint8_t)length) + length;
        where += bits + 1u + length;
    }
    return fine();
}

static result pins(bridge *b, const uint8_t *body, size_t n, size_t *at)
{
    const bridge_port *port = b->port;
    const unsigned present = port->capabilities & (BRIDGE_ENABLE_PIN | BRIDGE_FAULT_PIN);
    uint8_t state = 0;
    result r;
    if (n != 2u || (body[1] & ~(unsigned)body[0]) != 0u) {
        return fail(MALFORMED, 0);
    }
    if ((body[0] & ~(present & BRIDGE_ENABLE_PIN)) != 0u) {
        return fail(UNSUPPORTED, 7);
    }
    r = of_status(port->pins(port->context, body[0], body[1], &state));
    if (r.code == 0u) {
        *at = put8(b->tx, *at, (uint8_t)present);
        *at = put8(b->tx, *at, (uint8_t)(state & present));
    }
    return r;
}

static void act(bridge *b, uint8_t kind, uint16_t sequence, uint32_t check, size_t n)
{
    const uint8_t *body = b->rx + HEADER_BYTES;
    size_t at = header(b->tx, kind, sequence);
    result r = fine();
    b->has_answer = false; /* tx is being overwritten */
    switch (kind) {
    case HELLO:
        at = hello(b, at);
        break;
    case SETUP:
        b->is_set_up = false;
        r = set_up(b, body, n, &at);
        break;
    case TRANSFER:
    case BITS:
        r = transfer(b, body, n, &at, kind == BITS ? 1u : 0u);
        break;
    case PINS:
        r = pins(b, body, n, &at);
        break;
    default:
        r = fail(UNSUPPORTED, 6);
        break;
    }
    if (r.code == BUSY) {
        send_error(b, sequence, r);
        return;
    }
    if (r.code != 0u) {
        b->tx_length = error_message(b->tx, sequence, r);
    } else {
        b->tx_length = put32(b->tx, at, crc32(b->tx, at));
    }
    b->last = sequence;
    b->last_check = check;
    b->has_answer = kind != HELLO;
    send(b, b->tx, b->tx_length);
}

static void answer(bridge *b)
{
    const uint8_t kind = b->rx[1];
    const uint16_t sequence = get16(b->rx + 2);
    const size_t end = b->length - CHECK_BYTES;
    const uint32_t check = get32(b->rx + end);
    const uint16_t ahead = (uint16_t)(sequence - b->last);
    if ((kind & REPLY) != 0) {
        return; /* an echo of our own answers */
    }
    if (b->rx[0] != VERSION) {
        send_error(b, sequence, fail(OTHER_VERSION, VERSION));
    } else if (kind == HELLO && end != HEADER_BYTES) {
        send_error(b, sequence, fail(MALFORMED, 0));
    } else if (kind == HELLO && sequence != 0u) {
        act(b, kind, sequence, check, 0);
    } else if (kind != HELLO && !b->session) {
        send_error(b, sequence, fail(NO_SESSION, 0));
    } else if (kind != HELLO && ahead == 0u && check == b->last_check && b->has_answer) {
        send(b, b->tx, b->tx_length);
    } else if (sequence == 0u || ahead == 0u || ahead >= 0x8000u) {
        send_error(b, sequence, fail(SEQUENCE, b->last));
    } else {
        act(b, kind, sequence, check, end - HEADER_BYTES);
    }
}

static void finish(bridge *b)
{
    if (b->raw < LEAST_ENCODED) {
        return; /* noise, or the border between two frames */
    }
    if (b->raw > BRIDGE_RX_ENCODED) {
        send_error(b, 0, fail(TOO_LONG, (uint16_t)BRIDGE_MAX_BYTES));
    } else if (b->left != 0u || b->length < HEADER_BYTES + CHECK_BYTES ||
               crc32(b->rx, b->length - CHECK_BYTES) != get32(b->rx + b->length - CHECK_BYTES)) {
        send_error(b, 0, fail(BAD_CRC, 0));
    } else {
        answer(b);
    }
}

void bridge_init(bridge *b, const bridge_port *port)
{
    memset(b, 0, sizeof *b);
    b->port = port;
    b->code = 0xFF; /* no zero goes before the first block */
}

void bridge_feed(bridge *b, uint8_t byte)
{
    if (byte == 0u) {
        finish(b);
        b->raw = 0;
        b->length = 0;
        b->left = 0;
        b->code = 0xFF;
        return;
    }
    if (b->raw > BRIDGE_RX_ENCODED) {
        return;
    }
    b->raw++;
    if (b->raw > BRIDGE_RX_ENCODED) {
        return;
    }
    if (b->left > 0u) {
        b->rx[b->length++] = byte;
        b->left--;
        return;
    }
    if (b->code != 0xFFu) {
        b->rx[b->length++] = 0; /* the zero that the block before stood for */
    }
    b->code = byte;
    b->left = (uint8_t)(byte - 1u);
}
