"""What a chip alone is asked beside tables, in Rust: counters in step, a flag cleared, monitors tested, modes entered, the watch.

`@...@` are what maps and stages differ in; `language` fills them.
"""

from __future__ import annotations

RESYNC_TYPE = """// Counters brought in step, in the making; after the table that clears the flag of a rejected frame, where that was begun.
#[derive(Clone, Copy, Debug)]
pub struct Resync {
    pub task: Task,
    phase: u8,  // 0: the flag is cleared, 1: reads, 2: what shows that the chip was not reset
    rounds: u8, // reads so far
}

impl Resync {
    #[must_use]
    pub const fn new() -> Resync {
        Resync { task: Task::new(&[]), phase: 1, rounds: 0 }
    }
}

"""

RESYNC = """
    // Counters back in step with a chip that has kept its state while the controller restarted: a new driver,
    // then this, then WARM_STEPS. Not Ok: the chip is not configured, or not there, or (Rejected) a flag tells of a
    // rejected frame, or (Reset) the chip was reset.
    pub fn resync(&mut self) -> Outcome {
        self.resynced(&mut Resync::new())
    }

    // Before the first call of `resync_tick`.
    pub fn resync_begin(&self, job: &mut Resync) {
        *job = Resync::new();
    }

    // As `resync`, one call a tick: at most one frame, no waiting. Busy, and Wait (job.task.wait_us): call again; anything
    // else is the outcome of `resync`, or of `clear_rejected` where that was begun.
    pub fn resync_tick(&mut self, job: &mut Resync) -> Outcome {
        if job.phase == 1 {
            let outcome = self.exchange(@FORMAT@, FILLERS[@FORMAT@].frame);
            job.rounds += 1;
            if job.rounds < @ROUNDS@ {
                return Outcome::Busy;
            }
@NOT_RESET@            return outcome;
        }
        let outcome = self.tick(&mut job.task);
        if outcome == Outcome::Ok && job.phase == 0 {
            job.phase = 1;
            return Outcome::Busy;
        }
        outcome
    }

    // Until it is done.
    fn resynced(&mut self, job: &mut Resync) -> Outcome {
        loop {
            match self.resync_tick(job) {
                Outcome::Busy => {}
                Outcome::Wait => self.spi.wait_us(job.task.wait_us),
                other => return other,
            }
        }
    }
"""
#: after the reads: a chip that was reset is no chip that has kept its state
NOT_RESET = """            if outcome == Outcome::Ok {
                self.settled = !@DOUBTFUL@;
                if !self.settled {
                    return Outcome::Reset;
                }
            }
"""
NOT_RESET_STEPS = """            if outcome == Outcome::Ok {
                job.task = Task::new(&@NOT_RESET_TABLE@);
                job.phase = 2;
                return Outcome::Busy;
            }
"""

CLEAR = """
    // Clears the flag of a rejected frame, with which every other outcome is Rejected, and sees that it is down. What
    // was under way is not known to have been done: begin it again.
    pub fn clear_rejected(&mut self) -> Outcome {
        let mut job = Resync::new();
        self.clear_rejected_begin(&mut job);
        self.resynced(&mut job)
    }

    // Before the first call of `resync_tick` that clears the flag of a rejected frame.
    pub fn clear_rejected_begin(&self, job: &mut Resync) {
        *job = Resync::new();
        job.task = Task::new(&CLEAR_REJECTED_STEPS);
        job.task.lenient = 1;
        job.phase = 0;
    }
"""

