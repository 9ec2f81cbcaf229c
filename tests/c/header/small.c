/* Everything that a header of a stage offers at run time, in a program for the smallest parts. */
#include "gd.h"

/* what a status read and a restart keep between two calls, as the documentation says */
typedef char read_status_is_small[(sizeof(gd_read_status_t) <= sizeof(gd_task_t) + 5U) ? 1 : -1];
typedef char restart_is_small[(sizeof(gd_restart_t) <= sizeof(gd_task_t) + 2U) ? 1 : -1];

volatile uint8_t port;

static bool transfer(void *context, const uint8_t *out, uint8_t *in, uint8_t size)
{
    uint8_t i;
    (void)context;
    for (i = 0U; i < size; i++) {
        port = out[i];
        in[i] = port;
    }
    return true;
}

static void wait_us(void *context, uint32_t us)
{
    (void)context;
    while (us > 0U) {
        us--;
    }
}

static gd_spi_t spi;
static gd_task_t task;
static gd_word_t words[GD_STATUS_COUNT];
static gd_explained_t found;

int main(void)
{
    uint16_t failed = 0U;
    gd_spi_init(&spi, transfer, wait_us, NULL);
    if (gd_run(&spi, gd_init_steps, GD_INIT_STEPS_COUNT, &failed) != GD_RUN_OK) {
        return 1;
    }
    gd_watch_begin(&task);
    for (;;) {
        if (gd_watch(&spi, &task) == GD_RUN_RESET) {
            return 2;
        }
        if (gd_read_status(&spi, words) == GD_RUN_OK) {
            gd_explain(words, &found);
            port = found.count;
        }
    }
}
