"""What a capture proves: replies beyond belief, writes that failed, order by time, pins, reasons to stop.

Each exchange is written out frame by frame (`Talk`); what must be said follows from how such chips are
specified: a reply with wrong check bits says nothing, a latched fault was raised between the last read that
showed it clear and the first that showed it raised. Common practice, no source.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from regmap.behaviour.faults import explain
from regmap.cli.capture import add_arguments
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.report.bus import bus_findings
from regmap.stages.load import load_stage
from regmap.trace.belief.against import against
from regmap.trace.telling.gate import STOPS
from regmap.trace.telling.story import tell

#: a chip of our own, so that words below stay what they are: parity, sums, latched faults, a lock, a watchdog
MAP = """
gateword_map: 1
chip: {name: sample16, title: A chip for tests (invented), invented: yes, source: none}
spi: {mode: 1, clock_max: 10 MHz}
frames:
  main:
    length: 16
    command:
      rw:      {bits: 15, holds: operation, codes: {write: 0, read: 1}}
      address: {bits: 14..11, holds: address}
      data:    {bits: 10..1, holds: data}
      parity:  {bits: 0, holds: parity, parity: odd}
    reply:
      after: 0
      parts:
        fault:   {bits: 15, holds: status, fault: ANY}
        reset:   {bits: 14, holds: status, fault: POR}
        rest:    {bits: 13..11, holds: fixed, value: 0b010}
        data:    {bits: 10..1, holds: data, on_write: old}
        parity:  {bits: 0, holds: parity, parity: odd}
registers:
  STATUS1:
    address: 0
    access: ro
    fields:
      ANY:    {bits: 9, summary: some fault}
      UV_SUPPLY:  {bits: 1, summary: supply}
      VDS_UH: {bits: 8, summary: VDS high side U}
  STATUS2:
    address: 1
    access: ro
    fields:
      POR:   {bits: 1, reset: 1, summary: reset}
      UV_PUMP: {bits: 5, summary: charge pump}
  SET:
    address: 2
    reset: 0x00F
    writable: not locked
    fields:
      A: {bits: 7..4, summary: one}
      B: {bits: 3..0, summary: other}
    reserved: {9..8: 0}
  LOCK:
    address: 3
    fields:
      KEY: {bits: 2..0, reset: 3, options: {3: open, 6: lock}}
  SERVE:
    address: 4
    access: wo
    fields:
      CLR: {bits: 0, access: sc}
      KEY: {bits: 7..4, role: watchdog.service, options: {0: none, 0b1010: serve}}
  WD:
    address: 5
    fields:
      ENABLE: {bits: 0, role: watchdog.enable, options: {0: "off", 1: "on"}}
      WINDOW: {bits: 1, role: watchdog.window, options: {0: 1 ms, 1: 10 ms}}
states:
  locked: {entered_by: [LOCK.KEY = lock], left_by: [LOCK.KEY = open, reset], summary: settings are locked}
watchdog: SERVE.KEY
faults:
  ANY: {at: STATUS1.ANY, title: Some fault, severity: stop, summary_of: [UV_SUPPLY, VDS_UH, UV_PUMP], cleared_by: [SERVE.CLR = 1]}
  UV_SUPPLY: {at: STATUS1.UV_SUPPLY, title: Supply undervoltage, severity: stop, cleared_by: [SERVE.CLR = 1]}
  UV_PUMP: {at: STATUS2.UV_PUMP, title: Charge pump undervoltage, severity: stop, cleared_by: [SERVE.CLR = 1], follows_from: [UV_SUPPLY]}
  VDS_UH: {at: STATUS1.VDS_UH, title: VDS fault, severity: stop, cleared_by: [SERVE.CLR = 1], follows_from: [UV_PUMP, UV_SUPPLY]}
  POR: {at: STATUS2.POR, title: Power-on reset, severity: warn, cleared_by: [SERVE.CLR = 1], normal_at_power_up: yes}
