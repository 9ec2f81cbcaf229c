"""The driver in C++: a class template over your SPI that runs the tables as the C runtime does."""

from __future__ import annotations

DRIVER = """
// What came of a frame or of a table of steps; the numbers are those of the C header.
enum class result_t : uint8_t {
    ok = 0U,          // every step went as it must
    spi = 1U,         // the transfer failed
    frame_error = 2U, // a reply contradicts its layout: check bits, fixed bits, echo
    unexpected = 3U,  // a word is not what it must be
    rejected = 4U,    // status or counter of a reply say that a frame was rejected
    changed = 5U,     // two reads of a status register differ: read again
    reset = 6U,       // the chip has been reset since it was configured
    busy = 7U,        // go on
    wait = 8U,        // go on after task.wait_us
    monitor = 9U,     // a monitor has not shown the fault that was forced
    no_way = 10U      // no way leads from the one mode of the drive to the other
};

// A table in the making: `out` is what the next frame sends, ready for DMA, `in` what came in meanwhile.
struct task_t {
    const step_t *steps = nullptr;
    size_t size = 0U;
    size_t at = 0U;
    uint32_t wait_us = 0U;
    step_t step{};
    uint16_t seen = 0U;
    uint8_t fetched = 0U;
    uint8_t lenient = 0U; // 1: goes on while a flag tells of a rejected frame; 2: one did; 0: stops
    size_t bytes = 0U;
    table<uint8_t, bytes_most> out{};
    table<uint8_t, bytes_most> in{};

    constexpr task_t() noexcept = default;
    template <size_t N>
    explicit constexpr task_t(const table<step_t, N> &rows) noexcept : steps(rows.data()), size(N) {}
    constexpr task_t(const step_t *rows, size_t count) noexcept : steps(rows), size(count) {}
};

@JOB_TYPES@// Runs tables over your SPI. Spi has
//     bool transfer(const uint8_t *out, uint8_t *in, size_t size)   one chip-select burst; false: it failed
//     void wait_us(uint32_t us)                                     for `run` alone
// Restart: after any result other than ok, busy and wait begin the table again. A driver made anew knows a
// chip that was reset; where only the controller was, resync and then the table `warm_steps`.
template <class Spi>
class driver {
public:
    frame_t command = 0U; // the last command, as sent
    frame_t reply = 0U;   // what came in meanwhile
    word_t got = 0U;      // the last word read
    word_t differ = 0U;   // its bits that are not as they must be
    table<word_t, kept_count> kept{}; // bits that must be written as they were read, ...
    table<bool, kept_count> known{};  // ... and whether they have been read
    size_t step = 0U;     // the step in hand, of its table
    uint8_t errors = 0U;  // of the last reply (bits of `error`)
    bool reset = false;   // the last reply told of a reset
@DOUBT_FIELD@@SETTLED_FIELD@
    explicit constexpr driver(Spi &spi) noexcept : spi_(spi) {}

    // The bytes of a frame, counters and check bits included; how many.
    constexpr size_t frame_out(uint8_t format, frame_t wanted, table<uint8_t, bytes_most> &out) noexcept
    {
        command = with_counter_of(format, wanted, sent_[format]);
        return bytes_of(format, command, out);
    }

    // What came in during that frame, checked as the reply to the command that it answers.
    constexpr result_t frame_in(uint8_t format, const table<uint8_t, bytes_most> &in) noexcept
    {
        return reply_in(format, frame_of(format, in));
    }

    // The same, where the frame is known already.
    constexpr result_t reply_in(uint8_t format, frame_t came) noexcept
    {
        uint8_t found = 0U;
        const uint8_t after = reply_after[format];
        if (format_ != format) {
            pending_count_ = 0U;
            counted_ = false;
            format_ = format;
        }
        reply = came;
        sent_[format]++;
        if (pending_count_ >= after) {
            const frame_t asked = after == 0U ? command : pending_[static_cast<size_t>(after - 1U)];
            found = errors_of(format, asked, reply);
            if (reply_counts[format].width != 0U) {
                const wide_t now = counter_of(format, reply);
                const wide_t next = detail::take(counter_ + reply_counts[format].step, 0U, reply_counts[format].width);
                if ((found & 0x0FU) != 0U) {
                    counted_ = false;
                } else {
                    if (counted_ && (now != next)) {
                        found = static_cast<uint8_t>(found | error::counter);
                    }
                    counter_ = now;
                    counted_ = true;
                }
            }
        }
        for (size_t i = pending_.size() - 1U; i > 0U; i--) {
            pending_[i] = pending_[i - 1U];
        }
        pending_[0] = command;
        frames_++;
        if (pending_count_ < pending_.size()) {
            pending_count_++;
        }
        // of a reply that is damaged no bit is believed
@UP@        errors = static_cast<uint8_t>(found & 0x3FU);
        if ((errors & 0x0FU) != 0U) {
            return result_t::frame_error;
        }
        // a flag that stays up hides the next rejection: nothing is proven while it does
        return (errors != 0U) ? result_t::rejected : @UNLESS_LOST@result_t::ok;
    }
@EXCHANGE@
    // The next frame in task.out: send task.bytes of it and get as many into task.in, then call task_in.
    // busy, or wait, or ok: nothing is left; reset: neither, but the last reply tells of a reset.
    constexpr result_t task_out(task_t &task) noexcept
    {
        if (task.at >= task.size) {
@ENDED@            return result_t::ok;
        }
        task.step = task.steps[task.at];
        step = task.at;
        if (task.step.kind == step_kind_t::wait) {
            task.wait_us = task.step.wait_us;
            task.at++;
            return result_t::wait;
        }
        frame_t wanted = task.step.frame;
        if (task.step.kind == step_kind_t::merge) {
            wanted = merged_of(task.step.format, wanted, kept[static_cast<size_t>(task.step.expect)]);
        }
        // a frame from elsewhere has come between: its reply is not this task's
        if (task.seen != frames_) {
            task.fetched = 0U;
        }
        if ((task.fetched != 0U) && fillers[task.step.format].known) {
            wanted = fillers[task.step.format].frame;
        }
        task.bytes = frame_out(task.step.format, wanted, task.out);
        return result_t::busy;
    }

    // Takes what came in during that frame. busy: go on with task_out; else what went wrong.
    constexpr result_t task_in(task_t &task) noexcept
    {
        return task_reply(task, frame_of(task.step.format, task.in));
    }

    // The same, where the frame is known already.
    constexpr result_t task_reply(task_t &task, frame_t came) noexcept
    {
        result_t result = reply_in(task.step.format, came);
        if ((result == result_t::rejected) && (task.lenient != 0U) && (errors == error::rejected)) {
            // believed where the caller wants that, and told
            task.lenient = 2U;
            result = @UNLESS_LOST@result_t::ok;
        }
@TELLING@        if (result != result_t::ok) {
            task.fetched = 0U;
            return result;
        }
        task.seen = frames_;
        const step_kind_t kind = task.step.kind;
        if ((kind == step_kind_t::expect) || (kind == step_kind_t::read) || (kind == step_kind_t::keep) ||
            (kind == step_kind_t::same)) {
            if (!has_data[task.step.format]) {
                return result_t::frame_error;
            }
            if (task.fetched < reply_after[task.step.format]) {
                task.fetched++;
                return result_t::busy;
            }
            task.fetched = 0U;
            got = data_of(task.step.format, reply);
            const word_t shown = static_cast<word_t>(got & task.step.mask);
            differ = 0U;
            if (kind == step_kind_t::expect) {
                differ = static_cast<word_t>(shown ^ task.step.expect);
            } else if (kind != step_kind_t::read) {
                // reserved bits: remembered where they are not known, compared where they are
                const size_t place = static_cast<size_t>(task.step.expect);
                if ((kind == step_kind_t::keep) || (!known[place])) {
                    kept[place] = shown;
                    known[place] = true;
                } else {
                    differ = static_cast<word_t>(shown ^ kept[place]);
                }
            } else {
                // the word is the caller's
            }
            if (differ != 0U) {
                return result_t::unexpected;
            }
        }
        task.at++;
        return result_t::busy;
    }

    // Keeps a status word that the step in hand of `task` has read, the first time (pass 0) or again: what both say.
    // False where they differ in bits that reading does not erase, or where one that reading erases came anew.
    [[nodiscard]] constexpr bool keep_status(const task_t &task, uint8_t pass, word_t &place) const noexcept
    {
        if (pass == 0U) {
            place = got;
            return true;
        }
        const wide_t first = static_cast<wide_t>(place) & task.step.mask;
        const wide_t again = static_cast<wide_t>(got) & task.step.mask;
        const wide_t erased = task.step.expect;
        place = static_cast<word_t>(place | again);
        return (((first ^ again) & (task.step.mask ^ erased)) == 0U) && ((again & erased & (first ^ again)) == 0U);
    }
@TICKS@@STATUS@@RESYNC@@CLEAR@@RESTART@@WATCH@
private:
@STATUS_AGAIN@@RESTART_WITH@    bool transfer(uint8_t format, const table<uint8_t, bytes_most> &out, table<uint8_t, bytes_most> &in)
    {
        bool done = true;
        size_t at = 0U;
        for (uint8_t k = 0U; done && (k < bursts_of(format)); k++) {
            const size_t size = burst_of(format, k);
            done = spi_.transfer(out.data() + at, &in[at], size);
            at += size;
        }
        return done;
    }

    Spi &spi_;
    table<uint32_t, @FORMATS@> sent_{};
    table<frame_t, @DEPTH@> pending_{};
    size_t pending_count_ = 0U;
    wide_t counter_ = 0U;
    uint16_t frames_ = 0U;
    uint8_t format_ = 0U;
    bool counted_ = false;
};
"""

