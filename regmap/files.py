"""Writing files whole or not at all: the one place that creates, replaces and renames.

    write_whole(path, text)                 # a whole text at once
    with WholeFile(path) as file: ...       # one that grows while something is going on

A regular file is written beside its place and renamed, so that nobody ever sees half of it; it
keeps its permissions. A symbolic link keeps pointing where it did. What is no regular file (a pipe,
a device, anything under /dev and /proc) is written into: a rename would put a file in its place.
Everything here raises OSError; `reason` makes the sentence of it.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from types import TracebackType

    from typing_extensions import Self


def reason(path: str | os.PathLike[str], error: OSError) -> str:
    """Why `path` could not be written, in a sentence."""
    if isinstance(error, IsADirectoryError):
        return f"{os.fspath(path)} is a directory; expected a file name"
    return f"{os.fspath(path)} cannot be written ({error.strerror or error})"


def written_into(path: Path) -> bool:
    """Whether `path` is something to write into, never to be replaced: a pipe, a device.

    Everything under /dev and /proc is, whatever it leads to: /dev/stdout may lead to the very file
    that the caller's output goes to. Raises IsADirectoryError for a directory.
    """
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if path.exists() and not path.is_file():
        return True
    # as named: where a link leads must not be asked here
    return os.path.normpath(path.absolute()).startswith(("/dev/", "/proc/"))


def write_whole(path: Path, text: str | bytes, *, only_if_changed: bool = False) -> bool:
    """Put `text` (UTF-8, line ends as they are) there. True where something was written.

    With `only_if_changed` a regular file that holds the very bytes is left alone, its time too.
    """
    data = text.encode() if isinstance(text, str) else text
    if written_into(path):
        with path.open("ab") as stream:  # the shell's >> for what leads to a regular file
            stream.write(data)
        return True
    target = Path(os.path.realpath(path))
    if only_if_changed and target.is_file() and target.read_bytes() == data:
        return False
    temporary = target.with_name(f".{target.name[:40]}.{os.urandom(4).hex()}.part")
    try:
        with temporary.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        _as_before(target, temporary)
        temporary.replace(target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return True


def _as_before(target: Path, temporary: Path) -> None:
    """Give the new file the old one's permissions, if there is an old one."""
    with contextlib.suppress(FileNotFoundError):
        temporary.chmod(target.stat().st_mode & 0o7777)


class WholeFile:
    """A text file written over time. `out` takes the text; `finish` puts the file in place.

    Until then a regular file grows as `NAME.part` beside its place, and stays there if the program
    is killed: what was recorded so far is not lost. `live` tells that it is written into directly,
    and perhaps read at this moment. Opening a pipe waits for its reader, as for any program.
    """

    def __init__(self, path: str | os.PathLike[str], *, encoding: str = "utf-8") -> None:
        self.path = Path(path)
        self.live = written_into(self.path)
        self._target = self.path if self.live else Path(os.path.realpath(self.path))
        self._part = self._target.with_name(self._target.name + ".part")
        if not self.live:
            # left by one that was killed; where it is a link it is not followed
            self._part.unlink(missing_ok=True)
        raw = self.path.open("ab") if self.live else self._part.open("xb")
        self.out: TextIO = io.TextIOWrapper(raw, encoding, errors="replace", newline="\n")

    def finish(self) -> None:
        """Close, and put the file in place. Does nothing the second time."""
        if self.out.closed:
            return
        try:
            self.out.flush()
            if not self.live:
                os.fsync(self.out.fileno())
        finally:
            # a close that fails to write what waits has closed all the same
            with contextlib.suppress(OSError):
                self.out.close()
        if not self.live:
            _as_before(self._target, self._part)
            self._part.replace(self._target)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.finish()
