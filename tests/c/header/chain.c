/*
 * Brings a daisy chain up with the generated tables, all positions in lockstep, and tells its faults.
 *
 * The header is generated from a stage for each position with --prefix gd. The streams go over the
 * standard streams, as in bring_up.c. With an argument it only packs and unpacks: lines of "P words..."
 * and "U bytes...", hexadecimal.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "gd.h"
#include "streams.h"

static int ask(void)
{
    static char line[4096];
    while (fgets(line, sizeof line, stdin) != NULL) {
        char *at = line + 1;
        unsigned i;
        if (line[0] == 'P') {
            gd_frame_t frames[GD_CHAIN_CHIPS];
            uint8_t out[GD_CHAIN_BYTES];
            const uint8_t commands = (uint8_t)strtoul(at, &at, 16);
            for (i = 0; i < GD_CHAIN_CHIPS; i++) {
                frames[i] = (gd_frame_t)strtoull(at, &at, 16);
            }
            (void)memset(out, 0xA5, sizeof out);
            gd_chain_pack(frames, commands, out);
            for (i = 0; i < GD_CHAIN_BYTES; i++) {
                (void)printf("%02x", (unsigned)out[i]);
            }
        } else {
            gd_frame_t frames[GD_CHAIN_CHIPS];
            uint8_t in[GD_CHAIN_BYTES];
            for (i = 0; i < GD_CHAIN_BYTES; i++) {
                in[i] = (uint8_t)strtoul(at, &at, 16);
            }
            (void)printf("%d", gd_chain_unpack(in, frames) ? 1 : 0);
            for (i = 0; i < GD_CHAIN_CHIPS; i++) {
                (void)printf(" %llx", (unsigned long long)frames[i]);
            }
        }
        (void)putchar('\n');
    }
    return 0;
}

#ifdef GD_CHAIN_TABLES
static bool run(gd_chain_t *chain, const char *what, const gd_table_t *tables)
{
    const uint8_t result = gd_chain_run(chain, tables);
    if (result != GD_RUN_OK) {
        (void)fprintf(stderr, "%s: position %u, step %u: result %u, differ %lx\n", what, (unsigned)chain->position,
                      (unsigned)chain->chip[chain->position].step, (unsigned)result,
                      (unsigned long)chain->chip[chain->position].differ);
    } else {
        (void)fprintf(stderr, "%s\n", what);
    }
    return result == GD_RUN_OK;
}

/* After a stop: wherever the chips stand now, they are brought up again. */
static bool restart(gd_chain_t *chain)
{
    uint8_t result = GD_RUN_BUSY;
    unsigned attempt;
    for (attempt = 0U; (attempt < 3U) && (result != GD_RUN_OK); attempt++) {
        result = gd_chain_restart(chain);
    }
    (void)fprintf(stderr, "restart: %u\n", (unsigned)result);
    return (result == GD_RUN_OK) && run(chain, "verified again", gd_chain_readback_steps);
}

static int bring_up(void)
{
    gd_chain_t chain;
    gd_word_t words[GD_CHAIN_CHIPS][GD_STATUS_COUNT];
    unsigned k;
    unsigned i;
    uint8_t result;

    gd_chain_init(&chain, transfer, wait_us, NULL);
    if (((!run(&chain, "configured", gd_chain_init_steps)) && (!restart(&chain))) ||
        ((!run(&chain, "verified", gd_chain_readback_steps)) && (!restart(&chain)))) {
        return 1;
    }
    (void)putchar('M');
    (void)fflush(stdout);
    if (getchar() == EOF) {
        return 1;
    }
    (void)memset(words, 0, sizeof words);
    result = gd_chain_read_status(&chain, words);
    if ((result != GD_RUN_OK) && (result != GD_RUN_RESET)) {
        (void)fprintf(stderr, "status: result %u at %u\n", (unsigned)result, (unsigned)chain.position);
        return 1;
    }
    for (k = 0; k < GD_CHAIN_CHIPS; k++) {
        gd_explained_t found;
        gd_explain(words[k], &found);
        for (i = 0; i < found.count; i++) {
            (void)fprintf(stderr, "position %u: %s\n", k, gd_faults[found.fault[i]].name);
        }
    }
    gd_chain_begin(&chain, gd_chain_readback_steps);
    for (i = 0; i < 100U; i++) {
        result = gd_chain_watch(&chain);
        if (result != GD_RUN_BUSY) {
            (void)fprintf(stderr, "watch: result %u at %u after %u\n", (unsigned)result, (unsigned)chain.position, i);
            return restart(&chain) ? 0 : 1;
        }
    }
    return 0;
}
#else
static int bring_up(void)
{
    (void)transfer;
    (void)wait_us;
    return 1;
}
#endif

int main(int count, char **arguments)
{
    (void)arguments;
    return count > 1 ? ask() : bring_up();
}
