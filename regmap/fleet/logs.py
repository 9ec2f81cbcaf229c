"""Logs of register words as Arrow tables: read and explained.

A log is a table with a column of instants and one for each register; a row may lack words. Rows of a unit are
explained together whatever their order, so that neither files nor partitions change what comes out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from regmap.behaviour.faults import status_registers
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.record import dataclass

from .captured import Against
from .columns import TIME_UNITS, LogColumns
from .framed import frame_width, words_of_frames
from .intervals import NEVER, ROLES, LogExplainer, LoggedWords, Places, changes, doubt, ordered
from .logstore import array_of, shares_of
from .writing import arrow_schema

#: words that a log of one register may hold as text
_LABELS = ("file", "firmware", "test", "variant")


@dataclass(frozen=True, slots=True)
class LogReading:
    """How logs are read: the chip (the first of `against`), its columns, and the files by number.

    `labels` are (file, firmware, test, variant) by the number that rows carry.
    """

    against: Against
    columns: LogColumns
    labels: tuple[tuple[str, str, str, str], ...] = (("", "", "", ""),)

    @property
    def chip(self) -> Chip:
        """The chip of the log."""
        return self.against.chips[0]

    def width(self, name: str) -> int:
        """Bits of the words of a column: of a register, or of frames."""
        registers = self.chip.registers
        return registers[name].width if self.columns.registers else frame_width(self.chip)

    @property
    def kept(self) -> pa.Schema:
        """The schema of rows as they are kept."""
        words = [(n, pa.uint64()) for n in self.columns.words]
        head = [("unit", pa.string()), ("time", pa.int64()), ("reset", pa.bool_())]
        return pa.schema([*head, ("file", pa.int32()), *words])


# --- reading ----------------------------------------------------------------------------------------
def kept_rows(
    reading: LogReading,
    batch: pa.RecordBatch | pa.Table,
    file: int = 0,
    columns: LogColumns | None = None,
) -> pa.Table:
    """Rows of a log with instants in ns and words as numbers; null where a cell is no word of its register.

    `columns` are those of the file, where they are others than those of all: what it lacks was not read.
    Rows without an instant are left out. Raises CallError for a column that is missing or of a kind that is no
    time.
    """
    table = pa.Table.from_batches([batch]) if isinstance(batch, pa.RecordBatch) else batch
    columns = columns or reading.columns
    for name in (columns.time, columns.unit, columns.reset, *columns.words.values()):
        if name and name not in table.column_names:
            raise CallError(f"the log has no column {name[:40]!r}", ", ".join(table.column_names))
    time = _instants(table[columns.time], columns)
    count = len(table)
    empty = pa.array(np.full(count, "", object), pa.string())
    unit = (
        pc.fill_null(array_of(table[columns.unit]).cast(pa.string()), "") if columns.unit else empty
    )
    reset = pa.array(np.zeros(count, np.bool_))
    if columns.reset:
        reset = pc.fill_null(_truth(array_of(table[columns.reset])), False)
    own = columns.words
    words = [
        _words(array_of(table[own[r]]), reading.width(r))
        if r in own
        else pa.nulls(count, pa.uint64())
        for r in reading.columns.words
    ]
    found = pa.table(
        [unit, time, reset, pa.array(np.full(count, file, np.int32)), *words], schema=reading.kept
    )
    return found.filter(pc.is_valid(found["time"])) if time.null_count else found


def _instants(column: pa.ChunkedArray, columns: LogColumns) -> pa.Array:
    flat = array_of(column)
    if pa.types.is_timestamp(flat.type):
        return flat.cast(pa.timestamp("ns"), safe=False).cast(pa.int64())
    scale = TIME_UNITS[columns.time_unit]
    if pa.types.is_integer(flat.type):
        try:
            return pc.multiply_checked(flat.cast(pa.int64()), scale)
        except pa.ArrowInvalid as error:
            raise CallError(
                f"column {columns.time} in {columns.time_unit}: {error}", "its unit of time"
            ) from None
    if pa.types.is_floating(flat.type):
        good = pc.is_finite(flat)
        ns = pc.round(pc.multiply(pc.if_else(good, flat, None).cast(pa.float64()), float(scale)))
        return ns.cast(pa.int64(), safe=False)
    if pa.types.is_string(flat.type) or pa.types.is_large_string(flat.type):
        try:
            return flat.cast(pa.timestamp("ns")).cast(pa.int64())
        except pa.ArrowInvalid as error:
            raise CallError(f"column {columns.time}: {error}", "instants or numbers") from None
    raise CallError(f"column {columns.time} holds {flat.type}", "instants or numbers")


def _truth(flat: pa.Array) -> pa.Array:
    if pa.types.is_boolean(flat.type):
        return flat
    if pa.types.is_integer(flat.type) or pa.types.is_floating(flat.type):
        return pc.not_equal(flat, 0)
    return pc.is_in(pc.utf8_lower(flat.cast(pa.string())), pa.array(["1", "true", "yes", "x"]))


def _words(flat: pa.Array, width: int) -> pa.Array:
    """Words of a register; null for what is none."""
    if pa.types.is_null(flat.type):
        return pa.nulls(len(flat), pa.uint64())
    if pa.types.is_string(flat.type) or pa.types.is_large_string(flat.type):
        coded = flat.dictionary_encode()
        known = pa.array([_number(t) for t in coded.dictionary.to_pylist()], pa.uint64())
        flat = known.take(coded.indices)
    elif pa.types.is_floating(flat.type):
        # a table library makes whole numbers with gaps to floating ones; beyond 53 bits they would lie
        sound = pc.and_(pc.equal(pc.floor(flat), flat), pc.less(flat, float(1 << 53)))
        sound = pc.and_(sound, pc.greater_equal(flat, 0.0))
        flat = pc.if_else(pc.fill_null(sound, False), flat, None).cast(pa.uint64(), safe=False)
    elif pa.types.is_signed_integer(flat.type):
        if flat.null_count or _least(flat) < 0:
            flat = pc.if_else(pc.fill_null(pc.greater_equal(flat, 0), False), flat, None)
        flat = flat.cast(pa.uint64())
    elif pa.types.is_unsigned_integer(flat.type):
        flat = flat.cast(pa.uint64())
    else:
        raise CallError(f"a column of words holds {flat.type}", "whole numbers, or text as 0x1F")
    most = pc.max(flat).as_py()
    if most is not None and most >> width:
        flat = pc.if_else(pc.less(flat, pa.scalar(1 << width, pa.uint64())), flat, None)
    return flat


def _least(flat: pa.Array) -> int:
    least = pc.min(flat).as_py()
    return 0 if least is None else int(least)


def _number(text: str | None) -> int | None:
    try:
        value = int((text or "").strip().replace("_", " "), 0)
    except ValueError:
        return None
    return value if 0 <= value < 1 << 64 else None


def logged(reading: LogReading, table: pa.Table) -> tuple[LoggedWords, list[str]]:
    """Kept rows as ordered arrays, and the names of the units by number, in their order."""
    coded = pc.dictionary_encode(array_of(table["unit"]))
    names: list[str] = coded.dictionary.to_pylist()
    order = sorted(range(len(names)), key=names.__getitem__)
    rank = np.empty(len(names), np.int64)
    rank[order] = np.arange(len(names))
    words, valid = {}, {}
    for register in reading.columns.words:
        flat = array_of(table[register])
        valid[register] = np.asarray(pc.is_valid(flat).to_numpy(zero_copy_only=False))
        words[register] = np.asarray(pc.fill_null(flat, 0).to_numpy(zero_copy_only=False))
    log = LoggedWords(
        rank[coded.indices.to_numpy()] if names else np.zeros(0, np.int64),
        np.asarray(array_of(table["time"]).to_numpy()),
        words,
        valid,
        np.asarray(array_of(table["reset"]).to_numpy(zero_copy_only=False)),
        np.asarray(array_of(table["file"]).to_numpy()).astype(np.int64),
    )
    log = ordered(log)
    if not reading.columns.registers:
        log = words_of_frames(reading.chip, log)
    return log, [names[i] for i in order]


# --- explaining -------------------------------------------------------------------------------------
def tables_of(reading: LogReading, rows: pa.Table | Sequence[Path]) -> dict[str, pa.Table]:
    """The four tables of kept rows (or of files of them) with all rows of their units."""
    if not isinstance(rows, pa.Table):
        shares = [tables_of(reading, share) for share in shares_of(rows)]
        return {name: pa.concat_tables(some[name] for some in shares) for name in shares[0]}
    log, units = logged(reading, rows)
    bad = doubt(reading.chip, log)
    if bad.any():
        for name in status_registers(reading.chip):
            if name in log.valid:
                log.valid[name] = log.valid[name] & ~bad
    build = _Build(reading, log, units)
    faults = build.faults()
    return {
        "faults": faults,
        "registers": build.registers(),
        "captures": build.captures(faults, bad),
        "timing": build.timing(),
    }


class _Build:
    """Arrays to Arrow tables of the written schema."""

    def __init__(self, reading: LogReading, log: LoggedWords, units: Sequence[str]) -> None:
        self.reading, self.log = reading, log
        stage = reading.against.stage
        self.explainer = LogExplainer(reading.chip, stage.bank if stage is not None else None)
        self.units = pa.array(units, pa.string())
        self.labels = [pa.array([t[i] for t in reading.labels], pa.string()) for i in range(4)]

    def _table(self, table: str, rows: Places, columns: dict[str, object]) -> pa.Table:
        """`rows` say where each row's file, unit and labels are from."""
        schema = arrow_schema(table)
        file = pa.array(self.log.file[rows])
        told: dict[str, object] = {
            "file": self.labels[0].take(file),
            "unit": self.units.take(pa.array(self.log.unit[rows])),
            "firmware": self.labels[1].take(file),
            "test": self.labels[2].take(file),
            "variant": self.labels[3].take(file),
            "position": np.zeros(len(rows), np.int64),
            "map": _same(self.reading.chip.name, len(rows)),
            **columns,
        }
        arrays = []
        for item in schema:
            value = told.get(item.name)
            if value is None:
                text = pa.types.is_string(item.type)
                value = _same("", len(rows)) if text else pa.nulls(len(rows), item.type)
            array = value if isinstance(value, pa.Array) else pa.array(value)
            arrays.append(array if array.type == item.type else array.cast(item.type))
        return pa.table(arrays, schema=schema)

    def faults(self) -> pa.Table:
        found = self.explainer.intervals(self.log)
        faults = self.explainer.faults
        names = pa.array([*(f.name for f in faults), ""], pa.string())
        worth = pa.array([f.severity for f in faults], pa.string())
        number = pa.array(found.fault)
        how = np.where(found.by_reset, "the chip was reset", np.where(found.gone != NEVER, "seen clear", ""))  # fmt: skip
        return self._table("faults", found.row, {
            "fault": names.take(number), "severity": worth.take(number),
            "role": pa.array(ROLES).take(pa.array(found.role)),
            "cause": names.take(pa.array(np.where(found.cause < 0, len(faults), found.cause))),
            "masked": found.masked, "reported_only": found.reported_only,
            "episode": _or_null(found.episode, found.episode < 0),
            "clear_s": _seconds(found.clear), "raised_s": _seconds(found.raised), "gone_s": _seconds(found.gone),
            "duration_s": _span(found.raised, found.gone), "at_most_s": _span(found.clear, found.gone),
            "seen": found.seen, "how": pa.array(how.astype(object), pa.string()),
            "registers": pa.array(self.explainer.words_at(self.log, found.row), pa.string()),
        })  # fmt: skip

    def registers(self) -> pa.Table:
        parts = [arrow_schema("registers").empty_table()]
        for name, runs, before in changes(self.log):
            old = runs.word[np.maximum(before, 0)] if len(before) else runs.word
            mask = self.reading.chip.registers[name].read_mask
            parts.append(self._table("registers", runs.first, {
                "time_s": _seconds(self.log.time[runs.first]), "register": _same(name, len(before)),
                "before": _or_null(old, before < 0), "word": runs.word,
                "known": np.full(len(before), mask, np.uint64),
            }))  # fmt: skip
        return pa.concat_tables(parts)

    def captures(self, faults: pa.Table, bad: npt.NDArray[np.bool_]) -> pa.Table:
        """One row for each unit of each file: its rows, the time that they span, its faults."""
        log = self.log
        files = max(len(self.reading.labels), 1)
        key = log.unit * files + log.file
        unique, first, back, count = np.unique(
            key, return_index=True, return_inverse=True, return_counts=True
        )
        back = back.reshape(-1)
        start = np.full(len(unique), np.iinfo(np.int64).max)
        end = np.full(len(unique), np.iinfo(np.int64).min)
        np.minimum.at(start, back, log.time)
        np.maximum.at(end, back, log.time)

        def counted(flags: npt.NDArray[np.bool_]) -> Places:
            return np.bincount(back[flags], minlength=len(unique)).astype(np.int64)

        real = faults.filter(pc.not_equal(faults["role"], "normal"))
        place = {n: i for i, n in enumerate(self.units.to_pylist())}
        number = {n: i for i, n in enumerate(self.labels[0].to_pylist())}
        mine = np.array(
            [place[u] * files + number[f] for u, f in zip(real["unit"].to_pylist(), real["file"].to_pylist(), strict=True)],
            np.int64,
        )  # fmt: skip
        many = np.bincount(np.searchsorted(unique, mine), minlength=len(unique)).astype(np.int64)
        who = self.reading.against.identity
        size = len(unique)
        return self._table("captures", first.astype(np.int64), {
            "state": _same("read", size), "format": _same("words", size),
            "maps": _same(self.reading.chip.name, size), "map_digest": _same(self.reading.chip.digest, size),
            "stage": _same(who.stage.name if who.stage else "", size),
            "stage_digest": _same(who.stage.digest if who.stage else "", size),
            "settings_digest": _same(who.settings, size), "invented": np.full(size, who.invented),
            "start_s": _seconds(start), "end_s": _seconds(end), "exposure_s": (end - start) / 1e9,
            "frames": count, "bad_replies": counted(bad), "resets": counted(log.reset), "faults": many,
            "verdict": pa.array(np.where(many > 0, "faults", "sound").astype(object), pa.string()),
        })  # fmt: skip

    def timing(self) -> pa.Table:
        """The pauses between reads of each register of each unit."""
        status = set(status_registers(self.reading.chip))
        parts = [arrow_schema("timing").empty_table()]
        for name in self.log.words:
            rows = np.flatnonzero(self.log.valid[name])
            if not len(rows):
                continue
            unit, time = self.log.unit[rows], self.log.time[rows]
            begins = np.flatnonzero(np.diff(unit, prepend=-1))
            count = np.diff(np.append(begins, len(rows)))
            pause = np.append(np.diff(time), NEVER)
            pause[np.append(begins[1:], len(rows)) - 1] = NEVER
            longest = np.maximum.reduceat(pause, begins)
            shortest = np.minimum.reduceat(np.where(pause == NEVER, -NEVER, pause), begins)
            single = longest == NEVER
            # the first of the longest pauses of each unit
            hit = np.flatnonzero(pause == np.repeat(longest, count))
            at = hit[np.searchsorted(hit, begins)]
            parts.append(self._table("timing", rows[at], {
                "what": _same("poll" if name in status else "readback", len(begins)),
                "name": _same(name, len(begins)), "count": count.astype(np.int64),
                "longest_s": _or_null(longest / 1e9, single), "longest_from_s": _or_null(time[at] / 1e9, single),
                "shortest_s": _or_null(shortest / 1e9, single),
            }))  # fmt: skip
        return pa.concat_tables(parts)


