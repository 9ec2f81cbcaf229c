"""Fault injection in the record: what was expected and measured, digests, what was not covered, whose evidence it is."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from regmap.campaign.load import Campaign, load_campaign
from regmap.campaign.results import plain
from regmap.campaign.run import run_campaign
from regmap.errors import FileError
from regmap.report import ReviewRecord, review
from regmap.stages.load import load_stage

HEAD = "gateword_campaign: 1\ncampaign: {name: pump_faults}\nstage: coolant_pump\n"


def results(folder: Path, body: str, spoil: Any = None) -> tuple[Campaign, Path]:
    (folder / "c.yaml").write_text(HEAD + body)
    campaign = load_campaign(folder / "c.yaml")
    lines = [plain(campaign, r) for r in run_campaign(campaign)]
    path = folder / "results.jsonl"
    path.write_text("".join(json.dumps(spoil(x) if spoil else x) + "\n" for x in lines))
    return campaign, path


def injection(stage: str, path: Path) -> tuple[str, tuple[str, ...]]:
    """The text of the section, and the findings that come from it."""
    record = review(load_stage(stage), campaign=path)
    html = record.html.partition('id="injection"')[2].partition("</section>")[0]
    text = unescape(re.sub(r"<[^>]+>", " ", html))
    own = tuple(f for f in record.findings if f.startswith("fault injection"))
    return re.sub(r"\s+", " ", text), own


def test_all_faults_of_a_stage(tmp_path: Path) -> None:
    campaign, path = results(tmp_path, "faults: all\n")
    text, findings = injection("coolant_pump", path)
    assert findings == ("fault injection: modes without a case: dry_run, sleep",)
    assert hashlib.sha256(path.read_bytes()).hexdigest() in text
    for digest in (campaign.digest, campaign.chip.digest, load_stage("coolant_pump").digest):
        assert digest in text
    assert "STATUS1.VDS_UH: 0x1, 0x1" in text
    assert "STATUS1 = 0x009" in text  # VDS_UH is bit 3 and ANY bit 0 of the map
    assert "no case in mode dry_run" in text, "the campaign is of the stage as stated"
    assert "proves nothing of silicon" in text
    for fault in campaign.chip.faults.values():
        assert fault.summary_of or f"{fault.name} [1]" in text


def test_what_fails_and_what_is_not_covered_is_a_finding(tmp_path: Path) -> None:
    body = "cases:\n  OT: {skip: no oven here}\n  OC_U: {expect: {STATUS2.OC_V: 1}}\n"
    _, path = results(tmp_path, body)
    text, findings = injection("coolant_pump", path)
    told = "\n".join(findings)
    assert "OC_U [1] fails" in told
    assert "cases without evidence: OT [1]" in told
    assert "faults without a case: " in told
    assert "VDS_UL" in told
    assert "no evidence: OT [1], no oven here" in text
    assert "STATUS2.OC_V: 0x1, 0x0" in text


@pytest.mark.parametrize(
    ("key", "said"), [("maps", "of another map"), ("stage", "of another stage")]
)
@pytest.mark.one_in(2)
def test_evidence_of_something_else_is_none(tmp_path: Path, key: str, said: str) -> None:
    def other(line: dict[str, Any]) -> dict[str, Any]:
        named = {"name": "other", "digest": "0" * 64, "invented": True}
        found = {**line["identity"], key: [named] if key == "maps" else named}
        return {**line, "identity": found}

    _, path = results(tmp_path, "faults: [OT]\n", other)
    _, findings = injection("coolant_pump", path)
    assert any(said in f for f in findings)


@pytest.mark.parametrize(
    ("content", "said"), [("", "no results"), ("{}\n", "no result"), ("\xff", "no result")]
)
def test_a_file_without_results_is_told(tmp_path: Path, content: str, said: str) -> None:
    path = tmp_path / "x.jsonl"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(FileError) as told:
        review(load_stage("coolant_pump"), campaign=path)
    assert said in str(told.value)


def test_the_section_says_when_nothing_was_injected(
    record_of: Callable[[str], ReviewRecord],
) -> None:
    html = record_of("coolant_pump").html
    assert "no fault has been injected into this stage" in html
