"""A controller, a chip and the wires between them, edge by edge, with one mistake at a time.

Written without anything of `regmap.trace` or `regmap.capture`: an SPI controller shifts at its own edges, a chip
samples and launches at the edges that its data sheet says (mode 0: sampled rising, 1: falling, 2: falling,
3: rising; the first bit stands at chip select in modes 0 and 2, at the first edge in 1 and 3), a probe looks at
the lines. What a wrong mode or a lost clock does to the words is the edges' doing. The words themselves come
from `Codec`, which other tests hold to published frames.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from regmap.chip.bank import Bank
from regmap.chip.model import Chip, Register
from regmap.errors import CallError, FrameError
from regmap.expr import evaluate
from regmap.frames.codec import Codec, Sent

HALF = 140  #: ns of half a clock
GAP = 4_000  #: ns between frames

Bits = list[int]


def bits_of(word: int, length: int) -> Bits:
    return [word >> (length - 1 - i) & 1 for i in range(length)]


def word_of(bits: Sequence[int]) -> int:
    value = 0
    for bit in bits:
        value = value << 1 | (bit & 1)
    return value


@dataclass
class Wave:
    """One line: (time, level) in order of time; 2 is floating."""

    level: int
    moves: list[tuple[int, int]] = field(default_factory=list)

    def set(self, time: int, level: int) -> None:
        last = self.moves[-1][1] if self.moves else self.level
        if level != last:
            self.moves.append((time, level))


@dataclass(frozen=True)
class Mistake:
    """What is wrong. Every hook is the identity unless given."""

    firmware: Callable[[Bits, int, random.Random], Bits] | None = None  #: word bits -> what is sent
    mode: Callable[[int], int] | None = None  #: chip's mode -> controller's
    bursts: Callable[[list[Bits]], list[Bits]] | None = None  #: bits per select of one frame
    merge: int = 1  #: so many frames in one select
    to_chip: Callable[[int, int, random.Random], int] | None = (
        None  #: SDI bit, frame -> at the chip
    )
    from_chip: Callable[[int, int, random.Random], int] | None = (
        None  #: SDO bit, frame -> at the controller
    )
    echo: int | None = None  #: SDO carries SDI, so many ns later
    select: str = ""  #: "inverted", "low", "high": what the chip's select pin sees
    glitch: Callable[[int, random.Random], bool] | None = (
        None  #: an extra clock edge pair in this frame
    )
    probe: Callable[[dict[str, Wave]], dict[str, Wave]] | None = None  #: what the analyser records
    late_reply: int = 0  #: SDO so many clocks late
    log_shift: int = 0  #: firmware pairs replies with commands so many frames off
    sample: int = 0  #: the analyser samples every so many ns


@dataclass
class Recording:
    """What the analyser and the firmware's log hold."""

    waves: dict[str, Wave]
    words: list[tuple[Bits, Bits]]  #: sent and received, one row a select
    end: int

    def vcd(self) -> str:
        codes = dict(zip(self.waves, "!#$%&'", strict=False))
        out = ["$timescale 1ns $end\n$scope module bench $end\n"]
        out += [f"$var wire 1 {c} {n} $end\n" for n, c in codes.items()]
        out.append("$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n")
        out += [f"{'01z'[w.level]}{codes[n]}\n" for n, w in self.waves.items()]
        out.append("$end\n")
        moves = sorted((t, n, v) for n, w in self.waves.items() for t, v in w.moves)
        last = 0
        for time, name, level in moves:
            if time != last:
                out.append(f"#{time}\n")
                last = time
            out.append(f"{'01z'[level]}{codes[name]}\n")
        out.append(f"#{self.end}\n")
        return "".join(out)

    def text(self) -> str:
        """A log of words, as firmware prints it."""
        rows = []
        for sent, got in self.words:
            digits = -(-len(sent) // 4)
            pad = digits * 4 - len(sent)
            rows.append(
                f"0x{word_of(sent) << pad:0{digits}X} 0x{word_of(got) << pad:0{digits}X}"
                if pad
                else f"0x{word_of(sent):0{digits}X} 0x{word_of(got):0{digits}X}"
            )
        return "\n".join(rows) + "\n"


class Model:
    """The chip: takes whole frames, answers after its latency. Registers hold what is written to them."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.codec = Codec(chip)
        self.bank = Bank.at_reset(chip)
        # a chip in mid-work: no fault stands, not even that of power-up
        self.words = dict(self.bank.words)
        for fault in chip.faults.values():
            item = chip.field(fault.ref)
            assert item is not None
            for bit in item.bits:
                self.words[fault.register] &= ~(1 << bit)
        self.frame = chip.default_frame()
        self.error = False
        self.toggle = 0
        idle = self._reply(None)
        self.pending: list[Bits] = [idle] * self.frame.after
        self.bad = [
            f.name for f in chip.faults.values() if {"check_bits", "clocks"} & set(f.raised_by)
        ]

    def _status(self, layout_parts: Sequence[object], *, error: bool) -> dict[str, bool]:
        found = {}
        for part in layout_parts:
            if getattr(part, "kind", "") == "status":
                name = getattr(part, "fault", "")
                fault = self.chip.faults.get(name)
                shows = getattr(part, "shows", None) is not None
                raised = fault is not None and bool({"check_bits", "clocks"} & set(fault.raised_by))
                found[getattr(part, "name", "")] = (error and raised) or shows
        return found

    def _reply(self, sent: Sent | None, *, error: bool = False) -> Bits:
        asked = sent or self.codec.read(self._quiet_register(), self.bank)
        layout = self.codec.reply_layout(asked)
        assert layout is not None
        data = 0
        if sent is not None and sent.register is not None:
            data = self.words.get(sent.register.name, 0)
            if sent.kind == "write":
                part = layout.of_kind("data")
                if part is not None and part.on_write == "new":
                    data = sent.data or 0
        given = {
            p.name: self.toggle & ((1 << p.width) - 1) for p in layout.parts if p.kind == "counter"
        }
        word = self.codec.build_reply(asked, data, self._status(layout.parts, error=error), given)
        return bits_of(word, self.frame.length)

    def _quiet_register(self) -> Register:
        return next(r for r in self.chip.registers.values() if r.readable and r.page in (None, 0))

    def answer(self, bits: Bits) -> tuple[Bits, bool]:
        """(reply to this command, whether it was taken)."""
        sent = None
        if len(bits) == self.frame.length and all(b < 2 for b in bits):
            try:
                sent = self.codec.decode_command(word_of(bits), self.bank, self.frame)
            except (FrameError, CallError):
                sent = None
        if sent is None or sent.flaws or (sent.register is None and sent.command is None):
            self.error = True
            return self._reply(None, error=True), False
        reply = self._reply(sent, error=self.error)
        self.toggle += 1
        self.error = False
        if sent.kind == "write" and sent.register is not None and sent.data is not None:
            self.words[sent.register.name] = sent.data
        return reply, True


def program(
    chip: Chip, frames: int = 44, seed: int = 1, *, settled: dict[str, int] | None = None
) -> list[Sent]:
    """What firmware sends: status polled, settings written with varied words and read back.

    With `settled` each register is written with one word only, which stands there afterwards.
    """
    codec, bank = Codec(chip), Bank.at_reset(chip)
    draw = random.Random(seed)
    holding = {f.register for f in chip.faults.values()}
    near = [r for r in chip.registers.values() if r.page in (None, 0) and not r.frame]
    status = [
        r
        for r in near
        if r.name in holding and r.readable and not any(f.access == "rc" for f in r.fields)
    ]
    status += [
        r
        for r in near
        if not any(f.writable for f in r.fields) and r.readable and r.name not in holding
    ][:2]
    kept = [
        r
        for r in near
        if r.holds_settings and r.readable and r.name not in holding and not r.complement_of
        and (r.writable is None or evaluate(r.writable, bank) is not False)
        and r.reads_as == "written" and all(f.access == "rw" for f in r.fields)
        and not any(r.name == k.partition(".")[0] for k in (chip.page_select, chip.watchdog))
        and not any(f.role == "lock" for f in r.fields)
    ]  # fmt: skip
    conditions = {
        n.partition(".")[0] for f in chip.frames.values() if f.when for n in f.when.names()
    }
    kept = [r for r in kept if r.name not in conditions][:6]
    if not status or len(status) + len(kept) < 5:
        # whatever else answers
        status += [r for r in near if r.readable and r not in (*status, *kept)][:5]
    out: list[Sent] = []

    def add(kind: str, register: Register, word: int = 0) -> None:
        layout = codec.recogniser.frame_in_force(bank, register).command
        counter = layout.of_kind("counter")
        given = {}
        if counter is not None:
            start = getattr(counter, "start", 0) or 0
            given[counter.name] = (start + len(out) * counter.step) % (1 << counter.width)
        sent = (
            codec.read(register, bank, given)
            if kind == "read"
            else codec.write(register, word, bank, given)
        )
        out.append(sent)

    place = 0
    while len(out) < frames:
        if kept:
            register = kept[place % len(kept)]
            mask = 0
            for item in register.fields:
                for bit in item.bits:
                    mask |= 1 << bit
            word = draw.getrandbits(register.width) & mask | register.reserved_write
            if settled is not None:
                word = settled.setdefault(register.name, word)
            add("write", register, word)
            add("read", register)
        add("read", status[place % len(status)])
        add("read", status[(place + 1) % len(status)])
        place += 1
    return out[:frames]


def bits_sent(
    chip: Chip, wrong: Mistake, draw: random.Random, frames: int = 44, seed: int = 1
) -> list[list[Bits]]:
    """For each frame the bits of each of its selects, as firmware with this mistake sends them, the word's high bit first."""
    frame = chip.default_frame()
    queue: list[list[Bits]] = []
    for sent in program(chip, frames, seed):
        bits = bits_of(sent.word, frame.length)
        if wrong.firmware is not None:
            bits = wrong.firmware(bits, len(queue), draw)
        parts, at = [], 0
        for size in frame.bursts or (frame.length,):
            parts.append(bits[at : at + size])
            at += size
        if at < len(bits):
            parts[-1] = parts[-1] + bits[at:]
        if wrong.bursts is not None:
            parts = wrong.bursts(parts)
        queue.append(parts)
    merged: list[list[Bits]] = []
    for place in range(0, len(queue), wrong.merge):
        group = queue[place : place + wrong.merge]
        merged.append(
            [[b for parts in group for p in parts for b in p]] if wrong.merge > 1 else group[0]
        )
    return merged


def run(chip: Chip, mistake: Mistake | None = None, frames: int = 44, seed: int = 1) -> Recording:
    """Let the controller talk to the chip through wires with this mistake."""
    wrong = mistake or Mistake()
    draw = random.Random(seed)
    model = Model(chip)
    mode_chip = chip.spi.mode
    mode = wrong.mode(mode_chip) if wrong.mode is not None else mode_chip
    idle = mode >> 1
    active = 0 if chip.spi.select_active_low else 1
    clock, select = Wave(idle), Wave(1 - active)
    sdi, sdo = Wave(0), Wave(2)
    pattern = chip.default_frame().bursts or (chip.default_frame().length,)
    words: list[tuple[Bits, Bits]] = []
    time = 10_000
    merged = bits_sent(chip, wrong, draw, frames, seed)
    for number, parts in enumerate(merged):
        order = [p if chip.spi.msb_first else p[::-1] for p in parts]
        # first pass: what the chip samples does not depend on what it answers
        seen: Bits = []
        for part in order:
            taken = _clocked(part, mode, mode_chip, None, wrong, number, draw, chip)[0]
            seen += taken if chip.spi.msb_first else taken[::-1]
        selected = wrong.select not in ("high", "inverted")
        frame_after = model.frame.after
        pieces = len(order) == len(pattern)
        if selected:
            reply, _ = model.answer(seen if pieces else [])
            model.pending.append(reply)
            out = model.pending.pop(0) if frame_after else model.pending.pop()
        else:
            out = []
        used = 0
        log: list[tuple[Bits, Bits]] = []
        for part in order:
            piece = out[used : used + len(part)] if out else []
            used += len(part)
            if not chip.spi.msb_first:
                piece = piece[::-1]
            _, got, end = _drive(
                part,
                piece,
                mode,
                mode_chip,
                wrong,
                number,
                draw,
                chip,
                clock,
                select,
                sdi,
                sdo,
                time,
                active,
            )
            log.append(
                (
                    part if chip.spi.msb_first else part[::-1],
                    got if chip.spi.msb_first else got[::-1],
                )
            )
            time = end + GAP
        words.append(([b for s, _ in log for b in s], [b for _, g in log for b in g]))
        time += GAP
    waves = {"sclk": clock, "ncs" if active == 0 else "cs": select, "mosi": sdi, "miso": sdo}
    if wrong.log_shift:
        sent_bits = [w[0] for w in words]
        got_bits = [w[1] for w in words]
        words = list(zip(sent_bits[: -wrong.log_shift], got_bits[wrong.log_shift :], strict=True))
    if wrong.sample:
        waves = {n: _sampled(w, wrong.sample, time) for n, w in waves.items()}
    if wrong.probe is not None:
        waves = wrong.probe(waves)
    return Recording(waves, words, time + 10_000)


def _edges(count: int, idle: int) -> list[int]:
    """Levels after each edge: leading, trailing, leading ..."""
    return [1 - idle if i % 2 == 0 else idle for i in range(2 * count)]


def _clocked(
    part: Bits, mode: int, mode_chip: int, out: Bits | None, wrong: Mistake, number: int,
    draw: random.Random, chip: Chip,
) -> tuple[Bits, Bits]:  # fmt: skip
    """(what the chip samples, nothing): the controller's bits through the wire at the chip's edges."""
    del out, chip
    state = draw.getstate()
    idle, late = mode >> 1, mode & 1
    sampling = 1 if mode_chip in (0, 3) else 0
    line = 0 if late else part[0]
    taken: Bits = []
    place = 0 if late else 1
    glitched = wrong.glitch is not None and wrong.glitch(number, draw)
    for step, level in enumerate(_edges(len(part), idle)):
        if level == sampling:
            bit = line
            if wrong.to_chip is not None:
                bit = wrong.to_chip(bit, number, draw)
            taken.append(bit)
            if glitched and len(taken) == len(part) // 2:
                taken.append(bit)
        leading = step % 2 == 0
        if leading == bool(late) and place < len(part):
            line = part[place]
            place += 1
    draw.setstate(state)
    return taken, []


def _drive(
    part: Bits, reply: Bits, mode: int, mode_chip: int, wrong: Mistake, number: int,
    draw: random.Random, chip: Chip, clock: Wave, select: Wave, sdi: Wave, sdo: Wave, time: int, active: int,
) -> tuple[Bits, Bits, int]:  # fmt: skip
    """One select on the wires: (sampled by the chip, received by the controller, end)."""
    del chip
    idle, late = mode >> 1, mode & 1
    chip_late = mode_chip & 1
    sampling_chip = 1 if mode_chip in (0, 3) else 0
    sampling = 1 if mode in (0, 3) else 0
    on = active if wrong.select not in ("inverted",) else 1 - active
    driven = bool(reply)
    glitched = wrong.glitch is not None and wrong.glitch(number, draw)

    def at_chip(bit: int) -> int:
        return wrong.to_chip(bit, number, draw) if wrong.to_chip is not None else bit

    def at_controller(bit: int) -> int:
        return wrong.from_chip(bit, number, draw) if wrong.from_chip is not None else bit

    if wrong.select == "low":
        select.level, select.moves = active, []
    elif wrong.select == "high":
        select.level, select.moves = 1 - active, []
    else:
        select.set(time, on)
        if wrong.select == "inverted":
            select.level = active
    clock.level = idle if not clock.moves else clock.level
    line = part[0] if not late else (sdi.moves[-1][1] if sdi.moves else sdi.level)
    shown = line
    if not late:
        shown = at_chip(line)
        sdi.set(time + 2, shown)
    delayed: Bits = [reply[0]] * wrong.late_reply if reply else []
    queue = [*delayed, *reply]
    where = 0
    answer = 2
    if driven and not chip_late:
        answer, where = queue[0], 1
    if driven:
        sdo.set(time + 5, at_controller(answer if answer < 2 else 0))
    elif wrong.echo is None and wrong.from_chip is not None:
        sdo.set(time + 5, at_controller(2))
    now = time + 350
    taken: Bits = []
    got: Bits = []
    place = 0 if late else 1
    current = sdo.moves[-1][1] if sdo.moves else sdo.level
    for step, level in enumerate(_edges(len(part), idle)):
        if wrong.echo is not None:
            before = [v for t, v in sdi.moves if t + wrong.echo < now]
            current = before[-1] if before else sdi.level
        else:
            current = sdo.moves[-1][1] if sdo.moves else sdo.level
        clock.set(now, level)
        if level == sampling:
            got.append(1 if current == 1 else 0)
        if level == sampling_chip:
            taken.append(shown)
        elif driven and where < len(queue):
            answer = queue[where]
            where += 1
            sdo.set(now + 5, at_controller(answer))
        elif driven and where >= len(queue) and chip_late == 0:
            pass
        if glitched and step == len(part):
            # a spike right after an edge that it undoes for a moment
            clock.set(now + 40, 1 - level)
            clock.set(now + 46, level)
        leading = step % 2 == 0
        if leading == bool(late) and place < len(part):
            line = part[place]
            place += 1
            shown = at_chip(line)
            sdi.set(now + 2, shown)
        now += HALF
    now += 350
    if wrong.select not in ("low", "high"):
        select.set(now, 1 - on)
    if driven and (wrong.from_chip is None or at_controller(2) == 2):
        sdo.set(now + 20, 2)
    if wrong.echo is not None:
        sdo.moves = [(t + wrong.echo, v) for t, v in sdi.moves]
        sdo.level = sdi.level
    return taken, got, now


def _sampled(wave: Wave, step: int, end: int) -> Wave:
    """What an analyser sees that looks every so many ns."""
    out = Wave(wave.level)
    level, place = wave.level, 0
    for time in range(0, end, step):
        while place < len(wave.moves) and wave.moves[place][0] <= time:
            level = wave.moves[place][1]
            place += 1
        out.set(time, level)
    return out


def renamed(**names: str) -> Callable[[dict[str, Wave]], dict[str, Wave]]:
    """Probes on other lines: renamed(mosi="miso", miso="mosi")."""

    def change(waves: dict[str, Wave]) -> dict[str, Wave]:
        return {n: waves[names.get(n, n)] for n in waves if names.get(n, n) in waves}

    return change


__all__ = [
    "Mistake",
    "Recording",
    "Wave",
    "bits_of",
    "program",
    "renamed",
    "replace",
    "run",
    "word_of",
]
