"""Rows of logs on their way to the tables: kept by unit, explained part by part, gone on with after a kill.

The folder holds `state.jsonl` (what the parts were made of; once all is read, what became of each file), files of
rows for each part (PART.PIECE.arrow, a piece by each of those that read side by side), and of each part that is explained its
tables. All of it is taken away once the tables are written.
"""

from __future__ import annotations

import ctypes
import heapq
import json
import platform
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import pyarrow as pa

from regmap.budgets import allowed, allowing
from regmap.closing import Closing
from regmap.errors import CallError
from regmap.files import lock

from .logs import LogReading, joined, tables_of
from .logstore import PARTS, LogStore
from .schema import TABLES, VERSION, Row, names_of
from .sources import SurveySource
from .survey import file_key

PARTS_FOLDER = "parts"
#: of `mallopt`, by <malloc.h> of glibc
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_STATE = "state.jsonl"
#: bytes of logs for each part, and the most parts: files that are open together
_BYTES, _MOST = 4 << 20, 128
#: rows of each part that are in memory while the parts are merged
_CHUNK = 1 << 9
_UNIT = names_of("faults").index("unit")

Progress = Callable[[int, int], None]
T = TypeVar("T")
S = TypeVar("S")


class LogParts(Closing):
    """Kept rows of a survey of logs. `told` is what became of each file, in the order of the sources."""

    def __init__(
        self, folder: Path, reading: LogReading, sources: Sequence[SurveySource], *, afresh: bool
    ) -> None:
        self.folder = folder
        self.reading = reading
        self.told: list[dict[str, object]] = []
        self.read_before = False
        folder.mkdir(exist_ok=True)
        self._state = (folder / _STATE).open("a+b")
        if not lock(self._state):
            self._state.close()
            raise CallError(f"{folder.parent} is being written by another survey")
        keys = [file_key(s.file) for s in sources]
        about = {
            "version": VERSION,
            "identity": reading.against.identity.json(),
            "chip": reading.chip.digest,
            "columns": reading.columns.text(),
            "labels": reading.labels,
            "keys": keys,
        }
        text = json.dumps(about, ensure_ascii=False, sort_keys=True).encode()
        self._state.seek(0)
        before = self._state.read().split(b"\n")
        if not afresh and len(before) == 3 and before[0] == text:
            self.told = json.loads(before[1])
            self.read_before = True
        else:
            self._state.truncate(0)
            self._append(text)
            self._clear()
        #: bytes of all files
        self.size = sum(max(k[0], 0) for k in keys)
        self.count = min(max(self.size // _BYTES, PARTS), _MOST)
        self.store = LogStore(reading.kept, folder, self.count)
        self._parts: Sequence[Path] = self._found()
        self._small: dict[str, pa.Table] | None = None

    def _found(self) -> list[Path]:
        """What each part is called by, for those that are kept in files."""
        return sorted({p.parent / p.name.partition(".")[0] for p in self.folder.glob("*.arrow")})

    def close(self) -> None:
        """Let others in; what is kept stays, for a run that goes on."""
        self.store.close()
        self._state.close()

    def ended(self, error: BaseException | None) -> None:
        """Take all away where the tables were written."""
        self.close()
        if error is None:
            shutil.rmtree(self.folder, ignore_errors=True)

    def _append(self, text: bytes) -> None:
        self._state.write(text + b"\n")
        self._state.flush()

    def _clear(self) -> None:
        for path in self.folder.iterdir():
            if path.is_dir():
                shutil.rmtree(path)
            elif path.name != _STATE:
                path.unlink()

    def all_read(self) -> None:
        """All rows are kept: a later run need not read again, where they are in files."""
        kept = self.store.parts()
        self._parts = self._found()
        if self._parts:
            self._append(json.dumps(self.told, ensure_ascii=False).encode())
        else:
            self._small = joined(tables_of(self.reading, rows) for rows in kept)

    def explain(self, workers: LogWorkers, progress: Progress | None = None) -> None:
        """Make the tables of every part that has none yet. Raises CallError where a process is ended."""
        left = [p for p in self._parts if not _tables(p).exists()]
        done = len(self._parts) - len(left)
        for _ in workers.map(partial(explain_part, self.reading), left):
            done += 1
            if progress is not None:
                progress(done, len(self._parts))

    def rows(self, table: str) -> Iterator[Row]:
        """The rows of a table of all parts in their order; a unit is in one part, so units alone are merged."""
        if self._small is not None:
            yield from _rows(self._small[table].to_batches(max_chunksize=1 << 14))
            return
        parts = [_rows(_read(_tables(p) / f"{table}.arrow")) for p in self._parts]
        yield from heapq.merge(*parts, key=lambda row: str(row[_UNIT]))


class LogWorkers(Closing):
    """Processes that read logs and explain them, started when there is work for two of them."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool: ProcessPoolExecutor | None = None

    def close(self) -> None:
        """End them."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def start(self) -> None:
        """Let them start beside what comes first; they take half a second."""
        if self.count > 1:
            for _ in range(self.count):
                self._started().submit(int)

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(self.count, get_context("spawn"), _begin, (allowed(),))
        return self._pool

    def map(self, function: Callable[[T], S], items: Sequence[T]) -> Iterator[S]:
        """As the built-in one, in this process where there is one worker or one item. Raises CallError where a process
        is ended."""
        if self.count == 1 or len(items) < 2:
            yield from map(function, items)
            return
        try:
            yield from self._started().map(function, items)
        except BrokenProcessPool:
            raise CallError(
                "a process that read or explained logs was ended, perhaps for want of memory", "the same command, which goes on, with fewer --workers"
            ) from None  # fmt: skip


_OPEN = ExitStack()


def _begin(budgets: Mapping[str, int]) -> None:
    _OPEN.enter_context(allowing(budgets))
    _keep_memory()


def _keep_memory() -> None:
    """Let this worker keep the memory of arrays that are done with, for the next ones.

    glibc gives that of each large array back, and the kernel clears all of it for the next: a fifth of a worker's
    time, and two workers wait for each other there. Only in processes that are the survey's own.
    """
    if platform.system() != "Linux":
        return
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)  # other C libraries have none
    if mallopt is not None:
        mallopt(_TRIM_THRESHOLD, 1 << 30)
        mallopt(_MMAP_THRESHOLD, 1 << 25)


def _tables(part: Path) -> Path:
    return part.with_suffix(".tables")


def explain_part(reading: LogReading, part: Path) -> None:
    """Write the tables of a part beside its pieces, all of them or none."""
    pieces = {int(p.suffixes[0][1:]): p for p in part.parent.glob(f"{part.name}.*.arrow")}
    found = joined(iter([tables_of(reading, [pieces[n] for n in sorted(pieces)])]))
    begun = part.with_suffix(".begun")
    shutil.rmtree(begun, ignore_errors=True)
    begun.mkdir()
    for table in TABLES:
        with pa.ipc.new_stream(begun / f"{table}.arrow", found[table].schema) as out:
            out.write_table(found[table], max_chunksize=_CHUNK)
    begun.replace(_tables(part))


def _read(path: Path) -> Iterator[pa.RecordBatch]:
    with pa.ipc.open_stream(path) as stream:
        yield from stream


def _rows(batches: Iterable[pa.RecordBatch]) -> Iterator[Row]:
    for batch in batches:
        columns = [c.to_pylist() for c in batch.columns]
        yield from map(list, zip(*columns, strict=True))
