"""Who works on what: a stage, a recording, a log or a port has one holder at a time, and who comes second is told by whom it is held.

    with hold(path, "composes it"): ...      # raises HeldError where another process holds it

A holder keeps a small file of its own open and locked, in the user's folder for such things; the
system lets go of it when the process ends, however it ends. Where nothing can be locked (no such
locks on the system, no folder that can be written) nothing is held.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TextIO

from .closing import Closing
from .errors import CallError
from .files import lock


def state_folder(environ: Mapping[str, str]) -> Path:
    """Where drafts and holders are kept: GATEWORD_STATE, else the system's place for such things."""
    if environ.get("GATEWORD_STATE"):
        return Path(environ["GATEWORD_STATE"])
    if environ.get("XDG_STATE_HOME"):
        return Path(environ["XDG_STATE_HOME"]) / "gateword"
    if environ.get("LOCALAPPDATA"):
        return Path(environ["LOCALAPPDATA"]) / "gateword"
    return Path(environ.get("HOME", str(Path.home()))) / ".local" / "state" / "gateword"


class HeldError(CallError):
    """Somebody else works on it; `by` says who, for what and since when."""

    def __init__(self, name: str, by: str) -> None:
        self.by = by
        super().__init__(f"{name} is in use: {by}")


class Hold(Closing):
    """What is held until it is closed or the process ends. `path` is the file that says so, or None."""

    def __init__(self, path: Path | None = None, stream: TextIO | None = None) -> None:
        self.path = path
        self._stream = stream

    def close(self) -> None:
        """Let go. Does nothing the second time."""
        stream, self._stream = self._stream, None
        if stream is not None and self.path is not None:
            with contextlib.suppress(OSError):
                self.path.unlink(missing_ok=True)  # while it is still locked
            with contextlib.suppress(OSError):
                stream.close()


def hold(
    what: str | os.PathLike[str], doing: str, environ: Mapping[str, str] | None = None
) -> Hold:
    """Hold `what`, a file or a port by whatever name; `doing` says to others what for.

    Raises HeldError with the process that holds it. A link leads to what it names.
    """
    name = os.fspath(what)
    place = name if "://" in name else os.path.realpath(name)
    key = hashlib.sha256(os.fsencode(place)).hexdigest()[:24]
    folder = state_folder(os.environ if environ is None else environ) / "held"
    path = folder / f"{key}.lock"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stream = _locked(path, name)
    except OSError:
        return Hold()
    with contextlib.suppress(OSError):  # held all the same, and by "another process"
        stream.truncate(0)
        stream.write(json.dumps({"pid": os.getpid(), "doing": doing, "since": _now()}))
        stream.flush()
    return Hold(path, stream)


def _locked(path: Path, name: str) -> TextIO:
    """The file of this name, locked. Raises HeldError where somebody else has it, OSError where there is none."""
    while True:
        stream = path.open("a+", encoding="utf-8", errors="replace")
        if not lock(stream):
            with stream:
                stream.seek(0)
                raise HeldError(name, _holder(stream.read(4096)))
        if _is(path, stream):
            return stream
        stream.close()  # its holder took it away just now


def _now() -> str:
    return datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")


def _is(path: Path, stream: TextIO) -> bool:
    """Whether the name still leads to the file that was opened."""
    with contextlib.suppress(OSError):
        here, there = path.stat(), os.fstat(stream.fileno())
        return (here.st_dev, here.st_ino) == (there.st_dev, there.st_ino)
    return False


def _holder(text: str) -> str:
    with contextlib.suppress(ValueError, KeyError, TypeError, OverflowError, RecursionError):
        found = json.loads(text)
        doing, since = str(found["doing"])[:60], str(found["since"])[:30]
        return f"process {int(found['pid'])} {doing}, since {since}"
    return "another process holds it"
