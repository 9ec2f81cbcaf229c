/* The library of damage.c for one of several boards in a header: by its number (BOARD), or as GD_VARIANT names it. */
#include "gd.h"

#if defined(BOARD)
#define NUMBER BOARD
#define gd_restart(spi, failed) gd_restart_variant((spi), NUMBER, (failed))
#define gd_restart_tick(spi, job) gd_restart_tick_variant((spi), NUMBER, (job))
#define gd_watch_begin(task) (void)gd_watch_variant_begin((task), NUMBER)
#if defined(STATUS_BY_BOARD)
#define gd_read_status(spi, words) gd_read_status_variant((spi), NUMBER, (words))
#define gd_read_status_begin(job) (void)gd_read_status_variant_begin((job), NUMBER)
#endif
#if defined(CLEAR_BY_BOARD)
#define gd_clear_rejected(spi, failed) gd_clear_rejected_variant((spi), NUMBER, (failed))
#define gd_clear_rejected_begin(job) (void)gd_clear_rejected_variant_begin((job), NUMBER)
#endif
#if defined(TESTS_BY_BOARD)
#define gd_test_monitors(spi, failed) gd_test_monitors_variant((spi), NUMBER, (failed))
#define gd_test_monitors_begin(job) (void)gd_test_monitors_variant_begin((job), NUMBER)
#endif
#else
#define NUMBER GD_VARIANT
#endif

#undef gd_init_steps
#undef GD_INIT_STEPS_COUNT
#undef gd_readback_steps
#undef GD_READBACK_STEPS_COUNT
#undef gd_warm_steps
#undef GD_WARM_STEPS_COUNT
#undef gd_clear_faults_steps
#undef GD_CLEAR_FAULTS_STEPS_COUNT
#define gd_init_steps gd_variants[NUMBER].init_steps
#define GD_INIT_STEPS_COUNT gd_variants[NUMBER].init_steps_count
#define gd_readback_steps gd_variants[NUMBER].readback_steps
#define GD_READBACK_STEPS_COUNT gd_variants[NUMBER].readback_steps_count
#define gd_warm_steps gd_variants[NUMBER].warm_steps
#define GD_WARM_STEPS_COUNT gd_variants[NUMBER].warm_steps_count
#define gd_clear_faults_steps gd_variants[NUMBER].clear_faults_steps
#define GD_CLEAR_FAULTS_STEPS_COUNT gd_variants[NUMBER].clear_faults_steps_count

#include "damage.c"

/* A number that is no board's: nothing is sent. */
unsigned d_no_board(void);
unsigned d_no_board(void)
{
    gd_task_t task;
    uint16_t failed = 0U;
    return (gd_restart_variant(&spi, GD_VARIANTS_COUNT, &failed) == GD_RUN_NO_WAY) &&
           (gd_watch_variant_begin(&task, GD_VARIANTS_COUNT) == GD_RUN_NO_WAY);
}
