"""A survey of captures equals what was done to the chips; broken files, kills and workers change nothing of it."""

from __future__ import annotations

import contextlib
import gzip
import os
import random
import shutil
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from regmap.errors import CallError, FileError
from regmap.fleet.captured import Against
from regmap.fleet.schema import TABLES, names_of, reference
from regmap.fleet.sources import find_sources, load_manifest
from regmap.fleet.survey import JOURNAL, survey
from regmap.fleet.writing import read_table
from regmap.maps.load import load_map
from regmap.stages.load import load_stage

sys.path.insert(0, str(Path(__file__).parent))
try:
    from making import Truth, make
finally:
    sys.path.pop(0)

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path, list[Truth]]:
    folder = tmp_path_factory.mktemp("fleet")
    return "coolant_pump", folder, make(folder, 6)


def against(stage: str) -> Against:
    found = load_stage(stage)
    return Against((found.chip,), found)


def tables(folder: Path, format: str = "csv") -> dict[str, bytes]:  # noqa: A002
    return {t: (folder / f"{t}.{format}").read_bytes() for t in TABLES}


def test_the_faults_are_those_that_were_done(
    fleet: tuple[str, Path, list[Truth]], tmp_path: Path
) -> None:
    """What the simulated chip was made to suffer is found, in its time, and nothing else."""
    stage, folder, truths = fleet
    done = survey(
        find_sources([folder], folder / "manifest.csv"), against(stage), tmp_path, workers=1
    )
    assert done.states == {"read": len(truths)}
    found = [r for r in read_table(tmp_path, "faults") if r["role"] == "first cause"]
    told = {r["file"]: r for r in found}
    assert Counter(r["file"] for r in found) == Counter(t.file for t in truths if t.fault)
    for truth in truths:
        if truth.fault:
            row = told[truth.file]
            assert (row["fault"], row["unit"], row["firmware"]) == (
                truth.fault,
                truth.unit,
                truth.firmware,
            )
            assert row["clear_s"] <= truth.faults[0][1] <= row["raised_s"] < row["gone_s"]
    captures = list(read_table(tmp_path, "captures"))
    assert [c["file"] for c in captures] == sorted(t.file for t in truths)
    assert all(c["exposure_s"] == pytest.approx(c["end_s"] - c["start_s"]) for c in captures)


def test_workers_and_formats_change_nothing(
    fleet: tuple[str, Path, list[Truth]], tmp_path: Path
) -> None:
    stage, folder, _ = fleet
    pytest.importorskip("pyarrow")
    sources = find_sources([folder], folder / "manifest.csv")
    for workers in (1, 2):
        survey(sources, against(stage), tmp_path / str(workers), workers=workers)
    assert tables(tmp_path / "1") == tables(tmp_path / "2")
    rows = {}
    for format in ("csv", "jsonl", "parquet"):  # noqa: A001
        done = survey(sources, against(stage), tmp_path / "1", format=format)
        assert done.read_now == 0
        rows[format] = {t: list(read_table(tmp_path / "1", t)) for t in TABLES}
        assert sorted(p.suffix for p in (tmp_path / "1").glob("faults.*")) == [f".{format}"]
    assert rows["csv"] == rows["jsonl"] == rows["parquet"]


def test_parquet_is_read_by_general_libraries(
    fleet: tuple[str, Path, list[Truth]], tmp_path: Path
) -> None:
    """DuckDB (a general-purpose library) counts the same faults in the same file."""
    duckdb = pytest.importorskip("duckdb")
    stage, folder, truths = fleet
    survey(
        find_sources([folder], folder / "manifest.csv"),
        against(stage),
        tmp_path,
        format="parquet",
        workers=1,
    )
    query = f"select fault, count(*) from '{tmp_path}/faults.parquet' where role = 'first cause' group by fault"
    assert dict(duckdb.sql(query).fetchall()) == Counter(t.fault for t in truths if t.fault)


