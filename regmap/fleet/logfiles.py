"""Files of logs (Parquet, CSV, JSON lines) to the four tables, rows of a unit from all of them together."""

from __future__ import annotations

import json
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
from regmap.quantity import many

from .captured import Against, digest_of, row
from .columns import LogColumns, find_columns, together
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
#: bytes that a line of JSON may have
_LINE = 1 << 20
ENDINGS = (".parquet", ".csv", ".jsonl", ".ndjson")

Progress = Callable[[int, int], None]


def columns_of(
    path: str, chip: Chip, given: Mapping[str, str] | None = None, time_unit: str = ""
) -> LogColumns:
    """The columns of a log file by role. Raises CallError as `find_columns` does, OSError and ArrowInvalid."""
    return find_columns(_names(path), chip, given, time_unit)


def columns_of_all(
    paths: Iterable[str], chip: Chip, given: Mapping[str, str] | None = None, time_unit: str = ""
) -> dict[str, LogColumns | str]:
    """The columns of each log file, or why it cannot be read as one."""
    found: dict[str, LogColumns | str] = {}
    first: LogColumns | None = None
    for path in paths:
        try:
            own = columns_of(path, chip, given, time_unit)
        except (OSError, ValueError) as error:  # of Arrow, and our own
            found[path] = str(error).splitlines()[0].removeprefix(f"{path}: ")
            continue
        first = first or own
        if bool(own.registers) == bool(first.registers):
            found[path] = own
        else:
            kinds = ("registers", "frames") if own.registers else ("frames", "registers")
            found[path] = "it has {}, and the logs before it have {}".format(*kinds)
    return found


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
        with pacsv.open_csv(path, parse_options=_parsing([])) as reader:
            return list(reader.schema.names)
    with pajson.open_json(_whole_lines(path, [])) as reader:
        return list(reader.schema.names)


def _parsing(odd: list[str]) -> pacsv.ParseOptions:
    """How CSV is read: rows of another number of cells than the title row has are left out, and told in `odd`."""

    def leave_out(row: pacsv.InvalidRow) -> str:
        odd.append(f"{row.actual_columns} of {row.expected_columns} cells: {row.text[:40]}")
        return "skip"

    return pacsv.ParseOptions(invalid_row_handler=leave_out)


def _whole_lines(path: str, odd: list[str]) -> str | pa.NativeFile:
    """JSON lines without what stands behind the last whole one: a logger that lost its power leaves such a part."""
    if path.endswith(".gz"):
        return path
    with Path(path).open("rb") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(max(size - _LINE, 0))
        rest = stream.read().rpartition(b"\n")[2]
    try:
        json.loads(rest or b"{}")
    except ValueError:
        odd.append(f"cut off: {rest[:40].decode(errors='replace')}")
        return pa.OSFile(path).get_stream(0, size - len(rest))
    return path


def _batches(path: str, columns: LogColumns, odd: list[str]) -> Iterator[pa.RecordBatch]:
    """The columns that count, a batch at a time; what is wrong with single rows is added to `odd`.

    Words in text formats are read as text: hex is no number there.
    """
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
        with pacsv.open_csv(
            path, read_options=blocks, parse_options=_parsing(odd), convert_options=options
        ) as reader:
            yield from reader
        return
    # a stream of JSON lines takes a column as what its first block shows; numbers and text stay apart
    lines, blocks = _whole_lines(path, odd), pajson.ReadOptions(block_size=1 << 24)
    with pajson.open_json(lines, read_options=blocks) as reader:
        yield from reader


def survey_logs(
    sources: Sequence[SurveySource],
    against: Against,
    columns: LogColumns | Mapping[str, LogColumns | str],
    out: str | os.PathLike[str],
    *,
    format: str = "parquet",  # noqa: A002
    workers: int | None = None,
    afresh: bool = False,
    progress: Progress | None = None,
) -> Surveyed:
    """Explain all logs and write the four tables into the folder `out`.

    `columns` are those of all files, or of each (`columns_of_all`): what one lacks was not read there.
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
    own = (
        dict.fromkeys((s.file for s in sources), columns)
        if isinstance(columns, LogColumns)
        else columns
    )
    able = [c for c in own.values() if isinstance(c, LogColumns)]
    if not able:
        raise CallError("no file can be read as a log", "the columns of one")
    reading = LogReading(against, together(able), labels or (("", "", "", ""),))
    count = workers or os.cpu_count() or 1
    with (
        LogParts(folder / PARTS_FOLDER, reading, sources, afresh=afresh) as kept,
        LogWorkers(count) as crew,
    ):
        if not kept.read_before:
            _read_all(reading, kept, [(s.file, own[s.file]) for s in sources], crew, progress)
        kept.explain(crew, progress)
        sums = Summing()
        paths = [write_table(folder, "faults", sums.intervals(kept.rows("faults")), format)]
        for table in ("registers", "timing"):
            paths.append(write_table(folder, table, kept.rows(table), format))
        captures = sums.captures(_captures(kept.rows("captures"), sources, kept.told))
        paths.append(write_table(folder, "captures", captures, format))
        write_about(folder, format, against, captures=0, logs=len(sources))
    return sums.done(paths, 0 if kept.read_before else len(sources))


#: a file, its number and its columns
_Item = tuple[int, str, LogColumns | str]
_Told = dict[str, object]


def _read_all(
    reading: LogReading,
    kept: LogParts,
    files: Sequence[tuple[str, LogColumns | str]],
    workers: LogWorkers,
    progress: Progress | None,
) -> None:
    """Take over the rows of every file; `kept.told` says what became of each."""
    paths = [path for path, _ in files]
    if kept.size >= _ALONE:
        workers.start()
    with ThreadPoolExecutor(workers.count) as pool:  # hashing lets other threads run
        kept.told = list(pool.map(_looked_at, paths))
    first: dict[object, str] = {}
    for path, told in zip(paths, kept.told, strict=True):
        if told["state"] == "read":
            same = first.setdefault(told["sha256"], path)
            if same != path:
                told |= {"state": "duplicate", "same_as": same, "message": f"the same bytes as {same}"}  # fmt: skip
    left = [(n, *f) for n, f in enumerate(files) if kept.told[n]["state"] == "read"]
    sizes = [int(str(kept.told[n]["bytes"])) for n, _, _ in left]
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
        for number, path, own in items:
            yield number, _read(reading, kept.store, number, path, own)
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
        found = [(number, _read(reading, store, number, path, own)) for number, path, own in items]
        store.parts()
    return found


def _read(
    reading: LogReading, store: LogStore, number: int, path: str, own: LogColumns | str
) -> _Told:
    """Take over the rows of a file; what is wrong with it is in the answer."""
    if isinstance(own, str):
        return {"state": "unreadable", "message": own}
    rows = 0
    odd: list[str] = []
    try:
        for batch in _batches(path, own, odd):
            kept = kept_rows(reading, batch, number, own)
            rows += len(kept)
            store.add(kept)
    except (OSError, pa.ArrowException, CallError) as error:
        return {"state": "damaged" if rows else "unreadable", "message": str(error).splitlines()[0]}
    if odd:
        what = f"{many(len(odd), 'row')} left out, the first: {odd[0]}"
        return {"state": "damaged" if rows else "unreadable", "message": what}
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
