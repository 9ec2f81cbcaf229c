"""Captures that are rows of words instead of edges: what lists of frames and tables of bytes share."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import numpy as np

from regmap.errors import CallError
from regmap.record import dataclass

from ..arrays import NO_VALUES, Times, Values
from ..lines.signals import Capture, Findings
from ..spi import NONE, SpiSetup, Transfers
from .source import CaptureSource, FromSource

#: Bytes that are read at a time; no line may be longer.
PART = 1 << 18


@dataclass(slots=True)
class WordRow:
    """One transfer: its first and last tick (None: no times), both words, its bits."""

    time: int | None
    command: int
    reply: int | None
    bits: int
    end: int | None = None


class RowsCapture(FromSource, Capture):
    """`frame_transfers()` gives the words as Transfers; there are no lines and no blocks."""

    kind = "frames"

    def __init__(self, source: CaptureSource, setup: SpiSetup | None) -> None:
        super().__init__(Findings(source.name), Fraction(1, 10**12), ())
        self._file = source
        self._setup = setup or SpiSetup()
        self._count = 0
        self._line = 0

    def _raw(self) -> Iterator[tuple[dict[int, tuple[Times, Values]], int, int]]:
        raise CallError(f"{self.name} is a list of frames and has no lines; take frame_transfers()")

    def _parts(self, what: str, expected: str) -> Iterator[tuple[list[bytes], bool]]:
        """Whole lines, some ten thousand at a time, and whether they are the last.

        `what` is the file and `expected` a line of it, for what is found: a line without end, and what
        cut the file short.
        """
        held = b""
        while True:
            data = self._file.read(PART)
            lines = (held + data).split(b"\n")
            held = lines.pop() if data else b""
            if len(held) > PART:
                self.findings.add(
                    f"a line of more than {PART} bytes", expected, line=self._line + 1
                )
                break
            yield lines, not data
            if not data:
                break
        if self._file.trouble:
            self.findings.add(
                f"the {what} ends at line {self._line}: {self._file.trouble}",
                "a complete file",
                line=self._line,
            )

    def _pack(self, rows: list[WordRow]) -> Transfers:
        n = len(rows)
        number = self._count + np.arange(n, dtype=np.int64)
        self._count += n
        time = np.array(
            [
                r.time if r.time is not None else k
                for r, k in zip(rows, number.tolist(), strict=True)
            ],
            np.int64,
        )
        clocks = np.array([r.bits for r in rows], np.int64)
        command = _bits([r.command for r in rows], clocks)
        reply = _bits([r.reply for r in rows], clocks) if rows[0].reply is not None else NO_VALUES
        if self._setup.bit_order == "lsb":
            # The words are written as numbers; on the SPI the least significant bit came first.
            first = np.cumsum(clocks) - clocks
            flip = np.repeat(2 * first + clocks - 1, clocks) - np.arange(int(clocks.sum()))
            command = command[flip]
            reply = reply[flip] if len(reply) else reply
        none = np.full(n, NONE, np.int64)
        self.start = int(time[0]) if self.start is None else self.start
        end = np.array(
            [r.end if r.end is not None else t for r, t in zip(rows, time.tolist(), strict=True)],
            np.int64,
        )
        self.end = int(end[-1])
        return Transfers(
            setup=self._setup,
            tick=self.tick,
            number=number,
            start=time,
            end=end,
            clocks=clocks,
            first=np.cumsum(clocks) - clocks,
            flags=np.zeros(n, np.uint32),
            lead=none,
            lag=none,
            idle=none,
            period=none,
            high=none,
            low=none,
            strays=np.zeros(n, np.int64),
            command_values=command,
            reply_values=reply,
        )


def _bits(words: list[int | None], clocks: Times) -> Values:
    """Words to bits, most significant first, `clocks` bits each."""
    sizes = clocks.tolist()
    text = "".join(f"{w or 0:0{c}b}" for w, c in zip(words, sizes, strict=True))
    bits: Values = np.frombuffer(text.encode("ascii"), np.uint8) & np.uint8(1)
    return bits
