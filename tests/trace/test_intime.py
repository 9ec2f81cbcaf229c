"""What firmware does in time: pauses, poll gaps, services, reactions, early frames, each worked out with a pencil.

The exchanges are written out frame by frame with their times, so every figure is a difference of two times on the
page. That a status register must be polled in the period the safety concept states: common practice, no source.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from regmap.assessment.stage import assess, with_settings
from regmap.chip.model import Param
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.quantity import parse_band
from regmap.stages.load import Stage, load_stage
from regmap.trace.findings.figures import missed_figures
from regmap.trace.findings.intime import in_time
from regmap.trace.telling.story import tell

US = Fraction(1, 1_000_000)


def stage(**figures: str) -> Stage:
    """The coolant pump with other figures; "none" takes one away."""
    whole = load_stage("coolant_pump")
    params = dict(whole.params)
    for key, text in figures.items():
        name = key.replace("__", ".")
        params.pop(name, None)
        if text != "none":
            params[name] = Param(name=name, value=parse_band(text, "time"))
    return replace(whole, params=params)


def seconds(trace: Any, pause: Any) -> Fraction:
    return Fraction(trace.clock.seconds(pause.length))


def figures(trace: Any, wanted: Stage) -> list[str]:
    return [m.figure for m in missed_figures(trace, in_time(trace, wanted), wanted)]


def test_the_longest_pause_between_believable_readbacks(talk: Any, traced: Any) -> None:
    lines = talk("quoll16").read("MODE", 0).wait(2).read("MODE", 0).wait(5).read("MODE", 0)
    lines.wait(1).read("GATE_HS", 0)
    trace = traced(lines)
    [found] = in_time(trace)
    rows = {r.register: r for r in found.readbacks}
    assert seconds(trace, rows["MODE"].longest) == 5000 * US
    assert trace.clock.seconds(rows["MODE"].longest.start) == 2010 * US
    assert rows["MODE"].reads == 3
    assert seconds(trace, rows["MODE"].rest) == 1000 * US
    assert rows["GATE_HS"].longest is None
    assert rows["VDS"].reads == 0


def test_a_reply_that_cannot_be_believed_ends_no_pause(talk: Any, traced: Any) -> None:
    lines = talk("numbat24").read("BRIDGE", 0).wait(2).read("BRIDGE", 0).broken()
    lines.wait(5).read("BRIDGE", 0).wait(1).read("STATUS", 0)
    trace = traced(lines)
    [found] = in_time(trace)
    [row] = [r for r in found.readbacks if r.register == "BRIDGE"]
    # replies come with the next frame: the first at 2.01 ms, the third at 8.01 ms
    assert (row.reads, seconds(trace, row.longest)) == (2, 6000 * US)


def polled(talk: Any, *pauses: float) -> Any:
    """Both detail registers and the sum, after each pause in ms."""
    lines = talk("quoll16").read("STATUS1", 0).read("STATUS2", 0).read("STATUS3", 0)
    for pause in pauses:
        lines.wait(pause).read("STATUS1", 0).read("STATUS2", 0).read("STATUS3", 0)
    return lines


def test_a_poll_gap_against_the_stage(talk: Any, traced: Any) -> None:
    wanted = stage(poll__period="3 ms")
    assert "poll.period" not in figures(traced(polled(talk, 2.9, 2.9, 3.0)), wanted)
    late = traced(polled(talk, 2.9, 3.4, 2.9))
    story = tell(late, wanted)
    assert [m.figure for m in story.missed].count("poll.period") == 3
    [text] = [m.text for m in story.missed if m.text.startswith("STATUS3")]
    assert "for 3.4 ms from 2.95 ms on" in text
    assert "coolant_pump polls every 3 ms" in text
    assert "figures" in {s.name for s in story.stops}
    # the same where nobody says how often
    assert figures(late, stage(poll__period="none", safety__ftti="none")) == []


def test_polling_that_ends_is_a_gap_too(talk: Any, traced: Any) -> None:
    lines = polled(talk, 1.0, 1.0).wait(40)
    for _ in range(3):
        lines.read("GATE_HS", 0).broken()
    trace = traced(lines)
    found = missed_figures(trace, in_time(trace, stage()), stage())
    texts = [m.text for m in found if m.figure == "poll.period"]
    assert len(texts) == 3
    assert all("until the capture ends" in t for t in texts)


def test_a_status_bit_in_every_reply_is_a_poll(talk: Any, traced: Any) -> None:
    """Numbat-24 says in each reply that some VDS fault stands: reading anything polls VDS_FAULTS."""
    lines = talk("numbat24")
    for _ in range(10):
        lines.read("BRIDGE", 0).wait(1)
    lines.read("BRIDGE", 0)
    trace = traced(lines)
    [found] = in_time(trace)
    row = {p.register: p for p in found.polls}["VDS_FAULTS"]
    assert row.reads == 0
    assert row.told == 10
    assert seconds(trace, row.gap) <= 1010 * US


def test_readbacks_against_the_stage(talk: Any, traced: Any) -> None:
    lines = talk("quoll16")
    for _ in range(4):
        for register in (
            "MODE",
            "GATE_HS",
            "GATE_LS",
            "TIMING",
            "VDS",
            "SENSE",
            "SUPPLY",
            "WATCHDOG",
        ):
            lines.read(register, 0)
        lines.wait(10)
    trace = traced(lines)
    assert "readback.period" not in figures(trace, stage(readback__period="10.1 ms"))
    assert figures(trace, stage(readback__period="9 ms")).count("readback.period") == 8
    assert "readback.period" not in figures(trace, stage())


def served(talk: Any, *pauses: float) -> Any:
    wanted = load_stage("coolant_pump")
    lines = talk("quoll16").write("WATCHDOG", wanted.bank.words["WATCHDOG"])
    lines.read("WATCHDOG", wanted.bank.words["WATCHDOG"])
    for pause in pauses:
        lines.wait(pause).write("SERVICE", _key())
    return lines.read("STATUS1", 0)


def _key() -> int:
    from regmap.chip.bits import deposit
    from regmap.maps.load import load_map

    chip = load_map("quoll16")
    field = chip.field(chip.watchdog)
    assert field is not None
    code = next(e.code for m in field.meanings for e in m.entries.values() if e.code != field.reset)
    return deposit(code, field.bits)


def test_the_service_window_that_was_used(talk: Any, traced: Any) -> None:
    trace = traced(served(talk, 40, 45, 50))
    [found] = in_time(trace)
    assert found.service is not None
    assert (found.service.services, found.service.wrong_keys) == (3, 0)
    assert seconds(trace, found.service.longest) == 50_000 * US
    assert seconds(trace, found.service.shortest) == 45_000 * US
    band = found.service.window.band if found.service.window is not None else None
    assert band is not None
    assert band.typ == Fraction(60, 1000)
    assert "watchdog.service_period" in figures(trace, stage(watchdog__service_period="45 ms"))
    assert "watchdog.service_period" not in figures(
        trace, stage(watchdog__service_period="49.5 ms")
    )


def test_from_raised_to_read_to_cleared(talk: Any, traced: Any) -> None:
    """Told by the sum at 1.03 ms, read by name 2 ms later, cleared 0.5 ms after that."""
    lines = talk("quoll16").read("STATUS1", 0).read("STATUS3", 0).read("STATUS2", 0)
    chip = lines.chip
    vds = next(f for f in chip.faults.values() if f.name == "VDS_UL")
    total = next(f for f in chip.faults.values() if "VDS_UL" in f.summary_of)
    word = 1 << chip.field(vds.ref).bits[0]
    if total.register == vds.register:
        word |= 1 << chip.field(total.ref).bits[0]
    bits = [
        p.name
        for p in chip.default_frame().replies["any"].parts
        if p.kind == "status" and p.fault == total.name
    ]
    lines.wait(1).read("MODE", 0, *bits).wait(2).read(vds.register, word, *bits)
    lines.wait(0.5).write("SERVICE", _clearing(chip), *bits).read(vds.register, 0)
    trace = traced(lines)
    [found] = in_time(trace)
    [row] = [r for r in found.reactions if r.fault == "VDS_UL"]
    to = trace.clock.seconds
    if bits:
        assert to(row.told) == 1030 * US
        assert to(row.read - row.told) == 2000 * US
        assert to(row.clearing - row.told) == 2500 * US
    else:
        assert row.told == row.read
        assert to(row.clearing - row.told) == 500 * US


def _clearing(chip: Any) -> int:
    from regmap.behaviour.machine import match_of
    from regmap.chip.bits import deposit

    for text in chip.faults["VDS_UL"].cleared_by:
        if "=" in text:
            match = match_of(chip, text)
            field = chip.registers[match.register].fields
            name = text.partition("=")[0].strip().rpartition(".")[2]
            return deposit(1, next(f for f in field if f.name == name).bits)
    raise AssertionError("no clearing write")


def only_reporting(**figures: str) -> Stage:
    """The pump whose chip tells of a VDS fault and does nothing: the controller has to."""
    return with_settings(stage(**figures), {"MODE.VDS_ACT": "report"})


def controllers_part(wanted: Stage) -> Fraction:
    """What `reaction.time.VDS_UL` adds to the detection, at most: the controller's part and the actuator's."""
    (verdict,) = assess(wanted, names=["reaction.time.VDS_UL"]).verdicts
    assert verdict.value is not None
    parts = {v.symbol: v.high for v in verdict.value.tree() if v.symbol in ("t_ctl", "t_act")}
    return sum((Fraction(x) for x in parts.values()), Fraction(0))


@pytest.mark.parametrize("actuator", ["none", "8 / 10 / 12 ms"])
def test_a_reaction_is_held_to_what_the_check_computes(
    captures: Any, traced: Any, actuator: str
) -> None:
    """From the fault pin's edge to the reply that tells, then the parts of controller and actuator, as the check has them."""
    trace = traced((captures / "pump_short.vcd").read_bytes())
    after = controllers_part(only_reporting(actuator__reaction=actuator))
    assert float(after) == pytest.approx(100e-6 + (12e-3 if actuator != "none" else 0))
    (row,) = [r for r in in_time(trace)[0].reactions if r.fault == "VDS_UL"]
    told = Fraction(trace.clock.seconds(row.told - row.pin))
    assert told > 0
    for spare, late in ((US, False), (-US, True)):
        ftti = f"{float((told + after + spare) * 1_000_000):.6f} us"
        wanted = only_reporting(actuator__reaction=actuator, safety__ftti=ftti)
        found = [
            m.text
            for m in missed_figures(trace, in_time(trace, wanted), wanted)
            if m.figure == "safety.ftti"
        ]
        assert [t.startswith("VDS_UL was told") for t in found] == [True] * late
        assert all(("the actuator's 8 ms to 12 ms" in t) == (actuator != "none") for t in found)
        # the chip that acts by itself waits for nobody
        alone = stage(actuator__reaction=actuator, safety__ftti=ftti)
        assert "safety.ftti" not in figures(trace, alone)


