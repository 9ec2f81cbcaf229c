"""Whole files: what is replaced, what is written into, and what a failure leaves behind.

Pipes and links stand for devices; nothing here writes to a device.
"""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

import regmap
from regmap.capture.setupfile import CaptureSetup, save_setup
from regmap.closing import Closing
from regmap.errors import CallError
from regmap.files import Gate, WholeFile, lock, parts_of, reason, write_whole, written_into
from regmap.link.log import SessionLog
from regmap.twin.record import Recorder

pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")


def grown(path: Path) -> None:
    file = WholeFile(path)
    file.out.write("one\n")
    file.finish()
    file.finish()


def recorded(path: Path) -> None:
    Recorder(path).close()


def kept(path: Path) -> None:
    SessionLog(path, {"chip": "quoll16"}).close("finished")


def set_up(path: Path) -> None:
    save_setup(CaptureSetup(format="vcd"), path)


WRITERS = [lambda path: write_whole(path, "text\n"), grown, recorded, kept, set_up]
every_writer = pytest.mark.parametrize(
    "write", WRITERS, ids=["whole", "growing", "twin", "link", "setup"]
)
Write = Callable[[Path], object]


def read_beside(pipe: Path) -> tuple[threading.Thread, list[str]]:
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()), daemon=True)
    reader.start()
    return reader, got


@every_writer
def test_a_pipe_is_written_into_and_stays_a_pipe(tmp_path: Path, write: Write) -> None:
    reader, got = read_beside(tmp_path / "pipe")
    write(tmp_path / "pipe")
    reader.join(5)
    assert got
    assert got[0]
    assert (tmp_path / "pipe").is_fifo()
    assert [p.name for p in tmp_path.iterdir()] == ["pipe"]


@pytest.mark.parametrize("write", [w for w in WRITERS if w not in (kept, recorded)])
def test_a_link_keeps_pointing_where_it_did(tmp_path: Path, write: Write) -> None:
    (tmp_path / "far").mkdir()
    real, link = tmp_path / "far" / "real", tmp_path / "link"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    write(link)
    assert link.is_symlink()
    assert real.read_text() != "old"
    assert real.stat().st_mode & 0o777 == 0o640
    assert [p.name for p in real.parent.iterdir()] == ["real"]


@pytest.mark.parametrize("write", [kept, recorded])
def test_a_log_or_recording_overwrites_nothing_not_even_behind_a_link(
    tmp_path: Path, write: Write
) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    for name in ("real", "link"):
        with pytest.raises(
            CallError, match=r"exists,.* and a (log|recording) is never overwritten"
        ):
            write(tmp_path / name)
    assert (tmp_path / "real").read_text() == "old"


@every_writer
def test_a_link_to_a_pipe_is_written_into(tmp_path: Path, write: Write) -> None:
    reader, got = read_beside(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "pipe")
    write(tmp_path / "link")
    reader.join(5)
    assert got[0]
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "pipe").is_fifo()


def test_a_file_that_its_owner_made_read_only_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rename would need the folder's permission only."""
    path = tmp_path / "x"
    path.write_text("kept")
    path.chmod(0o444)
    usual = os.open

    def denied(name: Path, flags: int, *more: int) -> int:
        """Whoever tests may be one who can write everything."""
        if Path(name) == path and flags & os.O_WRONLY:
            raise PermissionError(errno.EACCES, "Permission denied")
        return usual(name, flags, *more)

    monkeypatch.setattr("regmap.files.os.open", denied)
    with pytest.raises(PermissionError) as caught:
        write_whole(path, "new")
    assert caught.value.filename == str(path)
    assert path.read_text() == "kept"
    assert [p.name for p in tmp_path.iterdir()] == ["x"]


def test_a_new_file_has_the_permissions_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    write_whole(tmp_path / "whole", "text")
    grown(tmp_path / "grown")
    modes = {p.stat().st_mode for p in tmp_path.iterdir()}
    assert len(modes) == 1


def test_what_is_under_dev_is_never_replaced() -> None:
    # asked only, nothing is opened: these may lead to a regular file of the caller
    assert written_into(Path("/dev/stdout"))
    assert written_into(Path("/proc/self/fd/1"))
    assert written_into(Path("/dev/../dev/nowhere"))


