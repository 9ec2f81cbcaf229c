"""A daisy chain in C++: streams, and the tables of all positions run in lockstep, as in C (`cheader.chain`)."""

from __future__ import annotations

STREAM = """
namespace detail {
// the low bits of a value into a stream, from its bit `at` on
constexpr void stream_put(table<uint8_t, chain_bytes> &out, size_t at, wide_t value, unsigned bits) noexcept
{
    for (unsigned left = bits; left > 0U; left--) {
        const unsigned mask = 0x80U >> (at & 7U);
        const unsigned now = out[at >> 3U];
        const bool one = take(value, left - 1U, 1U) != 0U;
        out[at >> 3U] = static_cast<uint8_t>(one ? (now | mask) : (now & (mask ^ 0xFFU)));
        at++;
    }
}
constexpr wide_t stream_take(const table<uint8_t, chain_bytes> &in, size_t at, unsigned bits) noexcept
{
    wide_t value = 0U;
    for (size_t k = at; k < (at + bits); k++) {
        const unsigned one = (static_cast<unsigned>(in[k >> 3U]) >> (7U - (k & 7U))) & 1U;
        value = (value << 1U) | one;
    }
    return value;
}
} // namespace detail

// The bytes of one stream from a command for each chip, by position; `commands` are bits of chain_command.
[[nodiscard]] constexpr table<uint8_t, chain_bytes> chain_pack(const table<frame_t, chain_chips> &frames, uint8_t commands) noexcept
{
    table<uint8_t, chain_bytes> out{};
@OUT_HEADERS@    for (size_t k = 0U; k < chain_chips; k++) {
        const size_t place = chain_chips - 1U - k; // the farthest first
@OUT@    }
    return out;
}

// The reply of each chip, by position, from the bytes of one stream; false where a header is not as it must be.
[[nodiscard]] constexpr bool chain_unpack(const table<uint8_t, chain_bytes> &in, table<frame_t, chain_chips> &frames) noexcept
{
    bool sound = true;
@IN_HEADERS@    for (size_t k = 0U; k < chain_chips; k++) {
        const size_t place = chain_chips - 1U - k;
        wide_t whole = 0U;
@IN@        frames[k] = static_cast<frame_t>(whole);
    }
    return sound;
}"""

#: a header going out, with its commands; a piece of a word going out; a header and a piece coming in
OUT_HEADER = "    detail::stream_put(out, {at}U, {value}, {bits}U);"
OUT_COMMAND = "((commands & {bit}U) != 0U ? {mask} : 0U)"
OUT_PIECE = "        detail::stream_put(out, {first}U + (place * {size}U), static_cast<wide_t>(frames[k]) >> {left}U, {size}U);"
IN_HEADER = "    sound = sound && ((detail::stream_take(in, {at}U, {bits}U) & {mask}) == {value});"
IN_PIECE = (
    "        whole |= detail::stream_take(in, {first}U + (place * {size}U), {size}U) << {left}U;"
)
#: what stands ahead of the headers coming in
SOUND: tuple[str, ...] = ()
#: the driver of each chip, from which it is made
ALONE = "driver<nowhere>(alone_)"
NO_COMMANDS = "    static_cast<void>(commands);"