PINNED = """$timescale 1us $end
$scope module bench $end
$var wire 1 ! sclk $end
$var wire 1 " ncs $end
$var wire 1 # mosi $end
$var wire 1 $ miso $end
$var wire 1 % enable $end
$upscope $end
$enddefinitions $end
"""


def pinned(chip: Any, rise: int, words: list[tuple[int, int, int | None]], end: int) -> str:
    """Frames (time in us, word, reply; None: floating) in mode 1 at 1 us a half clock, and the enable pin's edge."""
    moves: dict[int, list[str]] = {0: ["0!", '1"', "0#", "z$", "0%"], rise: ["1%"]}

    def at(time: int, text: str) -> None:
        moves.setdefault(time, []).append(text)

    length = chip.default_frame().length
    for start, word, reply in words:
        at(start, '0"')
        for place in range(length):
            bit = length - 1 - place
            edge = start + 2 + 2 * place
            at(edge, "1!")
            at(edge, f"{word >> bit & 1}#")
            at(edge, "z$" if reply is None else f"{reply >> bit & 1}$")
            at(edge + 1, "0!")
        at(start + 2 * length + 3, '1"')
        at(start + 2 * length + 3, "z$")
    body = "".join(f"#{t}\n" + "\n".join(v) + "\n" for t, v in sorted(moves.items()))
    return PINNED + body + f"#{end}\n"