"""
ANY, VDS_UH, UV_SUPPLY, UV_PUMP, POR = 0x200, 0x100, 0x002, 0x020, 0x002
CLEAR = 1


@pytest.fixture(scope="module")
def chip(small_map: Any) -> Any:
    return small_map(MAP)


def run(*arguments: str) -> tuple[int, str]:
    out, err = io.StringIO(), io.StringIO()
    status = main(list(arguments), Context(stdout=out, stderr=err, environ={}))
    assert "Traceback" not in err.getvalue()
    return status, out.getvalue() + err.getvalue()


def capture(folder: Path, lines: Any, *options: str) -> tuple[int, str]:
    path = folder / "talk.txt"
    path.write_text(lines.text)
    return run("capture", str(path), "--map", lines.chip.files[-1], *options)


def stops(story: Any) -> set[str]:
    return {s.name for s in story.stops}


def said(story: Any, start: str) -> str:
    """The sentence that starts so, "" without one."""
    return next((s for s in story.telling if s.startswith(start)), "")


def brought_up(talk: Any, chip: Any) -> Any:
    lines = talk(chip).read("STATUS2", POR, "reset")
    return lines.write("SERVE", CLEAR, "reset").read("STATUS1", 0).read("STATUS2", 0)


# --- replies that cannot be believed ------------------------------------------------------------------
def polled(lines: Any, flip: int) -> Any:
    for _ in range(20):
        for register in ("STATUS1", "STATUS2", "SET"):
            lines.read(register, 0x00F if register == "SET" else 0)
            if flip:
                lines.broken(flip)
    return lines


def test_replies_with_wrong_check_bits_prove_nothing(
    talk: Any, traced: Any, chip: Any, tmp_path: Path
) -> None:
    lines = polled(talk(chip), 1)
    story = tell(traced(lines))
    assert (story.evidence.replies.good, story.evidence.replies.bad) == (0, 60)
    assert not any("No fault was seen" in s for s in story.telling)
    assert {"wiring", "replies", "unseen"} <= stops(story)
    assert story.faulty
    status, text = capture(tmp_path, lines, "--summary", "--json")
    assert status == 1
    assert json.loads(text)["evidence"]["replies"]["believed"] == 0
    assert json.loads(text)["faulty"] is True
    # the same talk with sound replies proves that these registers are quiet
    sound = tell(traced(polled(talk(chip), 0)))
    assert sound.evidence.replies.bad == 0
    assert said(sound, "No fault was seen in 60 frames")
    assert stops(sound) == set()


def test_nothing_is_held_where_no_reply_is_believed(talk: Any, traced: Any) -> None:
    stage = load_stage("coolant_pump")
    lines = talk("quoll16")
    for register in ("MODE", "GATE_HS", "VDS"):
        lines.write(register, stage.bank.words[register]).broken()
        lines.read(register, stage.bank.words[register]).broken()
    held = against(traced(lines), stage)
    assert not any(r.fine for r in held.rows)
    assert {r.verdict for r in held.rows} == {"written, not read back", "not seen"}
    story = tell(traced(lines), stage)
    assert story.held is not None
    assert not story.held.fine
    assert {"replies", "unseen"} <= stops(story)


def test_the_share_of_bad_replies_that_is_allowed(talk: Any, chip: Any, tmp_path: Path) -> None:
    lines = brought_up(talk, chip)
    for _ in range(95):
        lines.read("STATUS1", 0)
    lines.broken().read("STATUS1", 0)
    assert capture(tmp_path, lines, "--summary")[0] == 1
    assert capture(tmp_path, lines, "--summary", "--bad-replies", "2 %")[0] == 0
    assert capture(tmp_path, lines, "--summary", "--accept", "replies")[0] == 0
    status, text = capture(tmp_path, lines, "--accept", "replys")
    assert status == 2
    assert "nearest: replies" in text


# --- order of causes ----------------------------------------------------------------------------------
def test_two_faults_in_one_read_are_ordered_by_the_map(talk: Any, traced: Any, chip: Any) -> None:
    lines = talk(chip).read("STATUS1", 0).read("STATUS1", ANY | VDS_UH | UV_SUPPLY, "fault")
    story = tell(traced(lines))
    assert story.episodes[0].explanation.findings[0].fault.name == "UV_SUPPLY"
    assert story.telling[-1].startswith("UV_SUPPLY")
    # as explain says of the same word
    words = {"STATUS1": ANY | VDS_UH | UV_SUPPLY}
    assert [f.fault.name for f in explain(chip, words).findings] == ["UV_SUPPLY"]


def test_the_order_of_polling_decides_nothing(talk: Any, traced: Any, chip: Any) -> None:
    """STATUS2 is always read after STATUS1: what it shows first may have come first."""
    lines = talk(chip).read("STATUS1", 0).read("STATUS2", 0)
    lines.read("STATUS1", ANY | VDS_UH, "fault").read("STATUS2", UV_PUMP, "fault")
    [episode] = tell(traced(lines)).episodes
    assert episode.explanation.findings[0].fault.name == "UV_PUMP"


def test_disjoint_intervals_decide_against_the_map(talk: Any, traced: Any, chip: Any) -> None:
    lines = talk(chip).read("STATUS1", 0).read("STATUS1", ANY | VDS_UH, "fault")
    lines.read("STATUS2", 0, "fault").read("STATUS2", UV_PUMP, "fault")
    [episode] = tell(traced(lines)).episodes
    assert [f.fault.name for f in episode.explanation.findings] == ["VDS_UH", "UV_PUMP"]


def test_equal_faults_are_counted(talk: Any, traced: Any, chip: Any, tmp_path: Path) -> None:
    """Six times the same: first, last, number, total and longest duration."""
    lines = brought_up(talk, chip)
    for turn in range(6):
        lines.read("STATUS1", 0).read("STATUS1", ANY | VDS_UH, "fault")
        lines.wait(1.0 * (turn + 1)).write("SERVE", CLEAR, "fault").read("STATUS1", 0)
    story = tell(traced(lines))
    [found] = story.recurrences
    assert found.faults == ("VDS_UH", "ANY") or found.faults[0] == "VDS_UH"
    assert len(found.episodes) == 6
    # 1 to 6 ms until the clearing, and one frame of 10 us until it is seen
    assert (found.total, found.longest) == (21_060_000_000, 6_010_000_000)
    assert found.first < found.last
    [sentence] = [s for s in story.telling if s.startswith("VDS_UH")]
    assert "; 6 times, the last at 15.21 ms, 21.06 ms in all, 6.01 ms the longest" in sentence
    status, text = capture(tmp_path, lines, "--summary")
    assert status == 0
    assert text.count("VDS fault") == 3
    assert "6 times" in text
    assert capture(tmp_path, lines, "--summary", "--fail-on-fault")[0] == 1


# --- what became of writes ----------------------------------------------------------------------------
def test_a_refused_write_is_not_forgotten(talk: Any, traced: Any, chip: Any) -> None:
    lines = brought_up(talk, chip).write("SET", 3, shown=15).read("SET", 15).read("SET", 15)
    story = tell(traced(lines))
    assert not any("read back as written" in s for s in story.telling)
    assert said(story, "1 write refused (SET)")
    assert "writes" in stops(story)


def test_a_write_that_took_but_for_one_bit(talk: Any, traced: Any, notes: Any, chip: Any) -> None:
    lines = brought_up(talk, chip).write("SET", 0x0FF, shown=15).read("SET", 0x0FF)
    lines.write("SET", 0x000, shown=0x0FF).read("SET", 0x010)
    trace = traced(lines)
    [(_, text)] = notes(trace, "refused")
    assert text.endswith("refused in A alone")
    assert "a write refused" not in text
    assert said(tell(trace), "Refused in part: SET: A (frame 6)")


def test_a_reserved_bit_is_not_read_back_as_written(talk: Any, traced: Any, chip: Any) -> None:
    lines = brought_up(talk, chip).write("SET", 0x103, shown=15).read("SET", 0x003)
    story = tell(traced(lines))
    assert not any("read back as written" in s for s in story.telling)
    assert "as the map forbids: reserved bit 8" in said(story, "Frame 4 writes SET")
    assert "writes" in stops(story)


def test_registers_never_seen_are_not_held(talk: Any, traced: Any) -> None:
    stage = load_stage("coolant_pump")
    lines = talk("quoll16").read("STATUS1", 0).read("STATUS1", 0)
    story = tell(traced(lines), stage)
    assert story.held is not None
    assert {r.verdict for r in story.held.rows} == {"not seen"}
    assert not any(r.fine for r in story.held.rows)
    assert "unseen" in stops(story)
    assert not any(s.startswith("All ") for s in story.telling)


# --- replies of equal bits ----------------------------------------------------------------------------
def plain(chip: Any) -> Any:
    """The same chip without anything in its reply that a stuck line breaks."""
    frame = chip.frames["main"]
    layout = frame.replies["any"] if "any" in frame.replies else next(iter(frame.replies.values()))
    parts = tuple(
        replace(p, kind="ignored") if p.kind in ("fixed", "parity") else p for p in layout.parts
    )
    replies = {n: replace(layout, parts=parts) for n in frame.replies}
    return replace(chip, frames={"main": replace(frame, replies=replies)})


@pytest.mark.parametrize("level", [0, 1])
def test_a_line_that_dies_is_no_fault_where_the_layout_allows_it(
    level: int, talk: Any, traced: Any, chip: Any
) -> None:
    """No check bits, no fixed bits: all ones would be every fault, all zeros a chip that lost its word."""
    chip = plain(chip)
    lines = talk(chip).read("STATUS1", 0).read("STATUS2", 0).write("SET", 0x035, shown=15)
    lines.read("SET", 0x035)
    for _ in range(8):
        for register in ("SET", "STATUS1", "STATUS2"):
            word = lines.codec.read(chip.registers[register], lines.bank).word
            lines.raw(word, 0xFFFF * level)
    story = tell(traced(lines, chip))
    assert story.episodes == ()
    assert not any(s.startswith("The chip was reset") for s in story.telling)
    assert any(m.name == "dead" for m in story.diagnosis.mistakes)
    assert {"wiring", "replies"} <= stops(story)


def test_a_reset_flag_in_a_late_reply_keeps_a_state_just_entered(
    talk: Any, traced: Any, chip: Any
) -> None:
    frame = chip.frames["main"]
    late = replace(chip, frames={"main": replace(frame, after=1)})
    lines = talk(late).command("GO") if late.commands else talk(late)
    lines.write("LOCK", 6, "reset").read("STATUS1", 0, "reset").read("STATUS1", 0)
    trace = traced(lines, late)
    assert trace.walkers[0].belief.bank.states["locked"] is True


def test_status_read_after_the_clearing_is_not_the_state_of_the_fault(
    talk: Any, traced: Any, chip: Any
) -> None:
    lines = brought_up(talk, chip).read("STATUS1", ANY | VDS_UH, "fault")
    lines.write("SERVE", CLEAR, "fault").read("STATUS2", 0).read("STATUS1", 0)
    [episode] = tell(traced(lines)).episodes
    assert episode.explanation.unread == ("STATUS2",)


def test_evidence_cleared_before_it_was_read(talk: Any, traced: Any, notes: Any, chip: Any) -> None:
    """The reply's fault bit is set, and firmware clears without having read which one."""
    lines = brought_up(talk, chip).read("SET", 15, "fault").write("SERVE", CLEAR, "fault")
    lines.read("STATUS1", 0).read("STATUS2", 0)
    trace = traced(lines)
    assert [n for n, _ in notes(trace, "erased")] == [5]
    assert "STATUS1, STATUS2 before it was read" in notes(trace, "erased")[0][1]
    assert "unseen" in stops(tell(trace))
    read = brought_up(talk, chip).read("SET", 15, "fault").read("STATUS1", ANY | VDS_UH, "fault")
    read.write("SERVE", CLEAR, "fault").read("STATUS1", 0).read("STATUS2", 0)
    assert notes(traced(read), "erased") == []


