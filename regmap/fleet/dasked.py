"""Logged register words as a Dask frame in and out; the extra `gateword[dask]`. Dask schedules, not we."""

from __future__ import annotations

import dask.dataframe as dd
import pandas as pd
import pyarrow as pa

from .batches import decode_batches
from .logs import LogReading
from .writing import arrow_schema


def decode_frame(frame: dd.DataFrame, schema: LogReading, table: str = "faults") -> dd.DataFrame:
    """One of the four tables of a frame of logged rows, lazily; each unit's rows are brought together first.

    The columns have Arrow's types, so that words of 64 bits and missing values stay what they are. Without a
    column of units all rows are those of one.
    """
    unit = schema.columns.unit
    whole = frame.shuffle(on=unit) if unit else frame.repartition(npartitions=1)
    meta = _pandas(arrow_schema(table).empty_table())
    found: dd.DataFrame = whole.map_partitions(_decoded, schema, table, meta=meta)
    return found


def _decoded(part: pd.DataFrame, schema: LogReading, table: str) -> pd.DataFrame:
    rows = pa.Table.from_pandas(part, preserve_index=False)
    found = decode_batches(schema, rows.to_batches(), table)
    return _pandas(pa.Table.from_batches(found, arrow_schema(table)))


def _pandas(table: pa.Table) -> pd.DataFrame:
    found: pd.DataFrame = table.to_pandas(types_mapper=pd.ArrowDtype)
    return found
