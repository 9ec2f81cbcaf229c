"""When words do not fit: which other way of reading the same lines makes them fit?

Every line is read as command and as reply, at both clock edges, one bit earlier and later, in both
bit orders, and with both polarities of select. A word fits as a command when its length, fixed bits
and guards are right and its address or command is one the map has; as a reply when fixed bits,
guards and the echoes of its command are right. What fits by chance is told by the share of frames.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from regmap.capture.arrays import Values
from regmap.capture.lines.signals import Signals
from regmap.capture.spi import BitOrder, Flag, Roles, SpiSetup, Transfers, Words, join
from regmap.capture.transfers.stream import TransferBuilder
from regmap.chip.bank import Bank
from regmap.chip.model import Chain, Chip
from regmap.frames.bulk import Mask, flawless

from ..frames.decoded import Decoded, Judge, plausible
from ..frames.framer import Framer
from ..frames.pairs import CUT, PairTable
from ..tracer import SAMPLE

#: Share of frames that must fit for a way of reading to be believed.
ENOUGH = 0.85
#: How much more must fit than as set up.
CLEARLY = 0.3
AS_SET_UP = "as set up"


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

    def read(self, command: Way, reply: Way) -> Transfers:
        """The transfers as if the lines had been read these ways."""
        t = self.transfers
        assert t is not None
        lacking = [
            f for w, f in ((command, Flag.UNKNOWN_COMMAND), (reply, Flag.UNKNOWN_REPLY)) if w.shift
        ]
        return replace(
            t,
            flags=t.flags | np.uint32(sum(lacking)),
            setup=replace(t.setup, bit_order=command.order),
            command_values=self._turned(t, self._values(t, command), command),
            reply_values=self._ordered(
                t, self._turned(t, self._values(t, reply), reply), command.order, reply.order
            ),
        )

    def _values(self, t: Transfers, way: Way) -> Values:
        same = way.rising == self.setup.rising
        values: Values = getattr(t, f"{way.line}_values" if same else f"{way.line}_other")
        first, clocks = (t.first, t.clocks) if same else (t.other_first, t.other_clocks)
        if not len(values):
            return np.full(int(t.clocks.sum()), 2, np.uint8)
        # every transfer gets as many bits as it has sampling edges, from its own clocks on
        place = np.arange(int(t.clocks.sum())) - np.repeat(t.first, t.clocks)
        source = place + way.shift
        inside = (source >= 0) & (source < np.repeat(clocks, t.clocks))
        taken = values[np.where(inside, np.repeat(first, t.clocks) + source, 0)]
        taken = np.where(inside, taken, np.uint8(2))
        if way.inverted:
            taken = np.where(taken <= 1, 1 - taken, taken)
        return taken.astype(np.uint8)

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

    @staticmethod
    def _ordered(t: Transfers, values: Values, base: BitOrder, wanted: BitOrder) -> Values:
        """Bits turned round inside every transfer where the two lines differ in order."""
        if base == wanted:
            return values
        place = np.arange(len(values)) - np.repeat(t.first, t.clocks)
        turned: Values = values[np.repeat(t.first + t.clocks - 1, t.clocks) - place]
        return turned

    # --- scores ---------------------------------------------------------------------------------
    def fit(self, role: str, way: Way) -> Fit:
        """How well the words fit the map when read this way."""
        if not len(self):
            return Fit(way=way, role=role, good=0, of=0, different=0)
        if role == "command":
            read = self.read(way, replace(self.usual["reply"], order=way.order))
        else:
            read = self.read(replace(self.usual["command"], order=way.order), way)
        return replace(self.score(role, read, way), change=way.text(self.usual[role]))

    def score(self, role: str, read: Transfers, way: Way) -> Fit:
        """How well transfers fit the map, read as they are."""
        framer = Framer(self.chips, self.chain)
        batches = [*framer.feed(read), *framer.finish()]
        good = total = 0
        words: set[int] = set()
        for batch in batches:
            table = framer.tables[batch.chip]
            judge = Judge(self.chips[batch.chip], len(self.chips), framer.total, framer.chain)
            fits = (
                self._commands_fit(judge, table, way)
                if role == "command"
                else self._replies_fit(judge, table, way)
            )
            whole = (table.column(3) & np.uint64(CUT)) == 0
            total += int(np.count_nonzero(whole[batch.idents]))
            good += int(np.count_nonzero((fits & whole)[batch.idents]))
            words.update(np.unique(table.column(0 if role == "command" else 4)).tolist())
        return Fit(way=way, role=role, good=good, of=total, different=len(words))

    def _commands_fit(self, judge: Judge, table: PairTable, way: Way) -> Mask:
        """For each pair, whether its command is one that makes sense, in whatever layout."""
        bank, seen = Bank(judge.chip), judge.codec.recogniser
        word, unknown, bits = (table.column(k) for k in range(3))
        possible = np.zeros(len(table), np.bool_)
        known: dict[tuple[int, str], bool] = {}
        for filled, clear in _fillings(word, unknown, way):
            for name, frame in judge.chip.frames.items():
                fits = clear & ~possible & (bits == np.uint64(frame.length))
                fits &= flawless(frame.command, filled)
                for ident in np.flatnonzero(fits).tolist():
                    key = int(filled[ident]), name
                    if key not in known:
                        sent = seen.command(key[0], bank, frame, frame.length)
                        said = Decoded(sent=sent, trouble="; ".join(f.text for f in sent.flaws))
                        known[key] = plausible(said, judge.chip)
                    possible[ident] = known[key]
        return possible

    @staticmethod
    def _replies_fit(judge: Judge, table: PairTable, way: Way) -> Mask:
        """For each pair, whether its reply fits any reply layout of the chip, whatever was asked."""
        fits = np.zeros(len(table), np.bool_)
        for place, after in enumerate(table.after):
            word, hidden, bits = (table.column(4 + 3 * place + k) for k in range(3))
            for filled, clear in _fillings(word, hidden, way):
                for frame in judge.chip.frames.values():
                    for layout in frame.replies.values() if frame.after == after else ():
                        full = np.uint64((1 << layout.length) - 1)
                        # a word that rests at one level tells nothing
                        telling = (filled != 0) & (filled != full)
                        telling &= bits == np.uint64(layout.length)
                        fits |= clear & telling & flawless(layout, filled)
        return fits

    def chance(self, role: str) -> float:
        """The share of words at random that fit: what a map with few check bits takes for its own."""
        t = self.transfers
        if t is None:
            return 0.0
        length = self.chips[0].default_frame().length
        draw = np.random.default_rng(1)
        bits = draw.integers(0, 2, 120 * length, dtype=np.uint8)
        read = of_bits(t, [bits[i * length : (i + 1) * length] for i in range(120)], role)
        alone = WayReader(read, self.setup, self.chips[:1], None)
        return alone.score(role, read, self.usual[role]).share

    def ranked(self, role: str) -> list[Fit]:
        """All ways, best first; equal shares in the order of simplicity."""
        usual = self.usual[role]
        fits = [self.fit(role, w) for w in self.ways(role)]

        # a shifted word has bits to guess: of equal fits it proves less
        def rank(fit: Fit) -> tuple[float, int, int, bool]:
            way = fit.way
            kinds = sum(
                (way.line != usual.line, way.rising != usual.rising, bool(way.shift), way.inverted,
                 way.order != usual.order or way.bytes_turned)
            )  # fmt: skip
            return -round(fit.share, 2), way.distance(usual), kinds, bool(way.shift)

        return sorted(fits, key=rank)


def _filled(word: int, unknown: int, way: Way) -> list[int]:
    """The words that a shifted one may be: the bits that it lacks at its end may have been anything."""
    if not unknown:
        return [word]
    if not way.shift or unknown.bit_count() > abs(way.shift):
        return []
    words = [word]
    for place in range(unknown.bit_length()):
        if unknown >> place & 1:
            words = [w | bit << place for w in words for bit in (0, 1)]
    return words


def _fillings(word: Words, hidden: Words, way: Way) -> Iterator[tuple[Words, Mask]]:
    """The same for arrays: each filling with where it can be one."""
    none = hidden == 0
    yield word, none
    masks = np.unique(hidden[~none]).tolist() if way.shift else []
    for mask in masks:
        if mask.bit_count() <= abs(way.shift):
            here = hidden == np.uint64(mask)
            for value in _filled(0, mask, way):
                yield word | np.uint64(value), here


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
