// The generated driver as a library that a test can call, as header/damage.c is in C: the same names, the same numbers.
#include "gd.hpp"

namespace {
using transfer_t = bool (*)(void *, const uint8_t *, uint8_t *, uint8_t);
using wait_t = void (*)(void *, uint32_t);

struct wire {
    transfer_t transfer_with = nullptr;
    wait_t wait_with = nullptr;
    bool transfer(const uint8_t *out, uint8_t *in, size_t size)
    {
        return transfer_with(nullptr, out, in, static_cast<uint8_t>(size));
    }
    void wait_us(uint32_t us) { wait_with(nullptr, us); }
};

wire lines;
gd::driver<wire> *spi = nullptr;
gd::driver<wire> *kept = nullptr;
gd::task_t watching;
gd::restart_t restarting;
gd::read_status_t reading;
gd::table<gd::word_t, gd::status_count> ticked{};

void put(gd::driver<wire> *&place, const gd::driver<wire> &from)
{
    gd::driver<wire> *const made = new gd::driver<wire>(from);
    delete place;
    place = made;
}

void stopped(gd::result_t result, uint16_t *failed)
{
    if (result != gd::result_t::ok) {
        *failed = static_cast<uint16_t>(spi->step);
    }
}

template <size_t N>
unsigned run(const gd::table<gd::step_t, N> &rows, uint16_t *failed)
{
    const gd::result_t result = spi->run(rows);
    stopped(result, failed);
    return static_cast<unsigned>(result);
}
gd::resync_t syncing;
gd::task_t entering;
#ifdef MONITORS
gd::test_monitors_t testing;
#endif
} // namespace

extern "C" {
void d_begin(transfer_t transfer, wait_t wait_us)
{
    lines.transfer_with = transfer;
    lines.wait_with = wait_us;
    put(spi, gd::driver<wire>(lines));
}
void d_keep() { put(kept, *spi); }
void d_back() { put(spi, *kept); }
unsigned d_init(uint16_t *failed) { return run(gd::init_steps, failed); }
unsigned d_verify(uint16_t *failed)
{
    return run(gd::readback_steps, failed); // the lock's rows too
}
unsigned d_resync(uint16_t *failed)
{
    *failed = 0xFFFFU;
    return static_cast<unsigned>(spi->resync());
}
unsigned d_enter(unsigned from, unsigned to, uint16_t *failed)
{
#ifdef MODES
    const gd::result_t result = gd::enter(*spi, static_cast<uint8_t>(from), static_cast<uint8_t>(to));
    stopped(result, failed);
    return static_cast<unsigned>(result);
#else
    static_cast<void>(from);
    static_cast<void>(to);
    *failed = 0U;
    return 0xFFFFU;
#endif
}
unsigned d_warm(uint16_t *failed)
{
    const gd::result_t result = spi->resync();
    *failed = 0xFFFFU;
    return result == gd::result_t::ok ? run(gd::warm_steps, failed) : static_cast<unsigned>(result);
}
unsigned d_restart(uint16_t *failed)
{
    const gd::result_t result = spi->restart();
    stopped(result, failed);
    return static_cast<unsigned>(result);
}
void d_restart_begin() { spi->restart_begin(restarting); }
unsigned d_restart_tick(uint32_t *us)
{
    const gd::result_t result = spi->restart_tick(restarting);
    *us = (result == gd::result_t::wait) ? restarting.task.wait_us : 0U;
    return static_cast<unsigned>(result);
}
unsigned d_clear_rejected(uint16_t *failed)
{
#ifdef CLEARS
    const gd::result_t result = spi->clear_rejected();
    stopped(result, failed);
    return static_cast<unsigned>(result);
#else
    *failed = 0U;
    return 0xFFFFU;
#endif
}
unsigned d_clear_faults(uint16_t *failed) { return run(gd::clear_faults_steps, failed); }
unsigned d_status(uint64_t *words)
{
    gd::table<gd::word_t, gd::status_count> read{};
    const gd::result_t result = spi->read_status(read);
    for (size_t i = 0U; i < gd::status_count; i++) {
        words[i] = read[i];
    }
    return static_cast<unsigned>(result);
}
void d_status_begin()
{
    ticked = {};
    spi->read_status_begin(reading);
}
unsigned d_status_tick(uint64_t *words)
{
    const gd::result_t result = spi->read_status_tick(reading, ticked);
    for (size_t i = 0U; i < gd::status_count; i++) {
        words[i] = ticked[i];
    }
    return static_cast<unsigned>(result);
}
void d_found(uint64_t *found)
{
    found[0] = spi->step;
    found[1] = spi->errors;
    found[2] = spi->got;
    found[3] = spi->differ;
}
unsigned d_watch(unsigned ticks)
{
    gd::task_t task(gd::readback_steps);
    gd::result_t result = gd::result_t::busy;
    while ((ticks-- > 0U) && ((result == gd::result_t::busy) || (result == gd::result_t::wait))) {
        result = spi->watch(task);
    }
    return static_cast<unsigned>(result);
}
unsigned d_shared(unsigned ticks)
{
    gd::task_t task(gd::readback_steps);
    gd::result_t result = gd::result_t::busy;
    for (unsigned i = 0U; (i < ticks) && (result == gd::result_t::busy); i++) {
        result = spi->watch(task);
        if (((i % 4U) == 3U) && (result == gd::result_t::busy)) {
            result = spi->exchange(task.step.format, task.step.frame);
            result = (result == gd::result_t::ok) ? gd::result_t::busy : result;
        }
    }
    return static_cast<unsigned>(result);
}
unsigned d_monitors(uint32_t *failed)
{
#ifdef MONITORS
    uint8_t bits = 0U;
    const gd::result_t result = gd::test_monitors(*spi, bits);
    *failed = bits;
    return static_cast<unsigned>(result);
#else
    *failed = 0U;
    return 0xFFFFU;
#endif
}
unsigned d_ticks() { return gd::watch_ticks; }
void d_watch_begin() { watching = gd::task_t(gd::readback_steps); }
unsigned d_watch_once() { return static_cast<unsigned>(spi->watch(watching)); }
unsigned d_in_lock() { return 0U; } // one table of it
unsigned d_job_begin(unsigned kind, unsigned from, unsigned to)
{
    static_cast<void>(from);
    static_cast<void>(to);
    if (kind == 0U) {
        spi->resync_begin(syncing);
        return 0U;
    }
#ifdef CLEARS
    if (kind == 1U) {
        spi->clear_rejected_begin(syncing);
        return 0U;
    }
#endif
#ifdef MONITORS
    if (kind == 2U) {
        testing = gd::test_monitors_t();
        return 0U;
    }
#endif
#ifdef MODES
    if (kind == 3U) {
        return static_cast<unsigned>(gd::enter_begin(entering, static_cast<uint8_t>(from), static_cast<uint8_t>(to)));
    }
#endif
    return 0xFFFFU;
}
unsigned d_job_tick(unsigned kind, uint32_t *us, uint32_t *failed)
{
    gd::result_t result = gd::result_t::ok;
    *failed = 0U;
    if (kind < 2U) {
        result = spi->resync_tick(syncing);
        *us = syncing.task.wait_us;
#ifdef MONITORS
    } else if (kind == 2U) {
        result = gd::test_monitors_tick(*spi, testing);
        *us = testing.task.wait_us;
        *failed = testing.failed;
#endif
    } else {
        result = spi->tick(entering);
        *us = entering.wait_us;
    }
    *us = (result == gd::result_t::wait) ? *us : 0U;
    return static_cast<unsigned>(result);
}
}
