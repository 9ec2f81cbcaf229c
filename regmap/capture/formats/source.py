"""Bytes of a capture from a file, a gz file or a stream, block by block, with its cuts reported.

Compression is recognised by content, not by name. A gz file that ends early or is damaged yields
every byte before that point; the reader is told, and nothing is raised.
"""

from __future__ import annotations

import codecs
import os
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, Protocol

from regmap.budgets import limit, over
from regmap.errors import CallError, CaptureError

_GZ = b"\x1f\x8b"
_CHUNK = 1 << 18
#: A line that is changed as a whole may be this long.
_LINE_LIMIT = 1 << 22
#: Unpacked bytes that are never too many, however little they were packed.
_FREE = 3_000_000


def text_of(data: bytes) -> str:
    """The text of the beginning of a file: UTF-8, with or without a mark, else Latin-1 (a micro sign is one byte there)."""
    for cut in range(4):
        try:
            return data[: len(data) - cut].decode("utf-8-sig")
        except UnicodeDecodeError as error:
            if error.start < len(data) - 4:
                break
    return data.decode("latin-1")


class _Readable(Protocol):
    def read(self, size: int, /) -> bytes | None: ...


class _Layer:
    """Bytes as `more` makes them of those below, until it gives none; `kept` come first."""

    def __init__(self, more: Callable[[int], bytes]) -> None:
        self.more = more
        self.kept = b""

    def __call__(self, size: int) -> bytes:
        if not self.kept:
            self.kept = self.more(size)
        part, self.kept = self.kept[:size], self.kept[size:]
        return part


