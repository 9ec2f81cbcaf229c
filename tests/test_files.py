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

from regmap.capture.setupfile import CaptureSetup, save_setup
from regmap.errors import CallError
from regmap.files import WholeFile, reason, write_whole, written_into
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


@pytest.mark.parametrize("write", [w for w in WRITERS if w is not kept])
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


def test_a_log_overwrites_nothing_not_even_behind_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    for name in ("real", "link"):
        with pytest.raises(CallError, match="exists, and a log is never overwritten"):
            kept(tmp_path / name)
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
    assert (tmp_path / "x.part").read_text() == "new", "what was recorded is not thrown away"


def test_a_link_that_waits_where_the_part_goes_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "other").write_text("precious")
    (tmp_path / "x.part").symlink_to(tmp_path / "other")
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
