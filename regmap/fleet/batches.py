"""Logs of register words as Arrow batches in and out: what Dask, Spark and others call on each partition.

All rows of a unit must be in one partition; their order, and that of the batches, does not matter.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from regmap.errors import CallError
from regmap.frames.bulk import BulkCodec

from .logs import LogReading, joined, kept_rows, tables_of
from .logstore import LogStore
from .schema import TABLES


def decode_batches(
    schema: LogReading, batches: Iterable[pa.RecordBatch], table: str = "faults"
) -> Iterator[pa.RecordBatch]:
    """One of the four tables of the logged rows, as batches of `writing.arrow_schema(table)`.

    Memory holds a bounded number of rows; more are kept by unit in temporary files. Raises CallError for an
    unknown table and for a column that is missing or holds no words.
    """
    if table not in TABLES:
        raise CallError(f"no table {table[:40]!r}", f"one of {', '.join(TABLES)}")
    with LogStore(schema.kept) as store:
        for batch in batches:
            store.add(kept_rows(schema, batch))
        parts = (tables_of(schema, part) for part in store.parts())
        found = joined({table: p[table]} for p in parts)[table]
    yield from found.to_batches()


def decode_fields(
    schema: LogReading, batches: Iterable[pa.RecordBatch]
) -> Iterator[pa.RecordBatch]:
    """Each batch with the code of every field of its registers: columns `REGISTER.FIELD`, null without a word.

    Raises CallError for a log of frames: which reply answers which frame shows only in all rows of a unit.
    """
    if not schema.columns.registers:
        raise CallError(
            "the log has frames",
            "columns of registers; `registers` of decode_batches has their words",
        )
    codec = BulkCodec(schema.chip)
    for batch in batches:
        kept = kept_rows(schema, batch)
        names, arrays = ["unit", "time_ns"], [kept["unit"], kept["time"]]
        for register in schema.columns.registers:
            flat = kept[register]
            missing = np.asarray(pc.is_null(flat).to_numpy())
            words = np.asarray(pc.fill_null(flat, 0).to_numpy())
            mask = missing if missing.any() else None
            for name, codes in codec.fields(register, words).items():
                names.append(f"{register}.{name}")
                arrays.append(pa.chunked_array([pa.array(codes, mask=mask)]))
        yield from pa.table(arrays, names=names).combine_chunks().to_batches()


def mapper(schema: LogReading, table: str = "faults") -> partial[Iterator[pa.RecordBatch]]:
    """A function of an iterator of batches alone, as Spark's `mapInArrow` calls it; it can be pickled."""
    return partial(decode_batches, schema, table=table)
