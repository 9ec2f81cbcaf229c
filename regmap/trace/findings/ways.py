"""When words do not fit: which other way of reading the same lines makes them fit?

Every line is read as command and as reply, at both clock edges, one bit earlier and later, in both
bit orders, and with both polarities of select. What fits by chance is told by the share of frames.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from regmap.capture.arrays import Times, Values
from regmap.capture.lines.signals import Signals
from regmap.capture.spi import BitOrder, Flag, Roles, SpiSetup, Transfers, join
from regmap.capture.transfers.stream import TransferBuilder
from regmap.chip.model import Chain, Chip
from regmap.record import dataclass, replace

from ..frames.framer import latencies
from ..tracer import SAMPLE
from .fitting import counted

#: Share of frames that must fit for a way of reading to be believed.
ENOUGH = 0.85
#: words at random by which it is told how many fit by chance
RANDOM_WORDS = 120
#: How much more must fit than as set up.
CLEARLY = 0.3
AS_SET_UP = "as set up"
#: Clocks of a transfer that is no frame of any chip: more than a word has.
_NO_FRAME = 65
#: What each value (0, 1, X, Z) is on an inverted line.
_INVERTED = np.array([1, 0, 2, 3], np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way of reading one line. `shift` n: every bit n clocks later than asked (below 0: earlier).

    `bytes_turned` takes the bytes of a transfer last first; with the other bit order this turns the bits
    within each byte.
    """

    line: str = "command"
    rising: bool = False
    shift: int = 0
    order: BitOrder = "msb"
    inverted: bool = False
    bytes_turned: bool = False

    def text(self, usual: Way) -> str:
        """What is different from the usual way."""
        parts = []
        if self.line != usual.line:
            parts.append(f"taken from the {self.line} line")
        if self.rising != usual.rising:
            parts.append(f"sampled at the {'rising' if self.rising else 'falling'} clock edge")
        if self.shift:
            many = "one clock" if abs(self.shift) == 1 else f"{abs(self.shift)} clocks"
            parts.append(f"{many} {'late' if self.shift > 0 else 'early'}")
        if self.bytes_turned and self.order != usual.order:
            parts.append("bits turned round within each byte")
        elif self.bytes_turned:
            parts.append("bytes in reverse order")
        elif self.order != usual.order:
            parts.append(f"{'least' if self.order == 'lsb' else 'most'} significant bit first")
        if self.inverted:
            parts.append("inverted")
        return ", ".join(parts) or AS_SET_UP

    def distance(self, usual: Way) -> int:
        """How many things are different: of equal fits the simplest explanation wins."""
        return sum(
            (self.line != usual.line, self.rising != usual.rising, abs(self.shift),
             self.order != usual.order or self.bytes_turned, self.inverted)
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How many of `of` frames fit when a line is read this way; `change` says what is unusual about it."""

    way: Way
    role: str
    good: int
    of: int
    different: int
    change: str = ""

    @property
    def change_needed(self) -> bool:
        """Whether this is another way of reading than the one set up."""
        return self.change != AS_SET_UP

    @property
    def share(self) -> float:
        return self.good / self.of if self.of else 0.0


class WayReader:
    """The first transfers of a capture, readable in every way."""

    def __init__(
        self,
        transfers: Transfers | None,
        setup: SpiSetup,
        chips: Sequence[Chip],
        chain: Chain | None,
    ) -> None:
        self.chips = tuple(chips)
        self.chain = chain
        self.setup = setup
        self.transfers = transfers
        #: transfers of no frame between two ways: as many as a reply may come later, and one for bursts
        self._gap = max(1, *(a for c in chips for a in latencies(c)))
        self._sources: dict[tuple[bool, int], tuple[Times, Times]] = {}
        self._known: dict[tuple[str, Way], Fit] = {}
        self.usual = {
            role: Way(line=role, rising=setup.rising, order=setup.bit_order)
            for role in ("command", "reply")
        }

    def __len__(self) -> int:
        return len(self.transfers) if self.transfers is not None else 0

    def ways(self, role: str) -> Iterator[Way]:
        """All ways to read something as this role, the usual one first."""
        usual = self.usual[role]
        other = "reply" if role == "command" else "command"
        edges = [usual.rising]
        if self.transfers is not None and len(self.transfers.other_first):
            edges.append(not usual.rising)
        turned: BitOrder = "lsb" if usual.order == "msb" else "msb"
        for line in (role, other):
            for inverted in (False, True):
                for rising in edges:
                    for order in (usual.order, turned):
                        for shift in (0, 1, -1):
                            yield Way(
                                line=line,
                                rising=rising,
                                shift=shift,
                                order=order,
                                inverted=inverted,
                            )
        for shift in (2, -2, 3, -3):
            yield replace(usual, shift=shift)
        for order in (usual.order, turned):
            yield replace(usual, order=order, bytes_turned=True)

    def _read(self, role: str, ways: Sequence[Way]) -> Transfers:
        """The transfers as if the line of this role had been read these ways, one way after the other.

        All ways have one bit order. The other line is read as usual. Between two ways stand
        transfers of no frame, so that no frame is answered, nor joined, by one of another way.
        """
        t, other = self.transfers, "reply" if role == "command" else "command"
        assert t is not None
        order = ways[0].order
        lacking = Flag.UNKNOWN_COMMAND if role == "command" else Flag.UNKNOWN_REPLY
        usual = replace(self.usual[other], order=order)
        mine = [self._turned(t, self._values(t, w), w) for w in ways]
        rest = self._turned(t, self._values(t, usual), usual)
        return _behind_each_other(
            replace(
                t,
                flags=t.flags | np.uint32(lacking if any(w.shift for w in ways) else 0),
                setup=replace(t.setup, bit_order=order),
            ),
            mine if role == "command" else [rest] * len(ways),
            mine if role == "reply" else [rest] * len(ways),
            self._gap,
        )

    def _values(self, t: Transfers, way: Way) -> Values:
        same = way.rising == self.setup.rising
        values: Values = getattr(t, f"{way.line}_values" if same else f"{way.line}_other")
        if not len(values):
            return np.full(int(t.clocks.sum()), 2, np.uint8)
        if (same, way.shift) not in self._sources:
            self._sources[same, way.shift] = self._source(t, same, way.shift)
        source, outside = self._sources[same, way.shift]
        taken = values[source]
        if way.inverted:
            taken = _INVERTED[taken]
        taken[outside] = 2
        return taken

    @staticmethod
    def _source(t: Transfers, same: bool, shift: int) -> tuple[Times, Times]:
        """Where each bit is taken from, and the places of those that are not there.

        Every transfer gets as many bits as it has sampling edges, from its own clocks on.
        """
        first, clocks = (t.first, t.clocks) if same else (t.other_first, t.other_clocks)
        place = np.arange(int(t.clocks.sum())) - np.repeat(t.first, t.clocks)
        source = place + shift
        inside = (source >= 0) & (source < np.repeat(clocks, t.clocks))
        source = np.where(inside, np.repeat(first, t.clocks) + source, 0)
        return source, np.flatnonzero(~inside)

    @staticmethod
    def _turned(t: Transfers, values: Values, way: Way) -> Values:
        """Bytes last first, in transfers of whole bytes."""
        if not way.bytes_turned:
            return values
        clocks = np.repeat(t.clocks, t.clocks)
        place = np.arange(len(values)) - np.repeat(t.first, t.clocks)
        turned = (clocks // 8 - 1 - place // 8) * 8 + place % 8
        source = np.repeat(t.first, t.clocks) + np.where(clocks % 8 == 0, turned, place)
        out: Values = values[source]
        return out

    # --- scores ---------------------------------------------------------------------------------
    def fit(self, role: str, way: Way) -> Fit:
        """How well the words fit the map when read this way."""
        return self.fits(role, [way])[0]

    def fits(self, role: str, ways: Sequence[Way]) -> list[Fit]:
        """The same for each of some ways: much faster than one after the other."""
        if not len(self):
            return [Fit(way=w, role=role, good=0, of=0, different=0) for w in ways]
        alike: dict[BitOrder, list[Way]] = {}
        for way in dict.fromkeys(w for w in ways if (role, w) not in self._known):
            alike.setdefault(way.order, []).append(way)
        for some in alike.values():
            lacking = [abs(w.shift) for w in some]
            told = counted(role, self._read(role, some), lacking, self.chips, self.chain)
            for number, way in enumerate(some):
                good, of, different = (int(n[number]) for n in (told.good, told.of, told.different))
                self._known[role, way] = Fit(
                    way=way, role=role, good=good, of=of, different=different,
                    change=way.text(self.usual[role]),
                )  # fmt: skip
        return [self._known[role, w] for w in ways]

    def score(self, role: str, read: Transfers, way: Way) -> Fit:
        """How well transfers fit the map, read as they are."""
        told = counted(
            role, replace(read, number=np.zeros_like(read.number)), [0], self.chips, self.chain
        )
        good, of, different = (int(n[0]) for n in (told.good, told.of, told.different))
        return Fit(way=way, role=role, good=good, of=of, different=different)

    def chance(self, role: str) -> float:
        """The share of words at random that fit: what a map with few check bits takes for its own."""
        t = self.transfers
        if t is None:
            return 0.0

        def share(chip: Chip) -> float:
            length = chip.default_frame().length
            draw = np.random.default_rng(1)
            bits = draw.integers(0, 2, RANDOM_WORDS * length, dtype=np.uint8)
            read = of_bits(
                t, [bits[i * length : (i + 1) * length] for i in range(RANDOM_WORDS)], role
            )
            alone = WayReader(read, self.setup, [chip], None)
            return alone.score(role, read, self.usual[role]).share

        return self.chips[0].once(f"chance.{role}.{t.setup.bit_order}", share)

    def ranked(self, role: str) -> list[Fit]:
        """All ways, best first; equal shares in the order of simplicity."""
        usual = self.usual[role]
        fits = self.fits(role, [*self.ways(role)])

        # a shifted word has bits to guess: of equal fits it proves less
        def rank(fit: Fit) -> tuple[float, int, int, bool]:
            way = fit.way
            kinds = sum(
                (way.line != usual.line, way.rising != usual.rising, bool(way.shift), way.inverted,
                 way.order != usual.order or way.bytes_turned)
            )  # fmt: skip
            return -round(fit.share, 2), way.distance(usual), kinds, bool(way.shift)

        return sorted(fits, key=rank)


def _behind_each_other(
    t: Transfers, command: Sequence[Values], reply: Sequence[Values], gap: int
) -> Transfers:
    """The transfers once for each of these values, numbered by it, and `gap` of no frame (-1) behind each."""
    many, none = len(command), np.zeros(gap * _NO_FRAME, np.uint8)
    clocks = np.concatenate((t.clocks, np.full(gap, _NO_FRAME)))
    flags = np.concatenate((t.flags, np.full(gap, Flag.ENDS_MID, np.uint32)))
    number = np.concatenate(
        [v for n in range(many) for v in (np.full(len(t), n), np.full(gap, -1))]
    )
    clocks = np.tile(clocks, many)
    blank = np.full(len(clocks), -1, np.int64)
    return Transfers(
        setup=t.setup, tick=t.tick, number=number, start=blank, end=blank, clocks=clocks,
        first=np.cumsum(clocks) - clocks, flags=np.tile(flags, many), lead=blank, lag=blank,
        idle=blank, period=blank, high=blank, low=blank, strays=blank,
        command_values=np.concatenate([v for some in command for v in (some, none)]),
        reply_values=np.concatenate([v for some in reply for v in (some, none)]),
    )  # fmt: skip


def of_bits(model: Transfers, rows: Sequence[Values], role: str = "command") -> Transfers:
    """Transfers of these bits, on one line; the other carries zeros. Times are those of nobody."""
    clocks = np.array([len(r) for r in rows], np.int64)
    n = len(rows)
    values = np.concatenate(rows) if n else np.empty(0, np.uint8)
    other = np.zeros(len(values), np.uint8)
    none = np.full(n, -1, np.int64)
    count = np.arange(n, dtype=np.int64)
    return Transfers(
        setup=model.setup, tick=model.tick, number=count, start=count, end=count, clocks=clocks,
        first=np.cumsum(clocks) - clocks, flags=np.zeros(n, np.uint32), lead=none, lag=none,
        idle=none, period=none, high=none, low=none, strays=np.zeros(n, np.int64),
        command_values=values if role == "command" else other,
        reply_values=values if role == "reply" else other,
    )  # fmt: skip


def first_transfers(
    sample: Signals, roles: Roles, setup: SpiSetup, count: int = SAMPLE
) -> Transfers | None:
    """The first transfers of a sample with the bits of both clock edges."""
    builder = TransferBuilder(replace(setup, both_edges=True), roles, sample.tick)
    parts: list[Transfers] = []
    many = 0
    for block in sample.blocks(20_000):
        part = builder.feed(block)
        if part is not None:
            parts.append(part)
            many += len(part)
        if many >= count:
            break
    if many < count:
        last = builder.finish()
        if last is not None:
            parts.append(last)
    whole = join(parts)
    return whole if whole is None or len(whole) <= count else whole.take(np.arange(count))
