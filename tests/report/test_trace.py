"""Requirements of a stage: the trace in the record, as CSV and as ReqIF, held against OMG's published schema."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest

from regmap.assessment.stage import assess
from regmap.errors import CallError
from regmap.report import ReviewRecord, review, trace_csv, trace_reqif
from regmap.report.trace import trace_rows
from regmap.stages.load import Stage, read_stage

ROOT = Path(__file__).parents[2]
REQUIREMENTS = """requirement:
  SYS-12:
    text: No shoot-through, at any temperature
    by: [TIMING.DEAD_TIME, deadtime.enough]
  SAF-3/a: {text: '<b>"loud"</b> & =1+1', by: vds.protects}
  SAF-4: {by: [bootstrap.droop, GATE_LS.HOLD, WATCHDOG.WINDOW]}
  SAF-5: {by: reaction.time.VDS_UH}
waive: {vds.protects: a fuse in each phase}
"""


def stage_with(text: str) -> tuple[Stage | None, list[Any]]:
    pump = (ROOT / "devices" / "coolant_pump.yaml").read_text()
    return read_stage(
        ROOT / "devices" / "traced.yaml", text=pump.replace("settings:", text + "settings:", 1)
    )


@pytest.fixture(scope="module")
def stage() -> Stage:
    made, problems = stage_with(REQUIREMENTS.replace(", WATCHDOG.WINDOW", ""))
    assert made is not None, problems
    return made


def test_each_requirement_leads_to_its_settings_verdicts_and_evidence(stage: Stage) -> None:
    result = assess(stage)
    rows = trace_rows(stage, result, [("TIMING", "held")])
    by = {}
    for row in rows:
        by.setdefault(row.requirement, []).append(row)
    assert list(by) == ["SYS-12", "SAF-3/a", "SAF-4", "SAF-5"]
    assert [r.item for r in by["SYS-12"]] == [
        "TIMING.DEAD_TIME",
        "deadtime.enough.high",
        "deadtime.enough.low",
    ]
    dead = by["SYS-12"][0]
    assert (dead.wanted, dead.chosen) == ("1 us", "1 us")
    assert "seen in the capture: held" in dead.evidence
    verdict = next(v for v in result.verdicts if v.check == "deadtime.enough.high")
    high = by["SYS-12"][1]
    assert (high.verdict, high.chosen) == ("holds", verdict.worst_value)
    assert high.wanted == f"at least {verdict.worst_limit}"
    assert {r.waived for r in by["SAF-3/a"]} == {"a fuse in each phase"}
    assert by["SAF-4"][1].verdict == "does not apply", "the chip has a charge pump, no bootstrap"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("requirement: {A-1: {by: TIMING.DEADTIME}}\n", "nearest: TIMING.DEAD_TIME"),
        ("requirement: {A-1: {by: STATUS1.OT}}\n", "holds no setting"),
        ("requirement: {A-1: {text: x}}\n", "by"),
        ("requirement: {'a b': {by: gate}}\n", "an identifier"),
        ("requirement: [A-1]\n", "requirements by identifier"),
    ],
)
def test_a_name_that_is_nothing_is_a_problem_at_its_line(text: str, says: str) -> None:
    made, problems = stage_with(text)
    assert made is None
    assert any(says in p.render(80) for p in problems)
    assert all(p.place.line > 1 for p in problems)


def test_a_check_that_is_none_is_refused_when_it_is_assessed() -> None:
    made, _ = stage_with("requirement: {A-1: {by: deadtime.enogh}}\n")
    assert made is not None
    with pytest.raises(CallError, match="unknown check"):
        assess(made)


def test_the_record_has_the_table_and_nothing_in_it_unescaped(record: ReviewRecord) -> None:
    html = record.html
    assert "Requirements, and what answers each" in html
    assert "&lt;b&gt;&quot;loud&quot;&lt;/b&gt; &amp; =1+1" in html
    assert "<b>&quot;loud" not in html


def test_csv_is_read_back_by_another_reader_and_runs_in_no_spreadsheet(stage: Stage) -> None:
    rows = trace_rows(stage, assess(stage))
    read = list(csv.DictReader(io.StringIO(trace_csv(rows), newline="")))
    assert [r["requirement"] for r in read] == [r.requirement for r in rows]
    assert [r["item"] for r in read] == [r.item for r in rows]
    assert not [c for r in read for c in r.values() if c[:1] in "=@" and c]
    assert {r["margin"][:1] for r in read if r["margin"]} <= {"+", "-", ">"}


@pytest.fixture(scope="module")
def record(stage: Stage) -> ReviewRecord:
    return review(stage)


@pytest.fixture(scope="module")
def reqif_text(record: ReviewRecord) -> str:
    rows = record.trace
    return trace_reqif(rows, title="t & <x>", comment='c "d"', tool="gateword")


def test_reqif_is_valid_by_the_published_schema(reqif_text: str, tmp_path: Path) -> None:
    """OMG's reqif.xsd (20110401), with its XHTML driver, as the reqif package carries it; read by a general XML Schema library."""
    import reqif
    import xmlschema

    path = tmp_path / "trace.reqif"
    path.write_text(reqif_text, encoding="utf-8")
    schema = xmlschema.XMLSchema(str(Path(reqif.__file__).parent / "reqif_schema" / "reqif.xsd"))
    schema.validate(str(path))
    broken = tmp_path / "broken.reqif"
    broken.write_text(
        reqif_text.replace("<SPEC-OBJECTS>", "<SPEC-OBJEKTS>", 1).replace(
            "</SPEC-OBJECTS>", "</SPEC-OBJEKTS>", 1
        )
    )
    assert not schema.is_valid(str(broken))