def test_broken_files_are_listed_and_end_nothing(tmp_path: Path) -> None:
    """Empty, cut off, foreign, binary, duplicate and unreadable ones among the good."""
    folder = tmp_path / "night"
    folder.mkdir()
    for name in ("pump_short.vcd", "pump_dead_reply.vcd"):
        shutil.copy(ROOT / "captures" / name, folder)
    good = (folder / "pump_short.vcd").read_bytes()
    (folder / "empty.vcd").write_bytes(b"")
    (folder / "foreign.txt").write_text("Dear colleagues,\nthe bench is closed on Friday.\n")
    (folder / "noise.bin").write_bytes(bytes(range(1, 256)) * 40)
    (folder / "copy.vcd").write_bytes(good)
    (folder / "head.vcd").write_bytes(good[:200])
    (folder / "cut.vcd.gz").write_bytes(gzip.compress(good)[:-400])
    if sys.platform != "win32":
        (folder / "link.vcd").symlink_to(tmp_path / "gone.vcd")
    before = len(list(folder.iterdir()))
    out = tmp_path / "out"
    done = survey(
        find_sources([folder]),
        Against((load_map("quoll16"),)),
        out,
        workers=1,
    )
    rows = {Path(str(r["file"])).name: r for r in read_table(out, "captures")}
    assert len(rows) == before == done.files
    assert rows["empty.vcd"]["state"] == "empty"
    assert rows["pump_short.vcd"]["state"] == "duplicate"  # of copy.vcd, which stands before it
    assert rows["pump_short.vcd"]["same_as"] == str(folder / "copy.vcd")
    for name in ("foreign.txt", "noise.bin", "head.vcd", "cut.vcd.gz"):
        assert rows[name]["state"] in ("unreadable", "damaged", "empty"), name
        assert rows[name]["message"], name
    assert {p[0] for p in done.problems} >= {str(folder / n) for n in ("empty.vcd", "noise.bin")}
    if sys.platform != "win32":
        assert rows["link.vcd"]["message"] == "No such file or directory"
    faults = [r["file"] for r in read_table(out, "faults") if r["fault"] == "VDS_UL"]
    assert faults.count(str(folder / "copy.vcd")) == 1
    assert str(folder / "pump_short.vcd") not in faults


def test_a_reader_that_dies_takes_one_file_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that is ended from outside, or by the system, is told as what is wrong with that file."""
    import regmap.fleet.survey as module

    folder = tmp_path / "night"
    folder.mkdir()
    for number in range(3):
        shutil.copy(ROOT / "captures" / "pump_short.vcd", folder / f"{number}.vcd")
    fatal = str(folder / "1.vcd")
    monkeypatch.setattr(module, "_one", _Dying(fatal))
    rows = dict(
        module._read(
            [(str(p), "") for p in sorted(folder.iterdir())], Against((load_map("quoll16"),)), 2
        )
    )
    state = {
        Path(p).name: dict(zip(names_of("captures"), r["captures"][0], strict=True))
        for p, r in rows.items()
    }
    assert len(state) == 3
    assert {n for n, s in state.items() if s["message"] == "its reader was ended"} == {"1.vcd"}
    assert all(s["faults"] == 2 for n, s in state.items() if n != "1.vcd")


class _Dying:
    """Reads a file as a worker does, but dies over one of them."""

    def __init__(self, fatal: str) -> None:
        self.fatal = fatal

    def __call__(self, path: str, variant: str) -> object:
        if path == self.fatal:
            os.kill(os.getpid(), signal.SIGKILL)
        from regmap.fleet.survey import _AGAINST, rows_of

        return rows_of(path, _AGAINST[0].of(variant))


_KILLED = """
import os, signal, sys
from regmap.fleet.captured import Against
from regmap.fleet.sources import find_sources
from regmap.fleet.survey import survey
from regmap.maps.load import load_map

def progress(done, total):
    if done == 5:
        os.kill(os.getpid(), signal.SIGKILL)