MONITORS = """
// The tests of the monitors in the making.
#[derive(Clone, Copy, Debug)]
pub struct TestMonitors {
    pub task: Task,
    pub failed: @KIND@, // bits 1 << monitor_test_id that have not shown what was forced
    index: usize,    // the test in hand
    phase: u8,       // 0: before it, 1: it forces, 2: it is taken back
    forced: Outcome, // what forcing came to
}

impl TestMonitors {
    #[must_use]
    pub const fn new() -> TestMonitors {
        TestMonitors { task: Task::new(&[]), failed: 0, index: 0, phase: 0, forced: Outcome::Ok }
    }
}

impl<S: Spi> Driver<'_, S> {
    // As `test_monitors`, one call a tick, from TestMonitors::new() on: at most one frame, no waiting. Busy, and Wait
    // (job.task.wait_us): call again; anything else is the outcome of `test_monitors`, with job.failed.
    #[must_use]
    pub fn test_monitors_tick(&mut self, job: &mut TestMonitors) -> Outcome {
        let outcome = self.tick(&mut job.task);
        if outcome == Outcome::Busy || outcome == Outcome::Wait {
            return outcome;
        }
        if job.phase == 2 {
            if job.forced == Outcome::Unexpected {
                job.failed |= 1 << job.index;
                job.forced = Outcome::Ok;
            }
            if job.forced == Outcome::Ok {
                job.forced = outcome;
            }
            job.index += 1;
            job.phase = 0;
        } else if job.phase == 1 {
            job.forced = outcome;
        }
        if job.phase == 0 && (job.forced != Outcome::Ok || job.index >= MONITOR_TESTS.len()) {
            if job.forced == Outcome::Ok && job.failed != 0 {
                return Outcome::Monitor;
            }
            return job.forced;
        }
        let test = &MONITOR_TESTS[job.index];
        let (force, restore) = @STEPS@[test.first as usize..].split_at(test.steps as usize);
        // what the test forces is taken back whatever it has shown
        job.task = Task::new(if job.phase == 0 { force } else { &restore[..test.restore as usize] });
        job.phase += 1;
        Outcome::Busy
    }

    // Runs every test, outputs off, on a configured chip. Ok: each monitor has shown the fault that was forced; Monitor:
    // bits 1 << monitor_test_id of `failed` have not, and the chip is as before. Anything else: what was forced may
    // still be, so run INIT_STEPS before the outputs are enabled.
    #[must_use]
    pub fn test_monitors(&mut self, failed: &mut @KIND@) -> Outcome {
        let mut job = TestMonitors::new();
        let outcome = loop {
            match self.test_monitors_tick(&mut job) {
                Outcome::Busy => {}
                Outcome::Wait => self.spi.wait_us(job.task.wait_us),
                other => break other,
            }
        };
        *failed = job.failed;
        outcome
    }
}
"""

WATCH = """
    // One call a period while the bridge runs: a frame of the readback, in rotation. Busy: nothing found.
    // Unexpected: step, got and differ tell where and what; Reset: the chip has lost its settings. Bring the
    // bridge into its safe state before the chip is configured again. Begin with Task::new(&READBACK_STEPS).
    pub fn watch(&mut self, task: &mut Task) -> Outcome {
        let mut outcome = self.tick(task);
        if outcome == Outcome::Ok || outcome == Outcome::Reset {
            *task = Task::new(task.steps);
            outcome = self.tick(task);
        }
        @RESET@outcome
    }
"""

#: where the map tells of a reset
WATCH_RESET = "if self.reset {\n            return Outcome::Reset;\n        }\n        "

ENTER_BEGIN = """
// Before `tick` goes from one mode of the drive to another, a call a tick: its outcome is that of `enter`. NoWay: no such
// way, and nothing to do.
#[must_use]
pub fn enter_begin(task: &mut Task, from: u8, to: u8) -> Outcome {
    *task = match (from, to) {"""

ENTER = """
impl<S: Spi> Driver<'_, S> {
    // From one mode of the drive to another, blocking. Ok: the chip holds the settings of the mode, each read back.
    // NoWay: nothing was sent. Anything else: the chip holds a part of both modes (`step` of the way failed), so
    // bring the bridge into its safe state.
    #[must_use]
    pub fn enter(&mut self, from: u8, to: u8) -> Outcome {
        let mut task = Task::new(&[]);
        match enter_begin(&mut task, from, to) {
            Outcome::Ok => self.finish(&mut task),
            other => other,
        }
    }
}"""

WATCH_MODE = """
// Before the first call of `watch` in a mode. NoWay: no such mode, or nothing of it can be read back.
#[must_use]
pub fn watch_mode_begin(task: &mut Task, mode: u8) -> Outcome {
    *task = match mode {"""
