"""Writing files whole or not at all: the one place that creates, replaces and renames.

    write_whole(path, text)                 # a whole text at once
    with WholeFile(path) as file: ...       # one that grows while something is going on
    gate = Gate(); gate.reads(map); gate.writes(header)    # an output that is an input is refused

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
import re
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, TextIO

from .closing import Closing
from .errors import CallError, told

if TYPE_CHECKING:
    from types import ModuleType


#: A temporary file of our own that nobody holds and that is older than this was left by a killed run.
STALE_SECONDS = 60.0

_locks: ModuleType | None = None
with contextlib.suppress(ImportError):  # not on every system
    import fcntl

    _locks = fcntl


def lock(stream: IO[str] | IO[bytes]) -> bool:
    """Hold an open file until it is closed or the process ends, however it ends.

    False where another process holds it. Where a system has no such locks nothing is held.
    """
    if _locks is None:
        return True
    try:
        _locks.flock(stream, _locks.LOCK_EX | _locks.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True


def _held(path: Path) -> bool:
    """Whether a running process holds this file, or may still be about to."""
    try:
        if time.time() - path.stat().st_mtime < STALE_SECONDS and _locks is None:
            return True
        with path.open("r+b") as stream:
            return not lock(stream)
    except OSError:
        return True


@contextlib.contextmanager
def named(path: str | os.PathLike[str]) -> Iterator[None]:
    """While this lasts an OSError is told of this file, whichever file it came from, or none."""
    try:
        yield
    except OSError as error:
        text = error.strerror or str(error)
        raise OSError(error.errno or errno.EIO, text, os.fspath(path)) from error


class _NamedFile(io.FileIO):
    """A file whose errors say which file it is: the system names none where a write fails."""

    def __init__(self, path: Path, mode: str, told: Path) -> None:
        self._told = told
        with named(told):
            super().__init__(path, mode)

    def write(self, data: Any, /) -> int:
        with named(self._told):
            return super().write(data) or 0


def writing(
    path: Path,
    mode: str,
    *,
    encoding: str = "utf-8",
    errors: str = "strict",
    told: Path | None = None,
) -> TextIO:
    """A file to write text into, opened with `x` or `a`; its errors name it (or `told`)."""
    raw = _NamedFile(path, mode, told or path)
    return io.TextIOWrapper(io.BufferedWriter(raw), encoding, errors, newline="\n")


def synced(stream: IO[str] | IO[bytes], path: Path) -> None:
    """Put on the disk what was written, and the name of the file with it."""
    with named(path):
        stream.flush()
        os.fsync(stream.fileno())
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """A new name is on the disk when its folder is; not every system lets one open a folder."""
    with contextlib.suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def reason(path: str | os.PathLike[str], error: OSError) -> str:
    """Why `path` could not be written, in a sentence."""
    if isinstance(error, IsADirectoryError):
        return told(f"{os.fspath(path)} is a directory", "a file name")
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
    data = text.encode("utf-8", "backslashreplace") if isinstance(text, str) else text
    with named(path):
        if written_into(path):
            with path.open("ab") as stream:  # the shell's >> for what leads to a regular file
                stream.write(data)
            return True
        target = Path(os.path.realpath(path))
        if target.exists():
            # its folder may let us put another file in its place where its owner said no
            os.close(os.open(target, os.O_WRONLY))
        if only_if_changed and _holds(target, data):
            return False
        _sweep(target)
        temporary = target.with_name(f".{target.name[:40]}.{os.urandom(4).hex()}.part")
        try:
            with temporary.open("xb") as stream:
                lock(stream)
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            _as_before(target, temporary)
            temporary.replace(target)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
    sync_folder(target.parent)
    return True


def _holds(target: Path, data: bytes) -> bool:
    """Whether the file is these very bytes; a larger one is not read."""
    return target.is_file() and target.stat().st_size == len(data) and target.read_bytes() == data


def _sweep(target: Path) -> None:
    """Remove what killed runs of `write_whole` left beside `target`: half of a text, of no use."""
    pattern = re.compile(rf"\.{re.escape(target.name[:40])}\.[0-9a-f]{{8}}\.part")
    with contextlib.suppress(OSError):
        for entry in os.scandir(target.parent):
            if not pattern.fullmatch(entry.name) or not entry.is_file(follow_symlinks=False):
                continue
            old = time.time() - entry.stat(follow_symlinks=False).st_mtime >= STALE_SECONDS
            if old and not _held(Path(entry.path)):
                Path(entry.path).unlink(missing_ok=True)


def _as_before(target: Path, temporary: Path) -> None:
    """Give the new file the old one's permissions, if there is an old one."""
    with contextlib.suppress(FileNotFoundError):
        temporary.chmod(target.stat().st_mode & 0o7777)


