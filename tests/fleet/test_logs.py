"""Logs of words: the intervals are those put in, whatever the order, the partitions and the table library."""

from __future__ import annotations

import os
import pickle
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

pa = pytest.importorskip("pyarrow")

import pyarrow.compute as pc  # noqa: E402
import pyarrow.parquet as pq  # noqa: E402

from regmap.errors import CallError  # noqa: E402
from regmap.fleet import logs, logstore  # noqa: E402
from regmap.fleet.batches import decode_batches, decode_fields, mapper  # noqa: E402
from regmap.fleet.captured import Against, rows_of  # noqa: E402
from regmap.fleet.columns import LogColumns, find_columns  # noqa: E402
from regmap.fleet.logs import LogReading, kept_rows  # noqa: E402
from regmap.fleet.schema import TABLES, names_of  # noqa: E402
from regmap.fleet.writing import arrow_schema  # noqa: E402
from regmap.maps.load import load_map  # noqa: E402

sys.path.insert(0, str(Path(__file__).parent))
try:
    from logmaking import LogTruth, fleet_log
    from making import SCENES, Controller
finally:
    sys.path.pop(0)

QUOLL = load_map("quoll16")
COLUMNS = LogColumns(
    "time", {n: n for n in ("STATUS1", "STATUS2", "MODE")}, "unit", "reset", time_unit="ns"
)
READING = LogReading(Against((QUOLL,)), COLUMNS)


@pytest.fixture(scope="module")
def fleet() -> tuple[pa.Table, list[LogTruth]]:
    return fleet_log(15, 400)


def found_in(table: pa.Table) -> list[LogTruth]:
    def ns(value: float | None) -> int:
        return -1 if value is None else round(value * 1e9)

    return sorted(
        LogTruth(r["unit"], ns(r["raised_s"]), r["fault"], ns(r["clear_s"]), ns(r["gone_s"]), r["role"], r["cause"], r["masked"])
        for r in table.to_pylist()
    )  # fmt: skip


def decoded(
    table: pa.Table, name: str = "faults", reading: LogReading = READING, size: int = 1000
) -> pa.Table:
    batches = table.to_batches(max_chunksize=size)
    return pa.Table.from_batches(decode_batches(reading, batches, name), arrow_schema(name))


def test_the_intervals_are_those_put_in(fleet: tuple[pa.Table, list[LogTruth]]) -> None:
    """Unordered rows with gaps, power-ups, masked monitors: first causes, follow-ons and sums as made."""
    table, truth = fleet
    found = found_in(decoded(table))
    assert len(truth) > 60
    assert {t.role for t in truth} == {"first cause", "follow-on", "sum", "normal"}
    assert {t.masked for t in truth} == {True, False}
    assert found == truth