#: what sends a frame to a chip that is alone on its chip select
EXCHANGE = """
    // Sends one frame and gets what came in meanwhile.
    result_t exchange(uint8_t format, frame_t wanted)
    {
        table<uint8_t, bytes_most> out{};
        table<uint8_t, bytes_most> in{};
        static_cast<void>(frame_out(format, wanted, out));
        return transfer(format, out, in) ? frame_in(format, in) : result_t::spi;
    }
"""

TICKS = """
    // One call a tick: at most one frame, no waiting. busy and wait: call again; ok: the table is done.
    result_t tick(task_t &task)
    {
        result_t result = task_out(task);
        if (result == result_t::busy) {
            result = transfer(task.step.format, task.out, task.in) ? task_in(task) : result_t::spi;
        }
        return result;
    }

    // Runs a table to its end, or to the first step that fails: `step` says which.
    template <size_t N>
    result_t run(const table<step_t, N> &rows)
    {
        return run_part(rows.data(), N);
    }

    // As `run`, for a part of a table.
    result_t run_part(const step_t *rows, size_t size)
    {
        task_t task(rows, size);
        return finish(task);
    }

    // Waits as long as a task wants.
    void pause(const task_t &task) { spi_.wait_us(task.wait_us); }

    // A task to its end, or to the first step that fails.
    result_t finish(task_t &task)
    {
        result_t result = result_t::busy;
        while ((result == result_t::busy) || (result == result_t::wait)) {
            result = tick(task);
            if (result == result_t::wait) {
                spi_.wait_us(task.wait_us);
            }
        }
        return result;
    }
"""


