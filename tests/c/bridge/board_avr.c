/* A board with a simulated ATmega1284 (libsimavr): board_avr FIRMWARE.elf DESCRIPTOR. UART0 is on standard input
 * and output, UART1 on the descriptor. A byte is given to a UART only while it says that it takes one. */
#include <fcntl.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

typedef struct {
    int in, out;
    avr_irq_t *input;
    int open;
    uint8_t given[256], made[512];
    size_t at, count, n_made;
} line;

static void flush(line *l)
{
    size_t done = 0;
    while (done < l->n_made) {
        const ssize_t n = write(l->out, l->made + done, l->n_made - done);
        if (n <= 0) {
            exit(0);
        }
        done += (size_t)n;
    }
    l->n_made = 0;
}

static void sent(struct avr_irq_t *irq, uint32_t value, void *context)
{
    line *l = context;
    (void)irq;
    l->made[l->n_made++] = (uint8_t)value;
    if (l->n_made == sizeof l->made) {
        flush(l);
    }
}

static void xon(struct avr_irq_t *irq, uint32_t value, void *context)
{
    (void)irq;
    (void)value;
    ((line *)context)->open = 1;
}

static void xoff(struct avr_irq_t *irq, uint32_t value, void *context)
{
    (void)irq;
    (void)value;
    ((line *)context)->open = 0;
}

static void plug(avr_t *avr, char name, line *l)
{
    uint32_t flags = 0; /* neither lines on the console nor sleep while the firmware polls */
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS(name), &flags);
    l->input = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ(name), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ(name), UART_IRQ_OUTPUT), sent, l);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ(name), UART_IRQ_OUT_XON), xon, l);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ(name), UART_IRQ_OUT_XOFF), xoff, l);
}

static void feed(line *l)
{
    struct pollfd ready;
    ready.fd = l->in;
    ready.events = POLLIN;
    ready.revents = 0;
    if (l->at == l->count && poll(&ready, 1, 0) > 0) {
        const ssize_t n = read(l->in, l->given, sizeof l->given);
        if (n <= 0) {
            exit(0); /* the other end is gone */
        }
        l->at = 0;
        l->count = (size_t)n;
    }
    while (l->at < l->count && l->open) {
        avr_raise_irq(l->input, l->given[l->at++]);
    }
}

int main(int argc, char **argv)
{
    static elf_firmware_t firmware;
    static line lines[2];
    avr_t *avr;
    unsigned step = 0;
    if (argc != 3 || elf_read_firmware(argv[1], &firmware) != 0) {
        fputs("expected a firmware and a descriptor\n", stderr);
        return 2;
    }
    avr = avr_make_mcu_by_name("atmega1284");
    if (avr == NULL) {
        fputs("no atmega1284\n", stderr);
        return 2;
    }
    avr_init(avr);
    avr->frequency = 16000000;
    avr_load_firmware(avr, &firmware);
    lines[0].out = STDOUT_FILENO;
    lines[1].in = lines[1].out = atoi(argv[2]);
    plug(avr, '0', &lines[0]);
    plug(avr, '1', &lines[1]);
    for (;;) {
        const int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "the firmware has ended in state %d\n", state);
            return 1;
        }
        if (++step % 256u == 0u) {
            flush(&lines[0]);
            flush(&lines[1]);
            feed(&lines[0]);
            feed(&lines[1]);
        }
    }
}
