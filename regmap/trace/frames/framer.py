"""From timed transfers to frames of each chip: bursts joined, chains cut, replies paired with commands.

    framer = Framer(chips, chain)
    for transfers in parts:
        batches = framer.feed(transfers)      # one Batch for each chip, chip 0 first
    batches = framer.finish()                 # the frames whose replies never came

Everything here is arrays. Two frames with the same words have the same `ident`, so that whoever
comes next has to think once about each pair of words, however often it travels.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

import numpy as np
import numpy.typing as npt

from regmap.capture.spi import Flag, LineName, Transfers, Words
from regmap.chip.bits import deposit, mask_of
from regmap.chip.model import Chain, Chip, Header
from regmap.errors import CallError
from regmap.frames.recogniser import Recogniser
from regmap.record import dataclass

from .pairs import CHANGED, CUT, GIVEN, HEADER, MISCOUNTED, PairTable

Ints = npt.NDArray[np.int64]

_TELLING = CUT | int(Flag.UNKNOWN_COMMAND | Flag.UNKNOWN_REPLY)


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """n frames of one chip in order of time; `idents` are places in the chip's `Framer.tables`.

    `answered` is when the frame that carries the reply ended (its own end where none came).
    """

    chip: int
    first: int
    transfer: Ints
    start: Ints
    end: Ints
    answered: Ints
    idents: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.start)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    transfer: Ints
    start: Ints
    end: Ints
    bits: Ints
    flags: Ints
    word: Words
    unknown: Words
    reply: Words
    reply_unknown: Words

    def __len__(self) -> int:
        return len(self.start)


_NAMES = ("transfer", "start", "end", "bits", "flags", "word", "unknown", "reply", "reply_unknown")


def _cat(parts: Sequence[_Columns]) -> _Columns:
    if len(parts) == 1:
        return parts[0]
    return _Columns(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in _NAMES})


def _some(columns: _Columns, which: slice | npt.NDArray[np.intp]) -> _Columns:
    return _Columns(**{n: getattr(columns, n)[which] for n in _NAMES})


def latencies(chip: Chip) -> tuple[int, ...]:
    """After how many frames a reply can come, over all frames of the chip."""
    return tuple(sorted({f.after for f in chip.frames.values()}))


def stream_slices(
    chain: Chain | None, lengths: Sequence[int], *, reply: bool
) -> list[list[tuple[int, int]]]:
    """For each chip, where its word's pieces stand in the chain's stream: (offset, bits), first first."""
    chain = chain or Chain()
    cuts = []
    for length in lengths:
        split = chain.split if 0 < chain.split < length else length
        whole, rest = divmod(length, split)
        cuts.append([split] * whole + ([rest] if rest else []))
    rounds = max(map(len, cuts))
    lead = sum(h.length for h in chain.headers)
    if reply and chain.reply_headers == "none":
        lead = 0
    at = 1 if reply and chain.reply_headers == "between" else 0
    places: list[list[tuple[int, int]]] = [[] for _ in lengths]
    offset = 0
    for index in range(rounds):
        if index == at:
            offset += lead
        for chip in range(len(lengths) - 1, -1, -1):
            if index < len(cuts[chip]):
                places[chip].append((offset, cuts[chip][index]))
                offset += cuts[chip][index]
    return places


def header_places(
    chain: Chain | None, lengths: Sequence[int], *, reply: bool
) -> list[tuple[int, Header]]:
    """Where the headers stand in the chain's stream: (offset, header)."""
    if chain is None or (reply and chain.reply_headers == "none"):
        return []
    offset = 0
    if reply and chain.reply_headers == "between":
        firsts = [pieces[0] for pieces in stream_slices(chain, lengths, reply=True)]
        offset = sum(bits for _, bits in firsts)
    places = []
    for header in chain.headers:
        places.append((offset, header))
        offset += header.length
    return places