def test_reqif_says_to_another_reader_what_the_trace_says(
    reqif_text: str, record: ReviewRecord, tmp_path: Path
) -> None:
    """A general ReqIF library: objects, their texts, and each relation from an answer to its requirement."""
    from reqif.parser import ReqIFParser

    path = tmp_path / "trace.reqif"
    path.write_text(reqif_text, encoding="utf-8")
    content = ReqIFParser.parse(str(path)).core_content.req_if_content
    values = {o.identifier: [a.value for a in o.attributes] for o in content.spec_objects}
    rows = record.trace
    assert len(values) == len({r.requirement for r in rows}) + len(rows)
    assert ["SAF-3/a", '<b>"loud"</b> & =1+1', "waived"] in values.values()
    told = {(values[r.source][0], values[r.target][0]) for r in content.spec_relations}
    assert told == {(r.item, r.requirement) for r in rows}


def test_the_same_stage_gives_the_same_bytes(stage: Stage, reqif_text: str) -> None:
    assert (
        trace_reqif(review(stage).trace, title="t & <x>", comment='c "d"', tool="gateword")
        == reqif_text
    )


def test_the_command_writes_either_and_refuses_others(tmp_path: Path) -> None:
    from regmap.cli.context import Context
    from regmap.cli.main import main

    pump = (ROOT / "devices" / "coolant_pump.yaml").read_text()
    text = REQUIREMENTS.replace(", WATCHDOG.WINDOW", "")
    path = tmp_path / "p.yaml"
    path.write_text(pump.replace("settings:", text + "settings:", 1))

    def run(*arguments: str) -> tuple[int, str]:
        err = io.StringIO()
        status = main(["report", *arguments], Context(stdout=io.StringIO(), stderr=err))
        return status, err.getvalue()

    out = str(tmp_path / "p.html")
    for ending, begin in ((".reqif", "<?xml"),):
        status, said = run(str(path), "-o", out, "--trace", str(tmp_path / f"t{ending}"))
        assert status == 0, said
        assert (tmp_path / f"t{ending}").read_text().startswith(begin)
    Path(out).unlink()
    status, said = run(str(path), "-o", out, "--trace", str(tmp_path / "t.pdf"))
    assert (status, "neither .csv nor .reqif" in said) == (2, True)
    status, said = run("coolant_pump", "-o", out, "--trace", str(tmp_path / "x.csv"))
    assert (status, "names no requirement" in said) == (2, True)
    assert not Path(out).exists(), "what is refused leaves nothing half done"
    status, said = run(str(path), "-o", out, "--trace", str(path))
    assert status == 2
    assert path.read_text().startswith("#"), "an input is never written over"
