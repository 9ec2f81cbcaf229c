"""Whether words fit at all, and SDO lines that say nothing: stuck, floating, echoing, broken later."""

from __future__ import annotations

import numpy as np

from regmap.behaviour.faults import suspicious
from regmap.capture.spi import Flag
from regmap.quantity import many
from regmap.record import dataclass

from ..belief.walker import Walker
from ..frames.decoded import known_target, plausible
from ..frames.pairs import CUT
from ..tracer import Trace
from .ways import WayReader

#: Share of replies that fit the command that they answer, below which they answer something else.
ENOUGH_REPLIES = 0.5
#: Different pairs of words that are looked at one by one.
SAMPLE_PAIRS = 1500


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One finding. `grave`: the decoded words are not to be believed; else it is a remark. `also` are the
    names of other explanations that fit as well, told in the text with what would decide.

    `name` is one of: mode, order, shift, data_swapped, stuck_high, stuck_low, floating, echo, twice,
    clock_select_swapped, select_inverted, select_missing, select_still, clocks, inverted, dead, fit,
    command_stuck_high, command_stuck_low, command_floating, check_bits, bytes, glitch, replies,
    lines, silent, cut, empty, runt, stray, odd_edges, at_edge, clock_unknown.
    """

    name: str
    text: str
    grave: bool = True
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Shares:
    """How much of what was captured fits: frames, commands that fit, replies captured, replies that fit.

    `sensible` are the commands that also make sense: no data in a read, no write to read-only registers.
    """

    frames: int
    commands: int
    replies: int
    believed: int
    lengths: dict[int, int]
    sensible: int = 0

    @property
    def command(self) -> float:
        return self.commands / self.frames if self.frames else 0.0

    @property
    def reply(self) -> float:
        return self.believed / self.replies if self.replies else 1.0


def shares(trace: Trace) -> Shares:
    """Counted by words that differ; over a sample of them where they are very many."""
    frames = commands = replies = believed = sensible = 0
    lengths: dict[int, int] = {}
    for walker in trace.walkers:
        idents, _, many = walker.log.tally()
        if len(idents) > SAMPLE_PAIRS:
            # the most frequent pairs, and some of all others
            order = np.argsort(-many, kind="stable")
            rest = order[SAMPLE_PAIRS // 2 :]
            some = np.concatenate(
                (order[: SAMPLE_PAIRS // 2], rest[:: -(-len(rest) // (SAMPLE_PAIRS // 2))])
            )
            idents, many = idents[some], many[some]
        for ident, count in zip(idents.tolist(), many.tolist(), strict=True):
            pair = walker.log.pair(ident)
            if pair.flags & CUT:
                continue
            decoded = walker.log.decoded(ident)
            if decoded.elsewhere:
                continue
            frames += count
            lengths[abs(pair.bits)] = lengths.get(abs(pair.bits), 0) + count
            commands += count if known_target(walker.chip, decoded) else 0
            sensible += count if plausible(decoded, walker.chip) else 0
            if decoded.reply_word is not None:
                replies += count
                believed += count if decoded.believed is not None else 0
    return Shares(frames, commands, replies, believed, lengths, sensible)


def dead_replies(trace: Trace, found: Shares, reader: WayReader | None = None) -> list[Mistake]:
    """Reply lines that say nothing: stuck, floating, echoing; from the start or from some frame on."""
    health = trace.reply_health
    if health is not None and health.captured:
        moving = trace.command_health is None or not trace.command_health.stuck
        if (
            health.stuck
            and moving
            and found.frames
            and (
                found.reply < 1
                or health.stuck in ("floating", "unknown")
                or any(w.flat_replies for w in trace.walkers)
            )
        ):
            name = {"high": "stuck_high", "low": "stuck_low"}.get(health.stuck, "floating")
            return [Mistake(name=name, text=_STUCK[name])]
    if reader is not None and found.reply < 1 and (echo := _echo(reader)):
        return [Mistake(name="echo", text=echo)]
    echoes = []
    for walker in trace.walkers:
        pairs = [walker.log.pair(i) for i in walker.log.tally()[0].tolist()[:400]]
        pairs = [
            p
            for p in pairs
            if p.bits > 0 and not p.flags & CUT and p.replies and p.replies[0][3] == p.bits
        ]
        frame = walker.chip.default_frame()
        pairs = [p for p in pairs if p.bits == frame.length]
        if len(pairs) < 2:
            continue
        # an echo comes in the same frame, whatever the chip's latency is
        text = suspicious(
            frame.reply_to("read"),
            frame.length,
            [p.reply(frame.after)[0] for p in pairs],
            [p.word for p in pairs],
        )
        if "repeats its own command" in text or "shifted by one bit" in text:
            echoes.append(Mistake(name="echo", text=text))
        elif "all ones" in text and found.believed < found.replies:
            echoes.append(Mistake(name="stuck_high", text=text))
        elif "all zeros" in text and found.believed < found.replies:
            echoes.append(Mistake(name="stuck_low", text=text))
    if not echoes and health is not None and health.captured and health.echo and found.reply < 1:
        echoes.append(
            Mistake(
                name="echo",
                text="every reply repeats its own command: SDI and SDO are connected to each other, or the capture shows one line twice",
            )
        )
    return echoes[:1] or _dead_later(trace)


def _echo(reader: WayReader) -> str:
    """Whether every reply is its own command, or that shifted by a bit; "" if not, or if all are equal."""
    t = reader.transfers
    if t is None or not len(t.reply_values) or len(t.reply_values) != len(t.command_values):
        return ""
    command, reply = t.command_values, t.reply_values
    if len(t) < 2 or int(command.min()) == int(command.max()):
        return ""
    if bool((command == reply).all()):
        return "every reply repeats its own command: SDI and SDO are connected to each other, or the capture shows one line twice"
    if len(t) > 3 and int(t.clocks.min()) == int(t.clocks.max()):
        # pairs as firmware sorted them: an echo stands beside a later command than its own
        size = int(t.clocks[0])
        for later in (1, 2):
            if bool((reply[: -later * size] == command[later * size :]).all()):
                return f"every reply repeats the command {many(later, 'frame')} later: it came back at once, so SDI and SDO are connected to each other"
    inner = np.ones(len(command), np.bool_)
    inner[t.first[t.clocks > 0]] = False
    if bool((reply[1:] == command[:-1])[inner[1:]].all()) or bool(
        (command[1:] == reply[:-1])[inner[1:]].all()
    ):
        return "every reply is its own command shifted by one bit: SDI and SDO are connected and the SPI mode samples on the wrong edge"
    return ""


def refused(trace: Trace, found: Shares) -> list[Mistake]:
    """Right commands that the chip rejects: what reaches its input is not what was recorded.

    It says so in status bits, or answers the same whatever is asked, against what it was written.
    """
    out = []
    for walker in trace.walkers:
        if not _tells_of_rejection(walker):
            continue
        rejecting, believed = told_rejected(walker)
        if believed >= 4 and rejecting > 0.8 * believed:
            text = f"the chip says in {rejecting} of {believed} replies that it rejected the frame before, and the commands recorded are right: what reaches its input is something else (SPI mode, SDI stuck, inverted or noisy, clocks lost, select too short)"
            out.append(Mistake(name="rejected", text=text))
        elif (unlike := _unlike(walker)) >= 3:
            text = f"{unlike} registers do not hold what was written to them, none does, and nothing in the map explains it: what reaches the chip's input is something else than was recorded (SDI inverted or noisy, clocks lost), or another chip answers"
            out.append(Mistake(name="rejected", text=text))
        elif _deaf(walker, found):
            text = "the chip answers the same whatever is asked, against what was written to it: it rejects the commands, which are right as recorded; what reaches its input is something else (SPI mode, SDI stuck, inverted or noisy, clocks lost, select too short)"
            out.append(Mistake(name="rejected", text=text))
    return out


def _unlike(walker: Walker) -> int:
    """Registers that a read shows to hold something else than was written, where none was shown to hold it."""
    writes = walker.belief.writes
    if any(w.verified >= 0 or w.partly for w in writes):
        return 0
    return len(
        {w.register for w in writes if w.denied >= 0 and w.why.startswith("nothing in the map")}
    )


def _tells_of_rejection(walker: Walker) -> set[str]:
    """The faults that a frame raises which the chip rejects."""
    faults = walker.chip.faults.items()
    return {n for n, f in faults if {"check_bits", "clocks"} & set(f.raised_by)}


def told_rejected(walker: Walker) -> tuple[int, int]:
    """(replies that say that the chip rejected a frame, believed replies that could say so) of one chip."""
    causes = _tells_of_rejection(walker)
    said = able = 0
    for ident, count in walker.log.by_status() if causes else ():
        answer = walker.log.decoded(ident).believed
        bits = [] if answer is None else [p for p in answer.layout.parts if p.fault in causes]
        if answer is not None and bits:
            able += count
            said += count * any(answer.status.get(p.name, False) for p in bits)
    return said, able


def _deaf(walker: Walker, found: Shares) -> bool:
    """Whether replies do not depend on the commands, and that cannot be."""
    idents = walker.log.tally()[0]
    if len(idents) > SAMPLE_PAIRS:
        return False
    commands: set[tuple[str, int | None]] = set()
    answers: set[int] = set()
    for ident in idents.tolist():
        decoded = walker.log.decoded(ident)
        sent = decoded.sent
        if sent is None or decoded.reply_word is None or decoded.cut:
            continue
        part = None
        if decoded.answer is not None:
            part = decoded.answer.layout.of_kind("data")
        commands.add((sent.kind, sent.address))
        if decoded.answer is not None:
            answers.add(decoded.answer.parts[part.name] if part is not None else 0)
    if len(commands) < 4 or len(answers) > 1:
        return False
    failed = any(w.failed for w in walker.belief.writes)
    return failed or found.reply < ENOUGH_REPLIES


def dead_command(trace: Trace, found: Shares) -> list[Mistake]:
    """A line into the chip that carries nothing, as the capture shows it."""
    health = trace.command_health
    if health is None or not health.captured or not health.stuck or found.command >= 0.5:
        return []
    name = {"high": "command_stuck_high", "low": "command_stuck_low"}.get(
        health.stuck, "command_floating"
    )
    says = {"high": "rests high", "low": "rests low"}.get(health.stuck, "floats or is unknown")
    text = f"SDI {says} at every sampling edge: stuck, open, or not driven by the controller; what the chip answers is to no command"
    return [Mistake(name=name, text=text)]


_STUCK = {
    "stuck_high": "every reply bit is 1: SDO is stuck high or nobody drives it (chip not powered, select not connected, line open with a pull-up)",
    "stuck_low": "every reply bit is 0: SDO is stuck low or nobody drives it (chip not powered or asleep, line shorted to ground or open with a pull-down)",
    "floating": "SDO floats at every sampling edge: nobody drives it (chip not powered or asleep, select or SDO not connected)",
}


def _dead_later(trace: Trace) -> list[Mistake]:
    """An SDO that lived and then died: the last run of replies that are all ones or all zeros."""
    out = []
    for walker in trace.walkers:
        idents = walker.log.idents()
        if len(idents) < 6:
            continue
        silent = walker.log.sorter.silent > 0
        dead = silent[idents]
        alive = np.flatnonzero(~dead)
        if not dead.any() or not len(alive):
            continue
        # frames at the end whose reply was never captured say nothing
        tail = len(dead) - 1 - int(alive[-1])
        start = int(alive[-1]) + 1
        if tail < 3:
            runs = np.flatnonzero(np.diff(np.concatenate(([0], dead.view(np.int8), [0]))))
            lengths = runs[1::2] - runs[::2]
            best = int(lengths.argmax())
            start, tail = int(runs[2 * best]), int(lengths[best])
            if tail < 3:
                continue
        decoded = walker.log.decoded(int(idents[start]))
        time = trace.clock.text(int(walker.log.times()[start]))
        who = f"chip {walker.position}: " if len(trace.walkers) > 1 else ""
        said = f"{who}from frame {start} at {time} on"
        late = max(f.after for f in walker.chip.frames.values())
        if start + tail >= len(dead) - 1 - late:
            text = f"{said}, to the end, {decoded.reply_trouble}: SDO died (broken, shorted, or the chip lost its supply); nothing read there can be believed"
            out.append(Mistake(name="dead", grave=False, text=text))
        else:
            text = f"{said}, for {tail} frames, {decoded.reply_trouble}: the chip was off or the line open meanwhile, and nothing read then can be believed"
            out.append(Mistake(name="silent", grave=False, text=text))
    return out


_ODD = {
    Flag.STARTS_MID: ("cut", "the capture starts in mid-frame"),
    Flag.ENDS_MID: ("cut", "the capture ends in mid-frame"),
    Flag.NO_CLOCKS: ("empty", "select pulses without a clock"),
    Flag.RUNT_CLOCK: ("runt", "clock pulses far shorter than the others (a glitch on the clock line, or slow edges)"),
    Flag.CLOCK_UNKNOWN: ("clock_unknown", "the clock is unknown or floats inside frames"),
    Flag.STRAY_CLOCKS: ("stray", "clock edges while select is inactive (another chip on the SPI, or a glitch on select)"),
    Flag.ODD_EDGES: ("odd_edges", "not as many rising as falling clock edges inside a frame"),
    Flag.COMMAND_AT_EDGE: ("at_edge", "SDI changes in the very tick of a sampling edge (sampled too slowly?)"),
    Flag.REPLY_AT_EDGE: ("at_edge", "SDO changes in the very tick of a sampling edge (sampled too slowly?)"),
}  # fmt: skip


def odd_transfers(trace: Trace) -> list[Mistake]:
    """Remarks on transfers that are unusual, each kind once with its number and first place."""
    found = []
    for flag, (name, text) in _ODD.items():
        if flag in trace.oddities:
            count, number, time = trace.oddities[flag]
            where = f"first in transfer {number} at {trace.clock.text(time)}"
            many = "" if name == "cut" else f" in {count} of {trace.transfers} transfers, {where}"
            found.append(Mistake(name=name, grave=False, text=text + many))
    return found
