"""Captures by the thousand, over the cores, to the tables of `schema`; a killed run is gone on with.

What is done stands in the journal of the output folder, a line a file, so that a run that was killed reads
nothing twice, and that of the next night only what is new. The tables are written from the journal in the
order of the files: they do not depend on how many workers there were, nor on what was killed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from multiprocessing import get_context
from pathlib import Path
from typing import BinaryIO
from zlib import crc32

from regmap.budgets import allowed, allowing
from regmap.capture.setupfile import FOLDER_SETUP, setup_path
from regmap.errors import CallError
from regmap.files import lock, write_whole
from regmap.record import dataclass, field

from .captured import Against, row, rows_of
from .schema import FORMATS, TABLES, VERSION, Row, Rows, names_of
from .sources import SurveySource
from .writing import need_tables, write_table

JOURNAL = "journal.jsonl"
ABOUT = "survey.json"
#: files that a worker has before it: enough that none waits, few enough that memory stays as it is
_AHEAD = 4

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Surveyed:
    """What came of it: how many files in each state and with each reason to stop."""

    files: int
    read_now: int
    states: Mapping[str, int]
    stops: Mapping[str, int]
    faults: Mapping[str, int]
    tables: tuple[Path, ...]
    #: (file, state, what is wrong) of each that could not be read whole
    problems: tuple[tuple[str, str, str], ...] = ()


def survey(
    sources: Sequence[SurveySource],
    against: Against,
    out: str | os.PathLike[str],
    *,
    format: str = "csv",  # noqa: A002
    workers: int | None = None,
    afresh: bool = False,
    progress: Progress | None = None,
) -> Surveyed:
    """Read all captures and write the four tables into the folder `out`.

    `workers` are processes (as many as there are cores); the tables do not depend on them. With `afresh` the
    journal of an earlier run is not used. Raises CallError for an unknown format and a folder in use.
    """
    check_format(format)
    for source in sources:
        against.of(
            source.variant
        )  # a variant that there is no stage for is told before anything is read
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    with _Journal(folder / JOURNAL, _about(against), afresh=afresh) as journal:
        keys = {s.file: [*file_key(s.file), *_variant_key(s)] for s in sources}
        left = [(s.file, s.variant) for s in sources if not journal.has(s.file, keys[s.file])]
        done = len(sources) - len(left)
        for path, rows in _read(left, against, workers or os.cpu_count() or 1):
            journal.add(path, keys[path], rows)
            done += 1
            if progress is not None:
                progress(done, len(sources))
        return _written(journal, sources, folder, format, against, len(left))


def check_format(format: str) -> None:  # noqa: A002
    """Raises CallError for what no table is written as, or is without an extra that is missing."""
    if format not in FORMATS:
        raise CallError(f"no format {format[:40]!r}", f"one of {', '.join(FORMATS)}")
    if format == "parquet":
        need_tables()


def _about(against: Against) -> dict[str, object]:
    """What a journal must have been written with to be of use."""
    return {
        "version": VERSION,
        "columns": {t: list(names_of(t)) for t in TABLES},
        "identity": against.identity.json(),
        "variants": {n: s.digest for n, s in against.variants.items()},
        "chips": [c.digest for c in against.chips],
        "bad_replies": str(against.bad_replies),
    }


def _variant_key(source: SurveySource) -> list[int]:
    """A capture of another variant is held against another stage: it is read again."""
    return [crc32(source.variant.encode())] if source.variant else []


def file_key(path: str) -> list[int]:
    """Size and time of a file and of its set-ups: the same as long as it is as it was."""
    found = []
    for place in (Path(path), setup_path(path), Path(path).parent / FOLDER_SETUP):
        try:
            told = place.stat()
        except OSError:
            found += [-1, -1]
        else:
            found += [told.st_size, told.st_mtime_ns]
    return found


# --- the workers ------------------------------------------------------------------------------------
_AGAINST: list[Against] = []
_OPEN = ExitStack()


def _begin(against: Against, budgets: Mapping[str, int]) -> None:
    _AGAINST[:] = [against]
    _OPEN.enter_context(allowing(budgets))


def _one(path: str, variant: str) -> Rows:
    return rows_of(path, _AGAINST[0].of(variant))


#: a file and its variant
_Item = tuple[str, str]


def _read(paths: list[_Item], against: Against, workers: int) -> Iterator[tuple[str, Rows]]:
    """The rows of each file as they come."""
    if workers == 1 or len(paths) < 2:
        for path, variant in paths:
            yield path, rows_of(path, against.of(variant))
        return
    left = iter(paths)
    while True:
        lost: list[_Item] = []
        yield from _pooled(left, against, min(workers, len(paths)), lost)
        if not lost:
            return
        # a process died: which of the files in its hands it was is found one after the other
        again = iter(lost)
        while True:
            died: list[_Item] = []
            yield from _pooled(again, against, 1, died, ahead=1)
            if not died:
                break
            path = died[0][0]
            told = {"file": path, "state": "unreadable", "message": "its reader was ended"}
            yield path, {**{t: [] for t in TABLES}, "captures": [row("captures", {**told})]}


def _pooled(
    paths: Iterator[_Item],
    against: Against,
    workers: int,
    lost: list[_Item],
    ahead: int = _AHEAD,
) -> Iterator[tuple[str, Rows]]:
    """As `_read`, until there are no more paths or a process died; `lost` are the files it may have had."""
    waiting: dict[Future[Rows], _Item] = {}
    pool = ProcessPoolExecutor(workers, get_context("spawn"), _begin, (against, allowed()))
    try:
        more = True
        while True:
            while more and len(waiting) < workers * ahead:
                item = next(paths, None)
                if item is None:
                    more = False
                    break
                try:
                    waiting[pool.submit(_one, *item)] = item
                except BrokenProcessPool:
                    lost.append(item)
                    more = False
            if not waiting:
                return
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                item = waiting.pop(future)
                try:
                    rows = future.result()
                except BrokenProcessPool:
                    lost.append(item)
                    more = False
                else:
                    yield item[0], rows
    finally:
        pool.shutdown(cancel_futures=True)


# --- the journal ------------------------------------------------------------------------------------
@dataclass
class _Journal:
    """Lines of what is done: where each file's last one begins. A line cut off by a kill is taken away."""

    path: Path
    about: dict[str, object]
    afresh: bool = False
    _places: dict[str, tuple[list[int], int]] = field(default_factory=dict)
    _out: BinaryIO = field(init=False, repr=False)
    _end: int = field(init=False, default=0)

    def __enter__(self) -> _Journal:
        self._out = self.path.open("a+b")
        if not lock(self._out):
            self._out.close()
            raise CallError(f"{self.path.parent} is being written by another survey")
        end = 0 if self.afresh else self._index()
        self._out.truncate(end)
        self._end = end
        if not end:
            self._places.clear()
            self._append(self.about)
        return self

    def __exit__(self, *_: object) -> None:
        self._out.close()

    def _index(self) -> int:
        """Find what earlier runs have done; gives the end of the last whole line, 0 for nothing of use."""
        self._out.seek(0)
        place = 0
        for number, line in enumerate(self._out):
            try:
                found = json.loads(line) if line.endswith(b"\n") else None
            except ValueError:
                found = None
            if not isinstance(found, dict) or (not number and found != self.about):
                break
            if number:
                self._places[found["file"]] = found["key"], place
            place += len(line)
        return place

    def _append(self, told: dict[str, object]) -> None:
        line = json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
        self._out.seek(0, os.SEEK_END)
        self._out.write(line)
        self._out.flush()
        self._end += len(line)

    def has(self, path: str, key: list[int]) -> bool:
        return path in self._places and self._places[path][0] == key

    def add(self, path: str, key: list[int], rows: Rows) -> None:
        self._places[path] = key, self._end
        self._append({"file": path, "key": key, "rows": rows})

    def rows(self, path: str) -> Rows:
        self._out.seek(self._places[path][1])
        found: Rows = json.loads(self._out.readline())["rows"]
        return found