def test_the_same_bytes_leave_the_file_alone(tmp_path: Path) -> None:
    path = tmp_path / "x"
    assert write_whole(path, "a\r\n", only_if_changed=True)
    before = path.stat().st_ino
    assert not write_whole(path, "a\r\n", only_if_changed=True)
    assert path.stat().st_ino == before
    assert write_whole(path, b"b", only_if_changed=True)
    assert path.read_bytes() == b"b"


def test_a_failure_leaves_the_old_file_and_nothing_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x"
    path.write_text("old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("regmap.files.os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["x"]
    file = WholeFile(path)
    file.out.write("new")
    with pytest.raises(OSError, match="No space"):
        file.finish()
    assert path.read_text() == "old"
    assert file.growing.read_text() == "new", "what was recorded is not thrown away"


def test_a_link_that_waits_where_the_part_goes_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "other").write_text("precious")
    (tmp_path / "x.part").symlink_to(tmp_path / "other")
    (tmp_path / "x.00000000.part").symlink_to(tmp_path / "other")
    grown(tmp_path / "x")
    assert (tmp_path / "other").read_text() == "precious"
    assert (tmp_path / "x").read_text() == "one\n"
    assert not (tmp_path / "x").is_symlink()


def test_reasons(tmp_path: Path) -> None:
    for write in (recorded, kept):
        with pytest.raises(CallError, match="is a directory; expected a file name"):
            write(tmp_path)
        with pytest.raises(CallError, match="cannot be written"):
            write(tmp_path / "no" / "x")
    assert (
        reason("x", OSError(errno.ENOSPC, "No space left")) == "x cannot be written (No space left)"
    )


