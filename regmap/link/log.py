"""The log of a session: one JSON object a line, complete however the session ends.

Lines go to `FILE.part` as things happen and are flushed at once; at the end, also after an error or
an interrupt, a last line says how it ended and the file is put in place. A pipe or a device is
written into as it is (`files.WholeFile`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import CallError
from ..files import WholeFile, reason

if TYPE_CHECKING:
    from types import TracebackType

    from typing_extensions import Self

FORMAT = 1


class SessionLog:
    """Events written as they come. `about` opens it: the chip, the digests of map and stage, the port.

    `path` None keeps nothing. The caller gives the wall-clock time in `about` if it wants one there.
    """

    def __init__(self, path: str | Path | None, about: Mapping[str, Any]) -> None:
        self.path = Path(path) if path is not None else None
        self._file: WholeFile | None = None
        self.lines = 0
        if self.path is not None:
            try:
                self._file = WholeFile(self.path)
            except OSError as error:
                raise CallError(reason(self.path, error)) from None
        self({"event": "begin", "log": FORMAT, **about})

    def __call__(self, event: dict[str, Any]) -> None:
        """Write one event."""
        self.lines += 1
        if self._file is not None:
            self._file.out.write(json.dumps(event, ensure_ascii=False, default=str) + "\n")
            self._file.out.flush()

    def close(self, how: str, account: list[str] | None = None) -> None:
        """The last line, then the file in place. Does nothing the second time."""
        if self._file is None:
            return
        try:
            self({"event": "end", "how": how, "account": account or []})
        finally:
            file, self._file = self._file, None
            file.finish()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close("finished" if kind is None else f"{kind.__name__}: {error}")
