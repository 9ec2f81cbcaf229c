/*
 * Brings a chip up with the generated tables, reads the configuration back, then names its faults.
 *
 * The header is generated from a stage with --prefix gd; nothing here knows the chip. On a host this
 * program speaks over its standard streams (streams.h) to whatever answers for the chip; beside them
 *
 *     'M'                 the chip is configured; answered with one byte
 *
 * and reports on the error stream. Exit status: 0 configured, 1 not.
 */
#include <stdio.h>

#include "gd.h"
#include "streams.h"

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