class CaptureSource:
    """A capture's bytes. `trouble` is the text of what cut them short, or empty."""

    def __init__(
        self, stream: _Readable, name: str, total: int = 0, *, owned: bool = False
    ) -> None:
        self.name = name
        self.total = total
        self.taken = 0
        self.trouble = ""
        self._stream = stream
        self._owned = owned
        self._raw = b""
        self._ended = False
        self._inflate: zlib._Decompress | None = None
        self._inflate_started = False
        self._unpacked = 0
        self._recoded: _Layer | None = None
        self._ahead = b""
        self._ahead = self._fetch(2)
        if self._ahead[:2] == _GZ:
            self._raw, self._ahead = self._ahead, b""
            self._inflate = zlib.decompressobj(31)

    @classmethod
    def open(
        cls, what: str | os.PathLike[str] | BinaryIO, name: str | None = None
    ) -> CaptureSource:
        """Open a path or take a binary stream. CaptureError if the file cannot be opened."""
        if isinstance(what, (str, os.PathLike)):
            path = Path(what)
            try:
                if path.is_dir():
                    raise CaptureError.at(str(what), "is a folder", "a capture file")
                total = path.stat().st_size
                stream = path.open("rb", buffering=0)
            except (OSError, ValueError) as error:
                text = (
                    error.strerror if isinstance(error, OSError) and error.strerror else str(error)
                )
                raise CaptureError.at(str(what), f"cannot be opened: {text}") from None
            return cls(stream, name or str(what), total, owned=True)
        if not hasattr(what, "read"):
            raise CallError(f"a capture is a path or a binary stream, not {type(what).__name__}")
        return cls(what, name or str(getattr(what, "name", "") or "stream"))

    def as_text(self) -> None:
        """From here on UTF-16 is given as UTF-8, and no byte order mark; only before anything was read."""
        head = self.read(4)
        if head[:3] == b"\xef\xbb\xbf":
            self.unread(head[3:])
            return
        self.unread(head)
        wide = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}.get(head[:2])
        # a raw sample may look like the mark, but not with a character of text behind it
        if wide is None or 0 not in head[2:4] or head[2:4] == b"\0\0":
            return
        decoder = codecs.getincrementaldecoder(wide)("replace")
        inner = self._some
        decoder.decode(self.read(2))

        def text(size: int) -> bytes:
            while data := inner(size):
                if made := decoder.decode(data).encode():
                    return made
            return decoder.decode(b"", True).encode()

        self._recoded = _Layer(text)

    def by_lines(self, change: Callable[[bytes], bytes]) -> None:
        """From here on whole lines are given as `change` makes them; only before anything was read."""
        inner = self._recoded or self._some
        held = [b""]

        def changed(size: int) -> bytes:
            while data := inner(size):
                whole, end, rest = (held[0] + data).rpartition(b"\n")
                held[0] = rest
                if len(rest) > _LINE_LIMIT:
                    whole, end, held[0] = whole + end + rest, b"", b""
                if made := change(whole + end):
                    return made
            last, held[0] = held[0], b""
            return change(last)

        self._recoded = _Layer(changed)

    @property
    def compressed(self) -> bool:
        """Whether the bytes are being unpacked."""
        return self._inflate is not None

    def close(self) -> None:
        """Close the file if it was opened here."""
        if self._owned:
            self._stream.close()  # type: ignore[attr-defined]

    def read(self, size: int) -> bytes:
        """Up to `size` bytes; fewer only at the end."""
        parts = []
        while size > 0:
            part = self._recoded(size) if self._recoded is not None else self._some(size)
            if not part:
                break
            parts.append(part)
            size -= len(part)
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def readinto(self, view: memoryview) -> int:
        """Fill `view`; the count is short only at the end."""
        if self._recoded is None and not self._ahead and self._inflate is None and not self._ended:
            into = getattr(self._stream, "readinto", None)
            if into is not None:
                return self._direct(into, view)
        data = self.read(len(view))
        view[: len(data)] = data
        return len(data)

    def unread(self, data: bytes) -> None:
        """Give bytes back; the next read starts with them."""
        if self._recoded is not None:
            self._recoded.kept = data + self._recoded.kept
        else:
            self._ahead = data + self._ahead

    def _direct(self, into: object, view: memoryview) -> int:
        filled = 0
        while filled < len(view):
            try:
                count = into(view[filled:])  # type: ignore[operator]
            except (OSError, ValueError) as error:
                self.trouble = f"reading stopped: {error}"
                count = 0
            if not count:
                self._ended = True
                break
            filled += count
        self.taken += filled
        return filled

    def _some(self, size: int) -> bytes:
        if self._ahead:
            part, self._ahead = self._ahead[:size], self._ahead[size:]
            return part
        if self._inflate is None:
            return self._fetch(size)
        return self._unpack(size)

    def _fetch(self, size: int) -> bytes:
        """Bytes as stored, at least one unless at the end."""
        if self._ended:
            return b""
        try:
            data = self._stream.read(size)
        except (OSError, ValueError, EOFError, zlib.error) as error:
            self.trouble = f"reading stopped: {error}"
            data = b""
        if isinstance(data, str):
            raise CallError("a capture stream must be binary: use sys.stdin.buffer, not sys.stdin")
        if not data:
            self._ended = True
            return b""
        self.taken += len(data)
        return data

    def _unpack(self, size: int) -> bytes:
        assert self._inflate is not None
        while True:
            if self._inflate.eof:
                # Members may follow each other; padding or junk after the last one ends the data.
                rest = self._inflate.unused_data
                rest += self._fetch(_CHUNK) if len(rest) < 2 else b""
                if rest[:2] != _GZ:
                    self._ended = True
                    self._raw = b""
                    self._inflate = zlib.decompressobj(31)
                    return b""
                self._inflate, self._raw = zlib.decompressobj(31), rest
            if not self._raw:
                self._raw = self._fetch(_CHUNK)
                if not self._raw:
                    if not self.trouble and self._inflate_started:
                        self.trouble = "the compressed data end early"
                    return b""
            before = self._inflate.copy()
            try:
                data = self._inflate.decompress(self._raw, size)
            except zlib.error as error:
                self.trouble = f"the compressed data are damaged ({str(error).rsplit(': ', 1)[-1]})"
                data = _salvage(before, self._raw)
                self._ended, self._raw = True, b""
                self._inflate_started = False
                self._ahead = data[size:]
                return data[:size]
            self._inflate_started = not self._inflate.eof
            self._unpacked += len(data)
            if self._unpacked > _FREE and self._unpacked > limit("packed") * self.taken:
                raise CaptureError.at(self.name, *over("packed", self._unpacked // self.taken))
            self._raw = self._inflate.unconsumed_tail
            if data:
                return data


def _salvage(inflate: zlib._Decompress, raw: bytes) -> bytes:
    """What can be unpacked before the damage: the same bytes again in small pieces."""
    parts = []
    for at in range(0, len(raw), 16):
        try:
            parts.append(inflate.decompress(raw[at : at + 16]))
        except zlib.error:
            break
    return b"".join(parts)


class FromSource:
    """What captures have in common that read a CaptureSource as they go, kept in `_file`."""

    _file: CaptureSource

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    @property
    def position(self) -> tuple[int, int]:
        """(bytes read, bytes in all) of the file as stored."""
        return self._file.taken, self._file.total
