/*
 * Brings a chip up with the generated tables, reads the configuration back, then names its faults.
 *
 * The header is generated from a stage with --prefix gd; nothing here knows the chip. Replace
 * transfer() and wait_us() with your SPI driver and your timer. On a host this program speaks over
 * its standard streams to whatever answers for the chip:
 *
 *     'T' size bytes...   one chip-select burst; answered with as many bytes
 *     'W' four bytes      wait so many microseconds (least significant byte first)
 *     'M'                 the chip is configured; answered with one byte
 *
 * and reports on the error stream. Exit status: 0 configured, 1 not.
 */
#include <stdio.h>

#include "gd.h"

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

static const char *result_name(uint8_t result)
{
    switch (result) {
    case GD_RUN_OK:
        return "fine";
    case GD_RUN_SPI:
        return "the SPI failed";
    case GD_RUN_FRAME_ERROR:
        return "a damaged reply";
    case GD_RUN_REJECTED:
        return "a frame was rejected";
    case GD_RUN_CHANGED:
        return "two reads differ";
    default:
        return "another word than expected";
    }
}

static bool run(gd_spi_t *spi, const char *what, const gd_step_t *steps, uint16_t size)
{
    uint16_t failed = 0;
    const uint8_t result = gd_run(spi, steps, size, &failed);

    if (result == GD_RUN_OK) {
        (void)fprintf(stderr, "%s: %u steps\n", what, (unsigned)size);
    } else {
        (void)fprintf(stderr, "%s: step %u: %s\n", what, (unsigned)failed, result_name(result));
    }
    return result == GD_RUN_OK;
}

int main(void)
{
    gd_spi_t spi;
    gd_explained_t found;
    uint8_t result;
    unsigned i;
    gd_word_t words[GD_STATUS_COUNT];

    gd_spi_init(&spi, transfer, wait_us, NULL);
    if (!run(&spi, "configured", gd_init_steps, GD_INIT_STEPS_COUNT)) {
        return 1;
    }
    if (!run(&spi, "verified", gd_readback_steps, GD_READBACK_STEPS_COUNT)) {
        return 1;
    }
    (void)putchar('M');
    (void)fflush(stdout);
    if (getchar() == EOF) {
        return 1;
    }
    result = gd_read_status(&spi, words);
    if (result != GD_RUN_OK) {
        (void)fprintf(stderr, "status: %s\n", result_name(result));
        return 1;
    }
    gd_explain(words, &found);
    for (i = 0; i < found.count; i++) {
        const gd_fault_t *fault = &gd_faults[found.fault[i]];
        (void)fprintf(stderr, "fault %s: %s\n", fault->name, fault->title);
    }
    return 0;
}