def test_frames_before_enable_and_wake_up(talk: Any, traced: Any) -> None:
    lines = (
        talk("quoll16")
        .write("MODE", 0x20)
        .read("MODE", 0x20)
        .write("MODE", 0x20)
        .read("MODE", 0x20)
    )
    sent = [(s.word, r) for _, s, r in lines.frames]
    wake = lines.chip.spi.wake_up
    assert wake is not None
    rise = 400
    soon = rise + 20
    late = rise + int(wake.high / US) + 50
    words = [
        (100, sent[0][0], None), (200, sent[1][0], None), (soon, sent[2][0], None), (late, sent[3][0], sent[3][1]),
        (late + 100, sent[3][0], sent[3][1]),
    ]  # fmt: skip
    trace = traced(pinned(lines.chip, rise, words, late + 400))
    [found] = in_time(trace)
    early = {e.before: e for e in found.early}
    assert (early["enable"].frames, early["enable"].writes, early["enable"].first) == (2, 1, 0)
    assert (early["wake-up"].frames, early["wake-up"].first) == (1, 2)
    story = tell(trace)
    assert any("while the enable pin was inactive, 1 of them to write" in s for s in story.telling)
    assert "writes" in {s.name for s in story.stops}


def test_writes_before_the_unlock(talk: Any, traced: Any) -> None:
    lines = talk("quoll16").write("LOCK", _lock(talk)).read("STATUS2", 0).write("GATE_HS", 0x155)
    trace = traced(lines.read("STATUS1", 0))
    [found] = in_time(trace)
    if trace.walkers[0].belief.bank.states.get("locked"):
        [early] = [e for e in found.early if e.before == "unlock"]
        assert (early.writes, early.first) == (1, 2)


