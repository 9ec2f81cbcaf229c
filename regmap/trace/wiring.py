"""Wiring, probing and set-up mistakes, named: asked before any word is believed.

Looks at how the lines behave (which edge data follow, which lines are equal, what rests where) and,
where words do not fit the map, at the way of reading that would make them fit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from regmap.bank import Bank
from regmap.capture.channels import find_roles, role_by_name
from regmap.capture.signals import Channel, Signals, Times
from regmap.capture.spi import Roles, SpiSetup
from regmap.errors import CallError
from regmap.faults import suspicious
from regmap.model import Chain

from .decoded import plausible
from .pairs import CUT
from .setup import CLEARLY, ENOUGH, Fit, Reader
from .tracer import Trace

#: Different pairs of words that are looked at one by one.
SAMPLE_PAIRS = 1500
_BUS = ("clock", "select", "command", "reply")
_LEVEL = {True: "high", False: "low"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One finding. `grave`: the decoded words are not to be believed; else it is a remark.

    `name` is one of: mode, order, shift, data_swapped, stuck_high, stuck_low, floating, echo, twice,
    clock_select_swapped, select_inverted, select_missing, select_still, clocks, inverted, dead, fit,
    lines.
    """

    name: str
    text: str
    grave: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """`mistakes`, the gravest first; `command`, `reply` are the ways of reading, best first (empty: words fit)."""

    mistakes: tuple[Mistake, ...] = ()
    command: tuple[Fit, ...] = ()
    reply: tuple[Fit, ...] = ()

    @property
    def grave(self) -> tuple[str, ...]:
        """Texts of what makes the words unbelievable."""
        return tuple(m.text for m in self.mistakes if m.grave)


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
        bank = Bank(walker.chip)
        idents, many = np.unique(walker.idents(), return_counts=True)
        if len(idents) > SAMPLE_PAIRS:
            # the most frequent pairs, and some of all others
            order = np.argsort(-many, kind="stable")
            rest = order[SAMPLE_PAIRS // 2 :]
            some = np.concatenate((order[: SAMPLE_PAIRS // 2], rest[:: -(-len(rest) // (SAMPLE_PAIRS // 2))]))
            idents, many = idents[some], many[some]
        for ident, count in zip(idents.tolist(), many.tolist(), strict=True):
            pair = walker.pair(ident)
            if pair.flags & CUT:
                continue
            frames += count
            lengths[abs(pair.bits)] = lengths.get(abs(pair.bits), 0) + count
            decoded = walker.judge.decode(pair, bank)
            sent = decoded.sent
            if decoded.taken and sent is not None and (sent.register is not None or sent.command is not None):
                commands += count
            sensible += count if plausible(decoded) else 0
            if decoded.reply_word is not None:
                replies += count
                believed += count if decoded.believed is not None else 0
    return Shares(frames, commands, replies, believed, lengths, sensible)


def diagnose(trace: Trace, chain: Chain | None = None) -> Diagnosis:
    """Everything about wiring and set-up that a finished trace shows."""
    found = shares(trace)
    mistakes: list[Mistake] = []
    command: list[Fit] = []
    reply: list[Fit] = []
    if trace.sample is None or trace.setup is None or trace.finding is None:
        mistakes += _dead(trace, found)
        return Diagnosis(mistakes=tuple(mistakes))
    sample, roles = trace.sample, trace.finding.roles
    lame = found.frames == 0 or found.command < ENOUGH
    mute = found.replies > 0 and found.reply < ENOUGH
    twins = _twins(sample, roles)
    mistakes += twins
    if lame:
        mistakes += _roles(trace, sample)
    if not any(m.grave and m.name != "twice" for m in mistakes):
        mistakes += _mode(sample, trace.setup, roles, trace, fits=not lame and not mute)
    mistakes += _clock_count(trace, found)
    dead = _dead(trace, found)
    mistakes += [d for d in dead if not (twins and d.name == "echo")]
    odd = found.sensible < ENOUGH * found.frames
    if (lame or mute or odd) and not any(m.grave for m in mistakes):
        reader = Reader(sample, roles, trace.setup, trace.chips, chain)
        if lame or odd:
            command = reader.ranked("command")
            mistakes += _best(reader, command, trace.setup)
        if mute or lame:
            reply = reader.ranked("reply")
            mistakes += _best_reply(reader, reply, mistakes)
    mistakes += _select(trace)
    if lame and not any(m.grave for m in mistakes):
        text = f"only {found.commands} of {found.frames} frames fit {trace.chips[0].name}, read in any way: another chip, another map, or other lines"
        if not found.frames:
            text = "no frame was found: look at the clock and select lines"
        mistakes.append(Mistake(name="fit", text=text))
    mistakes.sort(key=lambda m: not m.grave)
    return Diagnosis(mistakes=tuple(mistakes), command=tuple(command), reply=tuple(reply))


# --- lines ------------------------------------------------------------------------------------------
def _twins(sample: Signals, roles: Roles) -> list[Mistake]:
    """Two roles on one line, or two channels that move in the very same ticks."""
    found = []
    for channel in sample.channels:
        told = {t[0] for t in map(role_by_name, (channel.name, *channel.aliases)) if t} & set(_BUS)
        if len(told) > 1:
            names = ", ".join(n.rsplit(".", 1)[-1] for n in (channel.name, *channel.aliases))
            found.append(Mistake(name="twice", text=_twice(told, f"{names} are one and the same line")))
    named = [(r, getattr(roles, r)) for r in _BUS if getattr(roles, r) is not None]
    for place, (role, index) in enumerate(named):
        for other, second in named[place + 1 :]:
            a, b = sample.edges[index], sample.edges[second]
            same = index == second or (
                len(a) > 3 and len(a) == len(b)
                and bool((a.times == b.times).all()) and bool((a.values == b.values).all())
            )
            if same:
                text = f"{role} and {other} carry the very same edges"
                found.append(Mistake(name="twice", text=_twice({role, other}, text)))
    return found


def _twice(roles: set[str], text: str) -> str:
    tail = ", or the two data lines are bridged" if {"command", "reply"} <= roles else ""
    return f"{text}: one line was captured twice{tail}"


def _roles(trace: Trace, sample: Signals) -> list[Mistake]:
    """Clock and select exchanged, or select of the other polarity: by behaviour against the names."""
    finding, setup = trace.finding, trace.setup
    assert finding is not None
    assert setup is not None
    roles = finding.roles
    bare = replace(
        sample,
        channels=tuple(Channel(index=c.index, name=f"line{c.index}", kind=c.kind) for c in sample.channels),
    )
    try:
        behaved = find_roles(bare).roles
    except CallError:
        return []
    if roles.select is not None and behaved.clock == roles.select and behaved.select in (roles.clock, None):
        names = sample.channels[roles.clock].name, sample.channels[roles.select].name
        return [Mistake(name="clock_select_swapped", text=f"clock and select are swapped: {names[0]} behaves like a select line and {names[1]} like a clock")]
    if behaved.clock != roles.clock and roles.clock is not None:
        text = f"{sample.channels[roles.clock].name} does not behave like a clock; {sample.channels[behaved.clock].name} does"
        return [Mistake(name="lines", text=text)]
    if roles.select is not None:
        times, values = sample.edges[roles.select].times, sample.edges[roles.select].values
        clock = sample.edges[roles.clock].times
        if len(times) and len(clock):
            place = np.searchsorted(times, clock, side="right")
            levels = np.where(place > 0, values[np.maximum(place - 1, 0)], sample.initial[roles.select])
            active = 0 if setup.select_active_low else 1
            inside = float(np.count_nonzero(levels == active)) / len(clock)
            if inside < 0.1:
                rest = "low" if active == 0 else "high"
                text = f"select is inverted: it is never {rest} while the clock runs, and the map says active {rest}"
                return [Mistake(name="select_inverted", text=text)]
    return []


def _select(trace: Trace) -> list[Mistake]:
    finding = trace.finding
    assert finding is not None
    if finding.roles.select is None:
        return [Mistake(name="select_missing", grave=False, text="select was not captured: frames are cut at pauses of the clock, and clock counts per select cannot be checked")]
    still = [n for n in trace.notes if n.startswith("select stays")]
    return [Mistake(name="select_still", grave=False, text=n) for n in still]


# --- SPI mode ---------------------------------------------------------------------------------------
def _launch_edge(sample: Signals, line: int, clock: Times, rising: Times) -> tuple[int, int]:
    """How many changes of a line follow a rising and a falling clock edge most closely."""
    times = sample.edges[line].times
    if len(clock) < 8 or not len(times):
        return 0, 0
    usual = float(np.percentile(np.diff(clock), 25))
    place = np.searchsorted(clock, times, side="right")
    inside = (place > 0) & (place < len(clock))
    place = place[inside]
    late = times[inside] - clock[place - 1]
    near = place[late < 0.5 * usual]
    up = int(np.count_nonzero(rising[near - 1]))
    return up, len(near) - up


def _mode(sample: Signals, setup: SpiSetup, roles: Roles, trace: Trace, *, fits: bool) -> list[Mistake]:
    """The controller's SPI mode from where the clock rests and which edge the command line follows."""
    edges = sample.edges[roles.clock]
    if roles.command is None or len(edges) < 16:
        return []
    clock, rising = edges.times, edges.values == 1
    widths = np.diff(clock)
    pause = widths > 3 * float(np.percentile(widths, 25))
    rest = np.append(edges.values[:-1][pause], edges.values[-1:])
    high = int(np.count_nonzero(rest == 1))
    up, down = _launch_edge(sample, roles.command, clock, rising)
    if 0.1 * len(rest) < high < 0.9 * len(rest) or max(up, down) < 6 or max(up, down) < 0.9 * (up + down):
        return []
    idle_high, launches_rising = 2 * high > len(rest), up > down
    mode = (2 if launches_rising else 3) if idle_high else (1 if launches_rising else 0)
    if mode == setup.mode:
        return []
    wanted = trace.chips[0].spi.mode
    why = (
        f"the clock rests {_LEVEL[idle_high]} and the command line changes after its "
        f"{'rising' if launches_rising else 'falling'} edge"
    )
    if setup.mode != wanted and mode == wanted:
        return [Mistake(name="mode", grave=not fits, text=f"read in SPI mode {setup.mode} as asked, but this bus runs in mode {mode}, as the map says: {why}")]
    text = f"wrong SPI mode: the controller drives mode {mode} and the chip needs mode {wanted}: {why}"
    return [Mistake(name="mode", text=text)]


# --- replies ----------------------------------------------------------------------------------------
def _dead(trace: Trace, found: Shares) -> list[Mistake]:
    """Reply lines that say nothing: stuck, floating, echoing; from the start or from some frame on."""
    health = trace.reply_health
    if health is not None and health.captured:
        moving = trace.command_health is None or not trace.command_health.stuck
        if health.stuck and moving and found.frames and (found.reply < 1 or health.stuck in ("floating", "unknown")):
            name = {"high": "stuck_high", "low": "stuck_low"}.get(health.stuck, "floating")
            return [Mistake(name=name, text=_STUCK[name])]
    echoes = []
    for walker in trace.walkers:
        pairs = [walker.pair(i) for i in np.unique(walker.idents()).tolist()[:400]]
        pairs = [p for p in pairs if p.bits > 0 and not p.flags & CUT and p.replies and p.replies[0][3] == p.bits]
        frame = walker.chip.default_frame()
        pairs = [p for p in pairs if p.bits == frame.length]
        if len(pairs) < 2:
            continue
        # an echo comes in the same frame, whatever the chip's latency is
        text = suspicious(frame.reply_to("read"), frame.length, [p.reply(frame.after)[0] for p in pairs], [p.word for p in pairs])
        if "repeats its own command" in text or "shifted by one bit" in text:
            echoes.append(Mistake(name="echo", text=text))
        elif "all ones" in text and found.believed < found.replies:
            echoes.append(Mistake(name="stuck_high", text=text))
        elif "all zeros" in text and found.believed < found.replies:
            echoes.append(Mistake(name="stuck_low", text=text))
    if not echoes and health is not None and health.captured and health.echo and found.reply < 1:
        echoes.append(Mistake(name="echo", text="every reply repeats its own command: the two data lines are connected to each other, or the capture shows one line twice"))
    return echoes[:1] or _dead_later(trace)


_STUCK = {
    "stuck_high": "every reply bit is 1: the reply line is stuck high or nobody drives it (chip not powered, select not connected, line open with a pull-up)",
    "stuck_low": "every reply bit is 0: the reply line is stuck low or nobody drives it (chip not powered or asleep, line shorted to ground or open with a pull-down)",
    "floating": "the reply line floats at every sampling edge: nobody drives it (chip not powered or asleep, select or the reply line not connected)",
}


def _dead_later(trace: Trace) -> list[Mistake]:
    """A reply line that lived and then died: the last run of replies that are all ones or all zeros."""
    out = []
    for walker in trace.walkers:
        idents = walker.idents()
        if len(idents) < 6:
            continue
        bank = walker.belief.bank
        silent = walker.sorter.silent > 0
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
        decoded = walker.judge.decode(walker.pair(int(idents[start])), bank)
        time = trace.clock.text(int(walker.times()[start]))
        who = f"chip {walker.position}: " if len(trace.walkers) > 1 else ""
        end = "to the end" if start + tail >= len(dead) - 1 else f"for {tail} frames"
        text = f"{who}from frame {start} at {time} on, {end}, {decoded.reply_trouble}: the reply line died (broken, shorted, or the chip lost its supply); nothing read there can be believed"
        out.append(Mistake(name="dead", grave=False, text=text))
    return out


# --- words ------------------------------------------------------------------------------------------
def _clock_count(trace: Trace, found: Shares) -> list[Mistake]:
    wanted = {f.length for c in trace.chips for f in c.frames.values()}
    if trace.framer.total:
        wanted = {trace.framer.total, *(c.default_frame().length for c in trace.chips)}
    odd = {n: c for n, c in found.lengths.items() if n not in wanted}
    if not odd or not found.frames:
        return []
    clocks = max(odd, key=odd.__getitem__)
    total = sum(odd.values())
    length = min(wanted, key=lambda n: abs(n - clocks))
    many = total > 0.5 * found.frames
    text = f"{total} of {found.frames} frames have a wrong number of clocks, most of these {clocks} instead of {length}"
    if clocks == length + 1:
        text += ": one extra clock (a glitch on the clock line, or the controller counts wrongly)"
    elif clocks == length - 1:
        text += ": one clock is missing (slow edges, or the controller counts wrongly)"
    elif clocks % length == 0:
        chips = clocks // length
        text += f": {chips} frames in one select (a chain of {chips} chips? then give the map {chips} times)"
    elif length % clocks == 0:
        text += ": select rises inside the frame"
    return [Mistake(name="clocks", text=text, grave=many)]


def _best(reader: Reader, ranked: list[Fit], setup: SpiSetup) -> list[Mistake]:
    if not ranked or ranked[0].share < ENOUGH or ranked[0].of < 3 or ranked[0].different < 2:
        return []
    usual, best = reader.usual["command"], ranked[0]
    way = best.way
    now = next(f for f in ranked if f.way.distance(usual) == 0)
    if way.distance(usual) == 0 or best.share < now.share + CLEARLY:
        return []
    share = f"{best.good} of {best.of} commands fit"
    if way.line != usual.line:
        return [Mistake(name="data_swapped", text=f"the data lines are swapped: read from the reply line, {share}")]
    if way.order != usual.order:
        order = "least" if way.order == "lsb" else "most"
        return [Mistake(name="order", text=f"wrong bit order: with the {order} significant bit first {share}")]
    if way.rising != usual.rising:
        mode = {0: 1, 1: 0, 2: 3, 3: 2}[setup.mode]
        return [Mistake(name="mode", text=f"wrong SPI mode: sampled at the {'rising' if way.rising else 'falling'} clock edge (mode {mode}) {share}")]
    if way.inverted:
        return [Mistake(name="inverted", text=f"the command line is inverted: turned round, {share}")]
    return [Mistake(name="shift", text=f"the command comes one clock {'late' if way.shift > 0 else 'early'}: shifted by a bit, {share}")]


def _best_reply(reader: Reader, ranked: list[Fit], known: list[Mistake]) -> list[Mistake]:
    if any(m.name == "data_swapped" for m in known):
        return []
    if not ranked or ranked[0].share < ENOUGH or ranked[0].of < 3 or ranked[0].different < 2:
        return []
    usual, best = reader.usual["reply"], ranked[0]
    if best.way.distance(usual) == 0:
        return []
    if best.way.line != usual.line:
        swapped = reader.fit("command", replace(reader.usual["command"], line="reply"))
        if swapped.share < ENOUGH:
            return []
        text = f"the data lines are swapped: read the other way round, {swapped.good} of {swapped.of} commands and {best.good} of {best.of} replies fit"
        return [Mistake(name="data_swapped", text=text)]
    share = f"{best.good} of {best.of} replies fit"
    name = "shift" if best.way.shift else "inverted" if best.way.inverted else "order" if best.way.order != usual.order else "mode"
    return [Mistake(name=name, text=f"replies fit only {best.way.text(usual)} ({share})")]