RUNNER = """
// A chip of a chain is not reached alone.
struct nowhere {
    bool transfer(const uint8_t * /*out*/, uint8_t * /*in*/, size_t /*size*/) const { return false; }
    void wait_us(uint32_t /*us*/) const {}
};

@JOB_TYPES@// All positions in lockstep. Stream has
//     bool transfer(const uint8_t *out, uint8_t *in, size_t size)   all bytes between two edges of chip select; false: it failed
//     void wait_us(uint32_t us)                                     for `run` alone
// A chip whose table is done or waits is sent a read that changes nothing, and its reply is checked too.
template <class Stream>
class chain {
    Stream &stream_;
    nowhere alone_{};

public:
    table<driver<nowhere>, chain_chips> chip; // by position
    table<task_t, chain_chips> task{};        // the table in hand of each
    table<result_t, chain_chips> result{};    // of each: busy or ok where nothing is wrong
    uint32_t wait_us = 0U;                    // where the result is wait: go on after so long
    size_t position = 0U;                     // where the last result came from
    uint8_t commands = 0U;                    // bits of chain_command for the next stream

    explicit constexpr chain(Stream &stream) noexcept : stream_(stream), chip{{@CHIPS@}} {}
    chain(const chain &) = delete;
    chain &operator=(const chain &) = delete;

    // A table for each position from its beginning.
    constexpr void begin(const table<part_t, chain_chips> &parts) noexcept
    {
        for (size_t k = 0U; k < chain_chips; k++) {
            task[k] = task_t(parts[k].steps, parts[k].size);
        }
    }

    // The next stream, ready for DMA: send all of it and get as much, then call `in`. busy, or wait (nothing is to be
    // sent yet), or ok: nothing is left.
    constexpr result_t out(table<uint8_t, chain_bytes> &bytes) noexcept
    {
        result_t whole = result_t::ok;
        wait_us = 0U;
        for (size_t k = 0U; k < chain_chips; k++) {
            result[k] = chip[k].task_out(task[k]);
            if (result[k] == result_t::wait) {
                wait_us = (task[k].wait_us > wait_us) ? task[k].wait_us : wait_us;
                whole = result_t::wait;
            } else if ((result[k] == result_t::busy) && (whole == result_t::ok)) {
                whole = result_t::busy;
            } else {
                // done: it is sent something harmless
            }
        }
@ENDED@        if (whole == result_t::busy) {
            fill(bytes);
        }
        return whole;
    }

    // Takes what came in during that stream: every chip's reply is checked. busy: go on with `out`; else the first
    // failure, its position in `position`. A header of the stream that is wrong is a frame_error.
    constexpr result_t in(const table<uint8_t, chain_bytes> &bytes) noexcept
    {
        table<frame_t, chain_chips> frames{};
        const bool sound = chain_unpack(bytes, frames);
        result_t whole = result_t::busy;
        for (size_t k = 0U; k < chain_chips; k++) {
            const bool own = result[k] == result_t::busy;
            result[k] = own ? chip[k].task_reply(task[k], frames[k]) : chip[k].reply_in(0U, frames[k]);
            if ((!own) && (result[k] == result_t::rejected) && (task[k].lenient != 0U)) {
                task[k].lenient = 2U;
                result[k] = @UNLESS_LOST@result_t::ok;
            }
@TELLING@            if ((result[k] != result_t::busy) && (result[k] != result_t::ok) && (whole == result_t::busy)) {
                whole = result[k];
                position = k;
            }
        }
        return sound ? whole : result_t::frame_error;
    }

    // One call a tick: at most one stream, no waiting. busy and wait: call again; ok: all tables are done.
    result_t tick()
    {
        table<uint8_t, chain_bytes> to{};
        table<uint8_t, chain_bytes> from{};
        result_t whole = out(to);
        if (whole == result_t::busy) {
            whole = stream_.transfer(to.data(), &from[0], chain_bytes) ? in(from) : result_t::spi;
        }
        return whole;
    }

    // Runs a table for each position; stops at the first failure: `position` says where, chip[position] what.
    result_t run(const table<part_t, chain_chips> &parts)
    {
        begin(parts);
        return finish();
    }

    // The tables in hand to their ends, or to the first failure.
    result_t finish()
    {
        result_t whole = result_t::busy;
        while ((whole == result_t::busy) || (whole == result_t::wait)) {
            whole = tick();
            if (whole == result_t::wait) {
                stream_.wait_us(wait_us);
            }
        }
        return whole;
    }

    // One call a period: a frame of each position's table, begun again at its end. First `begin` with the readback.
    result_t watch()
    {
        for (size_t k = 0U; k < chain_chips; k++) {
            if (task[k].at >= task[k].size) {
                task[k] = task_t(task[k].steps, task[k].size);
            }
        }
@WATCHED@    }
@STATUS@
    // Counters back in step with chips that have kept their state while the controller restarted: a new chain, then
    // this, then chain_warm_steps. Not ok: a chip (`position`) is not configured, or not there, or (rejected) a flag
    // of it tells of a rejected frame, or (reset) it was reset.
    result_t resync()
    {
        result_t whole = result_t::ok;
        for (unsigned i = 0U; i < @ROUNDS@U; i++) {
            whole = round();
        }
@NOT_RESET@        return whole;
    }
@CLEAR@@RESTART@
private:
    // a stream of what each chip is to be sent; of those that are not busy something harmless
    constexpr void fill(table<uint8_t, chain_bytes> &bytes) noexcept
    {
        table<frame_t, chain_chips> frames{};
        for (size_t k = 0U; k < chain_chips; k++) {
            if (result[k] != result_t::busy) {
                table<uint8_t, bytes_most> unused{};
                static_cast<void>(chip[k].frame_out(0U, fillers[0].frame, unused));
            }
            frames[k] = chip[k].command;
        }
        bytes = chain_pack(frames, commands);
        commands = 0U;
    }

    // every task goes on while a flag tells of a rejected frame
    constexpr void trust() noexcept
    {
        for (size_t k = 0U; k < chain_chips; k++) {
            task[k].lenient = 1U;
        }
    }

    // a stream of harmless reads, no table in hand
    result_t round()
    {
        table<uint8_t, chain_bytes> to{};
        table<uint8_t, chain_bytes> from{};
        for (size_t k = 0U; k < chain_chips; k++) {
            task[k] = task_t();
            result[k] = result_t::ok;
        }
        fill(to);
        const result_t whole = stream_.transfer(to.data(), &from[0], chain_bytes) ? in(from) : result_t::spi;
        return (whole == result_t::busy) ? result_t::ok : whole;
    }
@STATUS_AGAIN@@RESTART_WITH@};"""

