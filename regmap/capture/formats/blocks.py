"""Reading a text capture block by block: the loop that all text formats share.

A body (the format's own state) is given blocks of bytes and says how many it used; what it did not
use comes again with more behind it. So a body never sees half a token, and takes whole instants only.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Protocol

import numpy as np

from ..arrays import Changes
from ..lines.signals import Capture, Channel, Findings
from .source import CaptureSource, FromSource
from .tokens import PAD, ByteBlock

BLOCK = 1 << 20
#: One instant, comment or token may be this long; beyond it the file is not a capture.
BLOCK_LIMIT = 64 << 20


class BlockReader(Protocol):
    """What a format keeps between blocks.

    until    the capture is complete before this tick (None: no time met yet); first: the first one
    stopped  reading cannot go on behind byte `bad` of the block
    in_text  the bytes end inside a section of text
    cut      why the last token is not complete, or empty
    lines    how many line ends are in the bytes that it last used, where it knows (-1: it does not)
    """

    until: int | None
    first: int
    stopped: bool
    bad: int
    in_text: bool
    cut: str
    lines: int
    no_time: str

    def take(self, block: ByteBlock, line: int, *, final: bool, cut: bool) -> int:
        """Read one block; the number of bytes used."""

    def collect(self) -> Changes:
        """The changes of the last block by channel."""


class BlockCapture(FromSource, Capture):
    """A capture whose text is read in blocks by a `Reader`."""

    def __init__(
        self,
        findings: Findings,
        tick: Fraction,
        channels: tuple[Channel, ...],
        source: CaptureSource,
        body: BlockReader,
        *,
        line: int,
        offset: int,
        block: int,
    ) -> None:
        super().__init__(findings, tick, channels)
        self._file = source
        self._body = body
        self._line = line
        self._size = offset
        self._block = max(64, block)

    def _raw(self) -> Iterator[tuple[Changes, int, int]]:
        body, source = self._body, self._file
        if source.total > 8 * self._block:
            # The C library keeps freed memory for the next block's arrays, instead of having the system
            # clear fresh pages each time, once it has seen an array this large come and go.
            np.empty(16 * self._block, np.uint8)
        store = bytearray(self._block + 2 * PAD)
        held, offset, line = 0, self._size, self._line
        while True:
            room = len(store) - 2 * PAD - held
            if room == 0:
                # Nothing could be taken from a whole block: one instant or token is that long.
                if len(store) > BLOCK_LIMIT:
                    self._too_long(line, offset)
                    return
                grown = bytearray(2 * len(store))
                grown[: len(store)] = store
                store = grown
                continue
            got = source.readinto(memoryview(store)[PAD + held : PAD + held + room])
            size, final = held + got, got < room
            open_end = False
            if final:
                # A line end that is missing is supplied, and remembered.
                open_end = size > 0 and store[PAD + size - 1] > 32
                store[PAD + size] = 10
            begin = body.until
            used = body.take(
                ByteBlock(store, size + final),
                line,
                final=final,
                cut=open_end or bool(source.trouble),
            )
            if body.until is not None and body.until != begin:
                yield body.collect(), body.first if begin is None else begin, body.until
            if final or body.stopped:
                place = body.bad if body.stopped else size
                self._finish(offset + place, line + store.count(b"\n", PAD, PAD + place), open_end)
                return
            lines = body.lines
            if lines < 0:
                lines = int(np.count_nonzero(np.frombuffer(store, np.uint8, used, PAD) == 10))
            line += lines
            offset += used
            held = size - used
            store[PAD : PAD + held] = store[PAD + used : PAD + size]

    def _too_long(self, line: int, offset: int) -> None:
        self.findings.add(
            f"reading stops at byte {offset}: more than {BLOCK_LIMIT >> 20} MiB without a new instant",
            "instants between the changes",
            line=line,
        )

    def _finish(self, offset: int, line: int, open_end: bool) -> None:
        body, source = self._body, self._file
        when = (
            "before the first instant" if body.until is None else f"t = {self.when(body.until - 1)}"
        )
        where = f"byte {offset}, line {line}, {when}"
        if body.stopped:
            self.findings.add(
                f"reading stops at {where}; what comes before it is used", severity="warning"
            )
        elif source.trouble:
            self.findings.add(
                f"the capture ends at {where}: {source.trouble}", "a complete file", line=line
            )
        elif body.in_text:
            self.findings.add(f"the capture ends inside a section, {where}", "$end", line=line)
        elif body.cut:
            self.findings.add(
                f"the capture is cut at {where}: {body.cut}", "a complete last line", line=line
            )
        elif open_end:
            self.findings.note(
                f"the last line has no line end ({where}): the file may be cut there"
            )
        if body.until is None:
            self.findings.add(
                "no instant in the file, so no changes to show", body.no_time, severity="warning"
            )
