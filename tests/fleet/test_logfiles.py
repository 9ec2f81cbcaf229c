"""Files of logs through the program: all formats tell the same, broken ones among them are listed."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

pa = pytest.importorskip("pyarrow")

import pyarrow.csv as pacsv  # noqa: E402
import pyarrow.parquet as pq  # noqa: E402

from regmap.cli.main import main  # noqa: E402
from regmap.errors import CallError  # noqa: E402
from regmap.fleet import logfiles, logparts, logstore  # noqa: E402
from regmap.fleet.captured import Against  # noqa: E402
from regmap.fleet.logs import LogReading  # noqa: E402
from regmap.fleet.sources import find_sources  # noqa: E402
from regmap.fleet.writing import read_table  # noqa: E402
from regmap.maps.load import load_map  # noqa: E402

sys.path.insert(0, str(Path(__file__).parent))
try:
    from logmaking import fleet_log
finally:
    sys.path.pop(0)


def survey(*arguments: object) -> int:
    return main(["survey", *map(str, arguments), "--log", "--map", "quoll16", "--time-unit", "ns"])


def test_formats_and_files_tell_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One Parquet file, CSV with hex words parted over three files, JSON lines: the same intervals."""
    table, truth = fleet_log(4, 200)
    for kind in ("parquet", "csv", "jsonl"):
        (tmp_path / kind).mkdir()
    pq.write_table(table, tmp_path / "parquet" / "a.parquet")
    hexed = table
    for name in ("STATUS1", "STATUS2", "MODE"):
        words = [None if w is None else f"0x{w:03X}" for w in table[name].to_pylist()]
        hexed = hexed.set_column(hexed.column_names.index(name), name, pa.array(words))
    third = len(table) // 3 + 1
    for place in range(3):
        pacsv.write_csv(hexed.slice(place * third, third), tmp_path / "csv" / f"{place}.csv")
    (tmp_path / "jsonl" / "a.jsonl").write_text(
        "\n".join(json.dumps(r) for r in table.to_pylist()) + "\n"
    )
    rows = {}
    for kind in ("parquet", "csv", "jsonl"):
        out = tmp_path / f"out_{kind}"
        assert survey(tmp_path / kind, "-o", out, "--format", "csv") == 0
        rows[kind] = [
            {k: v for k, v in r.items() if k != "file"} for r in read_table(out, "faults")
        ]
    assert len(rows["parquet"]) == len(truth) > 10
    assert rows["csv"] == rows["parquet"]
    assert rows["jsonl"] == rows["parquet"]
    assert (
        "columns: time=time (ns) unit=unit reset=reset STATUS1=STATUS1" in capsys.readouterr().err
    )
    captures = list(read_table(tmp_path / "out_csv", "captures"))
    assert sum(int(r["frames"]) for r in captures) == len(table)
    assert {Path(str(r["file"])).name for r in captures} == {"0.csv", "1.csv", "2.csv"}
    assert survey(tmp_path / "parquet", "-o", tmp_path / "out", "--fail-on-fault") == 1


def test_broken_logs_are_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table, _ = fleet_log(3, 200)
    folder = tmp_path / "logs"
    folder.mkdir()
    pq.write_table(table, folder / "a.parquet")
    pq.write_table(table, folder / "copy.parquet")
    (folder / "cut.parquet").write_bytes((folder / "a.parquet").read_bytes()[:-300])
    (folder / "empty.csv").write_bytes(b"")
    (folder / "foreign.csv").write_text("speed,torque\n1,2\n")
    (folder / "note.txt").write_text("closed on Friday\n")
    assert survey(folder, "-o", tmp_path / "out", "--json") == 1
    told = json.loads(capsys.readouterr().out)
    states = {Path(p["file"]).name: p["state"] for p in told["problems"]}
    assert states == {
        "copy.parquet": "duplicate", "cut.parquet": "unreadable", "empty.csv": "empty",
        "foreign.csv": "unreadable", "note.txt": "unreadable",
    }  # fmt: skip
    assert all(p["message"] for p in told["problems"])


