"""The review record: whole, self-contained, the same every time, and nothing in it unescaped."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

import regmap
from regmap.assessment.fallback import fallback
from regmap.assessment.stage import assess, with_settings
from regmap.assessment.transition import transitions
from regmap.behaviour.settings import bring_up_sequence
from regmap.chip.bits import hexword
from regmap.frames.codec import Codec
from regmap.report import ReviewRecord, review
from regmap.report.page import Html, bar, page, safe, table, tag
from regmap.stages.load import Stage, load_stage

HOME = Path(regmap.__file__).parent.parent
ALL = os.environ.get("GATEWORD_ALL") == "1"
STAGES = ("coolant_pump", "conveyor_drum", "radiator_fan")
VOID = {"meta", "br"}


class Page(HTMLParser):
    """Reads a page strictly: every tag closed in order; collects text, links and anchors."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.hrefs: list[str] = []
        self.idents: list[str] = []
        self.tags: set[str] = set()
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, name: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(name)
        given = dict(attrs)
        assert not [a for a in given if a.startswith("on") or a == "src"]
        if given.get("href"):
            self.hrefs.append(str(given["href"]))
        if given.get("id"):
            self.idents.append(str(given["id"]))
        if name not in VOID:
            self.open.append(name)

    def handle_startendtag(self, name: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(name, attrs)
        if name not in VOID:
            self.open.pop()

    def handle_endtag(self, name: str) -> None:
        assert self.open, name
        assert self.open.pop() == name

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module", params=STAGES if ALL else STAGES[:1])
def stage(request: pytest.FixtureRequest) -> Stage:
    return load_stage(request.param)


@pytest.fixture(scope="module")
def html(stage: Stage, record_of: Callable[[str], ReviewRecord]) -> str:
    return record_of(stage.name).html


def test_it_is_one_file_without_script_or_outside_links(html: str) -> None:
    made = Page(html)
    assert all(h.startswith("#") for h in made.hrefs)
    assert {h[1:] for h in made.hrefs} <= set(made.idents)
    assert len(made.idents) == len(set(made.idents))
    assert not made.tags & {"script", "link", "iframe", "img", "object"}
    outside = re.findall(r"https?://[^\"' )]+", html)
    assert set(outside) <= {"http://www.w3.org/2000/svg"}
    assert "@import" not in html
    assert "url(" not in html


@pytest.mark.one_in(3)
def test_it_is_the_same_every_time_and_holds_no_place_of_this_machine(
    stage: Stage, html: str
) -> None:
    assert review(stage).html == html
    assert str(HOME) not in html
    assert not re.search(r"\b20\d\d-\d\d-\d\d\b", html)
    dated = review(stage, date="2031-05-04").html
    assert "2031-05-04" in dated
    assert dated != html


def test_every_verdict_is_there_with_inputs_origin_and_steps(stage: Stage, html: str) -> None:
    made = Page(html)
    text = made.text
    for verdict in assess(stage).verdicts:
        assert f"v-{verdict.check}" in made.idents
        for step in verdict.steps:
            assert " ".join(step.split()) in text
        for variable in verdict.inputs:
            assert variable.text() in text
            if variable.origin is not None:
                assert " ".join(variable.origin.origin.split()) in text


def test_every_setting_with_asked_chosen_and_place(stage: Stage, html: str) -> None:
    text = Page(html).text
    for setting in stage.settings:
        assert setting.name in text
        assert setting.origin in text
    assert "160 mA" in text


def test_frames_stand_in_write_order_with_their_words(stage: Stage, html: str) -> None:
    text = Page(html).text
    at = text.index("Frames in write order", text.index("Register words") + 1)
    codec = Codec(stage.chip)
    for action in bring_up_sequence(stage.chip, stage.bank):
        if action.sent is not None:
            shown = f"0x{action.sent.word:0{action.sent.bits // 4}X}"
            at = text.index(shown, at)
            assert codec.decode_command(int(shown, 16), stage.bank).kind == action.sent.kind


def test_digests_faults_waivers_known_frames_and_sign_off(stage: Stage, html: str) -> None:
    text = Page(html).text
    for needed in (
        stage.digest,
        stage.chip.digest,
        f"gateword {regmap.__version__}",
        *(["The stage waives no check."] if not stage.waive else stage.waive.values()),
        "No capture was given",
        "Prepared by",
        "Reviewed by",
        "Approved by",
        "do not replace",
        "invented",
    ):
        assert needed in text
    for fault in stage.chip.faults.values():
        assert fault.title in text
    assert text.count(" proven ") == len(stage.chip.known_frames)
    assert html.count("<svg") == 24


def test_what_fails_is_a_finding_and_is_ticked_off(
    record_of: Callable[[str], ReviewRecord],
) -> None:
    stage = with_settings(
        load_stage("coolant_pump"), {"TIMING.DEAD_TIME": "600 ns", "SENSE.OC_EN": "off"}
    )
    record = review(stage)
    assert not record.clean
    assert any(f.startswith("deadtime.enough.high fails") for f in record.findings)
    text = Page(record.html).text
    assert "MASKED by" in text
    assert record.findings[0].split(":")[0] in text
    # the digest is the file's: what was laid over it stands beside the digest
    assert f"{stage.digest} with TIMING.DEAD_TIME = 600 ns, SENSE.OC_EN = off and no other" in text
    assert record_of("coolant_pump").clean


def test_a_waiver_is_shown_with_its_reason(tmp_path: Path) -> None:
    text = (HOME / "devices" / "coolant_pump.yaml").read_text()
    shutil.copy(HOME / "devices" / "quoll16.yaml", tmp_path / "quoll16.yaml")
    path = tmp_path / "stage.yaml"
    path.write_text(
        text + "waive:\n  undervoltage.crank: the pump <stands> still while the engine starts\n"
    )
    made = review(load_stage(path)).html
    assert "the pump &lt;stands&gt; still while the engine starts" in made
    assert "Waived: undervoltage.crank" in Page(made).text


def test_foreign_text_is_escaped(tmp_path: Path) -> None:
    text = (HOME / "devices" / "coolant_pump.yaml").read_text()
    path = tmp_path / "stage.yaml"
    path.write_text(
        text.replace(
            "title: Coolant pump inverter, 12 V, 30 A (invented)",
            "title: '<script>alert(1)</script> & \"x\"'",
        )
    )
    made = review(load_stage(path), date="<b>").html
    assert "<script" not in made
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &quot;x&quot;" in made
    assert "&lt;b&gt;" in made


def test_unfolded_for_paper(record_of: Callable[[str], ReviewRecord]) -> None:
    stage = load_stage("coolant_pump")
    opened = review(stage, unfold=True).html
    assert opened.count("<details") == opened.count(" open>") > 80
    assert " open>" not in record_of("coolant_pump").html


def test_a_capture_that_agrees_and_one_that_shows_a_fault() -> None:
    stage = load_stage("conveyor_drum")
    good = review(stage, HOME / "captures" / "drum_bring_up.vcd")
    assert good.clean
    assert "registers hold what conveyor_drum says" in Page(good.html).text
    bad = review(stage, HOME / "captures" / "drum_short.vcd")
    assert not bad.clean
    assert any("VDS_VH" in f for f in bad.findings)
    assert "Look first at" in Page(bad.html).text
    assert "drum_short.vcd" in bad.html
    assert str(HOME) not in bad.html


def test_a_capture_of_other_settings_names_the_fields() -> None:
    stage = with_settings(load_stage("conveyor_drum"), {"DEADTIME.TIME": "1 us"})
    record = review(stage, HOME / "captures" / "drum_bring_up.vcd")
    text = Page(record.html).text
    assert "DEADTIME.TIME: 920 ns -> 1 us" in text
    assert not record.clean


# --- the kit --------------------------------------------------------------------------------------
def test_kit_escapes_all_but_markup() -> None:
    assert safe("a < b & c") == "a &lt; b &amp; c"
    assert safe(Html("<b>")) == "<b>"
    assert (
        tag("p", "<", tag("b", ">"), cls="x", title='"')
        == '<p class="x" title="&quot;">&lt;<b>&gt;</b></p>'
    )
    made = table(["<h>"], [["<c>", "class=dim"]], caption="<k>", right=[0])
    assert "&lt;h&gt;" in made
    assert '<tr class="dim"><td class="n" data-head="&lt;h&gt;">&lt;c&gt;</td></tr>' in made


def test_bars_point_the_right_way_and_are_clipped() -> None:
    assert "left:50.0%;width:12.5%" in bar(0.25)
    assert "left:37.5%;width:12.5%" in bar(-0.25)
    assert "width:50.0%" in bar(7.0)
    assert "left:0.0%;width:50.0%" in bar(-7.0)


def test_a_page_is_well_formed() -> None:
    made = Page(page("<t>", [("a", "A & B")], tag("section", "x", id="a")))
    assert made.hrefs == ["#main", "#a"]  # the way past the contents, then the contents
    assert "A & B" in made.text


def test_the_record_names_the_source_of_each_formula(
    record_of: Callable[[str], ReviewRecord],
) -> None:
    from regmap.calc.corner import FORMULAS

    text = " ".join(Page(record_of("coolant_pump").html).words)
    stage = load_stage("coolant_pump")
    used = {
        v.formula.name
        for verdict in assess(stage).verdicts
        for v in verdict.variables()
        if v.formula is not None
    }
    assert len(used) > 40
    for name in used:
        assert " ".join(FORMULAS[name].source.split()) in " ".join(text.split()), name


def test_every_table_says_what_it_is_and_every_head_what_it_heads(
    record_of: Callable[[str], ReviewRecord],
) -> None:
    text = record_of("coolant_pump").html
    assert text.count("<table") == text.count("<caption>") > 50
    assert text.count("<th") - text.count("<thead") == text.count(' scope="col"')
    assert "<th></th>" not in text
    assert "prefers-color-scheme: dark" in text


def test_the_capture_is_named_by_its_digest() -> None:
    path = HOME / "captures" / "drum_bring_up.vcd"
    text = review(load_stage("conveyor_drum"), path).html
    assert hashlib.sha256(path.read_bytes()).hexdigest() in text


def test_modes_their_ways_and_what_follows_on_faults_are_told(tmp_path: Path) -> None:
    """Findings of modes stand at the head; every frame of every way, every fault in every mode in the body."""
    modes = """
modes:
  limp:
    title: half the current
    after: [OT_WARN, OV_SUPPLY, controller]
    within: 5 us
    settings: {SENSE.OC_TH: 18 mV, VDS.THRESHOLD: 300 mV}
"""
    path = tmp_path / "coolant_pump.yaml"
    path.write_text((HOME / "devices" / path.name).read_text().partition("\nmodes:")[0] + modes)
    stage = load_stage(path)
    record = review(stage)
    page_read = Page(record.html)
    text = " ".join(" ".join(page_read.words).split())
    assert "modes" in page_read.idents
    assert "half the current" in text
    ways = transitions(stage)
    for way in ways:
        assert f"Frames from {way.source} to {way.target}" in text
        for action in way.actions:
            assert action.sent is not None
            assert hexword(action.sent.word, 16) in text
    for row in fallback(stage, ways):
        assert row.alone in text
        assert all(gap in text for gap in row.gaps)
    told = "\n".join(record.findings)
    assert "as stated to limp: frames from as stated to limp" in told
    assert "SPI_ERR in limp: the controller must act" in told
    assert not record.clean


def test_another_board_stands_beside_the_stage(tmp_path: Path) -> None:
    """What it sets and states otherwise, each check in the worst mode of both; what fails there is a finding of the record."""
    text = (HOME / "devices" / "coolant_pump.yaml").read_text()
    for old, new in (
        ("name: coolant_pump", "name: far_board"),
        ("DEAD_TIME: 1 us", "DEAD_TIME: 200 ns"),
        ("after: [OT_WARN, ", "after: ["),
    ):
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "far_board.yaml").write_text(text)
    far = load_stage(tmp_path / "far_board.yaml")
    stage, second = load_stage("coolant_pump"), load_stage("pump_second_source")
    fine = review(stage, variants=[second])
    assert fine.clean, fine.findings
    page_read = Page(fine.html)
    told = " ".join(" ".join(page_read.words).split())
    assert "variants" in page_read.idents
    assert "What pump_second_source has otherwise" in told
    for name in {
        n
        for n in {*stage.params, *second.params}
        if stage.params.get(n)
        and second.params.get(n)
        and stage.params[n].value != second.params[n].value
    }:
        assert f"{stage.params[name].value}" in told, name
        assert f"{second.params[name].value}" in told, name
    assert all(v.check in told for v in assess(second).verdicts)
    bad = review(stage, variants=[second, far])
    words = "\n".join(bad.findings)
    failing = {
        v.check
        for m in (far, *far.modes.values())
        for v in assess(m).verdicts
        if v.status == "fails"
    }
    assert failing
    assert all(check in words for check in failing)
    assert "2 faults in a mode with nothing settled that follows" in words
    assert "200 ns" in " ".join(Page(bad.html).words)


def test_the_record_shows_the_period_at_each_duty_and_for_both_directions(
    record_of: Callable[[str], ReviewRecord],
) -> None:
    text = record_of("coolant_pump").html
    for side in ("high", "low"):
        for duty in ("lowest", "middle", "highest"):
            for way in ("out of", "into"):
                title = rf"One PWM period, {side} side, {duty} duty \(\d+ %\) of the high side, current {way} the bridge"
                assert len(re.findall(f"<title>{title}</title>", text)) == 1
        # and in words, for who cannot see it
        assert f"PWM period of the {side} side, from the input edge on" in text
    assert "current off, limit dead time over" in text