class Framer:
    """Cuts transfers into frames. `tables` hold the different frames of each chip; `dropped` counts empty selects."""

    def __init__(self, chips: Sequence[Chip], chain: Chain | None = None) -> None:
        if not chips:
            raise CallError("no chip to decode for", "at least one")
        self.chips = tuple(chips)
        self.tables = [PairTable(latencies(c)) for c in chips]
        self.dropped = 0
        self.joined = 0
        lengths = [c.default_frame().length for c in chips]
        self.chain = chain
        self.total = 0
        if len(chips) > 1 or chain is not None:
            self._command = stream_slices(chain, lengths, reply=False)
            self._reply = stream_slices(chain, lengths, reply=True)
            headers = chain.headers if chain else ()
            self.total = sum(lengths) + sum(h.length for h in headers)
            self._heads: list[tuple[LineName, int, Header]] = [
                (line, offset, header)
                for line in get_args(LineName)
                for offset, header in header_places(chain, lengths, reply=line == "reply")
            ]
        self._lengths = lengths
        self._wait: list[list[_Columns]] = [[] for _ in chips]
        self._after = [latencies(c) for c in chips]
        self._count = [0] * len(chips)
        self._recogniser = Recogniser(chips[0])
        self._patterns = sorted(
            {f.bursts for f in chips[0].frames.values() if len(f.bursts) > 1}, key=len, reverse=True
        )
        self._begun: dict[tuple[int, int], tuple[tuple[int, ...], ...]] = {}

    def fresh_table(self, chip: int) -> PairTable:
        """From here on frames of this chip are counted from 0, and their pairs stand in a table of their own."""
        self.tables[chip] = PairTable(self._after[chip])
        self._count[chip] = 0
        return self.tables[chip]

    def feed(self, transfers: Transfers) -> list[Batch]:
        """The frames that are complete with their replies, one batch for each chip."""
        return self._take(transfers, final=False)

    def finish(self) -> list[Batch]:
        """What was held back for replies that never came."""
        return self._take(None, final=True)

    def _take(self, transfers: Transfers | None, *, final: bool) -> list[Batch]:
        if transfers is not None:
            empty = transfers.clocks == 0
            if empty.any():
                self.dropped += int(np.count_nonzero(empty))
                transfers = transfers.take(np.flatnonzero(~empty))
        batches = []
        for chip in range(len(self.chips)):
            wait = self._wait[chip]
            if transfers is not None and len(transfers):
                wait.append(self._columns(transfers, chip))
            if not wait:
                batches.append(self._empty(chip))
                continue
            columns = _cat(wait)
            if self._patterns:
                columns, held = self._join(columns, final=final)
            else:
                held = None
            batch, rest = self._pair(chip, columns, final=final)
            self._wait[chip] = [c for c in (rest, held) if c is not None and len(c)]
            batches.append(batch)
        return batches

    def _empty(self, chip: int) -> Batch:
        none = np.empty(0, np.int64)
        return Batch(
            chip=chip, first=self._count[chip], transfer=none, start=none, end=none,
            answered=none,
            idents=np.empty(0, np.int32),
        )  # fmt: skip

    def _columns(self, t: Transfers, chip: int) -> _Columns:
        flags = t.flags.astype(np.int64) & _TELLING
        if not self.total:
            bits = np.where(t.clocks > 64, -t.clocks, t.clocks)
            word, unknown = self._words(t, "command", None)
            reply, reply_unknown = self._words(t, "reply", None)
            if self.chips[chip].spi.extra_clocks in ("last_count", "first_count"):
                bits, (word, unknown, reply, reply_unknown) = self._cut(
                    chip, bits, (word, unknown, reply, reply_unknown)
                )
        else:
            fits = t.clocks == self.total
            bits = np.where(fits, self._lengths[chip], -t.clocks)
            word, unknown = self._words(t, "command", self._command[chip])
            reply, reply_unknown = self._words(t, "reply", self._reply[chip])
            flags = flags | np.where(fits, self._headers(t), 0)
        if not len(t.reply_values):
            # without an SDO there is nothing to pair
            reply_unknown = np.full(len(t), np.uint64(2**64 - 1))
        return _Columns(
            transfer=t.number, start=t.start, end=t.end, bits=bits, flags=flags,
            word=word, unknown=unknown, reply=reply, reply_unknown=reply_unknown,
        )  # fmt: skip

    def _headers(self, t: Transfers) -> Ints:
        """What is wrong with the chain's headers, and the commands they give, as flags."""
        flags = np.zeros(len(t), np.int64)
        place = 0
        for line, offset, header in self._heads:
            if line == "reply" and not len(t.reply_values):
                continue
            word = t.words(line, offset=offset, width=header.length)
            count, asked = mask_of(header.count_bits), mask_of(tuple(header.commands.values()))
            chips = deposit(len(self.chips), header.count_bits) if header.count_bits else 0
            fixed = ((1 << header.length) - 1) & ~count & ~asked
            odd = (word ^ np.uint64(header.value)) & np.uint64(fixed) != 0
            miscounted = word & np.uint64(count) != np.uint64(chips)
            if line == "reply":
                flags |= np.where(odd | miscounted, CHANGED, 0)
                continue
            flags |= np.where(odd, HEADER, 0) | np.where(miscounted, MISCOUNTED, 0)
            for bit in header.commands.values():
                flags |= np.where(word >> np.uint64(bit) & np.uint64(1) != 0, GIVEN << place, 0)
                place += 1
        return flags

    def _cut(
        self, chip: int, bits: Ints, words: tuple[Words, Words, Words, Words]
    ) -> tuple[Ints, tuple[Words, ...]]:
        """What the chip takes of transfers with more clocks than a frame; replies come with the first."""
        spi = self.chips[chip].spi
        lengths = sorted({f.bursts[0] for f in self.chips[chip].frames.values()})
        known = np.isin(bits, [b for f in self.chips[chip].frames.values() for b in f.bursts])
        taken = np.zeros_like(bits)
        for length in lengths:
            taken = np.where(bits > length, length, taken)
        longer = ~known & (taken > 0)
        extra = np.where(longer, bits - taken, 0).astype(np.uint64)
        mask = np.where(
            longer, (np.uint64(1) << taken.astype(np.uint64)) - np.uint64(1), ~np.uint64(0)
        )
        upper = spi.msb_first  # the first bits on the wire are the upper ones
        last = spi.extra_clocks == "last_count"
        cut = [
            w >> extra if (place < 2 and last) != upper else w & mask
            for place, w in enumerate(words)
        ]
        return np.where(longer, taken, bits), tuple(cut)

    def _words(
        self, t: Transfers, line: LineName, pieces: list[tuple[int, int]] | None
    ) -> tuple[Words, Words]:
        odd = Flag.UNKNOWN_COMMAND if line == "command" else Flag.UNKNOWN_REPLY
        doubtful = bool((t.flags & np.uint32(odd)).any())
        none = np.zeros(len(t), np.uint64)
        if pieces is None:
            return t.words(line), t.words(line, unknown=True) if doubtful else none
        word, unknown = none.copy(), none.copy()
        for offset, width in pieces:
            word = word << np.uint64(width) | t.words(line, offset=offset, width=width)
            if doubtful:
                mask = t.words(line, offset=offset, width=width, unknown=True)
                unknown = unknown << np.uint64(width) | mask
        return word, unknown

    def _join(self, c: _Columns, *, final: bool) -> tuple[_Columns, _Columns | None]:
        """Bursts that make one frame become one row; what may still go on is held back."""
        longest = len(self._patterns[0])
        keep: list[int] = []
        length: list[int] = []
        bits, words, unknown = c.bits.tolist(), c.word.tolist(), c.unknown.tolist()
        at, stop = 0, len(bits)
        while at < stop:
            patterns = self._patterns if unknown[at] else self._patterns_of(words[at], bits[at])
            for pattern in patterns:
                part = tuple(bits[at : at + len(pattern)])
                if part == pattern:
                    keep.append(at)
                    length.append(len(pattern))
                    break
                if not final and len(part) < len(pattern) and pattern[: len(part)] == part:
                    stop = at
                    break
            else:
                keep.append(at)
                length.append(1)
            if at < stop:
                at += length[-1]
        held = _some(c, slice(stop, None)) if stop < len(bits) else None
        first = np.array(keep, np.intp)
        count = np.array(length, np.intp)
        rows = _some(c, first)
        if not (count > 1).any():
            return rows, held
        joined = {n: getattr(rows, n).copy() for n in _NAMES}
        for step in range(1, longest):
            which = np.flatnonzero(count > step)
            source = first[which] + step
            width = c.bits[source].astype(np.uint64)
            for name in ("word", "unknown", "reply", "reply_unknown"):
                joined[name][which] = joined[name][which] << width | getattr(c, name)[source]
            joined["bits"][which] += c.bits[source]
            joined["end"][which] = c.end[source]
            joined["flags"][which] |= c.flags[source]
        self.joined += int(np.count_nonzero(count > 1))
        # rows joined already must not be taken for bursts again when they wait for a reply
        return _Columns(**joined), held

    def _patterns_of(self, word: int, bits: int) -> Sequence[tuple[int, ...]]:
        """The bursts of the layouts that this one can begin, the likeliest first."""
        found = self._begun.get((word, bits))
        if found is None:
            frames = [f for f in self.chips[0].frames.values() if f.bursts[0] == bits]
            if len({f.bursts for f in frames}) > 1:
                ranked = self._recogniser.begun([(word, bits)], frames)
                found = tuple(dict.fromkeys(frame.bursts for frame, _ in ranked))
            else:
                found = tuple(self._patterns)
            self._begun[word, bits] = found
        return found

    def _pair(self, chip: int, c: _Columns, *, final: bool) -> tuple[Batch, _Columns | None]:
        after = self._after[chip]
        deepest = after[-1]
        ready = len(c) if final else max(0, len(c) - deepest)
        now = _some(c, slice(0, ready))
        columns = [now.word, now.unknown, now.bits.view(np.uint64), now.flags.view(np.uint64)]
        for latency in after:
            rows = np.arange(latency, latency + ready)
            there = rows < len(c)
            rows = np.minimum(rows, max(0, len(c) - 1))
            fits = there & (c.bits[rows] > 0)
            for values in (c.reply, c.reply_unknown, c.bits.view(np.uint64)):
                columns.append(np.where(fits, values[rows], np.uint64(0)))
        carrier = np.minimum(np.arange(deepest, deepest + ready), max(0, len(c) - 1))
        batch = Batch(
            chip=chip, first=self._count[chip], transfer=now.transfer, start=now.start, end=now.end,
            answered=c.end[carrier] if ready and deepest else now.end,
            idents=self.tables[chip].identify(columns),
        )  # fmt: skip
        self._count[chip] += ready
        return batch, _some(c, slice(ready, None)) if ready < len(c) else None
