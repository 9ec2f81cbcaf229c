"""Files of logs (Parquet, CSV, JSON lines) to the four tables, rows of a unit from all of them together."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import accumulate
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.json as pajson
import pyarrow.parquet as pq

from regmap.chip.model import Chip
from regmap.errors import CallError

from .captured import Against, digest_of, row
from .columns import LogColumns, find_columns
from .logparts import PARTS_FOLDER, LogParts, LogWorkers
from .logs import LogReading, kept_rows
from .logstore import LogStore
from .schema import Row, names_of
from .sources import SurveySource
from .survey import Summing, Surveyed, check_format, write_about
from .writing import write_table

_ROWS = 1 << 18
#: bytes of logs that one process reads sooner than another is started
_ALONE = 1 << 26
ENDINGS = (".parquet", ".csv", ".jsonl", ".ndjson")

Progress = Callable[[int, int], None]


def columns_of(
    path: str, chip: Chip, given: Mapping[str, str] | None = None, time_unit: str = ""
) -> LogColumns:
    """The columns of a log file by role. Raises CallError as `find_columns` does, OSError and ArrowInvalid."""
    return find_columns(_names(path), chip, given, time_unit)


def _kind(path: str) -> str:
    ending = Path(path.removesuffix(".gz")).suffix.lower()
    if ending not in ENDINGS:
        raise CallError(f"{path}: no log by its ending", f"one of {', '.join(ENDINGS)}")
    return ending


def _names(path: str) -> list[str]:
    kind = _kind(path)
    if kind == ".parquet":
        with pq.ParquetFile(path) as file:
            return list(file.schema_arrow.names)
    if kind == ".csv":
        with pacsv.open_csv(path) as reader:
            return list(reader.schema.names)
    with pajson.open_json(path) as reader:
        return list(reader.schema.names)


def _batches(path: str, columns: LogColumns) -> Iterator[pa.RecordBatch]:
    """The columns that count, a batch at a time. Words in text formats are read as text: hex is no number there."""
    wanted = [columns.time, columns.unit, columns.reset, *columns.words.values()]
    wanted = list(dict.fromkeys(w for w in wanted if w))
    kind = _kind(path)
    if kind == ".parquet":
        with pq.ParquetFile(path) as file:
            yield from file.iter_batches(batch_size=_ROWS, columns=wanted)
        return
    texts = {w: pa.string() for w in wanted if w != columns.time}
    if kind == ".csv":
        options = pacsv.ConvertOptions(
            include_columns=wanted, column_types=texts, strings_can_be_null=True
        )
        blocks = pacsv.ReadOptions(block_size=1 << 22)
        with pacsv.open_csv(path, read_options=blocks, convert_options=options) as reader:
            yield from reader
        return
    # a stream of JSON lines takes a column as what its first block shows; numbers and text stay apart
    with pajson.open_json(path, read_options=pajson.ReadOptions(block_size=1 << 24)) as reader:
        yield from reader


def survey_logs(
    sources: Sequence[SurveySource],
    against: Against,
    columns: LogColumns,
    out: str | os.PathLike[str],
    *,
    format: str = "parquet",  # noqa: A002
    workers: int | None = None,
    afresh: bool = False,
    progress: Progress | None = None,
) -> Surveyed:
    """Explain all logs and write the four tables into the folder `out`.

    Rows of a unit from all files are explained together. A file that cannot be read whole is a row of `captures`;
    what was read of it before counts. Memory does not grow with the rows: many are kept by unit in files of `out`
    that are taken away at the end; a run that was killed goes on with them, unless `afresh`. `progress` is told
    the files that are read, then the parts that are explained. Raises CallError for an unknown format and a
    folder in use.
    """
    check_format(format)
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    labels = tuple((s.file, s.firmware, s.test, s.variant) for s in sources)
    reading = LogReading(against, columns, labels or (("", "", "", ""),))
    count = workers or os.cpu_count() or 1
    with (
        LogParts(folder / PARTS_FOLDER, reading, sources, afresh=afresh) as kept,
        LogWorkers(count) as crew,
    ):
        if not kept.read_before:
            _read_all(reading, kept, [s.file for s in sources], crew, progress)
        kept.explain(crew, progress)
        sums = Summing()
        paths = [write_table(folder, "faults", sums.intervals(kept.rows("faults")), format)]
        for table in ("registers", "timing"):
            paths.append(write_table(folder, table, kept.rows(table), format))
        captures = sums.captures(_captures(kept.rows("captures"), sources, kept.told))
        paths.append(write_table(folder, "captures", captures, format))
        write_about(folder, format, against, captures=0, logs=len(sources))
    return sums.done(paths, 0 if kept.read_before else len(sources))


#: a file and its number
_Item = tuple[int, str]
_Told = dict[str, object]


def _read_all(
    reading: LogReading,
    kept: LogParts,
    paths: Sequence[str],
    workers: LogWorkers,
    progress: Progress | None,
) -> None:
    """Take over the rows of every file; `kept.told` says what became of each."""
    with ThreadPoolExecutor(workers.count) as pool:  # hashing lets other threads run
        kept.told = list(pool.map(_looked_at, paths))
    first: dict[object, str] = {}
    for path, told in zip(paths, kept.told, strict=True):
        if told["state"] == "read":
            same = first.setdefault(told["sha256"], path)
            if same != path:
                told |= {"state": "duplicate", "same_as": same, "message": f"the same bytes as {same}"}  # fmt: skip
    left = [(n, p) for n, p in enumerate(paths) if kept.told[n]["state"] == "read"]
    sizes = [int(str(kept.told[n]["bytes"])) for n, _ in left]
    done = len(paths) - len(left)
    for number, found in _taken(reading, kept, left, sizes, workers):
        kept.told[number] |= found
        done += 1
        if progress is not None:
            progress(done, len(paths))
    kept.all_read()


def _looked_at(path: str) -> _Told:
    """What a file is before its rows are read."""
    try:
        told = {"bytes": Path(path).stat().st_size, "sha256": digest_of(path)}
    except OSError as error:
        return {"state": "unreadable", "message": str(error).splitlines()[0]}
    if not told["bytes"]:
        return {**told, "state": "empty", "message": "the file is empty"}
    return {**told, "state": "read"}


def _taken(
    reading: LogReading,
    kept: LogParts,
    items: Sequence[_Item],
    sizes: Sequence[int],
    workers: LogWorkers,
) -> Iterator[tuple[int, _Told]]:
    """What became of each file, its rows taken over."""
    if workers.count == 1 or sum(sizes) < _ALONE:
        for number, path in items:
            yield number, _read(reading, kept.store, number, path)
        return
    # files in a row to each, so that the pieces of a part in their order are its rows in the order of the files
    share = sum(sizes) / (2 * workers.count)
    place = [int((end - size / 2) // share) for end, size in zip(accumulate(sizes), sizes, strict=True)]  # fmt: skip
    runs = [[i for i, p in zip(items, place, strict=True) if p == piece] for piece in sorted({*place})]  # fmt: skip
    work = partial(_read_some, reading, kept.folder, kept.count)
    for found in workers.map(work, list(enumerate(runs))):
        yield from found


def _read_some(
    reading: LogReading, folder: Path, parts: int, run: tuple[int, Sequence[_Item]]
) -> list[tuple[int, _Told]]:
    """Read some of the files into pieces of their own."""
    piece, items = run
    with LogStore(reading.kept, folder, parts, piece, together=0) as store:
        found = [(number, _read(reading, store, number, path)) for number, path in items]
        store.parts()
    return found


def _read(reading: LogReading, store: LogStore, number: int, path: str) -> _Told:
    """Take over the rows of a file; what is wrong with it is in the answer."""
    rows = 0
    try:
        for batch in _batches(path, reading.columns):
            kept = kept_rows(reading, batch, number)
            rows += len(kept)
            store.add(kept)
    except (OSError, pa.ArrowException, CallError) as error:
        return {"state": "damaged" if rows else "unreadable", "message": str(error).splitlines()[0]}
    return {} if rows else {"state": "empty", "message": "no row has an instant"}


def _captures(
    rows: Iterable[Row], sources: Sequence[SurveySource], told: Sequence[Mapping[str, object]]
) -> Iterator[Row]:
    """A row for each unit of each file, then one for each file that has none."""
    names = names_of("captures")
    number = {s.file: i for i, s in enumerate(sources)}
    seen = set()
    for values in rows:
        found = dict(zip(names, values, strict=True))
        seen.add(found["file"])
        found |= told[number[str(found["file"])]]
        yield [found[n] for n in names]
    for source in sources:
        if source.file not in seen:
            where = {k: getattr(source, k) for k in ("file", "unit", "firmware", "test", "variant")}
            yield row("captures", {**where, **told[number[source.file]]})
