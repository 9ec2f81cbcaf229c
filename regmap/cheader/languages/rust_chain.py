"""A daisy chain in Rust: streams, and the tables of all positions run in lockstep, as in C (`cheader.chain`)."""

from __future__ import annotations

STREAM = """
// the low bits of a value into a stream, from its bit `at` on
fn stream_put(out: &mut [u8; CHAIN_BYTES], at: usize, value: Wide, bits: u32) {
    for k in 0..bits {
        let at = at + k as usize;
        let mask = 0x80_u8 >> (at & 7);
        if take(value, bits - 1 - k, 1) != 0 {
            out[at >> 3] |= mask;
        } else {
            out[at >> 3] &= !mask;
        }
    }
}
fn stream_take(data: &[u8; CHAIN_BYTES], at: usize, bits: usize) -> Wide {
    (at..at + bits).fold(0, |value, k| (value << 1) | ((data[k >> 3] >> (7 - (k & 7))) & 1) as Wide)
}

// The bytes of one stream from a command for each chip, by position; `commands` are bits of chain_command.
#[must_use]
pub fn chain_pack(frames: &[Frame; CHAIN_CHIPS], commands: u8) -> [u8; CHAIN_BYTES] {
    let mut out = [0; CHAIN_BYTES];
@OUT_HEADERS@    for (k, &frame) in frames.iter().enumerate() {
        let place = CHAIN_CHIPS - 1 - k; // the farthest first
@OUT@    }
    out
}

// The reply of each chip, by position, from the bytes of one stream; false where a header is not as it must be.
pub fn chain_unpack(data: &[u8; CHAIN_BYTES], frames: &mut [Frame; CHAIN_CHIPS]) -> bool {
    for (k, frame) in frames.iter_mut().enumerate() {
        let place = CHAIN_CHIPS - 1 - k;
        let mut whole: Wide = 0;
@IN@        *frame = whole as Frame;
    }
@IN_HEADERS@    sound
}"""

OUT_HEADER = "    stream_put(&mut out, {at}, {value}, {bits});"
OUT_COMMAND = "(if commands & {bit} != 0 {{ {mask} }} else {{ 0 }})"
OUT_PIECE = (
    "        stream_put(&mut out, {first} + place * {size}, (frame as Wide) >> {left}, {size});"
)
IN_HEADER = "    let sound = sound && (stream_take(data, {at}, {bits}) & {mask}) == {value};"
IN_PIECE = "        whole |= stream_take(data, {first} + place * {size}, {size}) << {left};"
SOUND = ("    let sound = true;",)
#: its drivers are made of the number of chips
ALONE = ""
NO_COMMANDS = "    let _ = commands;"

