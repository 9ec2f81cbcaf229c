/*
 * Brings a chip up with the generated tables, then goes through modes and watches each.
 *
 * Built with -DWAYS="from, to, from, to, ...", and of several boards with -DBOARD or -DGD_VARIANT. It speaks as bring_up.c does; 'M' and a byte: the number of the way just
 * gone, answered with one byte that says whether the watch must find something.
 */
#include <stdio.h>

#include "gd.h"
#include "streams.h"

/* of several boards the one with the number BOARD, or the one that GD_VARIANT names when this is compiled */
#if defined(BOARD)
#define INIT_STEPS gd_variants[BOARD].init_steps
#define INIT_COUNT gd_variants[BOARD].init_steps_count
#define ENTER(a, b) gd_enter_variant(&spi, BOARD, (a), (b), &failed)
#define BEGIN(mode) gd_watch_variant_mode_begin(&task, BOARD, (mode))
#else
#if defined(GD_VARIANT)
#define INIT_STEPS GD_CHOSEN_INIT_STEPS
#define INIT_COUNT GD_CHOSEN_INIT_STEPS_COUNT
#else
#define INIT_STEPS gd_init_steps
#define INIT_COUNT GD_INIT_STEPS_COUNT
#endif
#define ENTER(a, b) gd_enter(&spi, (a), (b), &failed)
#define BEGIN(mode) gd_watch_mode_begin(&task, (mode))
#endif

static const uint8_t ways[] = {WAYS};

int main(void)
{
    gd_spi_t spi;
    uint16_t failed = 0;
    uint8_t result;
    unsigned i;
    unsigned k;

    gd_spi_init(&spi, transfer, wait_us, NULL);
    result = gd_run(&spi, INIT_STEPS, INIT_COUNT, &failed);
    if (result != GD_RUN_OK) {
        (void)fprintf(stderr, "bring-up: step %u: %u\n", (unsigned)failed, (unsigned)result);
        return 1;
    }
    for (i = 0; (i + 1U) < sizeof(ways); i += 2U) {
        gd_task_t task;
        int asked;
        result = ENTER(ways[i], ways[i + 1U]);
        (void)fprintf(stderr, "way %u: %u step %u\n", i / 2U, (unsigned)result, (unsigned)failed);
        (void)putchar('M');
        (void)putchar((int)(i / 2U));
        (void)fflush(stdout);
        asked = getchar();
        if ((asked == EOF) || (result != GD_RUN_OK)) {
            continue;
        }
        result = BEGIN(ways[i + 1U]);
        for (k = 0; (k < 200U) && ((result == GD_RUN_OK) || (result == GD_RUN_BUSY)); k++) {
            result = gd_watch(&spi, &task);
        }
        (void)fprintf(stderr, "watch %u: %u\n", i / 2U, (unsigned)result);
    }
    result = ENTER(200U, 0U);
    (void)fprintf(stderr, "nowhere: %u\n", (unsigned)(result == GD_RUN_NO_WAY));
    return 0;
}
