"""Tables as they are written: CSV, JSON lines or Parquet, each whole or not at all."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from regmap.errors import CallError, FileError
from regmap.files import WholeFile, sync_folder

from .schema import TABLES, VERSION, Row, names_of

if TYPE_CHECKING:
    import pyarrow as pa

#: rows of a row group of Parquet
_GROUP = 1 << 16


def need_tables() -> None:
    """Raises CallError where pyarrow is not installed."""
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise CallError(
            "Parquet and logs of words need pyarrow", "the extra gateword[tables]"
        ) from None


def arrow_schema(table: str) -> pa.Schema:
    """The Arrow schema of a table, with the version of the tables in its metadata."""
    import pyarrow as pa

    kinds = {
        "text": pa.string(),
        "whole": pa.int64(),
        "word": pa.uint64(),
        "real": pa.float64(),
        "flag": pa.bool_(),
    }
    return pa.schema(
        [pa.field(c.name, kinds[c.kind]) for c in TABLES[table]],
        metadata={"gateword.table": table, "gateword.version": str(VERSION)},
    )


def arrow_rows(table: str, rows: Iterable[Row]) -> pa.Table:
    """Rows as an Arrow table of the table's schema."""
    import pyarrow as pa

    schema = arrow_schema(table)
    columns: list[list[object]] = [[] for _ in schema]
    for row in rows:
        for column, value in zip(columns, row, strict=True):
            column.append(value)
    texts = [c.kind == "text" for c in TABLES[table]]
    arrays = [
        pa.array([v or "" for v in column] if text else column, field.type)
        for column, text, field in zip(columns, texts, schema, strict=True)
    ]
    return pa.table(arrays, schema=schema)


def write_table(folder: Path, table: str, rows: Iterable[Row], format: str) -> Path:  # noqa: A002
    """Write one table into a folder, and take away what it holds of it in other formats."""
    path = folder / f"{table}.{format}"
    if format == "parquet":
        _write_parquet(path, table, rows)
    else:
        with WholeFile(path) as file:
            (_write_csv if format == "csv" else _write_lines)(file.out, table, rows)
    for other in ("csv", "jsonl", "parquet"):
        if other != format:
            (folder / f"{table}.{other}").unlink(missing_ok=True)
    return path


def _write_csv(out: TextIO, table: str, rows: Iterable[Row]) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names_of(table))
    for row in rows:
        writer.writerow(
            [
                "" if v is None else "true" if v is True else "false" if v is False else v
                for v in row
            ]
        )


def _write_lines(out: TextIO, table: str, rows: Iterable[Row]) -> None:
    names = names_of(table)
    texts = [c.kind == "text" for c in TABLES[table]]
    for row in rows:
        told = [(v or "") if text else v for v, text in zip(row, texts, strict=True)]
        out.write(json.dumps(dict(zip(names, told, strict=True)), ensure_ascii=False) + "\n")


def _write_parquet(path: Path, table: str, rows: Iterable[Row]) -> None:
    import pyarrow.parquet as pq

    part = path.with_name(f"{path.name}.part")
    with pq.ParquetWriter(part, arrow_schema(table)) as writer:
        for some in _groups(rows):
            writer.write_table(arrow_rows(table, some))
    with part.open("rb") as stream:
        os.fsync(stream.fileno())
    part.replace(path)
    sync_folder(path.parent)


def _groups(rows: Iterable[Row]) -> Iterator[list[Row]]:
    some: list[Row] = []
    for row in rows:
        some.append(row)
        if len(some) == _GROUP:
            yield some
            some = []
    if some:
        yield some


# --- and read again ---------------------------------------------------------------------------------
def read_table(folder: Path, table: str) -> Iterator[dict[str, object]]:
    """The rows of a written table as mappings, whatever its format. Raises FileError where there is none."""
    for format in ("parquet", "jsonl", "csv"):  # noqa: A001
        path = folder / f"{table}.{format}"
        if path.is_file():
            return {"parquet": _read_parquet, "jsonl": _read_lines, "csv": _read_csv}[format](
                path, table
            )
    raise FileError.at(os.fspath(folder), f"no table {table}", "a folder that survey has written")


def _read_parquet(path: Path, table: str) -> Iterator[dict[str, object]]:
    need_tables()
    import pyarrow.parquet as pq

    with pq.ParquetFile(path) as file:
        _same_columns(path, table, file.schema_arrow.names)
        for batch in file.iter_batches():
            yield from batch.to_pylist()


def _read_lines(path: Path, table: str) -> Iterator[dict[str, object]]:
    with path.open(encoding="utf-8") as stream:
        for number, line in enumerate(stream, 1):
            try:
                found = json.loads(line)
            except ValueError:
                found = None
            if not isinstance(found, dict):
                raise FileError.at(f"{path}:{number}:1", "no JSON object", "one object a line")
            _same_columns(path, table, list(found))
            yield found


def _read_csv(path: Path, table: str) -> Iterator[dict[str, object]]:
    kinds = {c.name: c.kind for c in TABLES[table]}
    with path.open(encoding="utf-8", newline="") as stream:
        rows = csv.reader(stream)
        head = next(rows, [])
        _same_columns(path, table, head)
        for row in rows:
            try:
                yield {n: _value(kinds[n], v) for n, v in zip(head, row, strict=True)}
            except ValueError as error:
                raise FileError.at(f"{path}:{rows.line_num}:1", str(error)) from None


def _value(kind: str, text: str) -> object:
    if kind == "text":
        return text
    if not text:
        return None
    if kind == "flag":
        return text == "true"
    return float(text) if kind == "real" else int(text)


#: how many columns the tables of the first surveys had, which had no variants
_OLDEST = {t: len(names_of(t)) - 1 for t in TABLES}


def _same_columns(path: Path, table: str, names: list[str]) -> None:
    # new columns stand last: a survey that is older has the first of them
    if not names or tuple(names) != names_of(table)[: max(len(names), _OLDEST[table])]:
        raise FileError.at(
            os.fspath(path),
            "these are no columns of a survey of this version",
            f"version {VERSION}",
        )
