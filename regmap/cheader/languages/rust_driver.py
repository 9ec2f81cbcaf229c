"""The driver in Rust: a structure over your SPI that runs the tables as the C runtime does."""

from __future__ import annotations

DRIVER = """
// What came of a frame or of a table of steps; the numbers are those of the C header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Outcome {
    Ok = 0,         // every step went as it must
    Spi = 1,        // the transfer failed
    FrameError = 2, // a reply contradicts its layout: check bits, fixed bits, echo
    Unexpected = 3, // a word is not what it must be
    Rejected = 4,   // status or counter of a reply say that a frame was rejected
    Changed = 5,    // two reads of a status register differ: read again
    Reset = 6,      // the chip has been reset since it was configured
    Busy = 7,       // go on
    Wait = 8,       // go on after task.wait_us
    Monitor = 9,    // a monitor has not shown the fault that was forced
    NoWay = 10,     // no way leads from the one mode of the drive to the other
}

// Your SPI: one chip-select burst, as many bytes in as out; false where it failed. `wait_us` is for `run` alone.
pub trait Spi {
    fn transfer(&mut self, out: &[u8], data: &mut [u8]) -> bool;
    fn wait_us(&mut self, us: u32);
}

// A table in the making: `out` is what the next frame sends, ready for DMA, `data` what came in meanwhile.
#[derive(Clone, Copy, Debug)]
pub struct Task {
    pub steps: &'static [Step],
    pub at: usize,
    pub wait_us: u32,
    pub step: Step,
    pub seen: u16,
    pub fetched: u8,
    pub lenient: u8, // 1: goes on while a flag tells of a rejected frame; 2: one did; 0: stops
    pub bytes: usize,
    pub out: [u8; BYTES_MOST],
    pub data: [u8; BYTES_MOST],
}

impl Task {
    #[must_use]
    pub const fn new(steps: &'static [Step]) -> Task {
        let step = Step { frame: 0, wait_us: 0, mask: 0, expect: 0, kind: StepKind::Wait, format: 0 };
        let (out, data) = ([0; BYTES_MOST], [0; BYTES_MOST]);
        Task { steps, at: 0, wait_us: 0, step, seen: 0, fetched: 0, lenient: 0, bytes: 0, out, data }
    }
}

@JOB_TYPES@// Runs tables over your SPI. Restart: after any outcome other than Ok, Busy and Wait begin the table again. A
// driver made anew knows a chip that was reset; where only the controller was, resync and then WARM_STEPS.
#[derive(Debug)]
pub struct Driver<'a, S: Spi> {
    pub command: Frame, // the last command, as sent
    pub reply: Frame,   // what came in meanwhile
    pub got: Word,      // the last word read
    pub differ: Word,   // its bits that are not as they must be
    pub kept: [Word; KEPT_COUNT],  // bits that must be written as they were read, ...
    pub known: [bool; KEPT_COUNT], // ... and whether they have been read
    pub step: usize,    // the step in hand, of its table
    pub errors: u8,     // of the last reply (bits of `error`)
    pub reset: bool,    // the last reply told of a reset
@DOUBT_FIELD@@SETTLED_FIELD@    spi: &'a mut S,
    sent: [u32; @FORMATS@],
    pending: [Frame; @DEPTH@],
    pending_count: usize,
    counter: Wide,
    frames: u16,
    format: u8,
    counted: bool,
}

impl<'a, S: Spi> Driver<'a, S> {
    pub fn new(spi: &'a mut S) -> Self {
        Driver {
            command: 0,
            reply: 0,
            got: 0,
            differ: 0,
            kept: [0; KEPT_COUNT],
            known: [false; KEPT_COUNT],
            step: 0,
            errors: 0,
            reset: false,
@DOUBT_NEW@@SETTLED_NEW@            spi,
            sent: [0; @FORMATS@],
            pending: [0; @DEPTH@],
            pending_count: 0,
            counter: 0,
            frames: 0,
            format: 0,
            counted: false,
        }
    }

    // The bytes of a frame, counters and check bits included; how many.
    pub fn frame_out(&mut self, format: u8, wanted: Frame, out: &mut [u8; BYTES_MOST]) -> usize {
        self.command = with_counter_of(format, wanted, self.sent[format as usize]);
        bytes_of(format, self.command, out)
    }

    // What came in during that frame, checked as the reply to the command that it answers.
    pub fn frame_in(&mut self, format: u8, data: &[u8; BYTES_MOST]) -> Outcome {
        self.reply_in(format, frame_of(format, data))
    }

    // The same, where the frame is known already.
    pub fn reply_in(&mut self, format: u8, came: Frame) -> Outcome {
        let mut found: u8 = 0;
        let after = REPLY_AFTER[format as usize] as usize;
        if self.format != format {
            self.pending_count = 0;
            self.counted = false;
            self.format = format;
        }
        self.reply = came;
        self.sent[format as usize] = self.sent[format as usize].wrapping_add(1);
        if self.pending_count >= after {
            let asked = if after == 0 { self.command } else { self.pending[after - 1] };
            found = errors_of(format, asked, self.reply);
            let count = REPLY_COUNTS[format as usize];
            if count.width != 0 {
                let now = counter_of(format, self.reply);
                let next = take(self.counter.wrapping_add(count.step), 0, count.width);
                if (found & 0x0F) != 0 {
                    self.counted = false;
                } else {
                    if self.counted && now != next {
                        found |= error::COUNTER;
                    }
                    self.counter = now;
                    self.counted = true;
                }
            }
        }
        let depth = self.pending.len();
        self.pending.copy_within(0..depth - 1, 1);
        self.pending[0] = self.command;
        self.frames = self.frames.wrapping_add(1);
        if self.pending_count < depth {
            self.pending_count += 1;
        }
        // of a reply that is damaged no bit is believed
@UP@        self.errors = found & 0x3F;
        if (self.errors & 0x0F) != 0 {
            return Outcome::FrameError;
        }
        // a flag that stays up hides the next rejection: nothing is proven while it does
        if self.errors != 0 {
            Outcome::Rejected
@UNLESS_LOST@        } else {
            Outcome::Ok
        }
    }
@EXCHANGE@
    // The next frame in task.out: send task.bytes of it and get as many into task.data, then call task_in.
    // Busy, or Wait, or Ok: nothing is left; Reset: neither, but the last reply tells of a reset.
    pub fn task_out(&mut self, task: &mut Task) -> Outcome {
        if task.at >= task.steps.len() {
@ENDED@            return Outcome::Ok;
        }
        task.step = task.steps[task.at];
        self.step = task.at;
        if task.step.kind == StepKind::Wait {
            task.wait_us = task.step.wait_us;
            task.at += 1;
            return Outcome::Wait;
        }
        let mut wanted = task.step.frame;
        if task.step.kind == StepKind::Merge {
            wanted = merged_of(task.step.format, wanted, self.kept[task.step.expect as usize]);
        }
        // a frame from elsewhere has come between: its reply is not this task's
        if task.seen != self.frames {
            task.fetched = 0;
        }
        let filler = FILLERS[task.step.format as usize];
        if task.fetched != 0 && filler.known {
            wanted = filler.frame;
        }
        let mut out = task.out;
        task.bytes = self.frame_out(task.step.format, wanted, &mut out);
        task.out = out;
        Outcome::Busy
    }

    // Takes what came in during that frame. Busy: go on with task_out; else what went wrong.
    pub fn task_in(&mut self, task: &mut Task) -> Outcome {
        let came = frame_of(task.step.format, &task.data);
        self.task_reply(task, came)
    }

    // The same, where the frame is known already.
    pub fn task_reply(&mut self, task: &mut Task, came: Frame) -> Outcome {
        let mut outcome = self.reply_in(task.step.format, came);
        if outcome == Outcome::Rejected && task.lenient != 0 && self.errors == error::REJECTED {
            // believed where the caller wants that, and told
            task.lenient = 2;
            outcome = @LENIENT_OK@;
        }
@TELLING@        if outcome != Outcome::Ok {
            task.fetched = 0;
            return outcome;
        }
        task.seen = self.frames;
        let kind = task.step.kind;
        if matches!(kind, StepKind::Expect | StepKind::Read | StepKind::Keep | StepKind::Same) {
            if !HAS_DATA[task.step.format as usize] {
                return Outcome::FrameError;
            }
            if task.fetched < REPLY_AFTER[task.step.format as usize] {
                task.fetched += 1;
                return Outcome::Busy;
            }
            task.fetched = 0;
            self.got = data_of(task.step.format, self.reply);
            let shown = self.got & task.step.mask;
            self.differ = 0;
            match kind {
                StepKind::Expect => self.differ = shown ^ task.step.expect,
                // reserved bits: remembered where they are not known, compared where they are
                StepKind::Keep | StepKind::Same => {
                    let place = task.step.expect as usize;
                    if kind == StepKind::Keep || !self.known[place] {
                        self.kept[place] = shown;
                        self.known[place] = true;
                    } else {
                        self.differ = shown ^ self.kept[place];
                    }
                }
                _ => {}
            }
            if self.differ != 0 {
                return Outcome::Unexpected;
            }
        }
        task.at += 1;
        Outcome::Busy
    }

    // Keeps a status word that the step in hand of `task` has read, the first time (pass 0) or again: what both say.
    // False where they differ in bits that reading does not erase, or where one that reading erases came anew.
    #[must_use]
    pub fn keep_status(&self, task: &Task, pass: u8, place: &mut Word) -> bool {
        if pass == 0 {
            *place = self.got;
            return true;
        }
        let (mask, erased) = (task.step.mask, task.step.expect);
        let (first, again) = (*place & mask, self.got & mask);
        *place |= again;
        ((first ^ again) & (mask ^ erased)) == 0 && (again & erased & (first ^ again)) == 0
    }
@TICKS@@STATUS@@RESYNC@@CLEAR@@RESTART@@WATCH@
    fn transfer(&mut self, format: u8, out: &[u8; BYTES_MOST], data: &mut [u8; BYTES_MOST]) -> bool {
        let mut at = 0;
        let mut k = 0;
        while k < bursts_of(format) {
            let end = at + burst_of(format, k);
            if !self.spi.transfer(&out[at..end], &mut data[at..end]) {
                return false;
            }
            at = end;
            k += 1;
        }
        true
    }
}
"""

