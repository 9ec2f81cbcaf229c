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
from regmap.capture.spi import BitOrder, Roles, SpiSetup, Transfers, join
from regmap.capture.transfers.stream import TransferBuilder
from regmap.chip.bank import Bank
from regmap.chip.model import Chain, Chip
from regmap.frames.bulk import Mask, flawless

from ..frames.decoded import Judge, plausible
from ..frames.framer import Framer
from ..frames.pairs import CUT, PairTable

#: Transfers that are read in every way.
SAMPLE = 160
#: Share of frames that must fit for a way of reading to be believed.
ENOUGH = 0.85
#: How much more must fit than as set up.
CLEARLY = 0.3
AS_SET_UP = "as set up"


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way of reading one line. `shift` 1: every bit one clock later than asked."""

    line: str = "command"
    rising: bool = False
    shift: int = 0
    order: BitOrder = "msb"
    inverted: bool = False

    def text(self, usual: Way) -> str:
        """What is different from the usual way."""
        parts = []
        if self.line != usual.line:
            parts.append(f"taken from the {self.line} line")
        if self.rising != usual.rising:
            parts.append(f"sampled at the {'rising' if self.rising else 'falling'} clock edge")
        if self.shift:
            parts.append(f"one clock {'late' if self.shift > 0 else 'early'}")
        if self.order != usual.order:
            parts.append(f"{'least' if self.order == 'lsb' else 'most'} significant bit first")
        if self.inverted:
            parts.append("inverted")
        return ", ".join(parts) or AS_SET_UP

    def distance(self, usual: Way) -> int:
        """How many things are different: of equal fits the simplest explanation wins."""
        return sum(
            (self.line != usual.line, self.rising != usual.rising, bool(self.shift),
             self.order != usual.order, self.inverted)
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


class Reader:
    """The first transfers of a capture, readable in every way."""

    def __init__(
        self,
        sample: Signals,
        roles: Roles,
        setup: SpiSetup,
        chips: Sequence[Chip],
        chain: Chain | None,
    ) -> None:
        self.chips = tuple(chips)
        self.chain = chain
        self.setup = setup
        self.transfers = first_transfers(sample, roles, setup)
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
        for line in (role, other):
            for inverted in (False, True):
                for rising in (usual.rising, not usual.rising):
                    for order in (usual.order, "lsb" if usual.order == "msb" else "msb"):
                        for shift in (0, 1, -1):
                            yield Way(
                                line=line,
                                rising=rising,
                                shift=shift,
                                order=order,
                                inverted=inverted,
                            )

    def read(self, command: Way, reply: Way) -> Transfers:
        """The transfers as if the lines had been read these ways."""
        t = self.transfers
        assert t is not None
        return replace(
            t,
            setup=replace(t.setup, bit_order=command.order),
            command_values=self._values(t, command),
            reply_values=self._ordered(t, self._values(t, reply), command.order, reply.order),
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
        change = way.text(self.usual[role])
        return Fit(way=way, role=role, good=good, of=total, different=len(words), change=change)

    def _commands_fit(self, judge: Judge, table: PairTable, way: Way) -> Mask:
        """For each pair, whether its command is one that makes sense."""
        bank = Bank(judge.chip)
        possible = np.ones(len(table), np.bool_)
        if judge.plain:
            frame = next(iter(judge.chip.frames.values()))
            possible = (table.column(2) == np.uint64(frame.length)) & flawless(
                frame.command, table.column(0)
            )
        for ident in np.flatnonzero(possible).tolist():
            pair = table[ident]
            decoded = judge.decode(replace(pair, unknown=_tolerant(pair.unknown, way)), bank)
            possible[ident] = plausible(decoded, judge.chip)
        return possible

    @staticmethod
    def _replies_fit(judge: Judge, table: PairTable, way: Way) -> Mask:
        """For each pair, whether its reply fits any reply layout of the chip, whatever was asked."""
        fits = np.zeros(len(table), np.bool_)
        for place, after in enumerate(table.after):
            word, hidden, bits = (table.column(4 + 3 * place + k) for k in range(3))
            clear = (hidden == 0) | bool(way.shift)
            for frame in judge.chip.frames.values():
                for layout in frame.replies.values() if frame.after == after else ():
                    full = np.uint64((1 << layout.length) - 1)
                    # a word that rests at one level tells nothing
                    telling = (word != 0) & (word != full) & (bits == np.uint64(layout.length))
                    fits |= clear & telling & flawless(layout, word)
        return fits

    def ranked(self, role: str) -> list[Fit]:
        """All ways, best first; equal shares in the order of simplicity."""
        usual = self.usual[role]
        fits = [self.fit(role, w) for w in self.ways(role)]
        return sorted(fits, key=lambda f: (-round(f.share, 2), f.way.distance(usual)))


def _tolerant(unknown: int, way: Way) -> int:
    """A shifted word lacks one bit at its end: that one is forgiven where it stands alone."""
    return 0 if way.shift and unknown.bit_count() <= 1 else unknown


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
