"""Wiring, probing and set-up mistakes, named: asked before any word is believed.

Looks at how the lines behave (which edge data follow, which lines are equal, what rests where) and,
where words do not fit the map, at the way of reading that would make them fit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from regmap.capture.arrays import Times, distinct, lower_quartile
from regmap.capture.lines.channels import find_roles, role_by_name
from regmap.capture.lines.signals import Channel, Signals
from regmap.capture.spi import BitOrder, Roles, SpiSetup, Transfers
from regmap.chip.model import Chain, Chip
from regmap.errors import CallError
from regmap.record import dataclass, replace

from ..tracer import Trace
from .readings import SELDOM, reframed, words_read
from .replies import Mistake, Shares, dead_command, dead_replies, odd_transfers, refused, shares
from .ways import ENOUGH, Fit, WayReader, first_transfers

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


def diagnose(
    trace: Trace, chain: Chain | None = None, others: Callable[[], Iterable[Chip]] | None = None
) -> Diagnosis:
    """Everything about wiring and set-up that a finished trace shows.

    Each explanation is tested against both lines: what intact frames refute is not claimed. `others` gives
    chips to try where nothing else explains what does not fit.
    """
    found = shares(trace)
    sample, roles = trace.sample, trace.finding.roles if trace.finding is not None else None
    lame = found.frames == 0 or found.command < ENOUGH
    mute = found.replies > 0 and found.reply < ENOUGH
    hardly = found.replies > 0 and found.reply < HARDLY
    mistakes: list[Mistake] = []
    twins: list[Mistake] = []
    if sample is not None and roles is not None and trace.setup is not None:
        twins = _twins(sample, roles)
        mistakes += twins
        if lame:
            mistakes += _roles(trace, sample)
        if not any(m.grave and m.name != "twice" for m in mistakes):
            mistakes += _mode(sample, trace.setup, roles, trace, fits=not lame and not mute)
    reader = _reader(trace, chain)
    if reader is None and not any(m.grave for m in mistakes):
        mistakes += dead_command(trace, found)
    command: list[Fit] = []
    reply: list[Fit] = []
    dead = (
        [] if any(m.grave for m in mistakes) and not twins else dead_replies(trace, found, reader)
    )
    mistakes += [d for d in dead if not (twins and d.name == "echo")]
    if not any(m.grave for m in mistakes):
        mistakes += dead_command(trace, found)
    counted = _clock_count(trace, found, reader)
    mistakes += counted
    odd = found.sensible < ENOUGH * found.frames
    if reader is not None and (lame or mute or odd) and not any(m.grave for m in mistakes):
        command, reply = reader.ranked("command"), reader.ranked("reply")
        mistakes += words_read(
            trace,
            reader,
            command,
            reply,
            found,
            quiet=any(m.name in ("dead", "silent") for m in dead),
        )
    if others is not None and (lame or hardly) and not twins:
        stranger = _another(trace, others)
        if stranger is not None:
            mistakes = [stranger, *(m for m in mistakes if not m.grave)]
    if not lame and not any(m.grave for m in mistakes):
        mistakes += refused(trace, found)
    mistakes += _select(trace)
    mistakes += odd_transfers(trace)
    if lame and not any(m.grave or m.name == "glitch" for m in mistakes):
        mistakes.append(_nothing_fits(trace, found))
    known = {"dead", "silent", "glitch"}
    if hardly and not any(m.grave or m.name in known for m in mistakes):
        text = f"only {found.believed} of {found.replies} replies fit {trace.chips[0].name}, read in any way: wrong check bits, another chip, or a disturbed line"
        mistakes.append(Mistake(name="replies", text=text))
    if not found.believed and any(m.name == "select_still" for m in mistakes):
        mistakes = [_or_select(m) for m in mistakes]
    if not any(m.grave for m in mistakes) and all(
        not f or not f[0].change_needed for f in (command, reply)
    ):
        command, reply = [], []
    mistakes.sort(key=lambda m: not m.grave)
    return Diagnosis(mistakes=tuple(mistakes), command=tuple(command), reply=tuple(reply))


def _reader(trace: Trace, chain: Chain | None) -> WayReader | None:
    """The first transfers, to be read in every way; None where there are none."""
    setup = trace.setup
    if trace.first is not None:
        return WayReader(trace.first, trace.first.setup, trace.chips, chain)
    if trace.sample is None or setup is None or trace.finding is None:
        return None
    first = first_transfers(trace.sample, trace.finding.roles, setup)
    return WayReader(first, setup, trace.chips, chain) if first is not None and len(first) else None


def _another(trace: Trace, others: Callable[[], Iterable[Chip]]) -> Mistake | None:
    """Another chip whose commands and replies both stand on these lines."""
    if len(trace.chips) > 1:
        return None
    fitting = []
    # this chip itself first: it may only have been read otherwise than its map says
    for chip in (trace.chips[0], *others()):
        order: BitOrder = "msb" if chip.spi.msb_first else "lsb"
        if trace.first is not None:
            first: Transfers | None = trace.first
            setup = trace.first.setup
        elif trace.sample is not None and trace.setup is not None and trace.finding is not None:
            setup = replace(
                trace.setup,
                mode=chip.spi.mode,
                bit_order=order,
                select_active_low=chip.spi.select_active_low,
            )
            first = first_transfers(trace.sample, trace.finding.roles, setup)
        else:
            return None
        reader = WayReader(first, setup, [chip], None)
        if len(reader) < 3:
            continue
        both = [reader.fit(role, reader.usual[role]) for role in ("command", "reply")]
        if all(
            f.share >= ENOUGH and (f.different > 1 or reader.chance(f.role) < SELDOM) for f in both
        ):
            if chip.name == trace.chips[0].name:
                return None
            said = f"{both[0].good} of {both[0].of} commands and {both[1].good} of {both[1].of} replies fit"
            fitting.append((chip.name, said))
    if not fitting:
        return None
    names = " or ".join(n for n, _ in fitting)
    text = f"another chip, or another map: {fitting[0][1]} {names}, and not {trace.chips[0].name}"
    return Mistake(name="another_map", text=text)


def _nothing_fits(trace: Trace, found: Shares) -> Mistake:
    if not found.frames:
        return Mistake(name="fit", text="no frame was found: look at the clock and select lines")
    text = f"only {found.commands} of {found.frames} frames fit {trace.chips[0].name}, read in any way: another chip, another map, or other lines"
    return Mistake(name="fit", text=text)


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
    if finding is None:
        return []
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


def _or_select(mistake: Mistake) -> Mistake:
    """Replies that say nothing while select rests: the rest alone explains them, whatever the line does."""
    if mistake.name not in ("floating", "stuck_high", "stuck_low", "replies"):
        return mistake
    text = f"{mistake.text}; or select alone: a chip whose select never moves takes all clocks for one frame and answers none of them (let select move, then look again)"
    return replace(mistake, text=text, also=(*mistake.also, "select_still"))


def _grid(trace: Trace, odd: dict[int, int]) -> str:
    """Whether the capture was sampled too slowly to show every clock edge."""
    if trace.sample is None or trace.finding is None or len(odd) < 2:
        return ""
    times = np.concatenate([e.times for e in trace.sample.edges])
    step = int(np.gcd.reduce(np.diff(distinct(times)))) if len(times) > 2 else 0
    widths = np.diff(trace.sample.edges[trace.finding.roles.clock].times)
    if not step or not len(widths):
        return ""
    least = int(widths.min()) // step
    if least > 2:
        return ""
    span = trace.clock.text(step)
    return f"sampled too slowly: every edge falls on a grid of {span}, and half a clock is as short as {least} of these; sample at least four times in half a clock"


# --- SPI mode ---------------------------------------------------------------------------------------
def _launch_edge(sample: Signals, line: int, clock: Times, rising: Times) -> tuple[int, int]:
    """How many changes of a line follow a rising and a falling clock edge most closely."""
    times = sample.edges[line].times
    if len(clock) < 8 or not len(times):
        return 0, 0
    usual = lower_quartile(np.diff(clock))
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
    pause = widths > 3 * lower_quartile(widths)
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
    # words that fit are luck here: the line changes at the very edge at which it is sampled
    return [Mistake(name="mode", text=text)]


# --- words ------------------------------------------------------------------------------------------
def _clock_count(trace: Trace, found: Shares, reader: WayReader | None) -> list[Mistake]:
    wanted = {f.length for c in trace.chips for f in c.frames.values()}
    if trace.framer.total:
        wanted = {trace.framer.total, *(c.default_frame().length for c in trace.chips)}
    odd = {n: c for n, c in found.lengths.items() if n not in wanted}
    if not odd and reader is not None and found.command < ENOUGH and len(wanted) > 1:
        # the clocks of another layout: frames of the usual one may stand in them
        usual = max(found.lengths, key=found.lengths.__getitem__, default=0)
        shorter = [n for n in sorted(wanted) if n < usual]
        where = reframed(reader, usual, shorter) if shorter else ""
        if where:
            return [Mistake(name="clocks", text=f"frames have {usual} clocks: {where}")]
    if not odd or not found.frames:
        return []
    clocks = max(odd, key=odd.__getitem__)
    total = sum(odd.values())
    length = min(wanted, key=lambda n: abs(n - clocks))
    many = total > 0.5 * found.frames
    text = f"{total} of {found.frames} frames have a wrong number of clocks, most of these {clocks} instead of {length}"
    if many and reader is not None and not trace.framer.total:
        where = reframed(reader, clocks, sorted(wanted))
        if where:
            more = {1: "one extra clock, ", -1: "one clock is missing, "}.get(clocks - length, "")
            return [Mistake(name="clocks", text=f"{text}: {more}{where}")]
        grid = _grid(trace, odd)
        if grid:
            return [Mistake(name="undersampled", text=f"{text}: {grid}")]
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