CLEAR = """
    // Clears the flag of a rejected frame in every chip with a table, with which every other result is rejected, and
    // sees that it is down. What was under way is not known to have been done: begin it again.
    result_t clear_rejected()
    {
        begin(chain_clear_rejected_steps);
        trust();
        const result_t whole = finish();
        return (whole == result_t::ok) ? resync() : whole;
    }
"""

#: where replies tell of a reset: at the end of all tables, in a stream, while they are watched, after a resync
ENDED_RESET = """        for (size_t k = 0U; (whole == result_t::ok) && (k < chain_chips); k++) {
            if (result[k] == result_t::reset) {
                whole = result_t::reset;
                position = k;
            }
        }
"""
UNLESS_LOST = "(chip[k].reset && chip[k].settled) ? result_t::reset : "
TELLING = """            if ((!own) && (result[k] == result_t::reset) && (task[k].size != 0U) &&
                (task[k].step.kind == step_kind_t::read)) {
                result[k] = result_t::ok; // the words of a status read tell of it
            }
"""
WATCHED = "        return tick();\n"
WATCHED_RESET = """        result_t whole = tick();
        for (size_t k = 0U; k < chain_chips; k++) {
            if (chip[k].reset && (task[k].size != 0U)) {
                whole = result_t::reset;
                position = k;
            }
        }
        return whole;
"""
NOT_RESET = """        for (size_t k = 0U; (whole == result_t::ok) && (k < chain_chips); k++) {
            // of a position without a table nothing is expected
            const bool known = chain_init_steps[k].size != 0U;
            chip[k].settled = known && !(@DOUBTFUL@);
            if (known && !chip[k].settled) {
                whole = result_t::reset;
                position = k;
            }
        }
"""
DOUBTFUL, DOUBTFUL_TWICE = "chip[k].reset", "chip[k].reset || chip[k].doubt"
NOT_RESET_STEPS = """        if (whole == result_t::ok) {
            whole = run(chain_@NOT_RESET_TABLE@);
        }
"""
