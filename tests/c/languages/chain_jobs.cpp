// What a daisy chain is asked, at once or a call a tick, as header/chain_jobs.c is in C: the same letters, the same answers.
#include <cstdio>

#include "gd.hpp"
#include "streams.hpp"

namespace {
struct counting : streams {
    unsigned sent = 0U;
    unsigned waits = 0U;
    bool transfer(const uint8_t *out, uint8_t *in, size_t size)
    {
        sent++;
        return streams::transfer(out, in, size);
    }
    void wait_us(uint32_t us)
    {
        waits++;
        streams::wait_us(us);
    }
};
} // namespace

int main()
{
    counting lines;
    gd::chain<counting> chain(lines);
    for (int asked = std::getchar(); asked != EOF; asked = std::getchar()) {
        gd::result_t result = gd::result_t::busy;
        unsigned most = 0U;
        unsigned inside = 0U;
        gd::table<gd::table<gd::word_t, gd::status_count>, gd::chain_chips> words{};
        gd::chain_read_status_t reading;
        gd::chain_restart_t restarting;
        if (asked == 'i') {
            chain.forget();
            result = chain.run(gd::chain_init_steps);
        } else if (asked == 'y') {
            result = chain.resync();
        } else if (asked == 'r') {
            result = chain.read_status(words);
        } else if (asked == 'a') {
            result = chain.restart();
        } else if (asked == 'w') {
            chain.forget();
            result = chain.resync();
            result = (result == gd::result_t::ok) ? chain.run(gd::chain_warm_steps) : result;
        } else if (asked == 'v') {
            result = chain.run(gd::chain_readback_steps);
        } else if (asked == 'c') {
#if defined(CLEARS)
            result = chain.clear_rejected();
#else
            result = gd::result_t::ok;
#endif
        } else {
            const bool reads = asked == 't';
            if (reads) {
                chain.read_status_begin(reading);
            } else {
                chain.restart_begin(restarting);
            }
            while ((result == gd::result_t::busy) || (result == gd::result_t::wait)) {
                lines.sent = 0U;
                lines.waits = 0U;
                result = reads ? chain.read_status_tick(reading, words) : chain.restart_tick(restarting);
                most = (lines.sent > most) ? lines.sent : most;
                inside += lines.waits;
                if (result == gd::result_t::wait) {
                    lines.streams::wait_us(chain.wait_us);
                }
            }
        }
        (void)std::printf("M%u %u %u %u", static_cast<unsigned>(result), static_cast<unsigned>(chain.position), most, inside);
        for (const auto &row : words) {
            for (const gd::word_t word : row) {
                (void)std::printf(" %lx", static_cast<unsigned long>(word));
            }
        }
        (void)std::putchar('\n');
        (void)std::fflush(stdout);
    }
    return 0;
}
