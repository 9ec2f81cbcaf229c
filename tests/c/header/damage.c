/* The generated runtime as a library that a test can call: one chip, and a copy of it to go back to. */
#include "gd.h"

static gd_spi_t spi;
static gd_spi_t kept;

void d_begin(bool (*transfer)(void *, const uint8_t *, uint8_t *, uint8_t), void (*wait_us)(void *, uint32_t));
void d_keep(void);
void d_back(void);
unsigned d_init(uint16_t *failed);
unsigned d_verify(uint16_t *failed);
unsigned d_resync(uint16_t *failed);
unsigned d_warm(uint16_t *failed);
unsigned d_enter(unsigned from, unsigned to, uint16_t *failed);
unsigned d_restart(uint16_t *failed);
unsigned d_clear_rejected(uint16_t *failed);
void d_restart_begin(void);
unsigned d_restart_tick(uint32_t *us);
unsigned d_clear_faults(uint16_t *failed);
unsigned d_status(uint64_t *words);
void d_status_begin(void);
unsigned d_status_tick(uint64_t *words);
void d_found(uint64_t *found);
unsigned d_watch(unsigned ticks);
unsigned d_shared(unsigned ticks);
unsigned d_monitors(uint32_t *failed);
unsigned d_job_begin(unsigned kind, unsigned from, unsigned to);
unsigned d_job_tick(unsigned kind, uint32_t *us, uint32_t *failed);
unsigned d_ticks(void);
void d_watch_begin(void);
unsigned d_watch_once(void);
unsigned d_in_lock(void);

void d_begin(bool (*transfer)(void *, const uint8_t *, uint8_t *, uint8_t), void (*wait_us)(void *, uint32_t))
{
    gd_spi_init(&spi, transfer, wait_us, NULL);
}

void d_keep(void)
{
    kept = spi;
}

void d_back(void)
{
    spi = kept;
}

unsigned d_init(uint16_t *failed)
{
    return gd_run(&spi, gd_init_steps, GD_INIT_STEPS_COUNT, failed);
}

unsigned d_verify(uint16_t *failed)
{
    unsigned result = gd_run(&spi, gd_readback_steps, GD_READBACK_STEPS_COUNT, failed);
#ifdef GD_LOCKED_STEPS_COUNT
    if (result == GD_RUN_OK) {
        result = gd_run(&spi, gd_locked_steps, GD_LOCKED_STEPS_COUNT, failed);
    }
#endif
    return result;
}

unsigned d_resync(uint16_t *failed)
{
    *failed = 0xFFFFU;
    return gd_resync(&spi);
}

/* 0xFFFF where there are no modes */
unsigned d_enter(unsigned from, unsigned to, uint16_t *failed)
{
#ifdef GD_DRIVE_MODES_COUNT
    return gd_enter(&spi, (uint8_t)from, (uint8_t)to, failed);
#else
    (void)from;
    (void)to;
    *failed = 0U;
    return 0xFFFFU;
#endif
}

/* A controller that has restarted beside a chip that has not. */
unsigned d_warm(uint16_t *failed)
{
    unsigned result = gd_resync(&spi);
    *failed = 0xFFFFU;
    return (result == GD_RUN_OK) ? gd_run(&spi, gd_warm_steps, GD_WARM_STEPS_COUNT, failed) : result;
}

unsigned d_restart(uint16_t *failed)
{
    return gd_restart(&spi, failed);
}

/* The restart call by call; *us: how long to wait. */
static gd_restart_t restarting;

void d_restart_begin(void)
{
    gd_restart_begin(&spi, &restarting);
}

unsigned d_restart_tick(uint32_t *us)
{
    const unsigned result = gd_restart_tick(&spi, &restarting);
    *us = (result == GD_RUN_WAIT) ? restarting.task.wait_us : 0U;
    return result;
}

/* 0xFFFF where no flag of a rejected frame stays up */
unsigned d_clear_rejected(uint16_t *failed)
{
#ifdef GD_CLEAR_REJECTED_STEPS_COUNT
    return gd_clear_rejected(&spi, failed);
#else
    *failed = 0U;
    return 0xFFFFU;
#endif
}

unsigned d_clear_faults(uint16_t *failed)
{
    return gd_run(&spi, gd_clear_faults_steps, GD_CLEAR_FAULTS_STEPS_COUNT, failed);
}

unsigned d_status(uint64_t *words)
{
    gd_word_t read[GD_STATUS_COUNT] = {0};
    const unsigned result = gd_read_status(&spi, read);
    unsigned i;
    for (i = 0; i < GD_STATUS_COUNT; i++) {
        words[i] = read[i];
    }
    return result;
}

/* The status call by call. */
static gd_read_status_t reading;
static gd_word_t ticked[GD_STATUS_COUNT];

