// Brings a daisy chain up with the generated tables, as header/chain.c does in C: the same words, the same answers.
#include <cstdio>
#include <cstdlib>

#include "gd.hpp"
#include "streams.hpp"

namespace {
int ask()
{
    static char line[4096];
    while (std::fgets(line, sizeof line, stdin) != nullptr) {
        char *at = line + 1;
        gd::table<gd::frame_t, gd::chain_chips> frames{};
        if (line[0] == 'P') {
            const uint8_t commands = static_cast<uint8_t>(std::strtoul(at, &at, 16));
            for (size_t i = 0U; i < gd::chain_chips; i++) {
                frames[i] = static_cast<gd::frame_t>(std::strtoull(at, &at, 16));
            }
            for (const uint8_t byte : gd::chain_pack(frames, commands)) {
                (void)std::printf("%02x", static_cast<unsigned>(byte));
            }
        } else {
            gd::table<uint8_t, gd::chain_bytes> in{};
            for (size_t i = 0U; i < gd::chain_bytes; i++) {
                in[i] = static_cast<uint8_t>(std::strtoul(at, &at, 16));
            }
            (void)std::printf("%d", gd::chain_unpack(in, frames) ? 1 : 0);
            for (const gd::frame_t frame : frames) {
                (void)std::printf(" %llx", static_cast<unsigned long long>(frame));
            }
        }
        (void)std::putchar('\n');
    }
    return 0;
}

#ifdef GD_CHAIN_TABLES
template <class Chain, class Parts>
bool run(Chain &chain, const char *what, const Parts &parts)
{
    const gd::result_t result = chain.run(parts);
    if (result != gd::result_t::ok) {
        const auto &chip = chain.chip[chain.position];
        (void)std::fprintf(stderr, "%s: position %u, step %u: result %u, differ %lx\n", what,
                           static_cast<unsigned>(chain.position), static_cast<unsigned>(chip.step),
                           static_cast<unsigned>(result), static_cast<unsigned long>(chip.differ));
    } else {
        (void)std::fprintf(stderr, "%s\n", what);
    }
    return result == gd::result_t::ok;
}

// After a stop: wherever the chips stand now, they are brought up again.
template <class Chain>
bool restart(Chain &chain)
{
    gd::result_t result = gd::result_t::busy;
    for (unsigned attempt = 0U; (attempt < 3U) && (result != gd::result_t::ok); attempt++) {
        result = chain.restart();
    }
    (void)std::fprintf(stderr, "restart: %u\n", static_cast<unsigned>(result));
    return (result == gd::result_t::ok) && run(chain, "verified again", gd::chain_readback_steps);
}

int bring_up()
{
    streams lines;
    gd::chain<streams> chain(lines);
    if ((!run(chain, "configured", gd::chain_init_steps) && !restart(chain)) ||
        (!run(chain, "verified", gd::chain_readback_steps) && !restart(chain))) {
        return 1;
    }
    (void)std::putchar('M');
    (void)std::fflush(stdout);
    if (std::getchar() == EOF) {
        return 1;
    }
#ifndef NO_STATUS
    gd::table<gd::table<gd::word_t, gd::status_count>, gd::chain_chips> words{};
    const gd::result_t status = chain.read_status(words);
    if ((status != gd::result_t::ok) && (status != gd::result_t::reset)) {
        (void)std::fprintf(stderr, "status: result %u at %u\n", static_cast<unsigned>(status),
                           static_cast<unsigned>(chain.position));
        return 1;
    }
    for (size_t k = 0U; k < gd::chain_chips; k++) {
        const auto found = gd::explain(words[k]);
        for (size_t i = 0U; i < found.count; i++) {
            (void)std::fprintf(stderr, "position %u: %s\n", static_cast<unsigned>(k),
                               gd::faults[found.fault[i]].name);
        }
    }
#endif
    chain.begin(gd::chain_readback_steps);
    for (unsigned i = 0U; i < 100U; i++) {
        const gd::result_t result = chain.watch();
        if (result != gd::result_t::busy) {
            (void)std::fprintf(stderr, "watch: result %u at %u after %u\n", static_cast<unsigned>(result),
                               static_cast<unsigned>(chain.position), i);
            return restart(chain) ? 0 : 1;
        }
    }
    return 0;
}
#else
int bring_up() { return 1; }
#endif
} // namespace

int main(int count, char **)
{
    return count > 1 ? ask() : bring_up();
}