def _same(text: str, count: int) -> pa.Array:
    return pa.repeat(pa.scalar(text, pa.string()), count)


def _or_null(values: npt.NDArray[np.generic], nothing: npt.NDArray[np.bool_]) -> pa.Array:
    return pa.array(values, mask=nothing)


def _seconds(ns: Places) -> pa.Array:
    return _or_null(ns / 1e9, ns == NEVER)


def _span(start: Places, end: Places) -> pa.Array:
    return _or_null((end - start) / 1e9, (start == NEVER) | (end == NEVER))


#: by what the rows of each table stand
ORDER: dict[str, tuple[str, ...]] = {
    "faults": ("unit", "raised_s", "fault", "file"),
    "registers": ("unit", "time_s", "register", "file"),
    "captures": ("unit", "file"),
    "timing": ("unit", "what", "name", "file"),
}


def joined(tables: Iterator[dict[str, pa.Table]]) -> dict[str, pa.Table]:
    """The tables of all parts as one each, in their order."""
    parts: dict[str, list[pa.Table]] = {t: [arrow_schema(t).empty_table()] for t in ORDER}
    for some in tables:
        for name, table in some.items():
            parts[name].append(table)
    return {
        name: pa.concat_tables(found).sort_by([(k, "ascending") for k in ORDER[name]])
        for name, found in parts.items()
    }