# --- pins and the watchdog ----------------------------------------------------------------------------
def test_a_fault_pin_that_the_status_does_not_explain(verilog: Any, traced: Any) -> None:
    """The status stays quiet: the pin is a witness of its own."""
    vcd = verilog("wiring.v", "quoll16.v")
    code = vcd.code("nfault")
    head, changes = vcd.text.split("$enddefinitions $end\n")
    sound = traced(vcd)
    start, end = sound.start, sound.end
    frames = sound.walkers[0].log.times()
    fall, rise = int(frames[12]) - 300, int(frames[15]) + 300
    moved, time, out = [fall, rise], 0, []
    for line in changes.splitlines(keepends=True):
        if line.startswith("#"):
            time = int(line[1:])
            while moved and moved[0] <= time:
                out.append(f"#{moved[0]}\n{'0' if len(moved) == 2 else '1'}{code}\n")
                moved.pop(0)
        out.append(line)
    trace = traced(head + "$enddefinitions $end\n" + "".join(out))
    story = tell(trace)
    [span] = story.evidence.pulled
    assert (span.start, span.end, span.read) == (fall, rise, True)
    assert said(story, "The fault pin was active from")
    assert "pins" in stops(story)
    assert story.faulty
    assert start < fall < rise < end
    assert tell(sound).evidence.pulled == ()