#: what sends a frame to a chip that is alone on its chip select
EXCHANGE = """
    // Sends one frame and gets what came in meanwhile.
    pub fn exchange(&mut self, format: u8, wanted: Frame) -> Outcome {
        let (mut out, mut data) = ([0; BYTES_MOST], [0; BYTES_MOST]);
        let _ = self.frame_out(format, wanted, &mut out);
        if self.transfer(format, &out, &mut data) {
            self.frame_in(format, &data)
        } else {
            Outcome::Spi
        }
    }
"""

TICKS = """
    // One call a tick: at most one frame, no waiting. Busy and Wait: call again; Ok: the table is done.
    pub fn tick(&mut self, task: &mut Task) -> Outcome {
        let outcome = self.task_out(task);
        if outcome != Outcome::Busy {
            return outcome;
        }
        let (out, mut data) = (task.out, [0; BYTES_MOST]);
        if !self.transfer(task.step.format, &out, &mut data) {
            return Outcome::Spi;
        }
        task.data = data;
        self.task_in(task)
    }

    // Runs a table to its end, or to the first step that fails: `step` says which.
    pub fn run(&mut self, steps: &'static [Step]) -> Outcome {
        self.finish(&mut Task::new(steps))
    }

    // A task to its end, or to the first step that fails.
    pub fn finish(&mut self, task: &mut Task) -> Outcome {
        loop {
            match self.tick(task) {
                Outcome::Busy => {}
                Outcome::Wait => self.spi.wait_us(task.wait_us),
                other => return other,
            }
        }
    }
"""


