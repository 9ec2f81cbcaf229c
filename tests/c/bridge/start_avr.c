/* main_twin.c as firmware of an AVR with two UARTs (ATmega1284): what a host program finds in its system. Standard
 * input and output are UART0, the serial line, received by interrupt as firmware of a small part must; descriptor 3,
 * where SPI and pins are asked for, is UART1, polled. Both at 2 Mbit/s from 16 MHz. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <unistd.h>

#include "avr/system.h"

#undef main

enum { ROOM = 1024 }; /* a power of two; the host has at most this much on its way */

static volatile uint8_t received[ROOM];
static volatile uint16_t head, tail;
volatile uint16_t lost_bytes;

ISR(USART0_RX_vect)
{
    const uint8_t byte = UDR0;
    const uint16_t next = (uint16_t)((head + 1u) % ROOM);
    if (next == tail) {
        lost_bytes++;
    } else {
        received[head] = byte;
        head = next;
    }
}

static uint16_t waiting_to(void)
{
    uint16_t at;
    cli();
    at = head;
    sei();
    return at;
}

ssize_t write(int to, const void *data, size_t n)
{
    const uint8_t *bytes = data;
    size_t i;
    for (i = 0; i < n; i++) {
        if (to == 3) {
            while ((UCSR1A & _BV(UDRE1)) == 0) {
            }
            UDR1 = bytes[i];
        } else {
            while ((UCSR0A & _BV(UDRE0)) == 0) {
            }
            UDR0 = bytes[i];
        }
    }
    return (ssize_t)n;
}

ssize_t read(int from, void *data, size_t n)
{
    uint8_t *bytes = data;
    size_t i = 0;
    if (from == 3) {
        for (i = 0; i < n; i++) {
            while ((UCSR1A & _BV(RXC1)) == 0) {
            }
            bytes[i] = UDR1;
        }
        return (ssize_t)n;
    }
    while (waiting_to() == tail) {
    }
    while (i < n && waiting_to() != tail) {
        bytes[i++] = received[tail];
        tail = (uint16_t)((tail + 1u) % ROOM);
    }
    return (ssize_t)i;
}

int main(void)
{
    static char name[] = "bridge", descriptor[] = "3";
    static char *arguments[] = {name, descriptor, NULL};
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    UBRR0 = 0;
    UCSR1A = _BV(U2X1);
    UCSR1B = _BV(RXEN1) | _BV(TXEN1);
    UBRR1 = 0;
    sei();
    (void)twin_main(2, arguments);
    for (;;) {
    }
}