def test_logs_with_other_columns_and_cut_off_ones(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each file by its own columns, none of its registers lost; of what is cut off in mid-line the rest counts."""
    folder = tmp_path / "logs"
    folder.mkdir()
    head, rows = "time,unit,STATUS1\n", ["1,{},0\n", "2,{},64\n", "3,{},64\n", "4,{},0\n"]
    (folder / "a.csv").write_text(head + "".join(r.format("a") for r in rows))
    (folder / "b.csv").write_text(
        "ts_us,serial,reg_status2,STATUS1\n1000,b,4,0\n2000,b,4,64\n3000,b,0,0\n"
    )
    (folder / "cut.csv").write_text(head + "".join(r.format("c") for r in rows) + "5")
    lines = [
        json.dumps({"time": n, "unit": "j", "STATUS1": w}) for n, w in ((1, 0), (2, 64), (3, 0))
    ]
    (folder / "cut.jsonl").write_text("\n".join([*lines, lines[0][:-9]]))
    (folder / "frames.csv").write_text("time,sdi,sdo\n1,0x1,0x2\n")
    arguments = ["survey", folder, "--log", "--map", "quoll16", "-o", tmp_path / "out", "--json"]
    assert main([*map(str, arguments)]) == 1
    shown = capsys.readouterr()
    told = json.loads(shown.out)
    states = {Path(p["file"]).name: (p["state"], p["message"]) for p in told["problems"]}
    assert states == {
        "cut.csv": ("damaged", "1 row left out, the first: 1 of 3 cells: 5"),
        "cut.jsonl": (
            "damaged",
            '1 row left out, the first: cut off: {"time": 1, "unit": "j", "STA',
        ),
        "frames.csv": ("unreadable", "it has frames, and the logs before it have registers"),
    }
    assert (
        "columns: time=ts_us (us) unit=serial STATUS1=STATUS1 STATUS2=reg_status2 (1 file)"
        in shown.err
    )
    assert "columns: time=time (s) unit=unit STATUS1=STATUS1 (3 files)" in shown.err
    found = [
        (r["unit"], r["fault"], r["clear_s"], r["raised_s"], r["gone_s"])
        for r in read_table(tmp_path / "out", "faults")
    ]
    assert found == [
        ("a", "VDS_UL", 1.0, 2.0, 4.0), ("b", "OC_V", None, 0.001, 0.003), ("b", "VDS_UL", 0.001, 0.002, 0.003),
        ("c", "VDS_UL", 1.0, 2.0, 4.0), ("j", "VDS_UL", 1.0, 2.0, 3.0),
    ]  # fmt: skip


def test_what_is_unclear_is_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.csv").write_text("t,time,STATUS1\n1,1,0\n2,2,64\n")
    assert survey(tmp_path / "a.csv", "-o", tmp_path / "out") == 2
    assert "time may be any of the columns t, time" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    assert survey(tmp_path / "a.csv", "-o", tmp_path / "out", "--columns", "time=t") == 0
    assert [r["fault"] for r in read_table(tmp_path / "out", "faults")] == ["VDS_UL"]


def test_killed_and_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ended while it reads, while it explains and while it writes: each time what comes of it is the same."""
    table, _ = fleet_log(5, 80)
    (tmp_path / "logs").mkdir()
    for number in range(3):
        pq.write_table(table.slice(number * 134, 134), tmp_path / "logs" / f"{number}.parquet")
    sources, against = find_sources([tmp_path / "logs"]), Against((load_map("quoll16"),))
    columns = logfiles.columns_of(sources[0].file, against.chips[0], {}, "ns")

    def run(out: str) -> dict[str, bytes]:
        done = logfiles.survey_logs(
            sources, against, columns, tmp_path / out, format="csv", workers=1
        )
        assert not (tmp_path / out / logparts.PARTS_FOLDER).exists()
        assert done.files == 3
        read_now.append(done.read_now)
        return {p.name: p.read_bytes() for p in (tmp_path / out).iterdir()}

    class Ended(BaseException):
        pass

    def after(count: int, function: Callable[..., object]) -> Callable[..., object]:
        left = iter(range(count))

        def wrapped(*args: object, **options: object) -> object:
            if next(left, None) is None:
                raise Ended
            return function(*args, **options)

        return wrapped

    read_now: list[int] = []
    small = run("small")
    monkeypatch.setattr(logstore, "TOGETHER", 100)
    monkeypatch.setattr(logparts, "PARTS", 7)
    assert run("whole") == small
    for place, (module, name, count) in enumerate((
        (logfiles, "_read", 2), (logparts, "explain_part", 3), (logfiles, "write_table", 1),
    )):  # fmt: skip
        with monkeypatch.context() as ending:
            ending.setattr(module, name, after(count, getattr(module, name)))
            with pytest.raises(Ended):
                run(f"ended{place}")
        assert run(f"ended{place}") == small
    assert read_now == [3, 3, 3, 0, 0]
    busy = (tmp_path / "busy", LogReading(against, columns), sources)
    with (
        logparts.LogParts(*busy, afresh=False),
        pytest.raises(CallError, match="another survey"),
    ):
        logparts.LogParts(*busy, afresh=False)
