"""Cells of a table: columns of levels, voltages and hex values, as changes by channel."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from ..arrays import Changes, Indices, Times, Values
from ..lines.levels import Levels
from ..lines.signals import Findings
from .tablehead import LEVELS, Column, TableHead
from .tokens import ByteBlock, decimals, real_numbers

Origin = tuple[Indices, Indices]

_LEVEL = np.full(256, 255, np.uint8)
for _text, _value in LEVELS.items():
    if len(_text) == 1:
        _LEVEL[ord(_text)] = _LEVEL[ord(_text.upper())] = _value
HOLD = 254


class Cells:
    """Reads one column after the other; `first[i]` is the first channel of column i.

    `report` takes (block, start, end, origin, found, expected); `origin` is handed through to it.
    """

    def __init__(
        self,
        head: TableHead,
        findings: Findings,
        levels: Levels,
        first: list[int],
        report: Callable[..., None],
    ) -> None:
        self.head = head
        self.findings = findings
        self.levels = levels
        self.first_channel = first
        self._report = report
        self._changes: Changes = {}
        self._held: dict[int, int] = {}

    def collect(self) -> Changes:
        """The changes since the last call, by channel."""
        found, self._changes = self._changes, {}
        return found

    def column(
        self,
        block: ByteBlock,
        index: int,
        column: Column,
        starts: Indices,
        ends: Indices,
        times: Times,
        origin: Origin | None,
    ) -> None:
        channel = self.first_channel[index]
        if column.kind == "volts":
            some = np.flatnonzero(ends > starts)
            if len(some) < len(starts):
                # An empty field keeps the line as it is.
                starts, ends, times = starts[some], ends[some], times[some]
            if not len(some):
                return
            volts = self._volts(block, starts, ends, origin)
            self._changes[channel] = self.levels.digital(column.name, times, volts, self.findings)
        elif column.kind == "bit":
            values = self._levels(block, starts, ends, origin)
            held = np.flatnonzero(values != HOLD)
            self._keep(channel, times, values, held)
        else:
            words, held = self._words(block, column, starts, ends, origin)
            moved = (
                np.flatnonzero(np.append(True, words[held][1:] != words[held][:-1]))
                if len(held)
                else held
            )
            held = held[moved]
            for bit in range(column.width):
                self._keep(
                    channel + bit,
                    times,
                    ((words >> np.uint64(bit)) & np.uint64(1)).astype(np.uint8),
                    held,
                )

    def _keep(self, channel: int, times: Times, values: Values, held: Indices) -> None:
        if len(held) < len(values):
            times, values = times[held], values[held]
        if not len(values):
            return
        moved = np.flatnonzero(values[1:] != values[:-1]) + 1
        if self._held.get(channel) != int(values[0]):
            moved = np.concatenate(([0], moved))
        self._held[channel] = int(values[-1])
        if len(moved):
            self._changes[channel] = times[moved], values[moved]

    def _levels(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        origin: Origin | None,
    ) -> Values:
        sizes = ends - starts
        values = _LEVEL.take(block.view.take(starts, mode="clip"))
        odd = np.flatnonzero((sizes != 1) | (values == 255))
        if len(odd):
            known: dict[bytes, int] = {b"": HOLD}
            for row in odd.tolist():
                text = block.text(int(starts[row]), int(ends[row]))
                level = known.get(text)
                if level is None:
                    level = (
                        LEVELS.get(text.decode("latin-1").casefold(), 255) if len(text) < 8 else 255
                    )
                    if len(known) < 4096:
                        known[text] = level
                if level == 255:
                    shown = text[:20].decode("utf-8", "replace")
                    self._report(
                        block,
                        int(starts[row]),
                        int(ends[row]),
                        origin,
                        f"{shown!r} is no logic level",
                        "0, 1, x or z",
                    )
                    level = 2
                values[row] = level
        return values

    def _volts(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        origin: Origin | None,
    ) -> npt.NDArray[np.float64]:
        fixed = decimals(block, starts, ends, ord(self.head.decimal))
        if fixed is not None:
            return np.asarray(fixed[0] / 10.0 ** fixed[1], np.float64)
        texts = block.texts(starts, np.minimum(ends, starts + 64))
        if self.head.decimal == ",":
            texts = np.char.replace(texts, b",", b".")

        def bad(row: int, text: bytes) -> None:
            shown = text[:20].decode("utf-8", "replace")
            self._report(
                block,
                int(starts[row]),
                int(ends[row]),
                origin,
                f"{shown!r} is no voltage",
                "a number",
            )

        return real_numbers(texts, bad)

    def _words(
        self,
        block: ByteBlock,
        column: Column,
        starts: Indices,
        ends: Indices,
        origin: Origin | None,
    ) -> tuple[npt.NDArray[np.uint64], Indices]:
        words = np.zeros(len(starts), np.uint64)
        good = np.ones(len(starts), np.bool_)
        known: dict[bytes, int | None] = {}
        texts = block.texts(starts, np.minimum(ends, starts + 24)).tolist()
        for row, text in enumerate(texts):
            if text not in known:
                if len(known) > 65536:
                    known.clear()
                known[text] = _number(text, column.width)
            value = known[text]
            if value is None:
                good[row] = False
                if text:
                    shown = text[:20].decode("utf-8", "replace")
                    self._report(
                        block,
                        int(starts[row]),
                        int(ends[row]),
                        origin,
                        f"{shown!r} is no value of {column.name}",
                        f"up to {column.width} bits as 0x1F or 31",
                    )
            else:
                words[row] = value
        return words, np.flatnonzero(good)


def floats(texts: list[str], decimal: str) -> npt.NDArray[np.float64]:
    found = []
    for text in texts:
        try:
            found.append(float(text.replace(decimal, ".")))
        except ValueError:
            continue
    return np.array(found, np.float64)


def _number(text: bytes, width: int) -> int | None:
    word = text.decode("latin-1").casefold()
    try:
        if "_" in word or len(word) > 20:
            return None
        value = (
            int(word[:-1], 16)
            if word.endswith("h")
            else int(word, 16 if word.startswith("0x") else 10)
        )
    except ValueError:
        return None
    return value if 0 <= value < 1 << width else None
