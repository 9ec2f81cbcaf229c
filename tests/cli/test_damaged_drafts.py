"""A draft that is damaged in any way never keeps the composer from starting; what can be read is offered, and nothing of it is deleted."""

from __future__ import annotations

import io
import os
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.draft import Draft, Journal
from regmap.stages.load import load_stage


def compose(state: Path, text: str, *more: str) -> tuple[int, str]:
    out = io.StringIO()
    context = Context(
        stdin=io.StringIO(text), stdout=out, stderr=out, environ={"GATEWORD_STATE": str(state)}
    )
    status = main(["compose", "coolant_pump", "--lines", *more], context)
    return status, " ".join(out.getvalue().split())


def left(state: Path) -> Path:
    """A draft of two steps, as a composer that died leaves it."""
    journal = Journal(state, "coolant_pump", "")
    draft = Draft(load_stage("coolant_pump"), journal)
    draft.set("GATE_HS.SOURCE", "56 mA")
    draft.set("GATE_HS.SINK", "62 mA")
    journal.keep()
    assert journal.path is not None
    assert journal.backup == "the draft is kept"
    return journal.path


def lines(change: Callable[[list[bytes]], list[bytes]]) -> Callable[[bytes], bytes]:
    return lambda data: b"\n".join(change(data.split(b"\n")))


#: how it is damaged -> settings that can be read of it
DAMAGES: dict[str, tuple[Callable[[bytes], bytes], tuple[str, ...]]] = {
    "head gone": (lines(lambda rows: rows[1:]), ("SOURCE", "SINK")),
    "head of another version": (lambda d: d.replace(b'"gateword_draft": 1', b'"gateword_draft": 9'), ("SOURCE", "SINK")),
    "first step gone mad": (lines(lambda rows: [rows[0], b"[" * 90_000, *rows[2:]]), ("SINK",)),
    "bytes of no text": (lines(lambda rows: [*rows[:2], b"\xff\xfe\0" + rows[2], b""]), ("SOURCE",)),
    "cut in the last step": (lambda d: d[:-9], ("SOURCE",)),
    "a step that is a list": (lines(lambda rows: [rows[0], b'{"set": []}', *rows[2:]]), ("SINK",)),
    "a step of another map": (lines(lambda rows: [*rows[:3], b'{"set": {"NO.SUCH": "1"}}', b""]), ("SOURCE", "SINK")),
    "numbers and lists for values": (lines(lambda rows: [*rows[:3], b'{"set": {"GATE_LS.SINK": [1], "VDS.FILTER": 1e999}}', b""]), ("SOURCE", "SINK")),
    "nothing of it": (lambda _: b"\0" * 5000 + b"\n", ()),
    "empty": (lambda _: b"", ()),
}  # fmt: skip


@pytest.mark.parametrize("name", DAMAGES)
@pytest.mark.one_in(4)
def test_the_composer_starts_and_offers_what_can_be_read(tmp_path: Path, name: str) -> None:
    damage, readable = DAMAGES[name]
    path = left(tmp_path)
    path.write_bytes(damage(path.read_bytes()))
    before = path.read_bytes()
    status, said = compose(tmp_path, "n\nleave\n")
    assert status in (0, 1), said
    assert ("A draft of this was left behind" in said) is bool(readable)
    if before and not readable:
        assert f"a draft left behind in {path} cannot be taken up" in said
    assert path.exists()
    assert path.read_bytes() == before, "looked at, and left as it was"
    status, said = compose(tmp_path, "changes\nleave drop\n", "--resume")
    assert status in (0, 1), said
    for field in readable:
        assert f"GATE_HS.{field}" in said
    if name not in ("cut in the last step", "empty"):
        kept = [p for p in tmp_path.iterdir() if p.is_file()]
        assert [p for p in kept if p.read_bytes() == before], "the damaged file is kept aside"
    assert "draft of this was left behind" not in compose(tmp_path, "leave\n")[1]


def test_random_damages(tmp_path: Path) -> None:
    rng = random.Random(1)
    path = left(tmp_path)
    whole = path.read_bytes()
    for _ in range(30):
        data = bytearray(whole)
        for _ in range(rng.choice((1, 3, 20))):
            at = rng.randrange(len(data) + 1)
            data[at : at + rng.choice((0, 1, 9))] = rng.randbytes(rng.choice((0, 1, 5)))
        path.write_bytes(data)
        status, said = compose(tmp_path, "n\nleave\n")
        assert status in (0, 1), said
        for extra in tmp_path.glob("*.draft"):
            if extra != path:
                extra.unlink()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_what_is_no_file_where_a_draft_would_be(tmp_path: Path) -> None:
    path = left(tmp_path)
    path.unlink()
    for make in (path.mkdir, lambda: os.mkfifo(path), lambda: path.symlink_to("/dev/zero"), lambda: path.symlink_to(path)):  # fmt: skip
        make()
        status, said = compose(tmp_path, "set GATE_HS.SOURCE = 51 mA\nleave keep\n")
        assert status == 0
        assert "the draft is kept" in said
        for extra in tmp_path.glob("*.draft"):
            if extra != path:
                extra.unlink()
        path.rmdir() if path.is_dir() else path.unlink()
