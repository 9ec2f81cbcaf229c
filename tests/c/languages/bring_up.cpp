// Brings a chip up with the generated driver, as header/bring_up.c does in C: the same words on the same streams.
#include <cstdio>

#include "gd.hpp"
#include "streams.hpp"

namespace {
template <class Driver, class Table>
bool run(Driver &driver, const char *what, const Table &steps)
{
    const gd::result_t result = driver.run(steps);
    if (result == gd::result_t::ok) {
        (void)std::fprintf(stderr, "%s: %u steps\n", what, static_cast<unsigned>(steps.size()));
    } else {
        (void)std::fprintf(stderr, "%s: step %u: result %u\n", what, static_cast<unsigned>(driver.step),
                           static_cast<unsigned>(result));
    }
    return result == gd::result_t::ok;
}
} // namespace

int main()
{
    streams spi;
    gd::driver<streams> driver(spi);
    if (!run(driver, "configured", gd::init_steps) || !run(driver, "verified", gd::readback_steps)) {
        return 1;
    }
    (void)std::putchar('M');
    (void)std::fflush(stdout);
    if (std::getchar() == EOF) {
        return 1;
    }
    gd::table<gd::word_t, gd::status_count> words{};
    if (driver.read_status(words) != gd::result_t::ok) {
        return 1;
    }
    const auto found = gd::explain(words);
    for (size_t i = 0U; i < found.count; i++) {
        const gd::fault_t &fault = gd::faults[found.fault[i]];
        (void)std::fprintf(stderr, "fault %s: %s\n", fault.name, fault.title);
    }
    // the watch finds nothing, and a driver made anew gets back in step with the chip
    gd::task_t task(gd::readback_steps);
    for (unsigned i = 0U; i < 100U; i++) {
        if (driver.watch(task) != gd::result_t::busy) {
            return 2;
        }
    }
    gd::driver<streams> anew(spi);
    return (anew.resync() == gd::result_t::ok) && (anew.run(gd::warm_steps) == gd::result_t::ok) ? 0 : 3;
}
