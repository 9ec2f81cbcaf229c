"""What an SPI transfer is: the set-up asked for, the flags, and transfers in bulk as arrays.

Mode and sampling edge (the trade's numbering; CPOL is the idle level of the clock):

    mode  CPOL  CPHA  data are taken at the
     0     0     0    rising edge (the first one)
     1     0     1    falling edge
     2     1     0    falling edge (the first one)
     3     1     1    rising edge

So modes 0 and 3 take the same bits, and so do 1 and 2; what tells them apart is the idle level.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import IntFlag
from fractions import Fraction
from typing import Literal

import numpy as np
import numpy.typing as npt

from regmap.errors import CallError
from regmap.record import dataclass, field, fields, replace

from .arrays import NO_TIMES, NO_VALUES, Indices, Times, Values

Words = npt.NDArray[np.uint64]
BitOrder = Literal["msb", "lsb"]
LineName = Literal["command", "reply"]

#: "Not measured" in arrays of ticks.
NONE = -1


class Flag(IntFlag):
    """What is unusual about one transfer."""

    STARTS_MID = 1 << 0  #: select was active at the capture's first instant
    ENDS_MID = 1 << 1  #: the capture ends while select is active
    NO_CLOCKS = 1 << 2  #: select pulsed without a clock edge
    UNKNOWN_COMMAND = 1 << 3  #: x or z at a sampling edge of SDI
    UNKNOWN_REPLY = 1 << 4  #: x or z at a sampling edge of SDO
    RUNT_CLOCK = 1 << 5  #: a clock pulse far shorter than the others
    COMMAND_AT_EDGE = 1 << 6  #: SDI changed in the very tick of a sampling edge
    REPLY_AT_EDGE = 1 << 7  #: SDO changed in the very tick of a sampling edge
    CLOCK_NOT_IDLE = 1 << 8  #: the clock was not at the mode's idle level as select became active
    CLOCK_UNKNOWN = 1 << 9  #: x or z on the clock inside the transfer
    SELECT_UNKNOWN = 1 << 10  #: select came from or went to x or z
    BY_GAP = 1 << 11  #: cut at a pause of the clock, not by select
    STRAY_CLOCKS = 1 << 12  #: clock edges while select was inactive, before this transfer
    TOO_LONG = 1 << 13  #: cut because select stayed active for very many clocks
    LONG_GAP = 1 << 14  #: a pause inside the transfer far longer than the clock's period
    ODD_EDGES = 1 << 15  #: not as many rising as falling clock edges


@dataclass(frozen=True, slots=True, kw_only=True)
class SpiSetup:
    """How to read the SPI. Times are seconds.

    `frame_clocks` is the length expected; it serves only where select is missing. `gap` is the pause
    that ends a transfer there (found from the clock if None). `segment` forces the way transfers
    are told apart. `both_edges` also keeps the bits at the other clock edge, for `reslice`.
    `runt` is the pulse width below which a clock pulse is a runt (a quarter of the usual if None).
    """

    mode: int = 0
    select_active_low: bool = True
    bit_order: BitOrder = "msb"
    frame_clocks: int | None = None
    gap: Fraction | None = None
    runt: Fraction | None = None
    segment: Literal["auto", "select", "gap"] = "auto"
    both_edges: bool = False

    def __post_init__(self) -> None:
        if self.mode not in (0, 1, 2, 3):
            raise CallError(f"SPI mode {self.mode!r}", "0, 1, 2 or 3")
        if self.bit_order not in ("msb", "lsb"):
            raise CallError(f"bit order {self.bit_order!r}", "msb or lsb (the bit sent first)")
        if self.segment not in ("auto", "select", "gap"):
            raise CallError(f"segment {self.segment!r}", "auto, select or gap")
        if self.frame_clocks is not None and self.frame_clocks < 1:
            raise CallError(f"a frame of {self.frame_clocks} clocks", "1 or more")
        for name in ("gap", "runt"):
            value = getattr(self, name)
            if value is not None and value <= 0:
                raise CallError(f"{name} of {float(value):g} s", "more than 0")

    @property
    def idle_high(self) -> bool:
        """CPOL: the clock rests high."""
        return self.mode >= 2

    @property
    def rising(self) -> bool:
        """Whether data are taken at rising clock edges."""
        return self.mode in (0, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Roles:
    """Channel index of each line; None is a line that was not captured."""

    clock: int
    select: int | None = None
    command: int | None = None
    reply: int | None = None
    fault: int | None = None
    enable: int | None = None


def pack(bits: npt.NDArray[np.uint8] | npt.NDArray[np.bool_]) -> Words:
    """Rows of up to 64 bits, first bit most significant, as uint64: (n, w) -> (n,).

    >>> pack(np.array([[1, 0, 1]], np.uint8))
    array([5], dtype=uint64)
    """
    rows, width = bits.shape
    if width > 64:
        raise CallError(f"{width} bits do not fit 64")
    if not rows or not width:
        return np.zeros(rows, np.uint64)
    if width % 8:
        lead = -width % 8
        padded = np.zeros((rows, width + lead), np.uint8)
        padded[:, lead:] = bits
        bits = padded
        width += lead
    octets = np.packbits(bits.reshape(-1)).reshape(rows, width // 8)
    wide = np.zeros((rows, 8), np.uint8)
    wide[:, 8 - width // 8 :] = octets
    return wide.view(">u8").ravel().astype(np.uint64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfers:
    """n transfers in order of time. All times are int64 ticks of `tick` seconds; NONE is not measured.

    number      int64   counts all transfers of the capture from 0
    start, end  int64   select became active / inactive (first and last clock edge where cut by gap)
    clocks      int64   sampling edges inside
    first       int64   offset of the transfer's first bit in `command_values`, `reply_values`
    flags       uint32  of Flag
    lead, lag   int64   select active to first clock edge, last clock edge to select inactive
    idle        int64   end of the transfer before to this start
    period, high, low  int64   shortest clock period, high and low time inside
    strays      int64   sampling edges between the transfer before and this one
    command_values, reply_values  uint8[sum of clocks]   0, 1, X, Z at each sampling edge, or empty
    command_other, reply_other    uint8   the same at the other edge (only with `both_edges`)
    other_first, other_clocks     int64   where those belong
    """

    setup: SpiSetup
    tick: Fraction
    number: Times
    start: Times
    end: Times
    clocks: Times
    first: Times
    flags: npt.NDArray[np.uint32]
    lead: Times
    lag: Times
    idle: Times
    period: Times
    high: Times
    low: Times
    strays: Times
    command_values: Values
    reply_values: Values
    command_other: Values = field(default_factory=lambda: NO_VALUES)
    reply_other: Values = field(default_factory=lambda: NO_VALUES)
    other_first: Times = field(default_factory=lambda: NO_TIMES)
    other_clocks: Times = field(default_factory=lambda: NO_TIMES)

    def __len__(self) -> int:
        return len(self.start)

    @property
    def command(self) -> Words:
        """uint64[n]: the command words (the first 64 bits of longer ones), unknown bits as 0."""
        return self.words("command")

    @property
    def reply(self) -> Words:
        """uint64[n]: the reply words (the first 64 bits of longer ones), unknown bits as 0."""
        return self.words("reply")

    @property
    def reply_unknown(self) -> Words:
        """uint64[n]: ones where a reply bit was x or z."""
        return self.words("reply", unknown=True)

    def words(
        self, line: LineName, *, offset: int = 0, width: int | None = None, unknown: bool = False
    ) -> Words:
        """uint64[n] of `width` bits from clock `offset` on of every transfer (None: all, at most 64).

        Bits that a short transfer lacks count as unknown and read 0. With bit order lsb the first
        clock is the least significant bit. `unknown=True` gives the mask instead of the word.
        A daisy chain of k chips is k calls with offsets 0, w, 2 w...
        """
        values = self.command_values if line == "command" else self.reply_values
        return _words(values, self.first, self.clocks, offset, width, self.setup.bit_order, unknown)

    def value(self, index: int, line: LineName) -> int:
        """One whole word of any length as an int, unknown bits as 0."""
        values = self._bits(index, line)
        bits = "".join("1" if v == 1 else "0" for v in values.tolist())
        return int(bits if self.setup.bit_order == "msb" else bits[::-1], 2) if bits else 0

    def text(self, index: int, line: LineName) -> str:
        """One word as `01xz`, in the order of the clocks."""
        return "".join("01xz"[v] for v in self._bits(index, line).tolist())

    def octets(self, index: int, line: LineName) -> bytes:
        """One whole word as bytes, most significant first, padded with zeros at the top."""
        count = (int(self.clocks[index]) + 7) // 8
        return self.value(index, line).to_bytes(count, "big")

    def _bits(self, index: int, line: LineName) -> Values:
        values = self.command_values if line == "command" else self.reply_values
        first = int(self.first[index])
        return values[first : first + int(self.clocks[index])]

    def seconds(self, ticks: int) -> Fraction:
        """Exact seconds of a tick count."""
        return ticks * self.tick

    def take(self, which: Indices) -> Transfers:
        """Some of the transfers; their bits are shared, not copied."""
        keep = {name: getattr(self, name)[which] for name in _PER_TRANSFER}
        if len(self.other_first):
            keep["other_first"] = self.other_first[which]
            keep["other_clocks"] = self.other_clocks[which]
        return replace(self, **keep)

    def __iter__(self) -> Iterator[SpiTransfer]:
        """One `Transfer` at a time, for reports and tests; use the arrays for bulk."""
        for i in range(len(self)):
            yield self.one(i)

    def one(self, index: int) -> SpiTransfer:
        """One transfer as plain numbers."""
        clocks = int(self.clocks[index])
        return SpiTransfer(
            number=int(self.number[index]),
            start=self.seconds(int(self.start[index])),
            end=self.seconds(int(self.end[index])),
            clocks=clocks,
            flags=Flag(int(self.flags[index])),
            command=self.value(index, "command") if len(self.command_values) else None,
            reply=self.value(index, "reply") if len(self.reply_values) else None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SpiTransfer:
    """One transfer: exact seconds, whole words as ints (None where the line was not captured)."""

    number: int
    start: Fraction
    end: Fraction
    clocks: int
    flags: Flag
    command: int | None
    reply: int | None


_PER_TRANSFER = (
    "number",
    "start",
    "end",
    "clocks",
    "first",
    "flags",
    "lead",
    "lag",
    "idle",
    "period",
    "high",
    "low",
    "strays",
)


def _words(
    values: Values,
    first: Times,
    clocks: Times,
    offset: int,
    width: int | None,
    order: BitOrder,
    unknown: bool,
) -> Words:
    n = len(first)
    if offset < 0 or (width is not None and not 1 <= width <= 64):
        raise CallError(f"a word of {width} bits from bit {offset}", "1 to 64 bits from 0 on")
    out = np.zeros(n, np.uint64)
    if not len(values) or not n:
        if unknown and width is not None:
            out[:] = np.uint64((1 << width) - 1)
        return out
    bits = values > 1 if unknown else values == 1
    if unknown and not bits.any() and (width is None or int(clocks.min()) >= offset + width):
        return out
    have = np.clip(clocks - offset, 0, 64 if width is None else width)
    low, high = int(have.min()), int(have.max())
    if (
        low == high == int(clocks.min()) == int(clocks.max())
        and high
        and first[0] + n * high == first[-1] + high
    ):
        # Frames of one length that lie one after the other: no gathering.
        start = int(first[0])
        return _packed(bits[start : start + n * high].reshape(n, high), high, width, order, unknown)
    for count in np.flatnonzero(np.bincount(have)).tolist():
        which = np.flatnonzero(have == count)
        # Rows are gathered in parts so that the index table stays small.
        for at in range(0, len(which), 1 << 16):
            some = which[at : at + (1 << 16)]
            rows = (
                bits[first[some][:, None] + (offset + np.arange(count))]
                if count
                else np.zeros((len(some), 0), np.bool_)
            )
            out[some] = _packed(rows, count, width, order, unknown)
    return out


def _packed(
    rows: npt.NDArray[np.bool_], count: int, width: int | None, order: BitOrder, unknown: bool
) -> Words:
    if order == "lsb":
        rows = rows[:, ::-1]
    words = pack(rows)
    missing = (width or count) - count
    if missing:
        ones = np.uint64((1 << missing) - 1)
        if order == "msb":
            words <<= np.uint64(missing)
            if unknown:
                words |= ones
        elif unknown:
            words |= ones << np.uint64(count)
    return words


def reslice(
    transfers: Transfers,
    line: LineName,
    *,
    mode: int | None = None,
    bit_order: BitOrder | None = None,
    shift: int = 0,
    offset: int = 0,
    width: int | None = None,
) -> tuple[Words, Words]:
    """The words read another way: (words, unknown masks), uint64[n] each.

    `shift` = 1 takes every bit one clock later (the last one is then unknown), -1 one clock earlier.
    A mode that samples at the other edge needs transfers built with `both_edges`; else CallError.
    """
    setup = transfers.setup
    mode = setup.mode if mode is None else mode
    order = setup.bit_order if bit_order is None else bit_order
    wanted = replace(setup, mode=mode, bit_order=order)
    if shift not in (-1, 0, 1):
        raise CallError(f"shift {shift}", "-1, 0 or 1")
    same = wanted.rising == setup.rising
    if not same and not len(transfers.other_first) and len(transfers):
        raise CallError(
            f"mode {mode} samples at the other clock edge; build the transfers with both_edges=True"
        )
    values = getattr(transfers, f"{line}_values" if same else f"{line}_other")
    first = transfers.first if same else transfers.other_first
    clocks = transfers.clocks if same else transfers.other_clocks
    if shift and len(values):
        values, first, clocks = _shifted(values, first, clocks, shift)
    return (
        _words(values, first, clocks, offset, width, order, False),
        _words(values, first, clocks, offset, width, order, True),
    )


def _shifted(
    values: Values, first: Times, clocks: Times, shift: int
) -> tuple[Values, Times, Times]:
    moved = np.full_like(values, 2)
    if shift > 0:
        moved[:-1] = values[1:]
        edge = first + clocks - 1
    else:
        moved[1:] = values[:-1]
        edge = first
    moved[edge[clocks > 0]] = 2
    return moved, first, clocks


def join(parts: Iterable[Transfers]) -> Transfers | None:
    """Transfers of several blocks as one; None if there are none."""
    kept = list(parts)
    if not kept:
        return None
    if len(kept) == 1:
        return kept[0]
    merged: dict[str, object] = {"setup": kept[0].setup, "tick": kept[0].tick}
    for item in fields(Transfers):
        if item.name not in ("setup", "tick", "first", "other_first"):
            merged[item.name] = np.concatenate([getattr(p, item.name) for p in kept])
    for name, values in (("first", "command_values"), ("other_first", "command_other")):
        base, moved = 0, []
        for part in kept:
            moved.append(getattr(part, name) + base)
            base += max(
                len(getattr(part, values)), len(getattr(part, values.replace("command", "reply")))
            )
        merged[name] = np.concatenate(moved)
    return Transfers(**merged)  # type: ignore[arg-type]