#: where the map tells of a reset: at the end of a table
ENDED_RESET = """            if !task.steps.is_empty() {
                if @DOUBTFUL@ {
                    return Outcome::Reset;
                }
                self.settled = true;
            }
"""
#: ... in a reply: believed at once, or the second time where no check bits cover it; and once it was known to be down
UP = "        self.reset = (found & error::RESET) != 0 && (found & 0x0F) == 0;\n"
UP_TWICE = """        let up = (found & error::RESET) != 0 && (found & 0x0F) == 0;
        self.reset = up && self.doubt; // one wrong bit may look like it: two in a row do not
        self.doubt = up;
"""
DOUBT_FIELD = "    pub doubt: bool,    // it had the flag of one, which no check bits cover\n"
DOUBT_NEW = "            doubt: false,\n"
SETTLED_FIELD = "    pub settled: bool,  // the flag of a reset was down when a table ended: up again it tells of one\n"
SETTLED_NEW = "            settled: false,\n"
DOUBTFUL, DOUBTFUL_TWICE = "self.reset", "(self.reset || self.doubt)"
UNLESS_LOST = """        } else if self.reset && self.settled {
            Outcome::Reset
"""
LENIENT_OK = "if self.reset && self.settled { Outcome::Reset } else { Outcome::Ok }"
TELLING = """        if outcome == Outcome::Reset && task.step.kind == StepKind::Read {
            outcome = Outcome::Ok; // the words of a status read tell of it
        }
"""