def test_a_wrong_watchdog_key_is_no_service(talk: Any, traced: Any, notes: Any, chip: Any) -> None:
    lines = brought_up(talk, chip).write("WD", 0b11).read("WD", 0b11)
    for _ in range(3):
        lines.wait(6).write("SERVE", 0xA0)
    lines.wait(6).write("SERVE", 0x50).wait(6).write("SERVE", 0xA0)
    texts = [t for _, t in notes(traced(lines), "watchdog")]
    assert "a wrong key in SERVE.KEY: this is no service" in texts
    assert any("watchdog served too late: 12 ms" in t for t in texts)
    assert "watchdog" in stops(tell(traced(lines)))


# --- what is written ----------------------------------------------------------------------------------
def test_csv_has_one_row_a_frame(captures: Path) -> None:
    status, text = run("capture", str(captures / "pump_short.vcd"), "--map", "quoll16", "--csv")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert status == 0
    assert [int(r["number"]) for r in rows] == list(range(39))
    assert {r["what"] for r in rows} == {"read", "write"}


# --- exit status --------------------------------------------------------------------------------------
def test_exit_status(talk: Any, chip: Any, tmp_path: Path) -> None:
    fine = polled(brought_up(talk, chip), 0)
    assert capture(tmp_path, fine, "--summary") == (0, capture(tmp_path, fine, "--summary")[1])
    word = fine.codec.read(chip.registers["STATUS1"], fine.bank).word
    one = polled(brought_up(talk, chip), 0).raw(word ^ 1, 0)
    assert capture(tmp_path, one, "--summary")[0] == 1
    assert (
        capture(tmp_path, one, "--summary", "--accept", "rejected", "--accept", "replies")[0] == 0
    )


