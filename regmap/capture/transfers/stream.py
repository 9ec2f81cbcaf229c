"""From edges to timed SPI transfers, block after block, in bulk.

    builder = TransferBuilder(SpiSetup(mode=1), roles, capture.tick)
    for block in capture.blocks():
        part = builder.feed(block)          # Transfers or None
    part = builder.finish()

A transfer that is not complete at a block's end waits for the next one, so that the result does not
depend on how the capture was cut. Data are taken as they stood just before the sampling edge; a
change in the very tick of that edge is flagged. Clock edges from select's active to its inactive
edge, both included, belong to the transfer.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from fractions import Fraction
from typing import Any, Literal

import numpy as np

from regmap.errors import CallError
from regmap.quantity import show
from regmap.record import replace

from ..arrays import NO_TIMES, NO_VALUES, Indices, Times, Values, X, middle
from ..lines.measure import LineHealth, Timing
from ..lines.signals import NO_EDGES, Block, Capture, Edges
from ..lines.track import NEVER, Track, behind, held, ranges
from ..spi import NONE, Flag, Roles, SpiSetup, Transfers, join
from .ahead import blocks_ahead
from .clocktimes import Usual, clock_times
from .segment import cut_by_gap, cut_by_select, find_gap

#: Clock edges seen before anything is decided (missing select, pause, usual pulse width).
WARM_UP = 4096
#: Edges to be cut into transfers `together` where nobody waits for them: each step's fixed cost is paid once for several blocks.
TOGETHER = 300_000
#: Edges that may wait for the end of one transfer, or for the warm-up.
WAIT_LIMIT = 4_000_000
_SECOND = (0, 0, 1, 0, 0)


class TransferBuilder:
    """Feeds on blocks, gives transfers. `timing`, `command_health`, `reply_health` grow with them.

    `roles` are channel indices; `resolution` the capture's (0 if unknown), for undersampling hints.
    `notes` says what was assumed or looks wrong; it is complete after `finish()`.
    """

    def __init__(
        self,
        setup: SpiSetup,
        roles: Roles,
        tick: Fraction,
        *,
        resolution: int = 0,
        warm_up: int = WARM_UP,
        together: int = 0,
    ) -> None:
        self.setup = setup
        self.roles = roles
        self.tick = tick
        self.resolution = resolution
        self.notes: list[str] = []
        self.timing = Timing(tick)
        self.command_health = LineHealth("command", roles.command is not None)
        self.reply_health = LineHealth("reply", roles.reply is not None)
        self.count = 0
        self.strays = 0
        self.by_gap = roles.select is None or setup.segment == "gap"
        if setup.segment == "select" and roles.select is None:
            raise CallError("segment='select' needs a select line")
        self._clock, self._select = Track(), Track()
        self._data = {"command": Track(), "reply": Track()}
        pins = {"fault": roles.fault, "enable": roles.enable}
        self._pins = {pin: index for pin, index in pins.items() if index is not None}
        self._pin_edges: dict[str, list[Edges]] = {pin: [] for pin in self._pins}
        self._pin_before = dict.fromkeys(self._pins, X)
        self._warm = False
        self._warm_up = warm_up
        self._together = together
        self._start: int | None = None
        self._until = 0
        self._open: int | None = None
        self._open_flags = 0
        self._end_before: int | None = None
        self._last_sample = NEVER
        self._strays = 0
        self._gap: int | None = None
        self._usual = Usual()

    # -- feeding -------------------------------------------------------------------------------

    def feed(self, block: Block) -> Transfers | None:
        """Take one block; the transfers that are complete now, or None."""
        roles = self.roles
        lines = [
            (self._clock, roles.clock),
            (self._select, roles.select),
            (self._data["command"], roles.command),
            (self._data["reply"], roles.reply),
        ]
        if self._start is None:
            self._start = block.start
            self._pin_before = {pin: int(block.before[i]) for pin, i in self._pins.items()}
            for track, index in lines:
                if index is not None:
                    track.level = int(block.before[index])
            if roles.select is not None and self._select.level == self._active:
                self._open, self._open_flags = block.start, int(Flag.STARTS_MID)
        closes = self.by_gap
        for track, index in lines:
            if index is None:
                continue
            edges = block.of(index)
            track.add(edges)
            if track is self._select and len(edges):
                closes = True
        self._until = block.until
        for pin, index in self._pins.items():
            if len(edges := block.of(index)):
                self._pin_edges[pin].append(edges)
        for name, health in (("command", self.command_health), ("reply", self.reply_health)):
            index = getattr(roles, name)
            if index is not None:
                health.edges += len(block.of(index))
        waiting = self._clock.count + sum(t.count for t in self._data.values()) + self._select.count
        if not self._warm:
            if self._clock.count < self._warm_up and waiting < WAIT_LIMIT:
                return None
            self._decide()
            closes = True
        if (not closes or waiting < self._together) and waiting < WAIT_LIMIT:
            return None
        return self._take(final=False, force=waiting >= WAIT_LIMIT)

    def finish(self) -> Transfers | None:
        """The transfers that were still open at the end of the capture, or None."""
        if self._start is None:
            return None
        if not self._warm:
            self._decide()
        part = self._take(final=True, force=False)
        self.strays += self._strays
        self._remarks()
        return part

    def pin(self, role: Literal["fault", "enable"]) -> tuple[int, Edges] | None:
        """Level of a pin at the first instant and its edges so far; None if it was not captured."""
        if role not in self._pins:
            return None
        parts = self._pin_edges[role]
        if len(parts) > 1:
            times = np.concatenate([p.times for p in parts])
            parts[:] = [Edges(times, np.concatenate([p.values for p in parts]))]
        return self._pin_before[role], parts[0] if parts else NO_EDGES

    @property
    def span(self) -> tuple[int, int]:
        """(first, last) instant of the blocks fed so far, in ticks."""
        return self._start or 0, max(self._until - 1, self._start or 0)

    @property
    def _active(self) -> int:
        return 0 if self.setup.select_active_low else 1

    # -- inside --------------------------------------------------------------------------------

    def _note(self, text: str) -> None:
        if text not in self.notes:
            self.notes.append(text)

    def _decide(self) -> None:
        """What the first clock edges tell: usual pulse, missing select, the pause between frames."""
        self._warm = True
        times, _ = self._known_clock()
        times = times[:WARM_UP]
        widths = np.diff(times)
        pulse = int(middle(widths))
        runt = self.setup.runt
        limit = -(-runt // self.tick) if runt is not None else (pulse + 3) // 4
        self._usual = Usual(pulse=pulse, runt=limit, resolution=self.resolution)
        select = self._select
        if not self.by_gap and self.setup.segment == "auto" and not select.count and len(times) > 1:
            state = {0: "low", 1: "high"}.get(select.level, "unknown")
            self._note(f"select stays {state}: transfers are cut at pauses of the clock instead")
            self.by_gap, self._open = True, None
        elif self.by_gap:
            self._note("no select line: transfers are cut at pauses of the clock instead")
        if self.by_gap:
            self._open = None
            if self.setup.gap is not None:
                self._gap = int(self.setup.gap / self.tick)
            else:
                self._gap, text = find_gap(widths, self.setup.frame_clocks, self.tick)
                self._note(text)
        resolution = self.resolution
        if resolution and len(widths) > 16:
            near = widths[widths <= 3 * resolution]
            if (
                2 * len(near) > len(widths)
                and near.min() <= 2 * resolution
                and near.min() != near.max()
            ):
                a, b = (show(int(v) * self.tick, _SECOND) for v in (near.min(), near.max()))
                step = show(resolution * self.tick, _SECOND)
                self._note(
                    f"clock pulses measure {a} to {b} at a sampling step of {step}: "
                    "sampled too slowly, bits may be wrong"
                )

    def _known_clock(self) -> tuple[Times, Values]:
        """Clock edges that alternate between 0 and 1; a first value after x is no edge."""
        edges = self._clock.edges()
        times, values = edges.times, edges.values
        level = self._clock.level
        if (len(values) and int(values.max()) > 1) or level > 1:
            known = np.flatnonzero(values <= 1)
            times, values = times[known], values[known]
            if level > 1:
                level = (
                    self._clock_before
                    if self._clock_before <= 1
                    else (int(values[0]) if len(values) else X)
                )
            moved = np.flatnonzero(np.diff(values, prepend=np.uint8(level)))
            times, values = times[moved], values[moved]
        return times, values

    _clock_before = X

    def _take(self, *, final: bool, force: bool) -> Transfers | None:
        limit = self._until
        times, values = self._known_clock()
        if self.by_gap:
            cut = cut_by_gap(
                times,
                self._gap,
                self.setup.frame_clocks,
                self._start or 0,
                limit,
                final=final,
                force=force,
            )
        else:
            edges = self._select.edges()
            cut = cut_by_select(
                edges,
                self._select.level,
                self._active,
                self._open,
                self._open_flags,
                times,
                limit,
                final=final,
                force=force,
            )
        part = self._build(cut.start, cut.end, cut.flags, times, values, cut.until)
        if len(times):
            place = int(np.searchsorted(times, cut.until))
            if place:
                self._clock_before = int(values[place - 1])
            elif self._clock.level <= 1:
                self._clock_before = self._clock.level
        for track in (self._clock, self._select, *self._data.values()):
            track.drop(cut.until)
        self._open, self._open_flags = cut.open, cut.open_flags
        return part

    def _build(
        self, start: Times, end: Times, flags: Times, clock: Times, level: Values, until: int
    ) -> Transfers | None:
        stop = int(np.searchsorted(clock, until))
        clock, level = clock[:stop], level[:stop]
        rise = 0 if len(level) and level[0] == 1 else 1
        wanted = rise if self.setup.rising else 1 - rise
        samples = clock[wanted::2]
        bounds = (
            np.searchsorted(clock, start, side="left"),
            np.searchsorted(clock, end, side="right"),
        )
        # Every second clock edge is a sampling edge.
        low, high = ((b - wanted + 1) >> 1 for b in bounds)
        if not len(start):
            self._strays += len(samples)
            return None
        strays = low.copy()
        strays[1:] -= high[:-1]
        strays[0] += self._strays
        self._strays = len(samples) - int(high[-1])
        self.strays += int(strays.sum())
        clocks = high - low
        first = np.cumsum(clocks) - clocks
        if int(clocks.sum()) != len(samples):
            samples = samples[ranges(low, clocks)]
        number = self.count + np.arange(len(start))
        flags = flags.copy()
        flags[clocks == 0] |= int(Flag.NO_CLOCKS)
        flags[strays > 0] |= int(Flag.STRAY_CLOCKS)

        taken = {}
        for name, health in (("command", self.command_health), ("reply", self.reply_health)):
            taken[name] = self._sample(name, health, samples, first, number, flags, until)
        if len(samples):
            self._last_sample = int(samples[-1])
        a, b = taken["command"], taken["reply"]
        if len(a) and len(b):
            self._compare(a, b)
        measured = clock_times(
            self.setup,
            self._usual,
            start,
            end,
            flags,
            clock,
            rise,
            self._clock.level,
            samples,
            first,
            clocks,
            bounds,
        )
        self._unknown_clock(start, end, flags)
        for name in ("high", "low", "period", "lead"):
            self.timing.add(name, measured[name], number, start)
        self.timing.add("lag", measured["lag"], number, end)
        idle = np.empty_like(start)
        np.subtract(start[1:], end[:-1], out=idle[1:])
        idle[0] = NONE if self._end_before is None else start[0] - self._end_before
        self._end_before = int(end[-1])
        self.timing.add("idle", idle, number, start)
        self.count += len(start)
        part = Transfers(
            setup=self.setup,
            tick=self.tick,
            number=number,
            start=start,
            end=end,
            clocks=clocks,
            first=first,
            flags=flags.astype(np.uint32),
            idle=idle,
            strays=strays,
            command_values=a,
            reply_values=b,
            lead=measured["lead"],
            lag=measured["lag"],
            period=measured["period"],
            high=measured["high"],
            low=measured["low"],
        )
        return (
            replace(part, **self._other(clock[1 - wanted :: 2], start, end, until))
            if self.setup.both_edges
            else part
        )

    def _sample(
        self,
        name: str,
        health: LineHealth,
        samples: Times,
        first: Times,
        number: Times,
        flags: Times,
        until: int,
    ) -> Values:
        """The line just before every sampling edge; notes what changes too near to one."""
        if not health.captured:
            return NO_VALUES
        track = self._data[name]
        edges = track.edges()
        stop = int(np.searchsorted(edges.times, until))
        times, values = edges.times[:stop], edges.values[:stop]
        place = behind(samples, times)
        taken = held(track.level, values, place, len(samples))
        health.add(taken)
        self._near(name, health, samples, times, place, track, first, number, flags)
        if len(taken) and int(taken.max()) > 1:
            owner = np.searchsorted(first, np.flatnonzero(taken > 1), side="right") - 1
            flags[owner] |= int(Flag.UNKNOWN_COMMAND if name == "command" else Flag.UNKNOWN_REPLY)
        return taken

    def _near(
        self,
        name: str,
        health: LineHealth,
        samples: Times,
        times: Times,
        place: Indices,
        track: Track,
        first: Times,
        number: Times,
        flags: Times,
    ) -> None:
        if len(times) and self._last_sample != NEVER and not place[0]:
            self.timing.one(
                f"{name}_hold", int(times[0]) - self._last_sample, int(number[0]) - 1, int(times[0])
            )
        if not len(samples):
            return
        head = int(np.searchsorted(place, 1))
        if track.since != NEVER and (not len(place) or place[0] > 0):
            self._worst(f"{name}_setup", int(samples[0]) - track.since, 0, samples, first, number)
        if not len(times):
            return
        before = samples.take(place[head:] - 1)
        hold = times[head:] - before
        if len(hold):
            least = int(hold.argmin())
            self._worst(
                f"{name}_hold",
                int(hold[least]),
                int(place[head + least]) - 1,
                samples,
                first,
                number,
            )
            if hold[least] == 0:
                hit = place[head:][hold == 0] - 1
                health.at_edge += len(hit)
                owner = np.searchsorted(first, hit, side="right") - 1
                flags[owner] |= int(
                    Flag.COMMAND_AT_EDGE if name == "command" else Flag.REPLY_AT_EDGE
                )
        tail = int(np.searchsorted(place, len(samples)))
        if tail:
            setup = samples.take(place[:tail]) - times[:tail]
            least = int(setup.argmin())
            self._worst(
                f"{name}_setup", int(setup[least]), int(place[least]), samples, first, number
            )

    def _worst(
        self, measure: str, ticks: int, sample: int, samples: Times, first: Times, number: Times
    ) -> None:
        owner = int(np.searchsorted(first, sample, side="right")) - 1
        self.timing.one(measure, ticks, int(number[owner]), int(samples[sample]))

    def _compare(self, a: Values, b: Values) -> None:
        if int(a.max()) > 1 or int(b.max()) > 1:
            both = (a <= 1) & (b <= 1)
            a, b = a[both], b[both]
        same = int(np.count_nonzero(a == b))
        for health in (self.command_health, self.reply_health):
            health.same += same
            health.compared += len(a)

    def _other(self, samples: Times, start: Times, end: Times, until: int) -> dict[str, Any]:
        """The data lines at the other clock edge."""
        low = np.searchsorted(samples, start, side="left")
        clocks = np.searchsorted(samples, end, side="right") - low
        if int(clocks.sum()) != len(samples):
            samples = samples[ranges(low, clocks)]
        found: dict[str, Any] = {
            "other_first": np.cumsum(clocks) - clocks,
            "other_clocks": clocks,
        }
        for name, health in (("command", self.command_health), ("reply", self.reply_health)):
            if health.captured:
                track = self._data[name]
                edges = track.edges()
                stop = int(np.searchsorted(edges.times, until))
                place = behind(samples, edges.times[:stop])
                found[f"{name}_other"] = held(track.level, edges.values[:stop], place, len(samples))
        return found

    def _unknown_clock(self, start: Times, end: Times, flags: Times) -> None:
        edges = self._clock.edges()
        if not len(edges) or int(edges.values.max()) <= 1:
            return
        odd = edges.times[edges.values > 1]
        owner = np.searchsorted(start, odd, side="right") - 1
        inside = (owner >= 0) & (odd <= end.take(owner, mode="clip"))
        flags[owner[inside]] |= int(Flag.CLOCK_UNKNOWN)

    def _remarks(self) -> None:
        inside = self.command_health.bits or self.reply_health.bits
        if self.count and not inside and self.strays and not self.by_gap:
            level = "high" if self.setup.select_active_low else "low"
            self._note(
                f"all {self.strays} clock edges lie where select is inactive: is it active {level}?"
            )
        elif self.strays and not self.by_gap:
            self._note(
                f"{self.strays} sampling edges lie where select is inactive (other chips on the SPI?)"
            )
        if not self.count:
            self._note("no transfer in the capture")
        for health in (self.command_health, self.reply_health):
            if health.text:
                self._note(health.text)


def iter_transfers(capture: Capture, builder: TransferBuilder) -> Iterator[Transfers]:
    """The transfers of a whole capture, part by part; the next block is read meanwhile."""
    with closing(blocks_ahead(capture)) as blocks:
        for block in blocks:
            part = builder.feed(block)
            if part is not None:
                yield part
    part = builder.finish()
    if part is not None:
        yield part


def read_transfers(
    capture: Capture, setup: SpiSetup, roles: Roles
) -> tuple[Transfers, TransferBuilder]:
    """All transfers of a capture at once, and the builder with timing, health and notes."""
    capture.peek(1)
    builder = TransferBuilder(setup, roles, capture.tick, resolution=capture.resolution)
    found = join(iter_transfers(capture, builder))
    return (found if found is not None else no_transfers(setup, capture.tick)), builder


def no_transfers(setup: SpiSetup, tick: Fraction) -> Transfers:
    """An empty set of transfers."""
    none: dict[str, Any] = dict.fromkeys(
        (
            "number",
            "start",
            "end",
            "clocks",
            "first",
            "lead",
            "lag",
            "idle",
            "period",
            "high",
            "low",
            "strays",
        ),
        NO_TIMES,
    )
    return Transfers(
        setup=replace(setup),
        tick=tick,
        flags=np.empty(0, np.uint32),
        command_values=NO_VALUES,
        reply_values=NO_VALUES,
        **none,
    )
