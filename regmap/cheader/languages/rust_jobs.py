"""What goes a call a tick in Rust beside tables: a status read and a restart, of a chip alone and of a daisy chain.

`@...@` are what the two differ in; `language` fills them.
"""

from __future__ import annotations

# --- the status -----------------------------------------------------------------------------------
STATUS_TYPE = """// A status read in the making.
#[derive(Clone, Copy, Debug)]
pub struct @JOB@ {
@PLACE@    pass: u8,     // 0: the first time, 1: again
    same: bool,   // both times said the same
    proven: bool, // no flag told of a rejected frame
}

impl @JOB@ {
    #[must_use]
    pub const fn new() -> @JOB@ {
        @JOB@ { @NEW@, pass: 0, same: true, proven: true }
    }
}

"""
#: what is read, and where it stands
STATUS_PLACE = """    pub task: Task,
    index: usize, // words read so far, this time
"""
STATUS_PLACES = """    index: [usize; CHAIN_CHIPS], // words read so far of each, this time
"""

STATUS = """
    // @ABOUT@ twice, ready for `explain`: only Ok is good. What either
    // read has shown is in the words, for reading may erase faults, also where it is Reset: the chip was; where it is
    // Rejected, a flag tells of a rejected frame, and they are not proven.
    pub fn read_status(&mut self, words: &mut @WORDS@) -> Outcome {
        let mut job = @JOB@::new();
        self.read_status_begin(&mut job);
        loop {
            match self.read_status_tick(&mut job, words) {
                Outcome::Busy => {}
                Outcome::Wait => @PAUSE@,
                other => return other,
            }
        }
    }

    // Before the first call of `read_status_tick`.
    pub fn read_status_begin(&mut self, job: &mut @JOB@) {
        *job = @JOB@::new();
        self.status_again(job);
    }

    // As `read_status`, one call a tick: at most one @FRAME@, no waiting. Busy, and Wait (@WAIT@): call again;
    // anything else is the outcome of `read_status`.
    pub fn read_status_tick(&mut self, job: &mut @JOB@, words: &mut @WORDS@) -> Outcome {
@TICK@        if !matches!(outcome, Outcome::Ok | Outcome::Reset) {
            return outcome;
        }
@TRUSTED@        if job.pass == 0 {
            self.status_again(job);
            job.pass = 1;
            return Outcome::Busy;
        }
        if outcome == Outcome::Reset {
            outcome // the words are kept
        } else if !job.proven {
            Outcome::Rejected
        } else if job.same {
            Outcome::Ok
        } else {
            Outcome::Changed
        }
    }

    // The table from its beginning.
    fn status_again(&mut self, job: &mut @JOB@) {
@BEGIN@    }
"""
STATUS_TICK = """        let at = job.task.at;
        let outcome = self.tick(&mut job.task);
        if job.task.at != at && job.task.step.kind == StepKind::Read {
            job.same &= self.keep_status(&job.task, job.pass, &mut words[job.index]);
            job.index += 1;
        }
"""
STATUS_TRUSTED = """        job.proven &= job.task.lenient == 1;
"""
STATUS_TICK_ALL = """        let before: [usize; CHAIN_CHIPS] = core::array::from_fn(|k| self.task[k].at);
        let outcome = self.tick();
        for k in 0..CHAIN_CHIPS {
            let task = &self.task[k];
            if task.at != before[k] && task.step.kind == StepKind::Read {
                job.same &= self.chip[k].keep_status(task, job.pass, &mut words[k][job.index[k]]);
                job.index[k] += 1;
            }
        }
"""
STATUS_TRUSTED_ALL = """        job.proven &= self.task.iter().all(|task| task.lenient == 1);
"""
STATUS_BEGIN = """        job.task = Task::new(&STATUS_STEPS);
        job.task.lenient = 1;
        job.index = 0;
"""
STATUS_BEGIN_ALL = """        self.begin(&CHAIN_STATUS_STEPS);
        self.trust();
        job.index = [0; CHAIN_CHIPS];
"""
STATUS_AGAIN = STATUS_AGAIN_ALL = ""  # stands in its place already