# --- the tables -------------------------------------------------------------------------------------
def labelled(rows: Iterable[Row], source: SurveySource) -> Iterator[Row]:
    """The rows with what the manifest says of their file."""
    for found in rows:
        yield [source.file, source.unit, source.firmware, source.test, *found[4:-1], source.variant]


def _written(
    journal: _Journal,
    sources: Sequence[SurveySource],
    folder: Path,
    format: str,  # noqa: A002
    against: Against,
    read_now: int,
) -> Surveyed:
    first: dict[object, str] = {}
    captures: list[Row] = []
    place = {name: i for i, name in enumerate(names_of("captures"))}
    for source in sources:
        (found,) = labelled(journal.rows(source.file)["captures"], source)
        digest = found[place["sha256"]]
        if digest is not None and found[place["state"]] != "empty":
            same = first.setdefault(digest, source.file)
            if same != source.file:
                # counted once: a duplicate tells nothing of its own
                found[place["state"]], found[place["same_as"]] = "duplicate", same
                found[place["message"]] = f"the same bytes as {same}"
                found[place["exposure_s"]], found[place["faults"]] = None, 0
        captures.append(found)
    single = [s for s, c in zip(sources, captures, strict=True) if c[place["state"]] != "duplicate"]
    sums = Summing()

    def rows(table: str) -> Iterator[Row]:
        for source in single:
            yield from labelled(journal.rows(source.file)[table], source)

    paths = [write_table(folder, "faults", sums.intervals(rows("faults")), format)]
    paths += [write_table(folder, t, rows(t), format) for t in TABLES if t not in ("faults", "captures")]  # fmt: skip
    paths.append(write_table(folder, "captures", sums.captures(captures), format))
    write_about(folder, format, against, captures=len(sources), logs=0)
    return sums.done(paths, read_now)


