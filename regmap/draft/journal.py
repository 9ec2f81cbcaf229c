"""The backup of an unsaved draft: every accepted step as one line of a file, so a crash loses none.

    journal = Journal.start(folder, "pump.yaml", base_text)     nothing on disk until the first step
    journal.step({"GATE_HS.SOURCE": "60 mA"})                   on disk when the call returns
    for left in leftovers(folder, "pump.yaml"): ...             drafts that nobody is working on
    left.replay(draft.restate)

One file for each running composer, locked while it runs: what is found unlocked was left behind by
one that died, or that was told to keep its draft. A last line that was cut is left out.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from ..document.jsontext import read_json
from ..errors import CallError

locks: Any = None
with contextlib.suppress(ImportError):  # not on every system
    import fcntl

    locks = fcntl

FORMAT = 1
MAX_BYTES = 32_000_000


def state_folder(environ: Mapping[str, str]) -> Path:
    """Where drafts are kept: GATEWORD_STATE, else the system's place for such things."""
    if environ.get("GATEWORD_STATE"):
        return Path(environ["GATEWORD_STATE"])
    if environ.get("XDG_STATE_HOME"):
        return Path(environ["XDG_STATE_HOME"]) / "gateword"
    if environ.get("LOCALAPPDATA"):
        return Path(environ["LOCALAPPDATA"]) / "gateword"
    return Path(environ.get("HOME", str(Path.home()))) / ".local" / "state" / "gateword"


def _key(document: str) -> str:
    path = os.path.realpath(document)
    return f"{Path(path).stem[:40]}-{hashlib.sha256(path.encode()).hexdigest()[:12]}"


def digest(text: str) -> str:
    """What identifies the text that a draft was begun on."""
    return hashlib.sha256(text.encode()).hexdigest()


class Journal:
    """The steps of one running draft. A folder that cannot be written makes `trouble`, not an error."""

    def __init__(self, folder: Path, document: str, base: str) -> None:
        self.folder, self.document, self.base = folder, document, base
        self.path: Path | None = None
        self.trouble = ""
        self._file: TextIO | None = None

    def step(self, changes: Mapping[str, str | None]) -> None:
        """One accepted step (an undo or a redo is one too): the statements it moved."""
        self._write({"set": dict(changes)})

    def rebase(self, base: str) -> None:
        """The draft was saved: what comes now builds on another text."""
        self.discard()
        self.base = base

    def _write(self, entry: Mapping[str, Any]) -> None:
        if self.trouble:
            return
        try:
            if self._file is None:
                self._open()
            assert self._file is not None
            self._file.write(json.dumps(entry, ensure_ascii=False) + "\n")
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as error:
            self.trouble = f"no backup of this draft: {error.strerror or error} ({self.folder})"

    def _open(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        for number in range(10_000):
            path = self.folder / f"{_key(self.document)}-{number}.draft"
            try:
                handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            except FileExistsError:
                continue
            self._file = os.fdopen(handle, "w", encoding="utf-8")
            if locks is not None:
                with contextlib.suppress(OSError):
                    locks.flock(self._file, locks.LOCK_EX | locks.LOCK_NB)
            self.path = path
            head = {"gateword_draft": FORMAT, "document": os.path.realpath(self.document)}
            self._file.write(json.dumps({**head, "base": digest(self.base)}) + "\n")
            return
        raise OSError("too many drafts are kept")

    def keep(self) -> None:
        """Leave the draft to be offered next time."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def discard(self) -> None:
        """Forget the draft: it was saved, or is not wanted."""
        self.keep()
        if self.path is not None:
            self.path.unlink(missing_ok=True)
            self.path = None


@dataclass(frozen=True, slots=True)
class Leftover:
    """A draft that nobody is working on. `same_base` is whether the file is still what it began on."""

    path: Path
    entries: tuple[Mapping[str, Any], ...]
    base: str

    @property
    def steps(self) -> int:
        return len(self.entries)

    def same_base(self, text: str) -> bool:
        return self.base == digest(text)

    def replay(self, restate: Callable[[dict[str, str | None]], object]) -> list[str]:
        """Do the steps again with a draft's `restate`, each one a step that can be undone.

        Returns what can no longer be.
        """
        trouble = []
        for entry in self.entries:
            changes = entry.get("set")
            if not isinstance(changes, dict):
                continue
            try:
                restate({str(n): None if t is None else str(t) for n, t in changes.items()})
            except CallError as error:
                trouble.append(str(error))
        return trouble

    def discard(self) -> None:
        self.path.unlink(missing_ok=True)


def leftovers(folder: Path, document: str) -> list[Leftover]:
    """The drafts of this document that nobody is working on, the newest first."""
    found = []
    try:
        paths = list(folder.glob(f"{_key(document)}-*.draft"))
        paths.sort(key=lambda p: -p.stat().st_mtime)
    except OSError:
        return []
    for path in paths:
        left = _read(path)
        if left is not None and left.entries:
            found.append(left)
    return found


def _read(path: Path) -> Leftover | None:
    try:
        with path.open(
            "r+" if locks is not None else "r", encoding="utf-8", errors="replace"
        ) as file:
            if locks is not None:
                # whoever runs holds the lock; it is let go when a process ends, however it ends
                locks.flock(file, locks.LOCK_EX | locks.LOCK_NB)
            lines = file.read(MAX_BYTES).split("\n")[:-1]
    except OSError:
        return None
    entries = []
    for line in lines:
        try:
            entry = read_json(line)
        except ValueError:
            break
        if not isinstance(entry, dict):
            break
        entries.append(entry)
    if not entries or entries[0].get("gateword_draft") != FORMAT:
        return None
    return Leftover(path, tuple(entries[1:]), str(entries[0].get("base", "")))
