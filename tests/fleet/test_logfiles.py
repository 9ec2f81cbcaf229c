"""Files of logs through the program: all formats tell the same, broken ones among them are listed."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

pa = pytest.importorskip("pyarrow")

import pyarrow.csv as pacsv  # noqa: E402
import pyarrow.parquet as pq  # noqa: E402

from regmap.cli.main import main  # noqa: E402
from regmap.fleet.writing import read_table  # noqa: E402

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
    table, truth = fleet_log(6, 300)
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
    assert len(rows["parquet"]) == len(truth) > 20
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


def test_what_is_unclear_is_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.csv").write_text("t,time,STATUS1\n1,1,0\n2,2,64\n")
    assert survey(tmp_path / "a.csv", "-o", tmp_path / "out") == 2
    assert "time may be any of the columns t, time" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    assert survey(tmp_path / "a.csv", "-o", tmp_path / "out", "--columns", "time=t") == 0
    assert [r["fault"] for r in read_table(tmp_path / "out", "faults")] == ["VDS_UL"]
