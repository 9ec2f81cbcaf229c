"""The backup of an unsaved draft: every accepted step as one line of a file, so a crash loses none.

    journal = Journal.start(folder, "pump.yaml", base_text)     nothing on disk until the first step
    journal.step({"GATE_HS.SOURCE": "60 mA"})                   on disk when the call returns
    for left in leftovers(folder, "pump.yaml"): ...             drafts that nobody is working on
    left.replay(draft.restate)

One file for each running composer, locked while it runs: what is found unlocked was left behind by
one that died, or that was told to keep its draft. A last line that was cut is left out; of a file
that was damaged otherwise the lines that can be read are offered, and the file is kept aside.
"""

from __future__ import annotations

import contextlib
import glob
import hashlib
import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TextIO

from regmap.record import dataclass

from ..document.jsontext import read_json
from ..errors import CallError
from ..files import lock, named, sync_folder, writing
from ..holding import state_folder as state_folder  # where drafts are kept

FORMAT = 1
MAX_BYTES = 32_000_000


def _key(document: str) -> str:
    path = os.path.realpath(document)
    return f"{Path(path).stem[:40]}-{hashlib.sha256(os.fsencode(path)).hexdigest()[:12]}"


def digest(text: str) -> str:
    """What identifies the text that a draft was begun on."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _steps(count: int) -> str:
    return "1 step" if count == 1 else f"{count} steps"


class Journal:
    """The steps of one running draft. A folder that cannot be written makes `trouble`, not an error."""

    def __init__(self, folder: Path, document: str, base: str) -> None:
        self.folder, self.document, self.base = folder, document, base
        self.path: Path | None = None
        self.trouble = ""
        #: steps that are on the disk
        self.kept = 0
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
            self._file.write(json.dumps(entry) + "\n")
            self._file.flush()
            with named(self.path or self.folder):
                os.fsync(self._file.fileno())
            if not self.kept:
                sync_folder(self.folder)
            self.kept += 1
        except OSError as error:
            after = f" after {_steps(self.kept)}" if self.kept else ""
            place = error.filename or self.path or self.folder
            self.trouble = f"no backup of this draft{after}: {error.strerror or error} ({place})"

    def _open(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        for number in range(10_000):
            path = self.folder / f"{_key(self.document)}-{number}.draft"
            try:
                self._file = writing(path, "x")
            except FileExistsError:
                continue
            path.chmod(0o600)
            lock(self._file)
            self.path = path
            head = {"gateword_draft": FORMAT, "document": os.path.realpath(self.document)}
            self._file.write(json.dumps({**head, "base": digest(self.base)}) + "\n")
            return
        raise OSError("too many drafts are kept")

    def keep(self) -> None:
        """Leave the draft to be offered next time."""
        if self._file is not None:
            # a close that fails to write what waits has closed all the same, and `trouble` says so
            with contextlib.suppress(OSError):
                self._file.close()
            self._file = None

    @property
    def backup(self) -> str:
        """What of this draft is on the disk, in words; "" where nothing is."""
        if not self.kept or self.path is None:
            return ""
        if self.trouble:
            return f"the draft is kept in part: {_steps(self.kept)} ({self.trouble})"
        return "the draft is kept"

    def discard(self) -> None:
        """Forget the draft: it was saved, or is not wanted."""
        self.keep()
        self.kept = 0
        if self.path is not None:
            self.path.unlink(missing_ok=True)
            self.path = None


#: between a name and its mode
IN_MODE = " in "


class ModeJournal:
    """Tells the journal of the stage what was changed in a mode, each name with its mode."""

    def __init__(self, journal: Journal, mode: str) -> None:
        self.journal, self.mode = journal, mode

    def step(self, changes: Mapping[str, str | None]) -> None:
        self.journal.step({f"{n}{IN_MODE}{self.mode}": t for n, t in changes.items()})


@dataclass(frozen=True, slots=True)
class Leftover:
    """A draft that nobody is working on. `same_base` is whether the file is still what it began on.

    `damaged` counts the lines that could not be read; what stands on the others is offered all the
    same, and the file of a damaged draft is put aside, not deleted.
    """

    path: Path
    entries: tuple[Mapping[str, Any], ...]
    base: str
    damaged: int = 0

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
            changes = {
                str(n): None if t is None else str(t)
                for n, t in entry["set"].items()
                if isinstance(t, (str, int, float)) or t is None
            }
            try:
                restate(changes)
            except CallError as error:
                trouble.append(str(error))
        return trouble

    def discard(self) -> None:
        self.path.unlink(missing_ok=True)

    def put_aside(self) -> Path:
        """Keep the file under another name, which is not offered again; where it is now."""
        aside = self.path.with_name(f"{self.path.name}.{os.urandom(4).hex()}.aside")
        try:
            return self.path.replace(aside)
        except OSError:
            return self.path


def leftovers(folder: Path, document: str) -> list[Leftover]:
    """The drafts of this document that nobody is working on, the newest first.

    Whatever stands in the files, this returns; one of which nothing can be read has no steps.
    """
    found: list[tuple[float, Path]] = []
    with contextlib.suppress(OSError):
        for path in folder.glob(f"{glob.escape(_key(document))}-*.draft"):
            with contextlib.suppress(OSError):
                found.append((-path.stat().st_mtime, path))
    read = (_read(path) for _, path in sorted(found))
    return [left for left in read if left is not None and (left.entries or left.damaged)]


def _read(path: Path) -> Leftover | None:
    """None for what is somebody's at the moment, or no file."""
    if not path.is_file():
        return None
    try:
        with path.open("rb") as file:
            # whoever runs holds the lock; it is let go when a process ends, however it ends
            if not lock(file):
                return None
            lines = file.read(MAX_BYTES).split(b"\n")
    except OSError:
        return None
    entries: list[Mapping[str, Any]] = []
    base, damaged = "", 0
    cut = lines.pop()  # of the step that was being written; empty where none was
    for line in lines:
        entry = _entry(line)
        if "set" in entry:
            entries.append(entry)
        elif entry.get("gateword_draft") == FORMAT:
            base = str(entry.get("base", ""))
        else:
            damaged += 1
    if not base and not damaged and (entries or cut):
        damaged = 1  # its head is gone
    return Leftover(path, tuple(entries), base, damaged)


def _entry(line: bytes) -> Mapping[str, Any]:
    """A line of a journal; without anything in it where it cannot be read."""
    try:
        entry = read_json(line.decode("utf-8"))
    except ValueError:
        return {}
    if not isinstance(entry, dict):
        return {}
    return entry if isinstance(entry.get("set", {}), dict) else {}
