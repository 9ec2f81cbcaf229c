"""A file that grows, or a stream that comes slowly, as something to read from: it waits instead of ending.

What was written last is passed on after a short pause: the reader wants whole blocks, so the rest of one is filled with
blanks, which no text format minds, but only behind a line that is complete.
"""

from __future__ import annotations

import os
import select
import stat
import time
from collections.abc import Callable
from io import FileIO
from typing import BinaryIO, Protocol

from ..closing import Closing

#: Seconds between looks at a file that does not grow, and after which what there is is passed on.
_LOOK = 0.1
_FLUSH = 0.3
#: Times that this is done without anything new: a head, the block behind it, and one to spare.
_FLUSHES = 4


def blank(size: int) -> bytes:
    """So many blanks, in lines that no format finds too long."""
    line = b" " * 1023 + b"\n"
    return (line * (size // len(line) + 1))[-size:]


class _Raw(Protocol):
    def fileno(self) -> int: ...

    def close(self) -> None: ...


class Growing(Closing):
    """Reads like a raw stream. It ends after `idle` seconds without growth, at Ctrl-C, or with its pipe.

    `waiting` is called each time that everything there is was passed on. A file that becomes shorter ends too;
    `trouble` says so. Use it as a context manager.
    """

    def __init__(
        self,
        what: str | os.PathLike[str] | BinaryIO,
        *,
        idle: float | None = None,
        waiting: Callable[[], None] | None = None,
    ) -> None:
        self._owned = isinstance(what, (str, os.PathLike))
        self._stream: _Raw = FileIO(what) if isinstance(what, (str, os.PathLike)) else what
        self._file = self._stream.fileno()
        self._regular = stat.S_ISREG(os.fstat(self._file).st_mode)
        self._idle = idle
        self._waiting = waiting
        self._offset = 0
        self._line_done = True
        self._flushes = _FLUSHES
        self._over = False
        self.trouble = ""

    def close(self) -> None:
        """Close what was opened here."""
        if self._owned:
            self._stream.close()

    def read(self, size: int) -> bytes:
        """1 to `size` bytes; none at the end."""
        since = time.monotonic()
        while not self._over:
            try:
                data = self._some(size)
            except KeyboardInterrupt:
                # Ctrl-C is how one ends it: what was read so far is judged
                break
            if data:
                self._line_done, self._flushes = data.endswith(b"\n"), 0
                self._offset += len(data)
                return data
            waited = time.monotonic() - since
            if waited >= _FLUSH and self._line_done and self._flushes < _FLUSHES:
                self._flushes += 1
                if self._waiting is not None:
                    self._waiting()
                return blank(size)
            if self._idle is not None and waited >= self._idle:
                break
        self._over = True
        return b""

    def readinto(self, view: memoryview) -> int:
        """`read` into a buffer."""
        data = self.read(len(view))
        view[: len(data)] = data
        return len(data)

    def _some(self, size: int) -> bytes | None:
        """What is there; nothing after a short wait. A pipe that was closed ends it."""
        if not self._regular:
            ready, _, _ = select.select([self._file], [], [], _LOOK)
            if not ready:
                return None
            data = os.read(self._file, size)
            self._over = not data
            return data
        data = os.read(self._file, size)
        if not data:
            if os.fstat(self._file).st_size < self._offset:
                self.trouble, self._over = "the file became shorter", True
                return None
            time.sleep(_LOOK)
        return data