def _lock(talk: Any) -> int:
    chip = talk("quoll16").chip
    field = next(i for i in chip.with_role("lock") if hasattr(i, "bits"))
    word = 0
    for meaning in field.meanings:
        for name, entry in meaning.entries.items():
            if name == "locked":
                for place, bit in enumerate(sorted(field.bits)):
                    word |= (entry.code >> place & 1) << bit
    return word


# --- the tables -----------------------------------------------------------------------------------------
def run(*arguments: str) -> tuple[int, str]:
    out = io.StringIO()
    status = main(list(arguments), Context(stdout=out, stderr=io.StringIO(), environ={}))
    return status, out.getvalue()


@pytest.fixture(scope="module")
def short(captures: Path) -> str:
    return str(captures / "drum_short.vcd")


def test_the_table_of_fault_intervals(short: str) -> None:
    """As the timeline of the same capture says, frame by frame (tests/captures/drum_short.txt)."""
    _, text = run("capture", short, "--stage", "conveyor_drum", "--faults", "csv")
    rows = {r["fault"]: r for r in csv.DictReader(io.StringIO(text))}
    assert set(rows) == {"POR", "ANY", "SUM_VDS", "VDS_VH"}
    row = rows["VDS_VH"]
    assert (row["raised_frame"], row["first_clearing_frame"], row["gone_frame"]) == (
        "48",
        "50",
        "51",
    )
    assert float(row["raised_s"]) == pytest.approx(5.3453e-3)
    assert float(row["seen_for_s"]) == pytest.approx(20.175e-6)
    assert rows["POR"]["normal_at_power_up"] == "yes"
    assert float(rows["ANY"]["at_most_for_s"]) == pytest.approx(2.020175e-3)
    _, text = run("capture", short, "--stage", "conveyor_drum", "--faults", "text")
    assert text.splitlines()[0].split() == [
        "fault",
        "clear",
        "until",
        "raised",
        "by",
        "frame",
        "cleared",
        "by",
        "gone",
        "by",
        "at",
        "most",
    ]
    assert len(text.splitlines()) == 5


def test_the_table_of_times(short: str) -> None:
    _, text = run("capture", short, "--stage", "conveyor_drum", "--times", "csv")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert {r["what"] for r in rows} == {"readback", "poll", "service", "reaction"}
    [row] = [r for r in rows if (r["what"], r["name"]) == ("poll", "VDS_FAULTS")]
    assert float(row["longest_s"]) == pytest.approx(1e-3)
    assert (
        max(
            map(
                len,
                run("capture", short, "--stage", "conveyor_drum", "--times", "text")[
                    1
                ].splitlines(),
            )
        )
        <= 80
    )
    _, line = run("capture", short, "--stage", "conveyor_drum", "--summary", "--json")
    times = json.loads(line)["times"][0]
    assert {p["register"]: p["gap"]["length_s"] for p in times["polls"]}[
        "VDS_FAULTS"
    ] == pytest.approx(1e-3)
    assert [r["fault"] for r in times["reactions"]] == ["VDS_VH"]


def test_the_table_says_which_reaction_is_too_late(captures: Path, tmp_path: Path) -> None:
    """`capture --times`: the fault pin fell 2.60345 ms before VDS_UL was told; 100 us and 200..250 us follow."""
    source = (Path(__file__).parents[2] / "devices" / "coolant_pump.yaml").read_text("utf-8")
    text = source.partition("\nmodes:")[0].replace("VDS_ACT: latch", "VDS_ACT: report")
    told: dict[str, tuple[int, str]] = {}
    for ftti in ("2.95 ms", "2.96 ms"):
        stage_file = tmp_path / "pump.yaml"
        stage_file.write_text(
            text.replace(
                "safety.ftti: 200 ms", f"safety.ftti: {ftti}\nactuator.reaction: 200..250 us"
            )
        )
        status, table = run(
            "capture",
            str(captures / "pump_short.vcd"),
            "--stage",
            str(stage_file),
            "--times",
            "csv",
        )
        [row] = [r for r in csv.DictReader(io.StringIO(table)) if r["what"] == "reaction"]
        assert float(row["longest_s"]) == pytest.approx(2.60345e-3)
        assert row["wanted"] == "safety.ftti"
        told[ftti] = status, row["missed"]
    assert told["2.96 ms"][1] == ""
    status, late = told["2.95 ms"]
    assert status == 1
    assert (
        "the controller's 100 us and the actuator's 200 us to 250 us that is more than the 2.95 ms"
        in late
    )
