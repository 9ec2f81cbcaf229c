"""Files of logs (Parquet, CSV, JSON lines) to the four tables, rows of a unit from all of them together."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.json as pajson
import pyarrow.parquet as pq

from regmap.chip.model import Chip
from regmap.errors import CallError

from .captured import Against, digest_of, row
from .columns import LogColumns, find_columns
from .logs import LogReading, LogStore, joined, kept_rows, tables_of
from .schema import TABLES, Row, names_of
from .sources import SurveySource
from .survey import Surveyed, check_format, summed, write_about
from .writing import write_arrow, write_table

_ROWS = 1 << 18
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
    wanted = [columns.time, columns.unit, columns.reset, *columns.registers.values()]
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
    progress: Progress | None = None,
) -> Surveyed:
    """Explain all logs and write the four tables into the folder `out`.

    Rows of a unit from all files are explained together. A file that cannot be read whole is a row of `captures`;
    what was read of it before counts. Memory does not grow with the rows: they are kept by unit in files of `out`
    that are taken away. Raises CallError for an unknown format.
    """
    check_format(format)
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    labels = tuple((s.file, s.firmware, s.test) for s in sources)
    reading = LogReading(against, columns, labels or (("", "", ""),))
    told: dict[int, dict[str, object]] = {}
    first: dict[object, str] = {}
    with LogStore(reading, folder) as store:
        for number, source in enumerate(sources):
            told[number] = _read(reading, store, number, source.file, first)
            if progress is not None:
                progress(number + 1, len(sources))
        tables = joined(_explained(reading, store.parts(), workers or os.cpu_count() or 1))
    paths = [write_arrow(folder, t, tables[t], format) for t in TABLES if t != "captures"]
    captures = _captures(tables["captures"], sources, told)
    paths.append(write_table(folder, "captures", captures, format))
    write_about(folder, format, against, captures=0, logs=len(sources))
    real = pc.value_counts(tables["faults"].filter(pc.not_equal(tables["faults"]["role"], "normal"))["fault"])  # fmt: skip
    faults = {str(v["values"]): int(v["counts"]) for v in real.to_pylist()}
    return summed(captures, faults, tuple(paths), len(sources))


def _read(
    reading: LogReading, store: LogStore, number: int, path: str, first: dict[object, str]
) -> dict[str, object]:
    """Take over the rows of a file; what is wrong with it is in the answer."""
    told: dict[str, object] = {"state": "read"}
    rows = 0
    try:
        told |= {"bytes": Path(path).stat().st_size, "sha256": digest_of(path)}
        if not told["bytes"]:
            return {**told, "state": "empty", "message": "the file is empty"}
        same = first.setdefault(told["sha256"], path)
        if same != path:
            return {**told, "state": "duplicate", "same_as": same, "message": f"the same bytes as {same}"}  # fmt: skip
        for batch in _batches(path, reading.columns):
            kept = kept_rows(reading, batch, number)
            rows += len(kept)
            store.add(kept)
    except (OSError, pa.ArrowException, CallError) as error:
        told |= {"state": "damaged" if rows else "unreadable", "message": str(error).splitlines()[0]}  # fmt: skip
    else:
        if not rows:
            told |= {"state": "empty", "message": "no row has an instant"}
    return told


def _explained(
    reading: LogReading, parts: Sequence[Path | pa.Table], workers: int
) -> Iterator[dict[str, pa.Table]]:
    if len(parts) == 1 or workers == 1:
        for part in parts:
            yield tables_of(reading, part)
        return
    with ProcessPoolExecutor(min(workers, len(parts)), get_context("spawn")) as pool:
        yield from pool.map(partial(tables_of, reading), parts)


def _captures(
    table: pa.Table, sources: Sequence[SurveySource], told: Mapping[int, Mapping[str, object]]
) -> list[Row]:
    """A row for each unit of each file, and one for each file that has none."""
    names = names_of("captures")
    number = {s.file: i for i, s in enumerate(sources)}
    rows: list[Row] = []
    seen = set()
    for batch in table.to_batches():
        for found in batch.to_pylist():
            seen.add(found["file"])
            rows.append([(found | told[number[found["file"]]])[n] for n in names])
    for source in sources:
        if source.file not in seen:
            found = told[number[source.file]]
            rows.append(row("captures", {"file": source.file, "unit": source.unit, "firmware": source.firmware, "test": source.test, **found}))  # fmt: skip
    file, unit = names.index("file"), names.index("unit")
    return sorted(rows, key=lambda r: (str(r[file]), str(r[unit])))