# --- the restart ----------------------------------------------------------------------------------
RESTART_TYPE = """// A restart in the making.
#[derive(Clone, Copy, Debug)]
pub struct @JOB@ {
@PLACE@    phase: u8,  // how far it has come
    rounds: u8, // reads that bring the chip back in step
}

impl @JOB@ {
    #[must_use]
    pub const fn new() -> @JOB@ {
        @JOB@ { @NEW@phase: 0, rounds: 0 }
    }
@WITH_OF@}

"""
RESTART_PLACE = """    pub task: Task,
"""
RESTART_WITH_OF = """    fn with(&mut self, phase: u8, steps: &'static [Step], lenient: u8) -> Outcome {
        self.phase = phase;
        self.task = Task::new(steps);
        self.task.lenient = lenient;
        Outcome::Busy
    }
"""

RESTART = """
    // Configures @WHAT@ that a run has left at any step, or that kept the state while the controller restarted,
    // or was reset. Call it in the safe state of the bridge. Not Ok: call it again, or switch the @SUPPLY@ off
    // and on.
    pub fn restart(&mut self) -> Outcome {
        let mut job = @JOB@::new();
        self.restart_begin(&mut job);
        loop {
            match self.restart_tick(&mut job) {
                Outcome::Busy => {}
                Outcome::Wait => @PAUSE@,
                other => return other,
            }
        }
    }

    // Before the first call of `restart_tick`.
    pub fn restart_begin(&mut self, job: &mut @JOB@) {
        self.forget();
        *job = @JOB@::new();
    }

    // As `restart`, one call a tick: at most one @FRAME@, no waiting. Busy, and Wait (@WAIT@): call again; Ok: it is
    // configured; anything else: begin again.
    pub fn restart_tick(&mut self, job: &mut @JOB@) -> Outcome {
        let outcome = if job.phase == 0 || job.phase == 2 {
            let outcome = @ROUND@;
            job.rounds += 1;
            if job.rounds < @ROUNDS@ {
                return Outcome::Busy;
            }
            outcome
        } else {
            @TICK@
        };
        if outcome == Outcome::Busy || outcome == Outcome::Wait {
            return outcome;
        }
@STANDS@        let good = outcome == Outcome::Ok;
@CLEARS@        if good && job.phase < 3 {
            return @WITH@3, @WARM@, 0);
        }
        if good && job.phase != 4 {
            return outcome;
        }
        if job.phase < 4 {
            // never brought as far; what only a chip after power-up shows is not looked for again
            self.forget();
@CLEARS_FIRST@        }
        if job.phase <= 4 {
            let outcome = @WITH@5, @INIT@, 0);
@LATER@            return outcome;
        }
@AGAIN@        outcome
    }
"""
#: where a flag of a rejected frame stays up, and no bring-up gets past it: at first, and as after power-up
RESTART_CLEARS = """        if job.phase == 0 && (good || outcome == Outcome::Rejected) {
            // a flag of a rejected frame stays up, and no bring-up gets past it
            return @WITH@1, @CLEAR@, 1);
        }
        if good && job.phase == 1 {
            job.rounds = 0;
            job.phase = 2;
            return Outcome::Busy;
        }
"""
RESTART_CLEARS_FIRST = """            return @WITH@4, @LATE@, 1);
"""
RESTART_STANDS = """        if matches!(job.phase, 3 | 5) && outcome == Outcome::Reset {
            // the flag of a reset may stand since power-up: it is taken down, and all read back
            return @WITH@7, @FORGET@, 0);
        }
"""
RESTART_LATER = """            job.task.at = @FIRST@;
"""
RESTART_LATER_ALL = """            for task in self.task.iter_mut() {
                task.at = if task.steps.is_empty() { 0 } else { @FIRST@ };
            }
"""
RESTART_AGAIN = """        if job.phase == 5 {
            // or it was reset meanwhile
            self.forget();
            return @WITH@6, @INIT@, 0);
        }
"""
RESTART_WITH = ""
RESTART_WITH_ALL = """
    fn restart_with(&mut self, job: &mut ChainRestart, phase: u8, parts: &[&'static [Step]; CHAIN_CHIPS], lenient: u8) -> Outcome {
        job.phase = phase;
        self.begin(parts);
        if lenient != 0 {
            self.trust();
        }
        Outcome::Busy
    }
"""