def test_every_reason_is_written_down(captures: Path) -> None:
    text = (captures / "README.md").read_text()
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    told = parser.format_help()
    assert all(f"`{name}`" in text for name in STOPS)
    assert all(name in told for name in STOPS if name != "faults")


@pytest.mark.parametrize(
    ("name", "options", "status"),
    [
        ("wrong_mode", ("--map", "quoll16"), 1),
        ("pump_dead_reply", ("--map", "quoll16"), 1),
        ("pump_brown_out", ("--map", "quoll16"), 1),
        ("pump_short", ("--map", "numbat24"), 1),
        # its firmware polls every 5 ms, the stage counts on 1 ms
        ("pump_short", ("--stage", "coolant_pump"), 1),
        ("pump_short", ("--stage", "coolant_pump", "--accept", "figures"), 0),
        ("pump_short", ("--stage", "coolant_pump", "--fail-on-fault"), 1),
        ("pump_short", ("--stage", "coolant_pump", "--at", "1 ms"), 1),
    ],
)
def test_exit_status_of_shipped_captures(
    name: str, options: tuple[str, ...], status: int, captures: Path
) -> None:
    assert run("capture", str(captures / f"{name}.vcd"), "--summary", *options)[0] == status


# --- who else reads from it ---------------------------------------------------------------------------
def test_diff_compares_nothing_with_a_wrongly_wired_capture(captures: Path) -> None:
    status, text = run("diff", "coolant_pump", str(captures / "wrong_mode.vcd"))
    assert status == 2
    assert "wrong SPI mode: the controller drives mode 0" in text.replace("\n", " ")
    assert "nothing in it can be compared" in " ".join(text.split())


def test_the_record_believes_no_broken_reply(talk: Any, tmp_path: Path) -> None:
    stage = load_stage("coolant_pump")
    lines = talk("quoll16")
    for register in ("MODE", "GATE_HS", "VDS"):
        for _ in range(3):
            lines.write(register, stage.bank.words[register]).broken()
            lines.read(register, stage.bank.words[register]).broken()
    path = tmp_path / "talk.txt"
    path.write_text(lines.text)
    found = bus_findings(stage, path)
    assert found.bad
    assert "registers hold what" not in str(found.html)
    assert "No fault was seen" not in str(found.html)
