"""What goes a call a tick in C++ beside tables: a status read and a restart, of a chip alone and of a daisy chain.

`@...@` are what the two differ in; `language` fills them.
"""

from __future__ import annotations

# --- the status -----------------------------------------------------------------------------------
STATUS_TYPE = """// A status read in the making.
struct @JOB@ {
@PLACE@    uint8_t pass = 0U;     // 0: the first time, 1: again
    bool same = true;      // both times said the same
    bool proven = true;    // no flag told of a rejected frame
};

"""
#: what is read, and where it stands
STATUS_PLACE = """    task_t task{};
    size_t index = 0U;     // words read so far, this time
"""
STATUS_PLACES = """    table<size_t, chain_chips> index{}; // words read so far of each, this time
"""

STATUS = """
    // @ABOUT@ twice, ready for `explain`: only ok is good. What either
    // read has shown is in the words, for reading may erase faults, also where it is reset: the chip was; where it is
    // rejected, a flag tells of a rejected frame, and they are not proven.
    result_t read_status(@WORDS@ &words)
    {
        @JOB@ job;
        read_status_begin(job);
        result_t whole = result_t::busy;
        while ((whole == result_t::busy) || (whole == result_t::wait)) {
            whole = read_status_tick(job, words);
            if (whole == result_t::wait) {
                @PAUSE@;
            }
        }
        return whole;
    }

    // Before the first call of `read_status_tick`.
    constexpr void read_status_begin(@JOB@ &job) noexcept
    {
        job = @JOB@();
        status_again(job);
    }

    // As `read_status`, one call a tick: at most one @FRAME@, no waiting. busy, and wait (@WAIT@): call again;
    // anything else is the result of `read_status`.
    result_t read_status_tick(@JOB@ &job, @WORDS@ &words)
    {
@TICK@        if ((whole != result_t::ok) && (whole != result_t::reset)) {
            return whole;
        }
@TRUSTED@        if (job.pass == 0U) {
            status_again(job);
            job.pass = 1U;
            return result_t::busy;
        }
        if (whole == result_t::reset) {
            return whole; // the words are kept
        }
        if (!job.proven) {
            return result_t::rejected;
        }
        return job.same ? result_t::ok : result_t::changed;
    }
"""
STATUS_TICK = """        const size_t at = job.task.at;
        const result_t whole = tick(job.task);
        if ((job.task.at != at) && (job.task.step.kind == step_kind_t::read)) {
            job.same = keep_status(job.task, job.pass, words[job.index]) && job.same;
            job.index++;
        }
"""
STATUS_TRUSTED = """        job.proven = job.proven && (job.task.lenient == 1U);
"""
STATUS_TICK_ALL = """        table<size_t, chain_chips> at{};
        for (size_t k = 0U; k < chain_chips; k++) {
            at[k] = task[k].at;
        }
        const result_t whole = tick();
        for (size_t k = 0U; k < chain_chips; k++) {
            if ((task[k].at != at[k]) && (task[k].step.kind == step_kind_t::read)) {
                job.same = chip[k].keep_status(task[k], job.pass, words[k][job.index[k]]) && job.same;
                job.index[k]++;
            }
        }
"""
STATUS_TRUSTED_ALL = """        for (const task_t &one : task) {
            job.proven = job.proven && (one.lenient == 1U);
        }
"""
#: private: the table from its beginning
STATUS_AGAIN = """    static constexpr void status_again(read_status_t &job) noexcept
    {
        job.task = task_t(status_steps);
        job.task.lenient = 1U;
        job.index = 0U;
    }

"""
STATUS_AGAIN_ALL = """
    constexpr void status_again(chain_read_status_t &job) noexcept
    {
        begin(chain_status_steps);
        trust();
        job.index = {};
    }
"""

# --- the restart ----------------------------------------------------------------------------------
RESTART_TYPE = """// A restart in the making.
struct @JOB@ {
@PLACE@    uint8_t phase = 0U;  // how far it has come
    uint8_t rounds = 0U; // reads that bring the chip back in step
};

"""
RESTART_PLACE = """    task_t task{};
"""