class WholeFile(Closing):
    """A text file written over time. `out` takes the text; `finish` puts the file in place.

    Until then a regular file grows as `NAME.XXXXXXXX.part` beside its place, a file of this writer
    alone, and stays there if the program is killed or the body of a `with` raises: what was
    recorded so far is not lost, and what stood in place before still does. `left_behind` are such
    files of earlier runs that nobody writes any more; they are told of, never deleted. `live` tells
    that it is written into directly, and perhaps read at this moment. Opening a pipe waits for its
    reader, as for any program.
    """

    def __init__(self, path: str | os.PathLike[str], *, encoding: str = "utf-8") -> None:
        self.path = Path(path)
        self.live = written_into(self.path)
        self._target = self.path if self.live else Path(os.path.realpath(self.path))
        self.left_behind: tuple[Path, ...] = ()
        self._part = self._target
        if not self.live:
            self.left_behind = tuple(p for p in parts_of(self._target) if not _held(p))
            self._part = self._target.with_name(f"{self._target.name}.{os.urandom(4).hex()}.part")
        self.out: TextIO = writing(
            self._part,
            "a" if self.live else "x",
            encoding=encoding,
            errors="replace",
            told=self.path,
        )
        if not self.live:
            lock(self.out)

    @property
    def growing(self) -> Path:
        """Where the text is at this moment."""
        return self._part

    def finish(self) -> None:
        """Close, and put the file in place. Does nothing the second time."""
        if self.out.closed:
            return
        self._close()
        if self.live:
            return
        with named(self.path):
            _as_before(self._target, self._part)
            self._part.replace(self._target)
        sync_folder(self._target.parent)

    def abandon(self) -> None:
        """Close, and leave what was written as `growing`: nothing is put in place."""
        if not self.out.closed:
            self._close()

    def _close(self) -> None:
        try:
            self.out.flush()
            if not self.live:
                with named(self.path):
                    os.fsync(self.out.fileno())
        finally:
            # a close that fails to write what waits has closed all the same
            with contextlib.suppress(OSError):
                self.out.close()

    def close(self) -> None:
        """As `finish`."""
        self.finish()

    def ended(self, error: BaseException | None) -> None:
        """Put it in place, or leave it as `growing` where the body raised."""
        if error is None:
            self.finish()
        else:
            with contextlib.suppress(OSError):  # the error of the body is the one to be told
                self.abandon()


def parts_of(target: Path) -> list[Path]:
    """The files in which `WholeFile` writers of `target` grow or grew, the oldest first."""
    pattern = re.compile(rf"{re.escape(target.name)}(?:\.[0-9a-f]{{8}})?\.part")
    found = []
    with contextlib.suppress(OSError):
        for entry in os.scandir(target.parent):
            if pattern.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                found.append((entry.stat().st_mtime, entry.path))
    return [Path(path) for _, path in sorted(found)]


class Gate:
    """What one command reads and writes: an output that is an input, or another output, is refused.

    In whatever order they are told. The same file by another name counts: a link, a hard link,
    other case where the file system does not tell case. Devices and pipes may be named as often as
    one likes. Everything here raises CallError that names both files.
    """

    def __init__(self) -> None:
        self._inputs: dict[object, str] = {}
        self._outputs: dict[object, str] = {}
        self._edited: set[object] = set()

    def edits(self, path: str | os.PathLike[str]) -> None:
        """The user's own file, which is read and written back."""
        self._edited.update(_identities(Path(path)))

    def reads(self, paths: Iterable[str | os.PathLike[str]]) -> None:
        """These are inputs of the command; what does not exist is passed over."""
        for path in paths:
            for key in _identities(Path(path)):
                if key in self._outputs and key not in self._edited:
                    raise _clash(self._outputs[key], os.fspath(path), "reads")
                self._inputs.setdefault(key, os.fspath(path))

    def writes(self, path: str | os.PathLike[str]) -> None:
        """This will be written."""
        place, name = Path(path), os.fspath(path)
        if not place.is_dir() and written_into(place):
            return
        keys = _identities(place)
        # two outputs that differ in case alone are one file on many systems that share a tree
        folded = ("case", os.path.realpath(place).casefold())
        for key in keys:
            if key in self._inputs and key not in self._edited:
                raise _clash(name, self._inputs[key], "reads")
        for key in (*keys, folded):
            if key in self._outputs:
                raise _clash(name, self._outputs[key], "writes")
        self._outputs.update(dict.fromkeys((*keys, folded), name))


def _clash(path: str, other: str, does: str) -> CallError:
    if path == other:
        text = f"{path} would be written, and this command {does} it too"
    else:
        text = f"{path} would be written, and is the same file as {other}, which this command {does} too"
    return CallError(f"{text}; nothing was written")


def _identities(path: Path) -> list[object]:
    """What tells a file from others: its place as the system resolves it, and its inode."""
    place = Path(os.path.realpath(path))
    found: list[object] = [str(place)]
    with contextlib.suppress(OSError):
        status = place.stat()
        if status.st_ino:
            found.append((status.st_dev, status.st_ino))
    return found