FORGET = """
    // What is known of the chip is forgotten: what comes next is as after a reset of it.
    pub fn forget(&mut self) {
        self.sent = [0; @FORMATS@];
        self.pending = [0; @DEPTH@];
        self.pending_count = 0;
        self.counter = 0;
        self.frames = 0;
        self.format = 0;
        self.known = [false; KEPT_COUNT];
        self.counted = false;
        self.reset = false;
@FORGET_SETTLED@    }
"""
FORGET_ALL = """
    // What is known of the chips is forgotten: what comes next is as after a reset of them.
    pub fn forget(&mut self) {
        for chip in self.chip.iter_mut() {
            chip.forget();
        }
    }
"""

#: a chip alone, and a chain: what stands for the words between @
WORDS_ALONE = {
    "JOB": "ReadStatus",
    "PLACE": STATUS_PLACE,
    "NEW": "task: Task::new(&[]), index: 0",
    "WORDS": "[Word; STATUS_COUNT]",
    "ABOUT": "Reads every status register of a configured chip",
    "PAUSE": "self.spi.wait_us(job.task.wait_us)",
    "FRAME": "frame",
    "WAIT": "job.task.wait_us",
    "TICK": STATUS_TICK,
    "TRUSTED": STATUS_TRUSTED,
    "BEGIN": STATUS_BEGIN,
}
WORDS_ALL = {
    "JOB": "ChainReadStatus",
    "PLACE": STATUS_PLACES,
    "NEW": "index: [0; CHAIN_CHIPS]",
    "WORDS": "[[Word; STATUS_COUNT]; CHAIN_CHIPS]",
    "ABOUT": "Reads every status register of every position",
    "PAUSE": "self.stream.wait_us(self.wait_us)",
    "FRAME": "stream",
    "WAIT": "self.wait_us",
    "TICK": STATUS_TICK_ALL,
    "TRUSTED": STATUS_TRUSTED_ALL,
    "BEGIN": STATUS_BEGIN_ALL,
}
BACK_ALONE = {
    "JOB": "Restart",
    "PLACE": RESTART_PLACE,
    "NEW": "task: Task::new(&[]), ",
    "WITH_OF": RESTART_WITH_OF,
    "WHAT": "a chip",
    "SUPPLY": "chip's supply",
    "PAUSE": "self.spi.wait_us(job.task.wait_us)",
    "FRAME": "frame",
    "WAIT": "job.task.wait_us",
    "ROUND": "self.exchange(@FORMAT@, FILLERS[@FORMAT@].frame)",
    "TICK": "self.tick(&mut job.task)",
    "WITH": "job.with(",
    "WARM": "&@warm@",
    "INIT": "&@init@",
    "CLEAR": "&@clear@",
    "LATE": "&@late@",
    "FORGET": "&@forget_reset@",
    "LATER": RESTART_LATER,
}
BACK_ALL = {
    "JOB": "ChainRestart",
    "PLACE": "",
    "NEW": "",
    "WITH_OF": "",
    "WHAT": "the chips",
    "SUPPLY": "supply of `position`",
    "PAUSE": "self.stream.wait_us(self.wait_us)",
    "FRAME": "stream",
    "WAIT": "self.wait_us",
    "ROUND": "self.round()",
    "TICK": "self.tick()",
    "WITH": "self.restart_with(job, ",
    "WARM": "&CHAIN_@warm@",
    "INIT": "&CHAIN_@init@",
    "CLEAR": "&CHAIN_@clear@",
    "LATE": "&CHAIN_@late@",
    "FORGET": "&CHAIN_@forget_reset@",
    "LATER": RESTART_LATER_ALL,
}

#: where replies tell of a reset
FORGET_DOUBT = "        self.doubt = false;\n"
FORGET_SETTLED = "        self.settled = false;\n"
