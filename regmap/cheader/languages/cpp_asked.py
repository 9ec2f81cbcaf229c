"""What a chip alone is asked beside tables, in C++: counters in step, a flag cleared, monitors tested, modes entered, the watch.

`@...@` are what maps and stages differ in; `language` fills them.
"""

from __future__ import annotations

RESYNC_TYPE = """// Counters brought in step, in the making; after the table that clears the flag of a rejected frame, where that was begun.
struct resync_t {
    task_t task{};
    uint8_t phase = 1U;  // 0: the flag is cleared, 1: reads, 2: what shows that the chip was not reset
    uint8_t rounds = 0U; // reads so far
};

"""

RESYNC = """
    // Counters back in step with a chip that has kept its state while the controller restarted: a new driver,
    // then this, then the table `warm_steps`. Not ok: the chip is not configured, or not there, or (rejected) a flag
    // tells of a rejected frame, or (reset) the chip was reset.
    result_t resync()
    {
        resync_t job;
        return finish(job);
    }

    // Before the first call of `resync_tick`.
    constexpr void resync_begin(resync_t &job) const noexcept { job = resync_t(); }

    // As `resync`, one call a tick: at most one frame, no waiting. busy, and wait (job.task.wait_us): call again; anything
    // else is the result of `resync`, or of `clear_rejected` where that was begun.
    result_t resync_tick(resync_t &job)
    {
        if (job.phase == 1U) {
            result_t result = exchange(@FORMAT@U, fillers[@FORMAT@U].frame);
            job.rounds++;
            if (job.rounds < @ROUNDS@U) {
                return result_t::busy;
            }
@NOT_RESET@            return result;
        }
        const result_t result = tick(job.task);
        if ((result == result_t::ok) && (job.phase == 0U)) {
            job.phase = 1U;
            return result_t::busy;
        }
        return result;
    }

    // Until it is done.
    result_t finish(resync_t &job)
    {
        result_t result = result_t::busy;
        while ((result == result_t::busy) || (result == result_t::wait)) {
            result = resync_tick(job);
            if (result == result_t::wait) {
                spi_.wait_us(job.task.wait_us);
            }
        }
        return result;
    }
"""
#: after the reads: a chip that was reset is no chip that has kept its state
NOT_RESET = """            if (result == result_t::ok) {
                settled = !(@DOUBTFUL@);
                result = settled ? result_t::ok : result_t::reset;
            }
"""
NOT_RESET_STEPS = """            if (result == result_t::ok) {
                job.task = task_t(@NOT_RESET_TABLE@);
                job.phase = 2U;
                result = result_t::busy;
            }
"""

CLEAR = """
    // Clears the flag of a rejected frame, with which every other result is rejected, and sees that it is down. What
    // was under way is not known to have been done: begin it again.
    result_t clear_rejected()
    {
        resync_t job;
        clear_rejected_begin(job);
        return finish(job);
    }

    // Before the first call of `resync_tick` that clears the flag of a rejected frame.
    constexpr void clear_rejected_begin(resync_t &job) const noexcept
    {
        job = resync_t();
        job.task = task_t(clear_rejected_steps);
        job.task.lenient = 1U;
        job.phase = 0U;
    }
"""

MONITORS = """
// The tests of the monitors in the making.
struct test_monitors_t {
    task_t task{};
    @KIND@ failed = 0U;  // bits 1 << monitor_test_id that have not shown what was forced
    size_t index = 0U;   // the test in hand
    uint8_t phase = 0U;  // 0: before it, 1: it forces, 2: it is taken back
    result_t forced = result_t::ok; // what forcing came to
};

// As `test_monitors`, one call a tick, from `test_monitors_t job;` on: at most one frame, no waiting. busy, and wait
// (job.task.wait_us): call again; anything else is the result of `test_monitors`, with job.failed.
template <class Spi>
[[nodiscard]] result_t test_monitors_tick(driver<Spi> &on, test_monitors_t &job)
{
    const result_t result = on.tick(job.task);
    if ((result == result_t::busy) || (result == result_t::wait)) {
        return result;
    }
    if (job.phase == 2U) {
        if (job.forced == result_t::unexpected) {
            job.failed = static_cast<@KIND@>(job.failed | static_cast<@KIND@>(static_cast<@KIND@>(1U) << job.index));
            job.forced = result_t::ok;
        }
        if (job.forced == result_t::ok) {
            job.forced = result;
        }
        job.index++;
        job.phase = 0U;
    } else if (job.phase == 1U) {
        job.forced = result;
    } else {
        // before a test
    }
    if ((job.phase == 0U) && ((job.forced != result_t::ok) || (job.index >= monitor_tests.size()))) {
        return ((job.forced == result_t::ok) && (job.failed != 0U)) ? result_t::monitor : job.forced;
    }
    const monitor_test_t &test = monitor_tests[job.index];
    const step_t *const steps = @STEPS@.data() + test.first;
    // what the test forces is taken back whatever it has shown
    job.task = (job.phase == 0U) ? task_t(steps, test.steps) : task_t(steps + test.steps, test.restore);
    job.phase++;
    return result_t::busy;
}

// Runs every test, outputs off, on a configured chip. ok: each monitor has shown the fault that was forced; monitor:
// bits 1 << monitor_test_id of `failed` have not, and the chip is as before. Anything else: what was forced may still
// be, so run `init_steps` before the outputs are enabled.
template <class Spi>
[[nodiscard]] result_t test_monitors(driver<Spi> &on, @KIND@ &failed)
{
    test_monitors_t job;
    result_t result = result_t::busy;
    while ((result == result_t::busy) || (result == result_t::wait)) {
        result = test_monitors_tick(on, job);
        if (result == result_t::wait) {
            on.pause(job.task);
        }
    }
    failed = job.failed;
    return result;
}
"""

WATCH = """
    // One call a period while the bridge runs: a frame of the readback, in rotation. busy: nothing found.
    // unexpected: step, got and differ tell where and what; reset: the chip has lost its settings. Bring the
    // bridge into its safe state before the chip is configured again. Begin with task_t(readback_steps).
    result_t watch(task_t &task)
    {
        result_t result = tick(task);
        if ((result == result_t::ok) || (result == result_t::reset)) {
            task = task_t(task.steps, task.size);
            result = tick(task);
        }
        return @RESET@result;
    }
"""

#: where the map tells of a reset
WATCH_RESET = "reset ? result_t::reset : "

ENTER_BEGIN = """
// Before `tick` goes from one mode of the drive to another, a call a tick: its result is that of `enter`. no_way: no such
// way, and nothing to do.
[[nodiscard]] constexpr result_t enter_begin(task_t &task, uint8_t from, uint8_t to) noexcept
{"""

ENTER = """
// From one mode of the drive to another, blocking. ok: the chip holds the settings of the mode, each read back. no_way:
// nothing was sent. Anything else: the chip holds a part of both modes (`step` of the way failed), so bring the bridge
// into its safe state.
template <class Spi>
[[nodiscard]] result_t enter(driver<Spi> &on, uint8_t from, uint8_t to)
{
    task_t task;
    const result_t result = enter_begin(task, from, to);
    return (result == result_t::ok) ? on.finish(task) : result;
}"""

WATCH_MODE = """
// Before the first call of `watch` in a mode. no_way: no such mode, or nothing of it can be read back.
[[nodiscard]] constexpr result_t watch_mode_begin(task_t &task, uint8_t mode) noexcept
{"""