_ROLE, _FAULT = names_of("faults").index("role"), names_of("faults").index("fault")


@dataclass
class Summing:
    """States, stops and problems of rows of captures, added one by one; faults of the table of faults."""

    files: set[str] = field(default_factory=set)
    states: dict[str, int] = field(default_factory=dict)
    stops: dict[str, int] = field(default_factory=dict)
    faults: dict[str, int] = field(default_factory=dict)
    problems: list[tuple[str, str, str]] = field(default_factory=list)

    def captures(self, rows: Iterable[Row]) -> Iterator[Row]:
        """Rows of `captures` as they pass. A file counts once, each of its units may have reasons to stop."""
        for values in rows:
            told = dict(zip(names_of("captures"), values, strict=True))
            file, state = str(told["file"]), str(told["state"])
            if file not in self.files:
                self.files.add(file)
                self.states[state] = self.states.get(state, 0) + 1
                if state != "read":
                    self.problems.append((file, state, str(told["message"] or "")))
            if state in ("read", "damaged") and told["verdict"] != "sound":
                for name in str(told["verdict"] or "").split():
                    self.stops[name] = self.stops.get(name, 0) + 1
            yield values

    def intervals(self, rows: Iterable[Row]) -> Iterator[Row]:
        """Rows of `faults` as they pass."""
        for values in rows:
            if values[_ROLE] != "normal":
                name = str(values[_FAULT])
                self.faults[name] = self.faults.get(name, 0) + 1
            yield values

    def done(self, tables: Iterable[Path], read_now: int) -> Surveyed:
        """What came of it."""
        return Surveyed(
            files=len(self.files),
            read_now=read_now,
            states=dict(sorted(self.states.items())),
            stops=dict(sorted(self.stops.items())),
            faults=dict(sorted(self.faults.items())),
            tables=tuple(tables),
            problems=tuple(sorted(self.problems)),
        )


def write_about(folder: Path, format: str, against: Against, **counts: int) -> None:  # noqa: A002
    """What the tables of a folder are, as one JSON object beside them."""
    told = {
        "version": VERSION,
        "format": format,
        "identity": against.identity.json(),
        "invented": against.identity.invented,
        # which bits of which registers are settings: a comparison looks at no others
        "settings": {
            r.name: r.settings for c in against.chips for r in c.registers.values() if r.settings
        },
        **counts,
    }
    write_whole(folder / ABOUT, json.dumps(told, indent=1, ensure_ascii=False) + "\n")
