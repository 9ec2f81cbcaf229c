"""The log of a session: one JSON object a line, complete to the last event however the session ends.

Every line is on its way to the disk before the next thing is done, so that a log is whole up to the
moment even of a process that is killed; one that ended says how in its last line. No log is ever
overwritten: a name that exists is refused, which also keeps two sessions out of one file. A log
that grows beyond its size goes on in NAME.2.jsonl, NAME.3.jsonl and so on. A pipe or a device is
written into as it is.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable, Mapping
from datetime import datetime, timezone
from pathlib import Path
from typing import Any, TextIO

from ..closing import Closing
from ..errors import CallError
from ..files import reason, synced, writing, written_into
from ..holding import Hold, hold

FORMAT = 1


def wall_time(seconds: float) -> str:
    """A time of day with its date and milliseconds, UTC, as RFC 3339 writes it."""
    moment = datetime.fromtimestamp(seconds, timezone.utc)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _ended(path: Path) -> bool:
    """Whether the last line of a log says how its session ended, or where it goes on."""
    try:
        with path.open("rb") as file:
            file.seek(max(0, path.stat().st_size - 100_000))
            last = file.read(100_000).rstrip(b"\n").rpartition(b"\n")[2]
        found = json.loads(last)
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(found, dict) and found.get("event") in ("end", "continued")


class SessionLog(Closing):
    """Events written as they come. `about` opens it: the chip, the digests of map and stage, the port.

    `path` None keeps nothing. Each line gets the wall-clock time `at` beside what the caller gives.
    `most_bytes` is when it goes on in a next file. Raises CallError where the file exists already
    or cannot be written.
    """

    def __init__(
        self,
        path: str | Path | None,
        about: Mapping[str, object],
        *,
        most_bytes: int | None = None,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.path = Path(path) if path is not None else None
        self.about = about
        self.most_bytes = most_bytes
        self.wall = wall
        self.lines = 0
        self.paths: list[Path] = []
        self._out: TextIO | None = None
        self._size = 0
        self._live = False
        self._part = 1
        self._hold = Hold()
        if self.path is not None:
            self._out = self._open(self.path)
            try:
                self({"event": "begin", "log": FORMAT, **about})
            except OSError as error:
                self.withdraw()  # half of a first line is no log
                raise CallError(reason(self.path, error)) from None

    def _open(self, path: Path) -> TextIO:
        try:
            self._live = written_into(path)
            if not self._live and not self._hold.path:
                self._hold = hold(path, "writes this log")
            out = writing(path, "a" if self._live else "x", errors="backslashreplace")
        except FileExistsError:
            self._hold.close()
            left = "" if _ended(path) else ", left by a session that did not end,"
            raise CallError(
                f"{path} exists{left or ','} and a log is never overwritten; give another name"
            ) from None
        except OSError as error:
            self._hold.close()
            raise CallError(reason(path, error)) from None
        self.paths.append(path)
        self._size = 0
        return out

    def __call__(self, event: dict[str, Any]) -> None:
        """Write one event."""
        if self._out is None:
            return
        full = self.most_bytes is not None and self._size >= self.most_bytes
        if full and self.path is not None and not self._live:
            self._next(self.path)
        self._write(event)

    def _write(self, event: dict[str, Any]) -> None:
        assert self._out is not None
        self.lines += 1
        line = json.dumps({"at": wall_time(self.wall()), **event}, ensure_ascii=False, default=str)
        self._size += len(line) + 1
        self._out.write(line + "\n")
        self._out.flush()

    def _next(self, path: Path) -> None:
        """Go on in a next file; the last line of this one names it."""
        assert self._out is not None
        self._part += 1
        number = self._part
        while (following := path.with_name(f"{path.stem}.{number}{path.suffix}")).exists():
            number += 1
        before, out = self._out, self._open(following)
        self._write({"event": "continued", "in": following.name})
        before.close()
        self._out, self._size = out, 0
        self._write({"event": "begin", "log": FORMAT, "part": self._part, **self.about})

    def close(self, how: str = "finished", account: list[str] | None = None) -> None:
        """The last line. Does nothing the second time."""
        if self._out is None:
            return
        try:
            self._write({"event": "end", "how": how, "account": account or []})
            if not self._live:
                synced(self._out, self.paths[-1])
        finally:
            out, self._out = self._out, None
            self._hold.close()
            # a close that fails to write what waits has closed all the same
            with contextlib.suppress(OSError):
                out.close()

    def withdraw(self) -> None:
        """Nothing happened that is worth a log: the file that this made is gone again."""
        if self._out is not None and not self._live:
            out, self._out = self._out, None
            with contextlib.suppress(OSError):
                out.close()
            self.paths.pop().unlink(missing_ok=True)
            self._hold.close()

    def ended(self, error: BaseException | None) -> None:
        """The last line says how it ended."""
        self.close("finished" if error is None else f"{type(error).__name__}: {error}")
