// Goes through modes of the drive and watches each, as header/modes.c does in C: the same words on the same streams.
#include <cstdio>

#include "gd.hpp"
#include "streams.hpp"

namespace {
constexpr uint8_t ways[] = {WAYS};

} // namespace

int main()
{
    streams spi;
    gd::driver<streams> driver(spi);
    if (driver.run(gd::init_steps) != gd::result_t::ok) {
        return 1;
    }
    for (unsigned i = 0U; (i + 1U) < sizeof(ways); i += 2U) {
        gd::result_t result = gd::enter(driver, ways[i], ways[i + 1U]);
        (void)std::fprintf(stderr, "way %u: %u step %u\n", i / 2U, static_cast<unsigned>(result),
                           static_cast<unsigned>(driver.step));
        (void)std::putchar('M');
        (void)std::putchar(static_cast<int>(i / 2U));
        (void)std::fflush(stdout);
        if ((std::getchar() == EOF) || (result != gd::result_t::ok)) {
            continue;
        }
        gd::task_t task;
        result = gd::watch_mode_begin(task, ways[i + 1U]);
        for (unsigned k = 0U; (k < 200U) && ((result == gd::result_t::ok) || (result == gd::result_t::busy)); k++) {
            result = driver.watch(task);
        }
        (void)std::fprintf(stderr, "watch %u: %u\n", i / 2U, static_cast<unsigned>(result));
    }
    const bool nowhere = gd::enter(driver, 200U, 0U) == gd::result_t::no_way;
    (void)std::fprintf(stderr, "nowhere: %u\n", nowhere ? 1U : 0U);
    return 0;
}