EXPLAIN = """
// Raised faults in the order in which to look at them: each first cause, then what can follow from it.
// Summary bits whose members are raised are left out.
#[derive(Clone, Copy, Debug)]
pub struct Explained {
    pub count: usize,
    pub fault: [u16; FAULT_COUNT], // index in FAULTS, first cause first
    pub cause: [u16; FAULT_COUNT], // by index in FAULTS: the raised fault it follows from, or FAULT_NONE
}

#[must_use]
pub fn fault_raised(words: &[Word; STATUS_COUNT], fault: &Fault) -> bool {
    (words[fault.status as usize] & fault.mask) == fault.value
}

fn before(a: &Fault, b: &Fault) -> bool {
    if a.at_power_up == b.at_power_up {
        a.severity < b.severity
    } else {
        b.at_power_up
    }
}

// Names the raised faults, first cause first. All ones or all zeros come from wiring: do not believe them.
#[must_use]
pub fn explain(words: &[Word; STATUS_COUNT]) -> Explained {
    let none = [FAULT_NONE; FAULT_COUNT];
    let mut found = Explained { count: 0, fault: none, cause: none };
    let mut depth = [0_u16; FAULT_COUNT]; // 0: not raised, or only a sum; 1: a first cause; else deeper
    let mut placed = [false; FAULT_COUNT];
    for &index in FAULT_ORDER.iter() {
        let index = index as usize;
        let row = &FAULTS[index];
        let first = row.sum_first as usize;
        let sums = &FAULT_SUMS[first..first + row.sum_count as usize];
        let summed = sums.iter().any(|&m| fault_raised(words, &FAULTS[m as usize]));
        if !fault_raised(words, row) || summed {
            continue;
        }
        depth[index] = 1;
        let first = row.cause_first as usize;
        for &cause in FAULT_CAUSES[first..first + row.cause_count as usize].iter() {
            if depth[cause as usize] != 0 && depth[cause as usize] >= depth[index] {
                depth[index] = depth[cause as usize] + 1;
                found.cause[index] = cause;
            }
        }
    }
    let mut current = FAULT_NONE;
    loop {
        let mut next = FAULT_NONE;
        for i in 0..FAULT_COUNT {
            let fits = depth[i] != 0 && !placed[i] && found.cause[i] == current;
            if fits && (next == FAULT_NONE || before(&FAULTS[i], &FAULTS[next as usize])) {
                next = i as u16;
            }
        }
        if next != FAULT_NONE {
            placed[next as usize] = true;
            found.fault[found.count] = next;
            found.count += 1;
            current = next;
        } else if current != FAULT_NONE {
            current = found.cause[current as usize];
        } else {
            return found;
        }
    }
}
"""
