"""Scripts of a test stand: waiting with a limit, loops, pins, disturbances, and what each step took."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from regmap.errors import FileError
from regmap.link.running import run_script
from regmap.link.script import STEPS, read_script, writes
from regmap.maps.load import load_map
from regmap.twin.control import Control, check_step

PROGRAM = [sys.executable, "-m", "regmap.cli.main"]


def run(bench: Any, text: str) -> list[Any]:
    control = Control(bench.twin, bench.adapter, bench.line)
    lines = read_script(text, bench.chip, control=check_step)
    return run_script(bench.link, lines, control=control.answer)


def test_wait_until_with_a_limit(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    bench.twin.disturb("uv_supply at 30 ms")
    done = run(bench, "until pin fault low within 50 ms\nassert pin fault low\n")
    assert [d.ok for d in done] == [True, True]
    assert 0.029 < done[0].took < 0.033
    bench = make_bench("quoll16")
    done = run(bench, "until STATUS1.UV_SUPPLY = 1 within 20 ms\nwrite VDS = 0x003\n")
    assert [d.ok for d in done] == [False]
    assert "not within 20 ms" in done[0].detail
    assert 0.019 < done[0].took < 0.05


def test_loops_are_run_so_many_times_and_may_hold_loops(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    done = run(bench, "loop 3\n  read ID\n  loop 2\n    read MODE\n  end\nend\nread VDS\n")
    assert [d.line.text for d in done] == ["ID", "MODE", "MODE"] * 3 + ["VDS"]
    bench.twin.disturb("uv_supply")
    done = run(bench, "loop 1000\nread ID\nassert pin fault high\nend\nread VDS")
    assert [d.ok for d in done] == [True, False]


def test_pins_and_disturbances_and_how_long_they_took(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    done = run(
        bench,
        "pin enable low\nassert pin enable low\nwait 5 ms\ndisturb uv_supply for 10 ms\n"
        "until pin fault low within 5 ms\nassert elapsed < 3 ms\nread STATUS1\n"
        "clear uv_supply\nwrite SERVICE.CLEAR = 1\nassert pin fault high\nwait 2 ms\nassert elapsed < 1 ms\n",
    )
    assert [d.ok for d in done] == [True] * 11 + [False], [d.detail for d in done]
    assert bench.twin.enable is False
    assert done[2].elapsed is None
    assert done[2].took == pytest.approx(0.005, abs=1e-4)
    assert done[4].elapsed is not None
    assert "since the last disturbance" in done[-1].detail
    assert [d.time for d in done] == sorted(d.time for d in done)


def test_a_disturbance_between_write_and_verify_is_caught(make_bench: Any) -> None:
    """The write is read back at once and repeated; what was lost with it is not called known."""
    bench = make_bench("quoll16")
    words = {
        name: (r.reset ^ r.write_mask) & ~r.reserved & r.mask
        for name, r in bench.chip.registers.items()
    }
    done = run(
        bench,
        f"write SERVICE.CLEAR = 1\nwrite GATE_HS = 0x{words['GATE_HS']:X}\n"
        f"disturb no_power between write and verify for 1 us\nwrite VDS = 0x{words['VDS']:X}\n",
    )
    assert [d.ok for d in done] == [True] * 4
    assert bench.twin.word("VDS") == words["VDS"]
    assert bench.twin.word("GATE_HS") == bench.chip.registers["GATE_HS"].reset
    assert [h.register for h in bench.link.account().held] == ["VDS"]


@pytest.mark.parametrize("count", ["\u00b2", "9" * 5000, "-1"])
def test_a_count_of_rounds_is_a_number(count: str) -> None:
    """Superscripts and digits without end get a message."""
    with pytest.raises(FileError, match=r"s\.txt:1:6.*expected a count, 1 to "):
        read_script(f"loop {count}\nread ID\nend", load_map("quoll16"), "s.txt")


def test_all_problems_at_once_with_their_places() -> None:
    text = "\n".join(
        [
            "until STATUS1.OT = 1",
            "until STATUS1.OTT = 1 within 5 ms",
            "assert pin fault lo",
            "assert elapsed > 5 ms",
            "pin fault low",
            "loop 0",
            "end",
            "disturb uv_suply",
            "power up",
            "loop 3",
        ]
    )
    with pytest.raises(FileError) as caught:
        read_script(text, load_map("quoll16"), "s.txt", control=check_step)
    found = [str(p).split(": ")[0] for p in caught.value.problems]
    assert found == [
        *("s.txt:1:7", "s.txt:2:7", "s.txt:3:8", "s.txt:4:8", "s.txt:5:5", "s.txt:6:6"),
        *("s.txt:7:1", "s.txt:8:9", "s.txt:9:7", "s.txt:10:1"),
    ]
    assert "nearest: UV_SUPPLY" in str(caught.value.problems[7])
    assert "without its `end`" in str(caught.value.problems[-1])


def test_what_writes_is_seen_inside_loops() -> None:
    chip = load_map("quoll16")
    assert writes(read_script("loop 2\nloop 2\nwrite VDS = 3\nend\nend", chip), chip)
    assert writes(read_script("pin enable low", chip), chip)
    assert not writes(read_script("loop 2\nread VDS\nend\ndisturb uv_supply", chip), chip)


def test_every_step_is_told_at_the_top() -> None:
    import regmap.link.script

    told = regmap.link.script.__doc__ or ""
    assert all(step in told for step in STEPS)


def test_a_script_against_a_twin_in_its_own_process(tmp_path: Path) -> None:
    twin = subprocess.Popen(
        [*PROGRAM, "twin", "quoll16", "--tcp", "0", "--control", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert twin.stdout is not None
    port = twin.stdout.readline().strip()
    control = twin.stdout.readline().strip().removeprefix("control ")
    path = tmp_path / "stand.txt"
    path.write_text(
        "disturb uv_supply\nuntil pin fault low within 2 s\nread STATUS1\nclear all\n"
        "until STATUS1.UV_SUPPLY = 1 within 1 s\n"
    )
    try:
        words = ["link", port, "script", "quoll16", str(path), "--control", control, "--json"]
        done = subprocess.run(
            [*PROGRAM, *words], capture_output=True, text=True, timeout=60, check=False
        )
    finally:
        twin.send_signal(signal.SIGINT)
        twin.communicate(timeout=10)
    assert done.returncode == 0, done.stderr
    steps = [json.loads(line) for line in done.stdout.splitlines()]
    assert [s["do"] for s in steps] == ["disturb", "until", "read", "clear", "until"]
    assert all(s["took_s"] >= 0 for s in steps)
    assert steps[0]["since_disturbance_s"] is not None
