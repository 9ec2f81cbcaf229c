/*
 * What a daisy chain is asked, at once or a call a tick, one letter a question:
 *
 *     i   a new controller, and the bring-up           y   counters back in step
 *     r   the status registers        t   the same, a call a tick
 *     a   a restart                   b   the same, a call a tick
 *     w   a new controller, counters in step, and the warm start
 *     v   the readback                c   the flag of a rejected frame cleared, where there is such
 *
 * The answer is a line that begins with 'M': result, position, most streams of one call, waits inside calls, and of a status the words.
 */
#include <stdio.h>
#include <string.h>

#include "gd.h"
#include "streams.h"

static unsigned streams_sent;
static unsigned waits;

static bool counted(void *context, const uint8_t *out, uint8_t *in, uint8_t size)
{
    streams_sent++;
    return transfer(context, out, in, size);
}

static void waited(void *context, uint32_t us)
{
    waits++;
    wait_us(context, us);
}

int main(void)
{
    static gd_chain_t chain;
    static gd_word_t words[GD_CHAIN_CHIPS][GD_STATUS_COUNT];
    int asked;
    gd_chain_init(&chain, counted, waited, NULL);
    while ((asked = getchar()) != EOF) {
        uint8_t result = GD_RUN_BUSY;
        unsigned most = 0U;
        unsigned inside = 0U;
        unsigned k;
        unsigned i;
        gd_chain_read_status_t reading;
        gd_chain_restart_t restarting;
        (void)memset(words, 0, sizeof words);
        if (asked == 'i') {
            gd_chain_init(&chain, counted, waited, NULL);
            result = gd_chain_run(&chain, gd_chain_init_steps);
        } else if (asked == 'y') {
            result = gd_chain_resync(&chain);
        } else if (asked == 'r') {
            result = gd_chain_read_status(&chain, words);
        } else if (asked == 'a') {
            result = gd_chain_restart(&chain);
        } else if (asked == 'w') {
            gd_chain_init(&chain, counted, waited, NULL);
            result = gd_chain_resync(&chain);
            result = (result == GD_RUN_OK) ? gd_chain_run(&chain, gd_chain_warm_steps) : result;
        } else if (asked == 'v') {
            result = gd_chain_run(&chain, gd_chain_readback_steps);
        } else if (asked == 'c') {
#if defined(CLEARS)
            result = gd_chain_clear_rejected(&chain);
#else
            result = GD_RUN_OK;
#endif
        } else {
            const bool reads = asked == 't';
            if (reads) {
                gd_chain_read_status_begin(&chain, &reading);
            } else {
                gd_chain_restart_begin(&chain, &restarting);
            }
            while ((result == GD_RUN_BUSY) || (result == GD_RUN_WAIT)) {
                streams_sent = 0U;
                waits = 0U;
                result = reads ? gd_chain_read_status_tick(&chain, &reading, words) : gd_chain_restart_tick(&chain, &restarting);
                most = (streams_sent > most) ? streams_sent : most;
                inside += waits;
                if (result == GD_RUN_WAIT) {
                    wait_us(NULL, chain.wait_us);
                }
            }
        }
        (void)printf("M%u %u %u %u", (unsigned)result, (unsigned)chain.position, most, inside);
        for (k = 0U; k < GD_CHAIN_CHIPS; k++) {
            for (i = 0U; i < GD_STATUS_COUNT; i++) {
                (void)printf(" %lx", (unsigned long)words[k][i]);
            }
        }
        (void)putchar('\n');
        (void)fflush(stdout);
    }
    return 0;
}