void d_status_begin(void)
{
    unsigned i;
    for (i = 0; i < GD_STATUS_COUNT; i++) {
        ticked[i] = 0U;
    }
    gd_read_status_begin(&reading);
}

unsigned d_status_tick(uint64_t *words)
{
    const unsigned result = gd_read_status_tick(&spi, &reading, ticked);
    unsigned i;
    for (i = 0; i < GD_STATUS_COUNT; i++) {
        words[i] = ticked[i];
    }
    return result;
}

/* Where the last run stopped: step, errors, the word read, the bits that differ. */
void d_found(uint64_t *found)
{
    found[0] = spi.step;
    found[1] = spi.errors;
    found[2] = spi.got;
    found[3] = spi.differ;
}

/* So many calls of the watch, the first that is neither busy nor waiting ends it. */
unsigned d_watch(unsigned ticks)
{
    gd_task_t task;
    unsigned result = GD_RUN_BUSY;
    gd_watch_begin(&task);
    while ((ticks-- > 0U) && ((result == GD_RUN_BUSY) || (result == GD_RUN_WAIT))) {
        result = gd_watch(&spi, &task);
    }
    return result;
}

/* The watch beside frames of the program's own, one after every fourth call. */
unsigned d_shared(unsigned ticks)
{
    gd_task_t task;
    gd_frame_t reply = 0U;
    unsigned result = GD_RUN_BUSY;
    unsigned i;
    gd_watch_begin(&task);
    for (i = 0U; (i < ticks) && (result == GD_RUN_BUSY); i++) {
        result = gd_watch(&spi, &task);
        if (((i % 4U) == 3U) && (result == GD_RUN_BUSY)) {
#ifdef GD_FORMATS
            result = gd_exchange(&spi, task.step.format, task.step.frame, &reply);
#else
            result = gd_exchange(&spi, task.step.frame, &reply);
#endif
            result = (result == GD_RUN_OK) ? GD_RUN_BUSY : result;
        }
    }
    (void)reply;
    return result;
}

/* The start-up tests of the monitors; 0xFFFF where the map states none. */
unsigned d_monitors(uint32_t *failed)
{
#ifdef GD_MONITOR_TESTS_COUNT
    uint8_t bits = 0U;
    const unsigned result = gd_test_monitors(&spi, &bits);
    *failed = bits;
    return result;
#else
    *failed = 0U;
    return 0xFFFFU;
#endif
}

/* The watch call by call. */
static gd_task_t watching;

unsigned d_ticks(void)
{
    return GD_WATCH_TICKS;
}

void d_watch_begin(void)
{
    gd_watch_begin(&watching);
}

unsigned d_watch_once(void)
{
    return gd_watch(&spi, &watching);
}

/* Whether the watch is at the lock, whose steps count from 0 again. */
unsigned d_in_lock(void)
{
#ifdef GD_LOCKED_STEPS_COUNT
    return watching.watched == 2U;
#else
    return 0U;
#endif
}

/* What is asked a call a tick: 0 counters in step, 1 the flag of a rejected frame, 2 the monitors, 3 a mode. 0xFFFF: there is none. */
static gd_resync_t syncing;
static gd_task_t entering;
#ifdef GD_MONITOR_TESTS_COUNT
static gd_test_monitors_t testing;
#endif

unsigned d_job_begin(unsigned kind, unsigned from, unsigned to)
{
    unsigned result = 0xFFFFU;
    (void)from;
    (void)to;
    if (kind == 0U) {
        gd_resync_begin(&syncing);
        result = GD_RUN_OK;
    }
#ifdef GD_CLEAR_REJECTED_STEPS_COUNT
    if (kind == 1U) {
        gd_clear_rejected_begin(&syncing);
        result = GD_RUN_OK;
    }
#endif
#ifdef GD_MONITOR_TESTS_COUNT
    if (kind == 2U) {
        gd_test_monitors_begin(&testing);
        result = GD_RUN_OK;
    }
#endif
#ifdef GD_DRIVE_MODES_COUNT
    if (kind == 3U) {
        result = gd_enter_begin(&entering, (uint8_t)from, (uint8_t)to);
    }
#endif
    return result;
}

unsigned d_job_tick(unsigned kind, uint32_t *us, uint32_t *failed)
{
    unsigned result;
    *failed = 0U;
    if (kind < 2U) {
        result = gd_resync_tick(&spi, &syncing);
        *us = syncing.task.wait_us;
#ifdef GD_MONITOR_TESTS_COUNT
    } else if (kind == 2U) {
        result = gd_test_monitors_tick(&spi, &testing);
        *us = testing.task.wait_us;
        *failed = testing.failed;
#endif
    } else {
        result = gd_tick(&spi, &entering);
        *us = entering.wait_us;
    }
    *us = (result == GD_RUN_WAIT) ? *us : 0U;
    return result;
}