RUNNER = """
// A chip of a chain is not reached alone.
#[derive(Debug)]
pub struct Nowhere;
pub type Alone = [Nowhere; 0];
impl Spi for Alone {
    fn transfer(&mut self, _out: &[u8], _data: &mut [u8]) -> bool {
        false
    }
    fn wait_us(&mut self, _us: u32) {}
}

@JOB_TYPES@// All positions in lockstep, over an Spi whose one burst is a whole stream.
// A chip whose table is done or waits is sent a read that changes nothing, and its reply is checked too.
#[derive(Debug)]
pub struct Chain<'a, S: Spi> {
    pub chip: [Driver<'a, Alone>; CHAIN_CHIPS], // by position
    pub task: [Task; CHAIN_CHIPS],              // the table in hand of each
    pub result: [Outcome; CHAIN_CHIPS],         // of each: Busy or Ok where nothing is wrong
    pub wait_us: u32,                           // where the result is Wait: go on after so long
    pub position: usize,                        // where the last result came from
    pub commands: u8,                           // bits of chain_command for the next stream
    stream: &'a mut S,
}

impl<'a, S: Spi> Chain<'a, S> {
    pub fn new(stream: &'a mut S) -> Self {
        Chain {
            chip: core::array::from_fn(|_| Driver::new(&mut [])),
            task: [Task::new(&[]); CHAIN_CHIPS],
            result: [Outcome::Ok; CHAIN_CHIPS],
            wait_us: 0,
            position: 0,
            commands: 0,
            stream,
        }
    }

    // A table for each position from its beginning.
    pub fn begin(&mut self, parts: &[&'static [Step]; CHAIN_CHIPS]) {
        for (task, &steps) in self.task.iter_mut().zip(parts.iter()) {
            *task = Task::new(steps);
        }
    }

    // The next stream, ready for DMA: send all of it and get as much, then call `stream_in`. Busy, or Wait (nothing is
    // to be sent yet), or Ok: nothing is left.
    pub fn stream_out(&mut self, bytes: &mut [u8; CHAIN_BYTES]) -> Outcome {
        let mut whole = Outcome::Ok;
        self.wait_us = 0;
        for k in 0..CHAIN_CHIPS {
            self.result[k] = self.chip[k].task_out(&mut self.task[k]);
            if self.result[k] == Outcome::Wait {
                self.wait_us = self.wait_us.max(self.task[k].wait_us);
                whole = Outcome::Wait;
            } else if self.result[k] == Outcome::Busy && whole == Outcome::Ok {
                whole = Outcome::Busy;
            }
        }
@ENDED@        if whole == Outcome::Busy {
            self.fill(bytes);
        }
        whole
    }

    // A stream of what each chip is to be sent; of those that are not busy something harmless.
    fn fill(&mut self, bytes: &mut [u8; CHAIN_BYTES]) {
        let mut frames = [0; CHAIN_CHIPS];
        for k in 0..CHAIN_CHIPS {
            if self.result[k] != Outcome::Busy {
                let _ = self.chip[k].frame_out(0, FILLERS[0].frame, &mut [0; BYTES_MOST]);
            }
            frames[k] = self.chip[k].command;
        }
        *bytes = chain_pack(&frames, self.commands);
        self.commands = 0;
    }

    // Every task goes on while a flag tells of a rejected frame.
    fn trust(&mut self) {
        for task in self.task.iter_mut() {
            task.lenient = 1;
        }
    }

    // Takes what came in during that stream: every chip's reply is checked. Busy: go on with `stream_out`; else the
    // first failure, its position in `position`. A header of the stream that is wrong is a FrameError.
    pub fn stream_in(&mut self, bytes: &[u8; CHAIN_BYTES]) -> Outcome {
        let mut frames = [0; CHAIN_CHIPS];
        let sound = chain_unpack(bytes, &mut frames);
        let mut whole = Outcome::Busy;
        for (k, &frame) in frames.iter().enumerate() {
            let own = self.result[k] == Outcome::Busy;
            self.result[k] = if own {
                self.chip[k].task_reply(&mut self.task[k], frame)
            } else {
                self.chip[k].reply_in(0, frame)
            };
            if !own && self.result[k] == Outcome::Rejected && self.task[k].lenient != 0 {
                self.task[k].lenient = 2;
                self.result[k] = @LENIENT_OK@;
            }
@TELLING@            if !matches!(self.result[k], Outcome::Busy | Outcome::Ok) && whole == Outcome::Busy {
                whole = self.result[k];
                self.position = k;
            }
        }
        if sound {
            whole
        } else {
            Outcome::FrameError
        }
    }

    // One call a tick: at most one stream, no waiting. Busy and Wait: call again; Ok: all tables are done.
    pub fn tick(&mut self) -> Outcome {
        let (mut out, mut data) = ([0; CHAIN_BYTES], [0; CHAIN_BYTES]);
        let whole = self.stream_out(&mut out);
        if whole != Outcome::Busy {
            return whole;
        }
        if self.stream.transfer(&out, &mut data) {
            self.stream_in(&data)
        } else {
            Outcome::Spi
        }
    }

    // Runs a table for each position; stops at the first failure: `position` says where, chip[position] what.
    pub fn run(&mut self, parts: &[&'static [Step]; CHAIN_CHIPS]) -> Outcome {
        self.begin(parts);
        self.finish()
    }

    // The tables in hand to their ends, or to the first failure.
    pub fn finish(&mut self) -> Outcome {
        loop {
            match self.tick() {
                Outcome::Busy => {}
                Outcome::Wait => self.stream.wait_us(self.wait_us),
                other => return other,
            }
        }
    }

    // One call a period: a frame of each position's table, begun again at its end. First `begin` with the readback.
    pub fn watch(&mut self) -> Outcome {
        for task in self.task.iter_mut() {
            if task.at >= task.steps.len() {
                *task = Task::new(task.steps);
            }
        }
@WATCHED@    }
@STATUS@
    // Counters back in step with chips that have kept their state while the controller restarted: a new chain, then
    // this, then CHAIN_WARM_STEPS. Not Ok: a chip (`position`) is not configured, or not there, or (Rejected) a flag
    // of it tells of a rejected frame, or (Reset) it was reset.
    pub fn resync(&mut self) -> Outcome {
        let mut whole = Outcome::Ok;
        for _ in 0..@ROUNDS@ {
            whole = self.round();
        }
@NOT_RESET@        whole
    }

    // A stream of harmless reads, no table in hand.
    fn round(&mut self) -> Outcome {
        let (mut out, mut data) = ([0; CHAIN_BYTES], [0; CHAIN_BYTES]);
        for k in 0..CHAIN_CHIPS {
            self.task[k] = Task::new(&[]);
            self.result[k] = Outcome::Ok;
        }
        self.fill(&mut out);
        if !self.stream.transfer(&out, &mut data) {
            return Outcome::Spi;
        }
        match self.stream_in(&data) {
            Outcome::Busy => Outcome::Ok,
            other => other,
        }
    }
@CLEAR@@RESTART@@RESTART_WITH@}"""

