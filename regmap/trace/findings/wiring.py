"""Wiring, probing and set-up mistakes, named: asked before any word is believed.

Looks at how the lines behave (which edge data follow, which lines are equal, what rests where) and,
where words do not fit the map, at the way of reading that would make them fit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from regmap.capture.arrays import Times
from regmap.capture.lines.channels import find_roles, role_by_name
from regmap.capture.lines.signals import Channel, Signals
from regmap.capture.spi import Roles, SpiSetup
from regmap.chip.model import Chain
from regmap.errors import CallError

from ..tracer import Trace
from .replies import Mistake, Shares, dead_replies, odd_transfers, shares
from .ways import CLEARLY, ENOUGH, Fit, Reader

#: Share of replies below which none is taken for a sound one of this chip.
HARDLY = 0.15
_BUS = ("clock", "select", "command", "reply")
_LEVEL = {True: "high", False: "low"}


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


def diagnose(trace: Trace, chain: Chain | None = None) -> Diagnosis:
    """Everything about wiring and set-up that a finished trace shows."""
    found = shares(trace)
    mistakes: list[Mistake] = []
    command: list[Fit] = []
    reply: list[Fit] = []
    if trace.sample is None or trace.setup is None or trace.finding is None:
        mistakes += dead_replies(trace, found)
        if found.replies and found.reply < HARDLY and not any(m.grave for m in mistakes):
            text = f"only {found.believed} of {found.replies} replies fit {trace.chips[0].name}: wrong check bits, another chip, or a disturbed line"
            mistakes.append(Mistake(name="replies", text=text))
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
    dead = dead_replies(trace, found)
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
    mistakes += odd_transfers(trace)
    if lame and not any(m.grave for m in mistakes):
        text = f"only {found.commands} of {found.frames} frames fit {trace.chips[0].name}, read in any way: another chip, another map, or other lines"
        if not found.frames:
            text = "no frame was found: look at the clock and select lines"
        mistakes.append(Mistake(name="fit", text=text))
    hardly = found.replies > 0 and found.reply < HARDLY
    if hardly and not any(m.grave or m.name in ("dead", "silent") for m in mistakes):
        text = f"only {found.believed} of {found.replies} replies fit {trace.chips[0].name}, read in any way: wrong check bits, another chip, or a disturbed line"
        mistakes.append(Mistake(name="replies", text=text))
    if not any(m.grave for m in mistakes) and all(
        not f or not f[0].change_needed for f in (command, reply)
    ):
        command, reply = [], []
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
            found.append(
                Mistake(name="twice", text=_twice(told, f"{names} are one and the same line"))
            )
    named = [(r, getattr(roles, r)) for r in _BUS if getattr(roles, r) is not None]
    for place, (role, index) in enumerate(named):
        for other, second in named[place + 1 :]:
            a, b = sample.edges[index], sample.edges[second]
            same = index == second or (
                len(a) > 3
                and len(a) == len(b)
                and bool((a.times == b.times).all())
                and bool((a.values == b.values).all())
            )
            if same:
                text = f"{role} and {other} carry the very same edges"
                found.append(Mistake(name="twice", text=_twice({role, other}, text)))
    return found


def _twice(roles: set[str], text: str) -> str:
    tail = ", or SDI and SDO are bridged" if {"command", "reply"} <= roles else ""
    return f"{text}: one line was captured twice{tail}"


def _roles(trace: Trace, sample: Signals) -> list[Mistake]:
    """Clock and select exchanged, or select of the other polarity: by behaviour against the names."""
    finding, setup = trace.finding, trace.setup
    assert finding is not None
    assert setup is not None
    roles = finding.roles
    bare = replace(
        sample,
        channels=tuple(
            Channel(index=c.index, name=f"line{c.index}", kind=c.kind) for c in sample.channels
        ),
    )
    try:
        behaved = find_roles(bare).roles
    except CallError:
        return []
    if (
        roles.select is not None
        and behaved.clock == roles.select
        and behaved.select in (roles.clock, None)
    ):
        names = sample.channels[roles.clock].name, sample.channels[roles.select].name
        return [
            Mistake(
                name="clock_select_swapped",
                text=f"clock and select are swapped: {names[0]} behaves like a select line and {names[1]} like a clock",
            )
        ]
    if behaved.clock != roles.clock and roles.clock is not None:
        text = f"{sample.channels[roles.clock].name} does not behave like a clock; {sample.channels[behaved.clock].name} does"
        return [Mistake(name="lines", text=text)]
    if roles.select is not None:
        times, values = sample.edges[roles.select].times, sample.edges[roles.select].values
        clock = sample.edges[roles.clock].times
        if len(times) and len(clock):
            place = np.searchsorted(times, clock, side="right")
            levels = np.where(
                place > 0, values[np.maximum(place - 1, 0)], sample.initial[roles.select]
            )
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
        return [
            Mistake(
                name="select_missing",
                grave=False,
                text="select was not captured: frames are cut at pauses of the clock, and clock counts per select cannot be checked",
            )
        ]
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


def _mode(
    sample: Signals, setup: SpiSetup, roles: Roles, trace: Trace, *, fits: bool
) -> list[Mistake]:
    """The controller's SPI mode from where the clock rests and which edge SDI follows."""
    edges = sample.edges[roles.clock]
    if roles.command is None or len(edges) < 16:
        return []
    clock, rising = edges.times, edges.values == 1
    widths = np.diff(clock)
    pause = widths > 3 * float(np.percentile(widths, 25))
    rest = np.append(edges.values[:-1][pause], edges.values[-1:])
    high = int(np.count_nonzero(rest == 1))
    up, down = _launch_edge(sample, roles.command, clock, rising)
    if (
        0.1 * len(rest) < high < 0.9 * len(rest)
        or max(up, down) < 6
        or max(up, down) < 0.9 * (up + down)
    ):
        return []
    idle_high, launches_rising = 2 * high > len(rest), up > down
    mode = (2 if launches_rising else 3) if idle_high else (1 if launches_rising else 0)
    if mode == setup.mode:
        return []
    wanted = trace.chips[0].spi.mode
    why = (
        f"the clock rests {_LEVEL[idle_high]} and SDI changes after its "
        f"{'rising' if launches_rising else 'falling'} edge"
    )
    if setup.mode != wanted and mode == wanted:
        return [
            Mistake(
                name="mode",
                grave=not fits,
                text=f"read in SPI mode {setup.mode} as asked, but this SPI runs in mode {mode}, as the map says: {why}",
            )
        ]
    text = (
        f"wrong SPI mode: the controller drives mode {mode} and the chip needs mode {wanted}: {why}"
    )
    return [Mistake(name="mode", text=text)]


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
        return [
            Mistake(
                name="data_swapped",
                text=f"SDI and SDO are swapped: read from SDO, {share}",
            )
        ]
    if way.order != usual.order:
        order = "least" if way.order == "lsb" else "most"
        return [
            Mistake(
                name="order",
                text=f"wrong bit order: with the {order} significant bit first {share}",
            )
        ]
    if way.rising != usual.rising:
        mode = {0: 1, 1: 0, 2: 3, 3: 2}[setup.mode]
        return [
            Mistake(
                name="mode",
                text=f"wrong SPI mode: sampled at the {'rising' if way.rising else 'falling'} clock edge (mode {mode}) {share}",
            )
        ]
    if way.inverted:
        return [Mistake(name="inverted", text=f"SDI is inverted: turned round, {share}")]
    return [
        Mistake(
            name="shift",
            text=f"the command comes one clock {'late' if way.shift > 0 else 'early'}: shifted by a bit, {share}",
        )
    ]


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
        text = f"SDI and SDO are swapped: read the other way round, {swapped.good} of {swapped.of} commands and {best.good} of {best.of} replies fit"
        return [Mistake(name="data_swapped", text=text)]
    share = f"{best.good} of {best.of} replies fit"
    name = (
        "shift"
        if best.way.shift
        else "inverted"
        if best.way.inverted
        else "order"
        if best.way.order != usual.order
        else "mode"
    )
    return [Mistake(name=name, text=f"replies fit only {best.way.text(usual)} ({share})")]
