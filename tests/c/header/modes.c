/*
 * Brings a chip up with the generated tables, then goes through modes and watches each.
 *
 * Built with -DWAYS="from, to, from, to, ...". It speaks as bring_up.c does; 'M' and a byte: the number of the way just
 * gone, answered with one byte that says whether the watch must find something.
 */
#include <stdio.h>

#include "gd.h"

static const uint8_t ways[] = {WAYS};

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

int main(void)
{
    gd_spi_t spi;
    uint16_t failed = 0;
    uint8_t result;
    unsigned i;
    unsigned k;

    gd_spi_init(&spi, transfer, wait_us, NULL);
    result = gd_run(&spi, gd_init_steps, GD_INIT_STEPS_COUNT, &failed);
    if (result != GD_RUN_OK) {
        (void)fprintf(stderr, "bring-up: step %u: %u\n", (unsigned)failed, (unsigned)result);
        return 1;
    }
    for (i = 0; (i + 1U) < sizeof(ways); i += 2U) {
        gd_task_t task;
        int asked;
        result = gd_enter(&spi, ways[i], ways[i + 1U], &failed);
        (void)fprintf(stderr, "way %u: %u step %u\n", i / 2U, (unsigned)result, (unsigned)failed);
        (void)putchar('M');
        (void)putchar((int)(i / 2U));
        (void)fflush(stdout);
        asked = getchar();
        if ((asked == EOF) || (result != GD_RUN_OK)) {
            continue;
        }
        result = gd_watch_mode_begin(&task, ways[i + 1U]);
        for (k = 0; (k < 200U) && ((result == GD_RUN_OK) || (result == GD_RUN_BUSY)); k++) {
            result = gd_watch(&spi, &task);
        }
        (void)fprintf(stderr, "watch %u: %u\n", i / 2U, (unsigned)result);
    }
    result = gd_enter(&spi, 200U, 0U, &failed);
    (void)fprintf(stderr, "nowhere: %u\n", (unsigned)(result == GD_RUN_NO_WAY));
    return 0;
}
