"""Several boards in one header: each routine that stands for a stage is that of the chosen board, by number and by GD_VARIANT.

The judge is the simulated chip: after every way to bring a board up it holds the settings of that board, and no other.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.cheader import Options, generate
from regmap.stages.load import Stage, read_stage

from .test_header_damage import OK, Rig, snapshot
from .test_header_modes import open_lock

HERE = Path(__file__).parent
DEVICES = HERE.parents[1] / "devices"
BUSY, EXPECT = 7, 3
#: a stage -> what makes another board of it
CHANGES = {
    "coolant_pump": [("DEAD_TIME: 1 us", "DEAD_TIME: 2 us"), ("ftti: 200 ms", "ftti: 100 ms")],
    "conveyor_drum": [("THRESHOLD: 90 mV", "THRESHOLD: 60 mV"), ("ftti: 50 ms", "ftti: 60 ms")],
    "latched": [("SOURCE: 9", "SOURCE: 3"), ("DEAD: 7", "DEAD: 12")],
}
KINDS = ["coolant_pump", "conveyor_drum", "latched"]


def boards(kind: str, folder: Path) -> list[Stage]:
    if kind == "latched":
        from .test_header_latched import own_stage

        first = own_stage("a 1 written, 1 later", folder)
        text = (folder / "latched.yaml").read_text("utf-8")
    else:
        text = (DEVICES / f"{kind}.yaml").read_text("utf-8").partition("\nmodes:")[0]
        found, problems = read_stage(DEVICES / f"{kind}.yaml", text=text)
        assert found is not None, problems
        first = found
    for old, new in CHANGES[kind]:
        assert old in text, old
        text = text.replace(old, new)
    text = re.sub(r"name: \w+", "name: other", text, count=1)
    second, problems = read_stage(
        (folder if kind == "latched" else DEVICES) / "other.yaml", text=text
    )
    assert second is not None, [str(p) for p in problems]
    assert {s.name for s in first.settings if s.choice.code != second.bank.code(s.name)}
    return [first, second]


class Board(Rig):
    """One of the boards of a header, on a simulated chip."""

    def __init__(self, stages: list[Stage], number: int, how: str, folder: Path, gcc: str) -> None:
        header = generate(stages[0], Options(prefix="gd"), (), stages[1:]).header
        (folder / "gd.h").write_text(header, "utf-8")
        self.flags = [f"-D{how}={number}"]
        for routine, flag in (
            ("read_status", "STATUS"),
            ("clear_rejected", "CLEAR"),
            ("test_monitors", "TESTS"),
        ):
            if f"gd_{routine}_variant" in header:
                self.flags.append(f"-D{flag}_BY_BOARD")
        if len(stages[0].chip.frames) > 1:
            self.flags.append("-DGD_FORMATS")
        super().__init__(stages[number], folder, gcc)

    def command(self, folder: Path, tool: str, language: str, library: Path) -> list[str | Path]:
        assert language == "c"
        strict = [
            "-std=c99",
            "-Wall",
            "-Wextra",
            "-Wconversion",
            "-Werror",
            "-O1",
            "-shared",
            "-fPIC",
        ]
        source = HERE / "header" / "boards.c"
        return [
            tool,
            *self.flags,
            *strict,
            "-I",
            folder,
            "-I",
            source.parent,
            source,
            "-o",
            library,
        ]


@pytest.fixture(
    scope="module",
    params=[(k, n, h) for k in KINDS for n in (0, 1) for h in ("BOARD", "GD_VARIANT")],
    ids=str,
)
def board(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Board:
    kind, number, how = request.param
    need: Callable[[str], str] = request.getfixturevalue("need_tool")
    folder = tmp_path_factory.mktemp("boards")
    return Board(boards(kind, folder), number, how, folder, need("gcc"))


@pytest.mark.one_in(2)
def test_every_way_up_ends_with_the_settings_of_the_board(board: Board) -> None:
    board.start()
    assert board.run("init")[0] == OK, board.found()
    assert board.configured() == []
    sizes = len(board.sizes)
    for name in ("restart", "warm", "restart"):
        board.begin()
        assert board.run(name)[0] == OK, (name, board.found())
        assert board.configured() == [], name
    for number in (0, sizes // 2, sizes - 1):
        board.start()
        board.arm(("gone", number, 0))
        board.run("init")
        board.arm()
        assert board.run("restart")[0] == OK, board.found()
        assert board.configured() == []
    # from a chip of another board's settings, and from one that was reset
    board.twin.power_up()
    assert board.run("restart")[0] == OK, board.found()
    assert board.configured() == []
    assert board.c.d_no_board() == 1


def test_the_watch_is_of_the_board(board: Board) -> None:
    board.start()
    assert board.run("init")[0] == OK
    board.c.d_keep()
    ready = snapshot(board.twin)
    board.c.d_watch_begin()
    assert {board.c.d_watch_once() for _ in range(3 * board.c.d_ticks())} == {BUSY}
    chip = board.stage.chip
    for setting in board.stage.settings:
        register, _, name = setting.name.partition(".")
        field = chip.registers[register].field(name) if register in chip.registers else None
        if field is None or not chip.registers[register].read_back & field.mask:
            continue
        board.twin = snapshot(ready)
        board.c.d_back()
        board.twin.machine.bank.learn(
            register, ~board.twin.machine.bank.words[register], field.mask
        )
        assert board.c.d_watch(board.c.d_ticks() + 2) == EXPECT, setting.name
    if any(s.do == "expect" for s in chip.sequences.get("lock", ())):
        board.twin = snapshot(ready)
        board.c.d_back()
        open_lock(board.twin)
        assert board.c.d_watch(board.c.d_ticks() + 2) == EXPECT


def test_what_is_read_cleared_and_tested_leaves_the_board_as_it_was(board: Board) -> None:
    import ctypes

    board.start()
    assert board.run("init")[0] == OK
    read = board.status()
    assert read[0] == OK
    assert board.status_by_ticks() == read
    failed = ctypes.c_uint32()
    tested = board.c.d_monitors(ctypes.byref(failed))
    assert (tested, failed.value) in ((OK, 0), (0xFFFF, 0))
    assert (tested == OK) == bool(board.stage.chip.monitor_tests)
    assert board.configured() == []
    assert board.run("clear_rejected")[0] in (OK, 0xFFFF)
    assert board.run("verify")[0] == OK, board.found()


def test_no_routine_of_a_board_is_there_before_it_is_named(tmp_path: Path) -> None:
    """By number, or by GD_VARIANT; the shadow of what cannot be read too. Times are those of the board that has the least."""
    for kind in KINDS:
        stages = boards(kind, tmp_path)
        header = generate(stages[0], Options(prefix="gd"), (), stages[1:]).header
        outside = re.sub(
            r"#if defined\(GD_VARIANT\)\n.*?#endif\n(?!#endif)", "", header, flags=re.S
        )
        for name in ("restart", "watch_begin", "shadow_configured"):
            assert f"gd_{name}(" not in outside, name
        assert "gd_restart_variant(" in outside
        own = [generate(s, Options(prefix="gd")).header for s in stages]
        for macro, pick in (("WATCH_TICKS", max), ("FTTI_US", min), ("WATCH_PERIOD_MOST_US", min)):
            told = [int(m[1]) for t in own if (m := re.search(rf"GD_{macro} +(\d+)U", t))]
            found = re.search(rf"GD_{macro} +(\d+)U", header)
            assert (int(found[1]) if found else None) == (pick(told) if told else None)


def test_the_shadow_is_that_of_the_board(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """Words that cannot be read back, once configured: of each board what its own header holds."""
    stages = boards("latched", tmp_path)
    header = generate(stages[0], Options(prefix="gd"), (), stages[1:]).header
    own = [generate(s, Options(prefix=f"b{i}")).header for i, s in enumerate(stages)]
    (tmp_path / "gd.h").write_text(header, "utf-8")
    for i, text in enumerate(own):
        (tmp_path / f"b{i}.h").write_text(text, "utf-8")
    lines = [
        '#include "gd.h"',
        '#include "b0.h"',
        '#include "b1.h"',
        "int main(void)",
        "{",
        "    int bad = 0;",
    ]
    for i in range(2):
        lines.append(
            f"    {{ gd_shadow_t a; b{i}_shadow_t b; unsigned k; gd_shadow_configured_variant(&a, {i}U); b{i}_shadow_configured(&b);"
            " for (k = 0U; k < GD_SHADOW_COUNT; k++) { bad += a.word[k] != b.word[k]; } }"
        )
    (tmp_path / "shadow.c").write_text("\n".join([*lines, "    return bad;", "}"]) + "\n", "utf-8")
    built = tmp_path / "shadow"
    subprocess.run(
        [need_tool("gcc"), "-std=c99", "-I", tmp_path, tmp_path / "shadow.c", "-o", built],
        check=True,
    )
    assert subprocess.run([built], check=False).returncode == 0