#: where the map tells of a reset: at the end of a table
ENDED_RESET = """            if ((task.size != 0U) && (@DOUBTFUL@)) {
                return result_t::reset;
            }
            settled = settled || (task.size != 0U);
"""
#: ... in a reply: believed at once, or the second time where no check bits cover it; and once it was known to be down
UP = "        reset = ((found & error::reset) != 0U) && ((found & 0x0FU) == 0U);\n"
UP_TWICE = """        const bool up = ((found & error::reset) != 0U) && ((found & 0x0FU) == 0U);
        reset = up && doubt; // one wrong bit may look like it: two in a row do not
        doubt = up;
"""
DOUBT_FIELD = "    bool doubt = false;   // it had the flag of one, which no check bits cover\n"
SETTLED_FIELD = "    bool settled = false; // the flag of a reset was down when a table ended: up again it tells of one\n"
DOUBTFUL, DOUBTFUL_TWICE = "reset", "reset || doubt"
UNLESS_LOST = "(reset && settled) ? result_t::reset : "
TELLING = """        if ((result == result_t::reset) && (task.step.kind == step_kind_t::read)) {
            result = result_t::ok; // the words of a status read tell of it
        }
"""

EXPLAIN = """
// Raised faults in the order in which to look at them: each first cause, then what can follow from it.
// Summary bits whose members are raised are left out.
struct explained_t {
    size_t count = 0U;
    table<uint16_t, fault_count> fault{}; // index in `faults`, first cause first
    table<uint16_t, fault_count> cause{}; // by index in `faults`: the raised fault it follows from, or fault_none
};

[[nodiscard]] constexpr bool fault_raised(const table<word_t, status_count> &words, const fault_t &fault) noexcept
{
    return (words[fault.status] & fault.mask) == fault.value;
}

namespace detail {
constexpr bool before(const fault_t &a, const fault_t &b) noexcept
{
    return (a.at_power_up != b.at_power_up) ? b.at_power_up : (a.severity < b.severity);
}
} // namespace detail

// Names the raised faults, first cause first. All ones or all zeros come from wiring: do not believe them.
[[nodiscard]] constexpr explained_t explain(const table<word_t, status_count> &words) noexcept
{
    explained_t found{};
    table<uint16_t, fault_count> depth{}; // 0: not raised, or only a sum; 1: a first cause; else deeper
    table<bool, fault_count> placed{};
    for (const uint16_t index : fault_order) {
        const fault_t &row = faults[index];
        bool counts = fault_raised(words, row);
        found.cause[index] = fault_none;
        for (size_t k = 0U; counts && (k < row.sum_count); k++) {
            counts = !fault_raised(words, faults[fault_sums[row.sum_first + k]]);
        }
        depth[index] = counts ? 1U : 0U;
        for (size_t k = 0U; counts && (k < row.cause_count); k++) {
            const uint16_t cause = fault_causes[row.cause_first + k];
            if ((depth[cause] != 0U) && (depth[cause] >= depth[index])) {
                depth[index] = static_cast<uint16_t>(depth[cause] + 1U);
                found.cause[index] = cause;
            }
        }
    }
    uint16_t current = fault_none;
    for (;;) {
        uint16_t next = fault_none;
        for (uint16_t i = 0U; i < fault_count; i++) {
            const bool fits = (depth[i] != 0U) && (!placed[i]) && (found.cause[i] == current);
            if (fits && ((next == fault_none) || detail::before(faults[i], faults[next]))) {
                next = i;
            }
        }
        if (next != fault_none) {
            placed[next] = true;
            found.fault[found.count] = next;
            found.count++;
            current = next;
        } else if (current != fault_none) {
            current = found.cause[current];
        } else {
            return found;
        }
    }
}
"""

COPIES = """
namespace detail {
template <size_t N>
constexpr size_t copied(const table<uint8_t, N> &from, table<uint8_t, bytes_most> &to) noexcept
{
    for (size_t i = 0U; i < N; i++) {
        to[i] = from[i];
    }
    return N;
}
template <size_t N>
constexpr table<uint8_t, N> cut(const table<uint8_t, bytes_most> &from) noexcept
{
    table<uint8_t, N> to{};
    for (size_t i = 0U; i < N; i++) {
        to[i] = from[i];
    }
    return to;
}
} // namespace detail"""
