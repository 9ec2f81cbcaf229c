"""Rows of logs as they are kept until they are explained: in memory, or by unit in files where they are many."""

from __future__ import annotations

import tempfile
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from itertools import accumulate
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from regmap.closing import Closing

#: rows that are explained together in memory, and the parts that more are kept in by unit
TOGETHER = 1 << 21
PARTS = 64
#: bytes of a part that are explained together
AT_ONCE = 48 << 20


def array_of(column: pa.ChunkedArray) -> pa.Array:
    """One array, dictionaries undone."""
    array = column.combine_chunks()
    if isinstance(array, pa.ChunkedArray):
        array = pa.concat_arrays(array.chunks) if array.num_chunks else pa.array([], column.type)
    return array.dictionary_decode() if pa.types.is_dictionary(array.type) else array


class LogStore(Closing):
    """Rows until they are explained: in memory, or by unit in files of a folder once they are more than `together`.

    The folder is a temporary one that is taken away, or `folder`, which is the caller's. Stores with a `piece` of
    their own each may keep rows in one folder: the pieces of a part go together in their order.
    """

    def __init__(
        self,
        schema: pa.Schema,
        folder: Path | None = None,
        parts: int = PARTS,
        piece: int = 0,
        together: int | None = None,
    ) -> None:
        self.schema = schema
        self.rows = 0
        self._tables: list[pa.Table] = []
        self._folder = folder
        self._count = parts
        self._piece = piece
        self._together = TOGETHER if together is None else together
        self._open = ExitStack()
        self._writers: list[pa.RecordBatchStreamWriter] = []
        self._paths: list[Path] = []

    def add(self, table: pa.Table) -> None:
        """Take over rows of `kept_rows`."""
        self.rows += len(table)
        self._tables.append(table)
        if self._writers or self.rows > self._together:
            for some in self._tables:
                self._spill(some)
            self._tables.clear()

    def _spill(self, table: pa.Table) -> None:
        if not self._writers:
            place = self._folder
            if place is None:
                place = Path(self._open.enter_context(tempfile.TemporaryDirectory()))
            self._paths = [place / f"{n}.{self._piece}.arrow" for n in range(self._count)]
            self._writers = [
                self._open.enter_context(pa.ipc.new_stream(p, self.schema)) for p in self._paths
            ]
        coded = pc.dictionary_encode(array_of(table["unit"]))
        part = [zlib.crc32(u.encode()) % self._count for u in coded.dictionary.to_pylist()]
        parts = np.array(part, np.int64)[coded.indices.to_numpy()]
        order = np.argsort(parts, kind="stable")
        bounds = np.searchsorted(parts[order], np.arange(self._count + 1))
        table = table.take(pa.array(order))
        for number, writer in enumerate(self._writers):
            some = table.slice(bounds[number], bounds[number + 1] - bounds[number])
            if len(some):
                writer.write_table(some.combine_chunks())

    def parts(self) -> Sequence[Sequence[Path] | pa.Table]:
        """Tables, or files of tables, each with all rows of its units. The files are whole from now on."""
        if not self._writers:
            whole = pa.concat_tables(self._tables) if self._tables else self.schema.empty_table()  # fmt: skip
            return [whole]
        for writer in self._writers:
            writer.close()
        return [[p] for p in self._paths]

    def close(self) -> None:
        """Take the files of a temporary folder away."""
        self._open.close()


def _stored(path: Path) -> pa.Table:
    with pa.ipc.open_stream(path) as stream:
        return stream.read_all()


def shares_of(paths: Sequence[Path], most: int | None = None) -> Iterator[pa.Table]:
    """The rows of files, about `most` bytes of them at a time: all rows of a unit together, however many."""
    shares = -(-sum(p.stat().st_size for p in paths) // (most or AT_ONCE))
    if shares <= 1:
        yield pa.concat_tables(_stored(path) for path in paths)
        return
    rows: Counter[str] = Counter()
    for batch in _streamed(paths):
        counts = batch["unit"].value_counts()
        rows.update(
            dict(zip(counts.field(0).to_pylist(), counts.field(1).to_pylist(), strict=True))
        )
    each = -(-rows.total() // shares)
    units: list[list[str]] = [[] for _ in range(shares)]
    for unit, end in zip(rows, accumulate(rows.values()), strict=True):
        units[(end - 1) // each].append(unit)
    for some in filter(None, units):
        wanted = pa.array(some, pa.string())
        batches = (b.filter(pc.is_in(b["unit"], wanted)) for b in _streamed(paths))
        yield pa.Table.from_batches([b for b in batches if len(b)])


def _streamed(paths: Sequence[Path]) -> Iterator[pa.RecordBatch]:
    for path in paths:
        with pa.ipc.open_stream(path) as stream:
            yield from stream