RESTART = """
    // Configures @WHAT@ that a run has left at any step, or that kept the state while the controller restarted,
    // or was reset. Call it in the safe state of the bridge. Not ok: call it again, or switch the @SUPPLY@ off
    // and on.
    result_t restart()
    {
        @JOB@ job;
        restart_begin(job);
        result_t whole = result_t::busy;
        while ((whole == result_t::busy) || (whole == result_t::wait)) {
            whole = restart_tick(job);
            if (whole == result_t::wait) {
                @PAUSE@;
            }
        }
        return whole;
    }

    // Before the first call of `restart_tick`.
    constexpr void restart_begin(@JOB@ &job) noexcept
    {
        forget();
        job = @JOB@();
    }

    // As `restart`, one call a tick: at most one @FRAME@, no waiting. busy, and wait (@WAIT@): call again; ok: it is
    // configured; anything else: begin again.
    result_t restart_tick(@JOB@ &job)
    {
        result_t whole = result_t::busy;
        if ((job.phase == 0U) || (job.phase == 2U)) {
            whole = @ROUND@;
            job.rounds++;
            if (job.rounds < @ROUNDS@U) {
                return result_t::busy;
            }
        } else {
            whole = @TICK@;
        }
        if ((whole == result_t::busy) || (whole == result_t::wait)) {
            return whole;
        }
@STANDS@        const bool good = whole == result_t::ok;
@CLEARS@        if (good && (job.phase < 3U)) {
            return restart_with(job, 3U, @WARM@, 0U);
        }
        if (good && (job.phase != 4U)) {
            return whole;
        }
        if (job.phase < 4U) {
            // never brought as far; what only a chip after power-up shows is not looked for again
            forget();
@CLEARS_FIRST@        }
        if (job.phase <= 4U) {
            static_cast<void>(restart_with(job, 5U, @INIT@, 0U));
@LATER@            return result_t::busy;
        }
@AGAIN@        return whole;
    }
"""
#: where a flag of a rejected frame stays up, and no bring-up gets past it: at first, and as after power-up
RESTART_CLEARS = """        if ((job.phase == 0U) && (good || (whole == result_t::rejected))) {
            // a flag of a rejected frame stays up, and no bring-up gets past it
            return restart_with(job, 1U, @CLEAR@, 1U);
        }
        if (good && (job.phase == 1U)) {
            job.rounds = 0U;
            job.phase = 2U;
            return result_t::busy;
        }
"""
RESTART_CLEARS_FIRST = """            return restart_with(job, 4U, @LATE@, 1U);
"""
RESTART_STANDS = """        if (((job.phase == 3U) || (job.phase == 5U)) && (whole == result_t::reset)) {
            // the flag of a reset may stand since power-up: it is taken down, and all read back
            return restart_with(job, 7U, @FORGET@, 0U);
        }
"""
RESTART_LATER = """            job.task.at = @FIRST@U;
"""
RESTART_LATER_ALL = """            for (size_t k = 0U; k < chain_chips; k++) {
                task[k].at = (task[k].size != 0U) ? @FIRST@U : 0U;
            }
"""
RESTART_AGAIN = """        if (job.phase == 5U) {
            // or it was reset meanwhile
            forget();
            return restart_with(job, 6U, @INIT@, 0U);
        }
"""
#: private
RESTART_WITH = """    static constexpr result_t restart_with(restart_t &job, uint8_t phase, const task_t &task, uint8_t lenient) noexcept
    {
        job.phase = phase;
        job.task = task;
        job.task.lenient = lenient;
        return result_t::busy;
    }

"""
RESTART_WITH_ALL = """
    constexpr result_t restart_with(chain_restart_t &job, uint8_t phase, const table<part_t, chain_chips> &parts,
                                    uint8_t lenient) noexcept
    {
        job.phase = phase;
        begin(parts);
        if (lenient != 0U) {
            trust();
        }
        return result_t::busy;
    }
"""

FORGET = """
    // What is known of the chip is forgotten: what comes next is as after a reset of it.
    constexpr void forget() noexcept
    {
        sent_ = {};
        pending_ = {};
        pending_count_ = 0U;
        counter_ = 0U;
        frames_ = 0U;
        format_ = 0U;
        known = {};
        counted_ = false;
        reset = false;
@FORGET_SETTLED@    }
"""
FORGET_ALL = """
    // What is known of the chips is forgotten: what comes next is as after a reset of them.
    constexpr void forget() noexcept
    {
        for (size_t k = 0U; k < chain_chips; k++) {
            chip[k].forget();
        }
    }
"""

#: a chip alone, and a chain: what stands for the words between @
WORDS_ALONE = {
    "JOB": "read_status_t",
    "PLACE": STATUS_PLACE,
    "WORDS": "table<word_t, status_count>",
    "ABOUT": "Reads every status register of a configured chip",
    "PAUSE": "spi_.wait_us(job.task.wait_us)",
    "FRAME": "frame",
    "WAIT": "job.task.wait_us",
    "TICK": STATUS_TICK,
    "TRUSTED": STATUS_TRUSTED,
}
WORDS_ALL = {
    "JOB": "chain_read_status_t",
    "PLACE": STATUS_PLACES,
    "WORDS": "table<table<word_t, status_count>, chain_chips>",
    "ABOUT": "Reads every status register of every position",
    "PAUSE": "stream_.wait_us(wait_us)",
    "FRAME": "stream",
    "WAIT": "the member wait_us",
    "TICK": STATUS_TICK_ALL,
    "TRUSTED": STATUS_TRUSTED_ALL,
}
BACK_ALONE = {
    "JOB": "restart_t",
    "PLACE": RESTART_PLACE,
    "WHAT": "a chip",
    "SUPPLY": "chip's supply",
    "PAUSE": "spi_.wait_us(job.task.wait_us)",
    "FRAME": "frame",
    "WAIT": "job.task.wait_us",
    "ROUND": "exchange(@FORMAT@U, fillers[@FORMAT@U].frame)",
    "TICK": "tick(job.task)",
    "WARM": "task_t(@warm@)",
    "INIT": "task_t(@init@)",
    "CLEAR": "task_t(@clear@)",
    "LATE": "task_t(@late@)",
    "FORGET": "task_t(@forget_reset@)",
    "LATER": RESTART_LATER,
}
BACK_ALL = {
    "JOB": "chain_restart_t",
    "PLACE": "",
    "WHAT": "the chips",
    "SUPPLY": "supply of `position`",
    "PAUSE": "stream_.wait_us(wait_us)",
    "FRAME": "stream",
    "WAIT": "the member wait_us",
    "ROUND": "round()",
    "TICK": "tick()",
    "WARM": "chain_@warm@",
    "INIT": "chain_@init@",
    "CLEAR": "chain_@clear@",
    "LATE": "chain_@late@",
    "FORGET": "chain_@forget_reset@",
    "LATER": RESTART_LATER_ALL,
}

#: where replies tell of a reset
FORGET_DOUBT = "        doubt = false;\n"
FORGET_SETTLED = "        settled = false;\n"