survey(find_sources([sys.argv[1]]), Against((load_map("quoll16"),)), sys.argv[2], workers=1, progress=progress)
"""


def test_killed_and_gone_on_with(tmp_path: Path) -> None:
    """kill -9 in the middle, then the same again: the tables are those of a run that nobody disturbed."""
    folder = tmp_path / "night"
    folder.mkdir()
    text = (ROOT / "captures" / "pump_short.vcd").read_bytes()
    for number in range(9):
        (folder / f"{number:03}.vcd").write_bytes(text + b"\n" * number)  # no duplicates
    chip, sources = Against((load_map("quoll16"),)), find_sources([folder])
    whole, killed = tmp_path / "whole", tmp_path / "killed"
    survey(sources, chip, whole, workers=1)
    run = subprocess.run([sys.executable, "-c", _KILLED, str(folder), str(killed)], cwd=ROOT, check=False)  # fmt: skip
    assert run.returncode == -signal.SIGKILL
    assert (killed / JOURNAL).read_bytes().count(b"\n") == 6
    assert not (killed / "faults.csv").exists()
    with (killed / JOURNAL).open("ab") as journal:  # and a line that was cut off
        journal.write(b'{"file":"' + bytes(folder / "008.vcd") + b'","key":[1')
    done = survey(sources, chip, killed, workers=1)
    assert (done.read_now, done.files) == (4, 9)
    assert tables(whole) == tables(killed)


@pytest.mark.skipif("GATEWORD_KILLS" not in os.environ, reason="set GATEWORD_KILLS=15 (kills)")
def test_killed_at_any_moment_with_its_workers(tmp_path: Path) -> None:
    """SIGKILL of the program and its workers again and again while it reads GATEWORD_FLEET captures."""
    kills, count = (
        int(os.environ["GATEWORD_KILLS"]),
        int(os.environ.get("GATEWORD_FLEET", "600").split(",")[0]),
    )
    make(tmp_path / "night", count)
    words = [
        sys.executable,
        "-m",
        "regmap.cli",
        "survey",
        tmp_path / "night",
        "--stage",
        "coolant_pump",
        "--workers",
        "2",
        "-o",
    ]

    def begun(out: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [*words, tmp_path / out], cwd=ROOT, stdout=subprocess.DEVNULL, start_new_session=True
        )

    assert begun("whole").wait(600) == 1
    rng, killed = random.Random(kills), 0
    for attempt in range(kills):
        process = begun(f"killed{attempt // 3}")
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(rng.uniform(0.5, 2.0))
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            killed += process.wait() == -signal.SIGKILL
    assert killed > kills / 2
    for out in sorted(tmp_path.glob("killed*")):
        assert begun(out.name).wait(600) == 1
        assert tables(out) == tables(tmp_path / "whole"), out


def test_what_has_changed_is_read_again(tmp_path: Path) -> None:
    folder, out = tmp_path / "night", tmp_path / "out"
    folder.mkdir()
    for name in ("pump_short", "pump_brown_out"):
        shutil.copy(ROOT / "captures" / f"{name}.vcd", folder)
    chip = Against((load_map("quoll16"),))
    assert survey(find_sources([folder]), chip, out, workers=1).read_now == 2
    assert survey(find_sources([folder]), chip, out, workers=1).read_now == 0
    shutil.copy(ROOT / "captures" / "pump_locked_write.vcd", folder / "pump_short.vcd")
    assert survey(find_sources([folder]), chip, out, workers=1).read_now == 1
    (folder / "gateword.setup.yaml").write_text("spi: {mode: 1}\n")
    assert survey(find_sources([folder]), chip, out, workers=1).read_now == 2
    assert survey(find_sources([folder]), against("coolant_pump"), out, workers=1).read_now == 2


def test_manifests_tell_all_their_problems(tmp_path: Path) -> None:
    (tmp_path / "a.vcd").write_text("x")
    for name, text, places in (
        ("m.csv", "file,unti,test\na.vcd,1,2\nb.vcd,1\nc.vcd,1,2\n", ("m.csv:1:1", "m.csv:3:1", "m.csv:4:1")),
        ("m.yaml", "- {file: a.vcd, unti: 1}\n- {unit: 2}\n- {file: a.vcd}\n- 7\n", ("m.yaml:1:17", "m.yaml:2:3", "m.yaml:3:3", "m.yaml:4:3")),
    ):  # fmt: skip
        (tmp_path / name).write_text(text)
        with pytest.raises(FileError) as error:
            load_manifest(tmp_path / name)
        told = [str(p) for p in error.value.problems]
        for place in places:
            assert any(place in line for line in told), (place, told)
        assert any("nearest: unit" in line for line in told)
    (tmp_path / "m.yaml").write_text("- {file: a.vcd, unit: 7, firmware: 2.10}\n")
    (source,) = load_manifest(tmp_path / "m.yaml")
    assert (source.unit, source.firmware) == ("7", "2.10")
    with pytest.raises(CallError, match="no such file"):
        find_sources([tmp_path / "none.vcd"])


def test_the_page_has_the_tables() -> None:
    page = (ROOT / "regmap" / "fleet" / "README.md").read_text(encoding="utf-8")
    assert reference() in page
