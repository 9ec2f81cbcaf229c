"""No room at every write of every command: nothing lost, nothing half-written, and the message names the file.

A limit on the size of files stands in for a full disk in the suite (`RLIMIT_FSIZE`, as any user may set it); where mounting is
allowed a small file system of its own is filled as well. `GATEWORD_FULL=1 pytest tests/cli/test_full_disk.py` tries every
command with many limits and fill levels.
"""

from __future__ import annotations

import functools
import json
import os
import re
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import pytest

import regmap
from regmap.stages.load import read_stage
from regmap.wire.frame import encode_frame
from regmap.wire.layout import Hello, Kind, Transfer, request_body

resource_there = hasattr(resource, "RLIMIT_FSIZE")
pytestmark = pytest.mark.skipif(not resource_there, reason="needs limits on the size of files")

HOME = Path(regmap.__file__).parents[1]
ALL = os.environ.get("GATEWORD_FULL") == "1"
OLD = "what stood there before\n"
PARTS = re.compile(r"[\w.]+\.[0-9a-f]{8}\.part")
HELLO = encode_frame(Kind.HELLO, 1, request_body(Hello()))
ASKED = HELLO + b"".join(
    encode_frame(Kind.TRANSFER, n, request_body(Transfer((b"\x80\x00",)))) for n in range(2, 40)
)
KEYS = b"set GATE_HS.SOURCE = 51 mA\nsave\n"
COPY = b"copy sequence to words.txt\n"


@dataclass(frozen=True)
class Writer:
    """A command, the file that it writes last, whether that stood there before, and what is typed."""

    line: str
    output: str
    stood: bool = True
    stdin: bytes = b""


WRITERS = {
    "header": Writer("header pump.yaml -o pump.h", "pump.h"),
    "pair": Writer("header pump.yaml -o pair.h --source pair.c", "pair.c"),
    "depfile": Writer("header pump.yaml -o dep.h --depfile dep.d", "dep.d"),
    "self-test": Writer("header pump.yaml -o self.h --self-test self.c", "self.c"),
    "record": Writer("report pump.yaml -o pump.html", "pump.html"),
    "deck": Writer("check pump.yaml --spice pump.cir", "pump.cir"),
    "propose": Writer("propose pump.yaml -o pump.yaml --set GATE_HS.SOURCE=680mA", "pump.yaml"),
    "other": Writer("propose pump.yaml -o other.yaml --force", "other.yaml"),
    "new-stage": Writer("new stage fresh.yaml --map quoll16 --force", "fresh.yaml"),
    "new-map": Writer("new map fresh_map.yaml --force", "fresh_map.yaml"),
    "plan": Writer("campaign new quoll16 -o plan.yaml", "plan.yaml", stood=False),
    "save": Writer("compose pump.yaml --lines", "pump.yaml", stdin=KEYS),
    "copy": Writer("compose pump.yaml --lines", "words.txt", stood=False, stdin=COPY),
    "setup": Writer("capture a.vcd --map quoll16 --save-setup", "a.vcd.setup.yaml", stood=False),
    "twin": Writer("twin quoll16 --stdio --vcd twin.vcd", "twin.vcd", stood=False, stdin=ASKED),
    "campaign": Writer("campaign few.yaml -o results.jsonl", "results.jsonl", stood=False),
    "junit": Writer("campaign few.yaml --junit results.xml", "results.xml"),
    "kit": Writer("link list -o kit", "kit/PROTOCOL.md", stood=False),
    "log": Writer("link /dev/nowhere read quoll16 --log log.jsonl", "log.jsonl", stood=False),
}  # fmt: skip
WRITERS["kit"] = Writer("link kit -o kit", "kit/bridge.c", stood=False)
FEW = "gateword_campaign: 1\ncampaign: {name: few}\nmap: quoll16\nfaults: [OT, UV_SUPPLY]\n"


def lay(folder: Path) -> None:
    stage = (HOME / "devices" / "coolant_pump.yaml").read_text(encoding="utf-8")
    (folder / "pump.yaml").write_text(stage, encoding="utf-8")
    (folder / "few.yaml").write_text(FEW, encoding="utf-8")
    shutil.copy(HOME / "captures" / "pump_dead_reply.vcd", folder / "a.vcd")
    for writer in WRITERS.values():
        if writer.stood and not (folder / writer.output).exists():
            (folder / writer.output).write_text(OLD, encoding="utf-8")