def test_partitions_change_nothing(
    fleet: tuple[pa.Table, list[LogTruth]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """1, 2 and 7 partitions, batches of any size, rows kept on disk: the same tables to the last bit."""
    table, _ = fleet
    number = pc.cast(pc.utf8_slice_codeunits(table["unit"], 1, 6), pa.int64())

    def explained(rows: pa.Table, parts: int = 64) -> dict[str, pa.Table]:
        with logstore.LogStore(READING.kept, parts=parts) as store:
            for batch in rows.to_batches(max_chunksize=1717):
                store.add(logs.kept_rows(READING, batch))
            if logstore.AT_ONCE < 1 << 20:
                assert all(len([*logstore.shares_of(p)]) > 1 for p in store.parts())
            return logs.joined(logs.tables_of(READING, p) for p in store.parts())

    whole = explained(table)
    assert whole["faults"].equals(decoded(table))
    with monkeypatch.context() as small:
        small.setattr(logstore, "TOGETHER", 2_000)
        assert explained(table) == whole
        small.setattr(logstore, "AT_ONCE", 20_000)  # parts explained in several shares
        assert explained(table, 3) == whole
    for count in (2, 7):
        mine = pc.subtract(number, pc.multiply(pc.divide(number, count), count))
        parts = [explained(table.filter(pc.equal(mine, p))) for p in range(count)]
        for name in TABLES:
            order = [(k, "ascending") for k in logs.ORDER[name]]
            joined = pa.concat_tables(p[name] for p in parts).sort_by(order)
            assert joined.equals(whole[name]), (name, count)


def test_a_database_finds_the_same_edges(fleet: tuple[pa.Table, list[LogTruth]]) -> None:
    """DuckDB's window functions (gaps and islands, a general SQL technique) on the same rows."""
    duckdb = pytest.importorskip("duckdb")
    table, truth = fleet
    query = """
      with bits as (select unit, time, (STATUS1 >> 6) & 1 as up from rows where STATUS1 is not null),
      edges as (select *, lag(up, 1, 0) over w as was, lag(time) over w as before from bits window w as (partition by unit order by time))
      select unit, time, before from edges where up = 1 and was = 0 order by unit, time
    """
    connection = duckdb.connect()
    connection.register("rows", table)
    rows = connection.execute(query).fetchall()
    assert rows == [(t.unit, t.raised, t.clear) for t in truth if t.fault == "VDS_UL"]
    # and reads what we give: batches in, batches out
    connection.register("faults", decoded(table))
    ours = connection.execute(
        "select fault, count(*) from faults where role <> 'normal' group by fault"
    ).fetchall()
    assert dict(ours) == {
        f: sum(t.fault == f and t.role != "normal" for t in truth)
        for f in ("ANY", "VDS_UL", "UV_SUPPLY", "OC_V")
    }


def test_dask_on_two_workers(fleet: tuple[pa.Table, list[LogTruth]]) -> None:
    dd = pytest.importorskip("dask.dataframe")
    import pandas as pd

    from regmap.fleet.dasked import decode_frame

    table, truth = fleet
    frame = table.to_pandas(types_mapper=pd.ArrowDtype)
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = decode_frame(dd.from_pandas(frame, npartitions=7), READING).compute(
            scheduler="processes", num_workers=2
        )
    assert found_in(pa.Table.from_pandas(found, preserve_index=False)) == truth


@pytest.mark.skipif(
    "GATEWORD_SPARK" not in os.environ, reason="set GATEWORD_SPARK=1 (needs pyspark and a JRE)"
)
@pytest.mark.filterwarnings("ignore::FutureWarning", "ignore::ResourceWarning")
def test_spark(
    fleet: tuple[pa.Table, list[LogTruth]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page's own lines: repartition by unit, then mapInArrow. Spark has no unsigned words."""
    sql = pytest.importorskip("pyspark.sql")
    monkeypatch.setenv("PYSPARK_PYTHON", sys.executable)  # its processes need the same packages
    table, truth = fleet
    signed = [pa.int64() if pa.types.is_uint64(f.type) else f.type for f in table.schema]
    table = table.cast(pa.schema(zip(table.column_names, signed, strict=True)))
    pq.write_table(table, tmp_path / "rows.parquet")
    builder = sql.SparkSession.builder.master("local[2]").config("spark.ui.enabled", "false")
    spark = builder.getOrCreate()
    try:
        rows = spark.read.parquet(str(tmp_path / "rows.parquet"))
        columns = ", ".join(f"{c.name} {SPARK[c.kind]}" for c in TABLES["faults"])
        found = rows.repartition(7, "unit").mapInArrow(mapper(READING), columns).toArrow()
    finally:
        spark.stop()
    assert found_in(found) == truth


SPARK = {"text": "string", "whole": "bigint", "word": "bigint", "real": "double", "flag": "boolean"}


@pytest.mark.parametrize("stage", ["coolant_pump", "conveyor_drum"])
def test_frames_tell_what_was_done(stage: str) -> None:
    """What a simulated chip was sent and sent back, as a log of frames: in the same frame, and one later with CRC."""
    status, _, (fault, *_) = SCENES[stage]
    c = Controller(stage, 1)
    c.bring_up()
    start = c.twin.clock.seconds
    c.twin.disturb(f"{fault.lower()} at {float(start * 1000) + 2.2:.4f} ms for 60 us")
    rows: list[tuple[float, int, int]] = []
    for _ in range(6):
        for name in status:
            sent = c.twin.codec.read(c.stage.chip.registers[name]).word
            rows.append((float(c.twin.clock.seconds), sent, c.twin.exchange(sent)))
        c.twin.wait(Fraction(1, 1000))
    rows.insert(
        5, (rows[4][0] + 1e-6, rows[4][1] ^ 1, 0x123)
    )  # an answer and a question that nobody believes
    time, sent, reply = (list(column) for column in zip(*rows, strict=True))
    table = pa.table({"time": time, "SDI": sent, "sdo_hex": [hex(r) for r in reply]})
    chip = c.stage.chip
    columns = find_columns(table.column_names, chip, {"reply": "sdo_hex"})
    assert columns.text() == "time=time (s) sent=SDI reply=sdo_hex"
    found = decoded(table, reading=LogReading(Against((chip,), c.stage), columns)).to_pylist()
    (told,) = [r for r in found if r["role"] == "first cause"]
    assert told["fault"] == fault
    assert told["clear_s"] < float(start) + 0.0022 <= told["raised_s"]
    with pytest.raises(CallError, match="state"):
        kept_rows(LogReading(Against((load_map("potoroo40"),)), columns), table)


def log_of(rows: list[tuple[float | None, str, int | str | None, bool]]) -> pa.Table:
    time, unit, word, reset = (list(c) for c in zip(*rows, strict=True))
    return pa.table(
        {"t": pa.array(time, pa.float64()), "unit": unit, "STATUS1": word, "reset": reset}
    )


def simple(rows: list[tuple[float | None, str, int | str | None, bool]]) -> list[dict[str, object]]:
    reading = LogReading(
        Against((QUOLL,)), LogColumns("t", {"STATUS1": "STATUS1"}, "unit", "reset")
    )
    return decoded(log_of(rows), reading=reading).to_pylist()


def test_a_reset_ends_what_was_raised() -> None:
    rows = [
        (1.0, "a", 0, False),
        (2.0, "a", 0x40, False),
        (3.0, "a", 0x40, True),
        (4.0, "a", 0, False),
        (5.0, "a", 0x40, False),
        (6.0, "a", 0, True),
    ]
    first, second, third = simple(rows)
    assert (first["raised_s"], first["gone_s"], first["how"]) == (2.0, 3.0, "the chip was reset")
    assert (second["clear_s"], second["raised_s"], second["gone_s"]) == (None, 3.0, 4.0)
    assert (third["raised_s"], third["gone_s"], third["how"]) == (5.0, 6.0, "the chip was reset")


def test_a_reset_without_a_word_counts_too() -> None:
    (only,) = simple([(1.0, "a", 0x40, False), (2.0, "a", None, True), (3.0, "a", 0, False)])
    assert (only["gone_s"], only["how"]) == (2.0, "the chip was reset")


def test_words_that_are_none_and_instants_that_are_none() -> None:
    """Text that is no number, words too wide, dead lines (all ones) and rows without a time show nothing."""
    rows = [
        (1.0, "a", "0x000", False), (2.0, "a", "noise", False), (3.0, "a", "0x10040", False), (4.0, "a", "0x3FF", False),
        (None, "a", "0x040", False), (5.0, "a", "64", False), (6.0, "b", "0x041", False),
    ]  # fmt: skip
    told = [(r["unit"], r["fault"], r["clear_s"], r["raised_s"], r["gone_s"]) for r in simple(rows)]
    assert told == [
        ("a", "VDS_UL", 1.0, 5.0, None),
        ("b", "ANY", None, 6.0, None),
        ("b", "VDS_UL", None, 6.0, None),
    ]


@pytest.mark.parametrize("kind", ["uint64", "int64", "text"])
def test_words_of_more_than_32_bits(kind: str) -> None:
    """The widest register of the bundled maps, every bit of it set and cleared once."""
    chip, register = max(
        ((c, r) for c in map(load_map, ("potoroo40", "bilby32")) for r in c.registers.values()),
        key=lambda pair: pair[1].width,
    )
    words = [0, *(1 << b for b in range(register.width)), 0, register.mask >> 1]
    cells = {
        "uint64": pa.array(words, pa.uint64()),
        "int64": pa.array(words, pa.int64()),
        "text": pa.array([hex(w) for w in words]),
    }
    table = pa.table({"time": pa.array(range(len(words)), pa.int64()), register.name: cells[kind]})
    reading = LogReading(Against((chip,)), find_columns(table.column_names, chip))
    rows = decoded(table, "registers", reading).to_pylist()
    told = [w for r in rows if (w := r["word"]) is not None]
    assert told[: register.width + 1] == words[: register.width + 1]
    for batch in decode_fields(reading, table.to_batches()):
        for item in register.fields:
            codes = batch.column(f"{register.name}.{item.name}").to_pylist()
            low = min(item.bits)
            if (
                sorted(item.bits, reverse=True) == list(item.bits)
                and item.width == max(item.bits) - low + 1
            ):
                assert codes == [w >> low & (1 << item.width) - 1 for w in words]


def test_64_bits_are_read_whole() -> None:
    top = (1 << 64) - 1
    assert logs._words(pa.array([top, 1 << 63], pa.uint64()), 64).to_pylist() == [top, 1 << 63]
    assert logs._words(pa.array([hex(top), "-1", "1e3", None]), 64).to_pylist() == [
        top,
        None,
        None,
        None,
    ]
    assert logs._words(pa.array([1.0, 1.5, float(1 << 60), None, -1.0]), 64).to_pylist() == [
        1,
        None,
        None,
        None,
        None,
    ]


def test_columns_are_found_by_name_and_never_guessed() -> None:
    found = find_columns(["Timestamp_ms", "serial", "reg_STATUS1", "status2_hex", "note"], QUOLL)
    assert found == LogColumns(
        "Timestamp_ms", {"STATUS1": "reg_STATUS1", "STATUS2": "status2_hex"}, "serial", "", "ms"
    )
    assert (
        found.text() == "time=Timestamp_ms (ms) unit=serial STATUS1=reg_STATUS1 STATUS2=status2_hex"
    )
    given = find_columns(["a", "b"], QUOLL, {"time": "a", "STATUS1": "b", "unit": "-"}, "us")
    assert (given.time, given.unit, given.registers, given.time_unit) == (
        "a",
        "",
        {"STATUS1": "b"},
        "us",
    )
    for names, told, match in (
        (["time", "t", "STATUS1"], {}, "time may be any of the columns time, t"),
        (["time", "x"], {}, "no column is a register of quoll16"),
        (["x", "STATUS1"], {}, "no column is the time"),
        (["time", "STATUS1", "status1_raw"], {}, "STATUS1 may be any"),
        (["time", "STATUS1"], {"STATSU1": "STATUS1"}, "nearest: STATUS1"),
        (["time", "STATUS1"], {"unit": "uint"}, "no column 'uint'"),
    ):  # fmt: skip
        with pytest.raises(CallError, match=match):
            find_columns(names, QUOLL, told)


def test_a_log_of_a_captures_reads_tells_what_the_capture_tells() -> None:
    """The same polls, once as a capture of the SPI and once as rows: the same faults at the same instants."""
    from regmap.trace.filed import trace_file
    from regmap.trace.telling.timeline import Filter, timeline

    path = Path(__file__).parents[2] / "captures" / "pump_short.vcd"
    against = Against((QUOLL,))
    rows = [
        dict(zip(names_of("faults"), r, strict=True)) for r in rows_of(str(path), against)["faults"]
    ]
    trace = trace_file(path, [QUOLL])
    ends = trace.walkers[0].log.times("answered")
    reads = [
        (float(trace.clock.seconds(int(ends[e.number]))), e.register, e.data)
        for e in timeline(trace, Filter(every=True))
        if getattr(e, "kind", "") == "read" and e.data is not None and e.register in ("STATUS1", "STATUS2")
    ]  # fmt: skip
    table = pa.table({
        "time": [t for t, _, _ in reads],
        **{n: pa.array([w if r == n else None for _, r, w in reads], pa.uint64()) for n in ("STATUS1", "STATUS2")},
    })  # fmt: skip
    reading = LogReading(against, find_columns(table.column_names, QUOLL))
    ours = {r["fault"]: r for r in decoded(table, reading=reading).to_pylist()}
    (vds,) = [r for r in rows if r["fault"] == "VDS_UL"]
    assert ours["VDS_UL"]["raised_s"] == pytest.approx(vds["raised_s"], abs=1e-8)
    assert ours["VDS_UL"]["role"] == vds["role"] == "first cause"
    assert ours["ANY"]["role"] == "sum"
    assert ours["POR"]["role"] == "normal"


def test_readings_travel_to_other_machines() -> None:
    again = pickle.loads(pickle.dumps(mapper(READING)))
    table = log_of([(1.0, "a", 0, False), (2.0, "a", 0x40, False)]).rename_columns(
        ["time", "unit", "STATUS1", "reset"]
    )
    table = table.append_column("STATUS2", pa.nulls(2, pa.uint64())).append_column(
        "MODE", pa.nulls(2)
    )
    found = pa.Table.from_batches(again(table.to_batches()))
    assert found["fault"].to_pylist() == ["VDS_UL"]
    assert np.isclose(found["raised_s"][0].as_py(), 2e-9)


def test_wrong_tables_and_columns_are_told() -> None:
    with pytest.raises(CallError, match="no table 'fault'"):
        list(decode_batches(READING, [], "fault"))
    with pytest.raises(CallError, match="the log has no column 'time'"):
        list(decode_batches(READING, pa.table({"x": [1]}).to_batches()))
    assert sum(len(b) for b in decode_batches(READING, [])) == 0
