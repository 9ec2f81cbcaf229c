/* main_twin.c as firmware of a Cortex-M3 with PL011 UARTs (the board lm3s6965evb): what a host program finds in
 * its system. Standard input and output are UART0, the serial line; descriptor 3, where SPI and pins are asked
 * for, is UART1. Start-up as the vector table of the architecture wants it. */
#include <stddef.h>
#include <stdint.h>

int main(int argc, char **argv);
int _write(int to, const char *data, int n);
int _read(int from, char *data, int n);

extern uint32_t data_from[], data_start[], data_end[], bss_start[], bss_end[], stack_top[];

typedef struct {
    volatile uint32_t data;
    volatile uint32_t unused[5];
    volatile uint32_t flags;
} pl011;

enum { RX_EMPTY = 0x10, TX_FULL = 0x20 };

static pl011 *uart_of(int descriptor)
{
    return (pl011 *)(descriptor == 3 ? 0x4000D000u : 0x4000C000u);
}

int _write(int to, const char *data, int n)
{
    pl011 *uart = uart_of(to);
    int i;
    for (i = 0; i < n; i++) {
        while ((uart->flags & TX_FULL) != 0u) {
        }
        uart->data = (uint8_t)data[i];
    }
    return n;
}

int _read(int from, char *data, int n)
{
    pl011 *uart = uart_of(from);
    int i = 0;
    while (i < n && (i == 0 || (uart->flags & RX_EMPTY) == 0u)) {
        while ((uart->flags & RX_EMPTY) != 0u) {
        }
        data[i++] = (char)(uart->data & 0xFFu);
    }
    return i;
}

static void start(void)
{
    static char name[] = "bridge", descriptor[] = "3";
    static char *arguments[] = {name, descriptor, NULL};
    uint32_t *from = data_from, *to = data_start;
    while (to < data_end) {
        *to++ = *from++;
    }
    for (to = bss_start; to < bss_end; to++) {
        *to = 0;
    }
    (void)main(2, arguments);
    for (;;) {
    }
}

__attribute__((section(".vectors"), used)) static void *const vectors[2] = {stack_top, (void *)start};