def run(folder: Path, writer: Writer, state: Path, limit: int | None = None) -> subprocess.CompletedProcess[bytes]:  # fmt: skip
    def little() -> None:
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    return subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", *writer.line.split()],
        cwd=folder, input=writer.stdin, capture_output=True, check=False, timeout=120, preexec_fn=little,
        env={**os.environ, "PYTHONPATH": str(HOME), "GATEWORD_STATE": str(state), "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], dict[str, bytes]]:
    """What a command makes where there is room."""

    @functools.cache
    def of(name: str) -> dict[str, bytes]:
        writer = WRITERS[name]
        folder = tmp_path_factory.mktemp(name)
        lay(folder)
        before = contents(folder)
        done = run(folder, writer, folder.with_name(f"{name}-state"))
        if name == "log":  # nobody is at that port: nothing is kept
            assert done.returncode == 3
            return {**before, writer.output: b'{"event": "begin"}\n'}
        assert done.returncode in (0, 1), (name, done.stderr)
        found = contents(folder)
        assert found[writer.output] != before.get(writer.output), name
        return found

    return of


def names(writer: Writer) -> set[str]:
    """The files that a command writes, and the folder that `kit` makes."""
    words = {Path(w).name for w in writer.line.split() if "." in w} - {"pump.yaml", "few.yaml"}
    return words | {Path(writer.output).name, Path(writer.output).parts[0]}


def judge(writer: Writer, before: dict[str, bytes], after: dict[str, bytes], whole: dict[str, bytes], said: str, status: int) -> None:  # fmt: skip
    for path, data in before.items():
        assert path in after, f"{path} is lost"
        if path == "results.xml" and after[path] != data:
            ElementTree.fromstring(after[path])  # it holds times: whole, but never the same
        else:
            assert after[path] in (data, whole[path]), f"{path} is half-written"
    for path in set(after) - set(before):
        if PARTS.fullmatch(path):
            assert path in said, f"{path} is left and not a word of it"
        elif path in ("results.jsonl", "log.jsonl"):
            for line in after[path].split(b"\n")[:-1]:
                json.loads(line)
        else:
            assert after[path] == whole[path], f"{path} is half-written"
    timed = writer.output.startswith("results.") and not status
    timed = timed or (
        status == 3 and writer.output not in after
    )  # room for the log, nobody at the port
    if after.get(writer.output) != whole[writer.output] and not timed:
        assert status in (1, 2, 3), said
        assert names(writer) & set(re.split(r"[\s:/]+", said)), said
        assert re.search(r"No space left on device|File too large", said), said
    assert "Traceback" not in said
    assert "Exception ignored" not in said


#: one of each way to write; the others go the same ways
FEW_WAYS = ("header", "record", "save", "copy", "setup", "twin", "campaign", "log", "kit")
TRIED = [n for n in WRITERS if ALL or n in FEW_WAYS]


@pytest.mark.parametrize("name", TRIED)
@pytest.mark.one_in(4)
def test_a_file_that_may_not_grow(
    tmp_path: Path, made: Callable[[str], dict[str, bytes]], name: str
) -> None:
    writer, whole = WRITERS[name], made(name)
    size = len(whole[writer.output])
    limits = [0, 1, size // 4, size // 2, size - 1] if ALL else [size // 2]
    for limit in limits:
        folder = tmp_path / str(limit)
        folder.mkdir()
        lay(folder)
        before = contents(folder)
        done = run(folder, writer, tmp_path / f"state{limit}", limit)
        judge(writer, before, contents(folder), whole, (done.stdout + done.stderr).decode("utf-8", "replace"), done.returncode)  # fmt: skip


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of half a megabyte, where this user may mount one."""
    place = tmp_path / "small"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", str(place)],
        capture_output=True, check=False,
    )  # fmt: skip
    if done.returncode:
        pytest.skip("mounting is not allowed here; the limit on files is tested all the same")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_full_file_system(small: Path, made: Callable[[str], dict[str, bytes]]) -> None:
    for name in TRIED if ALL else ("header", "save", "twin"):
        writer = WRITERS[name]
        for free in (0, 1, 2, 4, 8) if ALL else (1,):
            shutil.rmtree(small / "x", ignore_errors=True)
            (small / "ballast").unlink(missing_ok=True)
            folder = small / "x"
            folder.mkdir()
            lay(folder)
            before = contents(folder)
            with (small / "ballast").open("wb", buffering=0) as ballast:
                while True:
                    try:
                        ballast.write(bytes(4096))
                    except OSError:
                        break
                ballast.truncate(max(0, (small / "ballast").stat().st_size - 4096 * free))
            done = run(folder, writer, folder / "state")
            after = {p: d for p, d in contents(folder).items() if not p.startswith("state/")}
            said = (done.stdout + done.stderr).decode("utf-8", "replace")
            judge(writer, before, after, made(name), said, done.returncode)


def test_a_full_disk_under_the_draft_keeps_what_is_kept(tmp_path: Path) -> None:
    """Steps that are on the disk are said to be kept, and are there next time; those that are not are not."""
    lay(tmp_path)
    keys = "".join(f"set GATE_HS.SOURCE = {v} mA\n" for v in (51, 75, 62, 51, 75, 62, 51, 75))
    for limit, kept in ((0, False), (340, True), (100_000, True)):
        state = tmp_path / f"state{limit}"
        done = run(tmp_path, Writer("compose pump.yaml --lines", "", stdin=keys.encode()), state, limit)  # fmt: skip
        said = (done.stdout + done.stderr).decode("utf-8", "replace")
        assert ("the draft is kept" in said) is kept, said
        assert ("no backup of this draft" in said) is (limit < 1000), said
        again = run(tmp_path, Writer("compose pump.yaml --lines --resume", "", stdin=b"changes\nleave drop\n"), state)  # fmt: skip
        assert (b"took up the draft" in again.stderr) is kept


@pytest.mark.skipif(os.name != "posix", reason="needs /dev/full")
@pytest.mark.parametrize("line", ["show quoll16", "header pump.yaml -o -", "--help"])  # fmt: skip
def test_standard_output_is_named_too(tmp_path: Path, line: str) -> None:
    lay(tmp_path)
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "regmap.cli.main", *line.split()], cwd=tmp_path, stdout=full, stderr=subprocess.PIPE, check=False, timeout=60,
            env={**os.environ, "PYTHONPATH": str(HOME)},
        )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert b"No space left on device" in done.stderr
    assert b"standard output" in done.stderr
    assert b"Traceback" not in done.stderr


def test_read_only_targets_are_named(tmp_path: Path, small: Path) -> None:
    """A folder on a file system that takes no writes: each command says which file, and why."""
    lay(small)
    subprocess.run(["mount", "-o", "remount,ro", str(small)], check=True)
    before = contents(small)
    for name in TRIED if ALL else ("header", "save", "setup", "kit"):
        writer = WRITERS[name]
        done = run(small, writer, tmp_path / "state")
        said = (done.stdout + done.stderr).decode("utf-8", "replace")
        assert done.returncode in (1, 2), (name, said)
        assert "Read-only file system" in said, (name, said)
        assert names(writer) & set(re.split(r"[\s:/]+", said)), (name, said)
        assert "Traceback" not in said
    assert contents(small) == before


def test_a_stage_saved_in_part_still_is_a_stage(tmp_path: Path) -> None:
    lay(tmp_path)
    run(tmp_path, WRITERS["save"], tmp_path / "state", 2000)
    assert read_stage(tmp_path / "pump.yaml")[0] is not None


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("line", ["header pump.yaml -o /dev/full", "twin quoll16 --stdio --vcd /dev/full", "link /dev/nowhere read quoll16 --log /dev/full"])  # fmt: skip
def test_a_device_that_takes_nothing_is_named(tmp_path: Path, line: str) -> None:
    lay(tmp_path)
    before = contents(tmp_path)
    done = run(tmp_path, Writer(line, ""), tmp_path.with_name("state"))
    said = (done.stdout + done.stderr).decode("utf-8", "replace")
    assert done.returncode == 2, said
    assert "/dev/full cannot be written (No space left on device)" in " ".join(said.split()), said
    assert "Traceback" not in said
    assert contents(tmp_path) == before
    assert Path("/dev/full").is_char_device()
