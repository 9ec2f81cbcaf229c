/* The generated runtime as a library that a test can call: one bus, and a copy of it to go back to. */
#include "gd.h"

static gd_bus_t bus;
static gd_bus_t kept;

void d_begin(bool (*transfer)(void *, const uint8_t *, uint8_t *, uint8_t), void (*wait_us)(void *, uint32_t));
void d_keep(void);
void d_back(void);
unsigned d_init(uint16_t *failed);
unsigned d_verify(uint16_t *failed);
unsigned d_warm(uint16_t *failed);
unsigned d_status(uint64_t *words);
void d_found(uint64_t *found);
unsigned d_watch(unsigned ticks);
unsigned d_shared(unsigned ticks);

void d_begin(bool (*transfer)(void *, const uint8_t *, uint8_t *, uint8_t), void (*wait_us)(void *, uint32_t))
{
    gd_bus_init(&bus, transfer, wait_us, NULL);
}

void d_keep(void)
{
    kept = bus;
}

void d_back(void)
{
    bus = kept;
}

unsigned d_init(uint16_t *failed)
{
    return gd_run(&bus, gd_init, GD_INIT_COUNT, failed);
}

unsigned d_verify(uint16_t *failed)
{
    return gd_run(&bus, gd_readback, GD_READBACK_COUNT, failed);
}

/* A controller that has restarted beside a chip that has not. */
unsigned d_warm(uint16_t *failed)
{
    unsigned result = gd_resync(&bus);
    *failed = 0xFFFFU;
    return (result == GD_RUN_OK) ? gd_run(&bus, gd_warm, GD_WARM_COUNT, failed) : result;
}

unsigned d_status(uint64_t *words)
{
    gd_word_t read[GD_STATUS_COUNT];
    const unsigned result = gd_read_status(&bus, read);
    unsigned i;
    for (i = 0; i < GD_STATUS_COUNT; i++) {
        words[i] = read[i];
    }
    return result;
}

/* Where the last run stopped: step, flaws, the word read, the bits that differ. */
void d_found(uint64_t *found)
{
    found[0] = bus.step;
    found[1] = bus.flaws;
    found[2] = bus.got;
    found[3] = bus.differ;
}

/* So many calls of the watch, the first that is neither busy nor waiting ends it. */
unsigned d_watch(unsigned ticks)
{
    gd_task_t task;
    unsigned result = GD_RUN_BUSY;
    gd_watch_begin(&task);
    while ((ticks-- > 0U) && ((result == GD_RUN_BUSY) || (result == GD_RUN_WAIT))) {
        result = gd_watch(&bus, &task);
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
        result = gd_watch(&bus, &task);
        if (((i % 4U) == 3U) && (result == GD_RUN_BUSY)) {
#ifdef GD_FORMATS
            result = gd_exchange(&bus, task.step.format, task.step.frame, &reply);
#else
            result = gd_exchange(&bus, task.step.frame, &reply);
#endif
            result = (result == GD_RUN_OK) ? GD_RUN_BUSY : result;
        }
    }
    (void)reply;
    return result;
}