def gateword(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", *map(str, words)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_twin_records_into_a_pipe(tmp_path: Path) -> None:
    reader, got = read_beside(tmp_path / "pipe")
    done = gateword("twin", "quoll16", "--stdio", "--vcd", tmp_path / "pipe")
    reader.join(5)
    assert done.returncode == 0, done.stderr
    assert got[0].startswith("$comment simulated quoll16")
    assert got[0].count("$var wire 1") == 5
    assert (tmp_path / "pipe").is_fifo()
    assert "waiting for its reader" in done.stderr


def test_link_records_into_a_pipe_although_the_port_is_not_there(tmp_path: Path) -> None:
    reader, got = read_beside(tmp_path / "pipe")
    done = gateword("link", "/dev/nowhere", "read", "quoll16", "--log", tmp_path / "pipe")
    reader.join(5)
    assert done.returncode == 3
    assert [json.loads(line)["event"] for line in got[0].splitlines()] == ["begin", "end"]
    assert (tmp_path / "pipe").is_fifo()


def test_a_reader_that_leaves_ends_the_twin_without_a_traceback(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: pipe.open().close(), daemon=True)
    reader.start()
    done = gateword("twin", "quoll16", "--stdio", "--vcd", pipe)
    reader.join(5)
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


# --- what a body that raises, a second writer and a killed one leave ---------------------------------
def test_a_body_that_raises_leaves_the_good_file_and_what_was_recorded(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_text("good")
    file = WholeFile(path)

    def body() -> None:
        with file:
            file.out.write("half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        body()
    assert path.read_text() == "good"
    assert file.growing.read_text() == "half"


def test_a_recording_that_ends_in_an_error_leaves_the_good_dump(tmp_path: Path) -> None:
    path = tmp_path / "a.vcd"
    recorder = Recorder(path)
    path.write_text("good")

    def body() -> None:
        with recorder:
            recorder.change(5, "select", "0")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        body()
    assert path.read_text() == "good"
    [part] = parts_of(path)
    assert part.read_text().endswith("#5\n0!\n")
    with pytest.raises(NotImplementedError):
        Closing().close()


def test_two_writers_of_one_name_have_a_file_each(tmp_path: Path) -> None:
    path = tmp_path / "x"
    first, second = WholeFile(path), WholeFile(path)
    assert second.left_behind == (), "the first one is alive"
    first.out.write("first")
    second.out.write("second")
    first.finish()
    assert path.read_text() == "first"
    second.finish()
    assert path.read_text() == "second"
    assert [p.name for p in tmp_path.iterdir()] == ["x"]


KILLED = """
import os, sys
from regmap.files import WholeFile
file = WholeFile(sys.argv[1])
file.out.write("what was seen\\n")
file.out.flush()
os.kill(os.getpid(), 9)
"""


def test_what_a_killed_run_left_is_found_and_never_deleted(tmp_path: Path) -> None:
    path = tmp_path / "a.vcd"
    subprocess.run([sys.executable, "-c", KILLED, str(path)], check=False, timeout=60)
    (tmp_path / "a.vcd.part").write_text("of an older version")
    (tmp_path / "a.vcd.notes.part").write_text("somebody else's")
    recorder = Recorder(path)
    left = {p.name: p.read_text() for p in recorder.left_behind}
    recorder.close()
    path.unlink()
    assert sorted(left.values()) == ["of an older version", "what was seen\n"]
    assert parts_of(path) == list(recorder.left_behind)
    done = gateword("twin", "quoll16", "--stdio", "--vcd", path)
    assert done.stderr.count("an earlier run was killed and left") == 2
    assert all((tmp_path / name).exists() for name in left)


def test_temporary_files_of_killed_runs_are_swept_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "v.h"
    stale, held, young = (tmp_path / f".v.h.{n * 8}.part" for n in "abc")
    other = tmp_path / ".v.h.notes.part"
    for file in (stale, held, young, other):
        file.write_text("half")
    for file in (stale, held, other):
        os.utime(file, (1, 1))
    with held.open("rb") as stream:
        assert lock(stream)
        write_whole(path, "whole")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        p.name for p in (path, held, young, other)
    )


# --- inputs and outputs of one command ---------------------------------------------------------------
def test_the_gate_knows_a_file_by_all_its_names(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_text("x")
    (tmp_path / "hard.yaml").hardlink_to(path)
    (tmp_path / "soft.yaml").symlink_to(path)
    for name in ("a.yaml", "hard.yaml", "soft.yaml", f"../{tmp_path.name}/a.yaml"):
        gate = Gate()
        gate.reads([path])
        with pytest.raises(CallError, match=r"would be written, and .*this command reads"):
            gate.writes(tmp_path / name)
        gate = Gate()
        gate.writes(tmp_path / name)
        with pytest.raises(CallError, match="nothing was written"):
            gate.reads([path])
        gate = Gate()
        gate.writes(path)
        with pytest.raises(CallError, match="this command writes"):
            gate.writes(tmp_path / name)
    gate = Gate()
    gate.writes(tmp_path / "V.h")
    with pytest.raises(CallError, match="writes too"):
        gate.writes(tmp_path / "v.h")
    gate.writes(tmp_path / "w.h")
    gate.writes("/dev/stdout")
    gate.writes("/dev/stdout")


OVERWRITES = [
    "header P -o P",
    "header P -o H",
    "header P -o ./P",
    "header P -o M",
    "header P -o v.h --source P",
    "header P -o v.h --source v.h",
    "header P -o v.h --source ./v.h",
    "header P -o v.h --depfile P",
    "header P -o v.h --depfile v.h",
    "report P -o P",
    "report P C -o C",
    "report P -o M",
    "check P --spice P",
    "check P --spice M",
    "twin P --vcd P --stdio",
    "twin M --vcd M --stdio",
    "link /dev/nowhere read P --log P",
    "link /dev/nowhere read P --log M",
    "propose P -o M --force",
    "new stage M --map M --force",
]


@pytest.mark.parametrize("line", OVERWRITES)
def test_no_command_writes_over_what_it_reads_or_twice(tmp_path: Path, line: str) -> None:
    devices = Path(regmap.__file__).parents[1] / "devices"
    names = {
        n: tmp_path / f
        for n, f in (("P", "p.yaml"), ("M", "quoll16.yaml"), ("C", "c.vcd"), ("H", "h.yaml"))
    }
    names["M"].write_bytes((devices / "quoll16.yaml").read_bytes())
    names["P"].write_text(
        (devices / "coolant_pump.yaml").read_text().replace("map: quoll16", "map: quoll16.yaml")
    )
    names["H"].symlink_to(names["P"])
    names["C"].write_bytes((devices.parent / "captures" / "pump_short.vcd").read_bytes())
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    words = []
    for word in line.split():
        if word in names:
            words.append(str(names[word]))
        elif word.startswith("./"):
            words.append(f"{tmp_path}/./{word[2:].replace('P', 'p.yaml')}")
        else:
            words.append(str(tmp_path / word) if word.endswith((".h", ".d")) else word)
    done = gateword(*words)
    assert done.returncode == 2, done.stderr
    assert "would be written, and" in done.stderr
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


REACHED = [
    "vet M --against big.h --patch inner_ok.h",
    "vet M --against big.h --sarif inner_ok.h",
    "vet M --against big.h --sarif deep/inmost.h",
    "vet P --sarif base.yaml",
    "vet P --sarif part.yaml",
    "vet broken.yaml --sarif part.yaml",
    "vet broken.yaml --sarif base.yaml",
    "vet P M --sarif base.yaml",
    "header P -o part.yaml",
    "header P -o v.h --source base.yaml",
    "header P -o v.h --self-test base.yaml",
    "header P -o v.h --depfile part.yaml",
    "header P -o v.h --variant other.yaml --self-test other.yaml",
    "check P --spice part.yaml",
    "report P C -o c.vcd.setup.yaml",
    "campaign plan.yaml --junit part.yaml",
    "campaign plan.yaml -o base.yaml",
]


@pytest.mark.parametrize("line", REACHED)
def test_what_an_input_names_is_an_input(tmp_path: Path, line: str) -> None:
    """However it is reached: an included header, an extended map, a part, a set-up that lies beside, also of what is wrong."""
    devices = Path(regmap.__file__).parents[1] / "devices"
    pump = (devices / "coolant_pump.yaml").read_text("utf-8")
    texts = {
        "base.yaml": (devices / "quoll16.yaml").read_text("utf-8"),
        "m.yaml": "gateword_map: 1\nextends: base.yaml\nchip:\n  name: quoll16\n  title: Invented too\n  invented: yes\n",
        "part.yaml": "gateword_part: 1\npart: {name: second source, invented: yes}\nmosfet: {rdson: 2.5 mohm}\n",
        "p.yaml": "gateword_stage: 1\nextends: other.yaml\nmosfet: part.yaml\n",
        "broken.yaml": "gateword_stage: 1\nextends: other.yaml\nmosfet: part.yaml\nwithotu: []\n",
        "other.yaml": pump.replace("map: quoll16", "map: m.yaml"),
        "big.h": '#include "inner_ok.h"\n#define QL_MODE_ADDR 0x4\n',
        "inner_ok.h": '#include "deep/inmost.h"\n#define QL_TIMING_ADDR 0x3\n',
        "deep/inmost.h": "#define QL_STATUS1_ADDR 0x0\n",
        "plan.yaml": "gateword_campaign: 1\ncampaign: {name: c}\nstage: p.yaml\nfaults: all\n",
        "c.vcd.setup.yaml": "gateword_setup: 1\n",
    }
    for name, text in texts.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, "utf-8")
    (tmp_path / "c.vcd").write_bytes((devices.parent / "captures" / "pump_short.vcd").read_bytes())
    called = {"P": "p.yaml", "M": "m.yaml", "C": "c.vcd"}
    words = [
        str(tmp_path / w) if "." in (w := called.get(word, word)) else w for word in line.split()
    ]
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    done = gateword(*words)
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before
    assert done.returncode == 2, done.stdout + done.stderr
    assert "would be written, and" in done.stderr
    assert "nothing was written" in done.stderr


def test_every_option_that_names_an_output_is_known_to_the_gate() -> None:
    """An option whose text says that it writes a file must be one that the gate looks at."""
    from regmap.cli.files import MAKERS, OUTPUTS
    from regmap.cli.main import COMMANDS, build_parser

    seen = set()
    for command in COMMANDS:
        parser = build_parser(command)
        for action in parser._subparsers._group_actions[0].choices[command]._actions:  # type: ignore[union-attr]
            seen.add(action.dest)
            writes = str(action.help).startswith(("write ", "where to write", "record ", "log "))
            takes = action.nargs != 0 and isinstance(action.metavar, str)
            if writes and takes and action.option_strings:
                assert action.dest in OUTPUTS, f"{command} {action.option_strings}"
    assert set(MAKERS) <= set(COMMANDS)
