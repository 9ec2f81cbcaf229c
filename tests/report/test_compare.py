"""Two records compared: what the pages say, read back from them, is what the stages say."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.assessment.stage import assess, with_settings
from regmap.calc import WORDS
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.errors import CallError
from regmap.report import ReviewRecord, compare_records, review
from regmap.report.verdicts import percent
from regmap.stages.load import load_stage
from regmap.stages.whatif import with_inputs


@pytest.fixture(scope="module")
def html(record_of: Callable[[str], ReviewRecord]) -> str:
    return record_of("coolant_pump").html


def test_the_same_record_says_the_same(html: str) -> None:
    assert compare_records(html, html).same


def test_every_verdict_that_moved_is_told_and_no_other(html: str) -> None:
    """Against the two assessments themselves."""
    stage = load_stage("coolant_pump")
    other = with_inputs(
        with_settings(stage, {"TIMING.DEAD_TIME": "150 ns"}), {"pwm.frequency": "40 kHz"}
    )
    found = compare_records(html, review(other).html)

    def told(assessed: object) -> dict[str, str]:
        return {
            v.check: f"{WORDS[v.status]} {percent(v.relative)}".strip()
            for v in assess(assessed).verdicts  # type: ignore[arg-type]
        }

    before, after = told(stage), told(other)
    moved = {n for n in {**before, **after} if before.get(n) != after.get(n)}
    listed = {n: (a, b) for n, a, b in found.verdicts}
    assert moved <= set(listed)
    assert {n: listed[n] for n in moved} == {
        n: (before.get(n, "not there"), after.get(n, "not there")) for n in moved
    }
    settings = [r for r in found.rows if r.table.startswith("Settings")]
    assert [r.row for r in settings] == ["TIMING.DEAD_TIME"]
    assert ("wanted", "1 us", "150 ns") in settings[0].cells() or (
        "asked",
        "1 us",
        "150 ns",
    ) in settings[0].cells()
    frames = [r for r in found.rows if r.table.startswith("Frames")]
    assert frames


def test_what_is_no_record_is_refused(html: str) -> None:
    with pytest.raises(CallError, match="not a record"):
        compare_records("<html></html>", html)


def test_the_command(tmp_path: Path, html: str) -> None:
    def run(*arguments: str) -> tuple[int, str]:
        out = io.StringIO()
        return main(["report", *arguments], Context(stdout=out, stderr=out)), out.getvalue()

    a, b = str(tmp_path / "a.html"), str(tmp_path / "b.html")
    Path(a).write_text(html)
    assert run("coolant_pump", "-o", b, "--set", "TIMING.DEAD_TIME=150 ns")[0] == 1
    status, said = run(a, b)
    assert status == 1
    assert "TIMING.DEAD_TIME  wanted: 1 us -> 150 ns" in said
    assert said.strip().endswith("2 fail now that did not before; first: deadtime.enough.high")
    assert run(a, a) == (0, "The records say the same.\n")
    assert run(a)[0] == 2