CLEAR = """
    // Clears the flag of a rejected frame in every chip with a table, with which every other outcome is Rejected, and
    // sees that it is down. What was under way is not known to have been done: begin it again.
    pub fn clear_rejected(&mut self) -> Outcome {
        self.begin(&CHAIN_CLEAR_REJECTED_STEPS);
        self.trust();
        match self.finish() {
            Outcome::Ok => self.resync(),
            other => other,
        }
    }
"""

#: where replies tell of a reset: at the end of all tables, in a stream, while they are watched, after a resync
ENDED_RESET = """        if whole == Outcome::Ok {
            if let Some(k) = self.result.iter().position(|&one| one == Outcome::Reset) {
                whole = Outcome::Reset;
                self.position = k;
            }
        }
"""
LENIENT_OK = "if self.chip[k].reset && self.chip[k].settled { Outcome::Reset } else { Outcome::Ok }"
TELLING = """            let reads = !self.task[k].steps.is_empty() && self.task[k].step.kind == StepKind::Read;
            if !own && self.result[k] == Outcome::Reset && reads {
                self.result[k] = Outcome::Ok; // the words of a status read tell of it
            }
"""
WATCHED = "        self.tick()\n"
WATCHED_RESET = """        let mut whole = self.tick();
        for k in 0..CHAIN_CHIPS {
            if self.chip[k].reset && !self.task[k].steps.is_empty() {
                whole = Outcome::Reset;
                self.position = k;
            }
        }
        whole
"""
NOT_RESET = """        for k in 0..CHAIN_CHIPS {
            if whole != Outcome::Ok {
                break;
            }
            // of a position without a table nothing is expected
            let known = !CHAIN_INIT_STEPS[k].is_empty();
            let chip = &mut self.chip[k];
            chip.settled = known && !@DOUBTFUL@;
            if known && !chip.settled {
                whole = Outcome::Reset;
                self.position = k;
            }
        }
"""
DOUBTFUL, DOUBTFUL_TWICE = "chip.reset", "(chip.reset || chip.doubt)"
NOT_RESET_STEPS = """        if whole == Outcome::Ok {
            whole = self.run(&CHAIN_@NOT_RESET_TABLE@);
        }
"""
