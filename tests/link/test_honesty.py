"""After a failure: what is known, what is not, what is not repeated, and how to reach a safe state."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from regmap.cautions import FIRST_WRITE
from regmap.chip.bank import Bank
from regmap.errors import CallError, FileError, LinkError
from regmap.link import rules
from regmap.link.bringup import apply, identify, verify
from regmap.link.log import SessionLog
from regmap.link.look import look
from regmap.link.port import AdapterPort
from regmap.link.running import run_script
from regmap.link.script import read_script, words_for
from regmap.link.session import Link
from regmap.link.watch import watch
from regmap.maps.load import find_document, load_map, read_map
from regmap.stages.load import load_stage

#: GATEWORD_ALL=1 tries all that the suite tries in turn
ALL = os.environ.get("GATEWORD_ALL") == "1"


def cut(bench: Any, when: Callable[[bytes], bool], *, after: bool = False) -> None:
    """Take the port away at the first write of the host that `when` accepts, before or after it passes."""
    line = bench.line.line
    write = line.write

    def breaking(data: bytes) -> None:
        if when(data):
            if after:
                write(data)
            bench.line.line.write = write
            bench.port._open_line = gone
            raise LinkError("unplugged")
        write(data)

    def gone() -> Any:
        raise LinkError("no such port")

    line.write = breaking


# --- unplugged in mid-write ----------------------------------------------------------------------
@pytest.mark.parametrize("after", [False, True])
def test_unplugged_in_mid_write_leaves_both_words_possible(make_bench: Any, after: bool) -> None:
    bench = make_bench("quoll16")
    link = bench.link
    assert link.read("GATE_HS").word == 0x143
    bench.port.reconnect = 0.3
    cut(bench, lambda _data: True, after=after)
    written = link.write("GATE_HS", 0x123)
    assert written.result == "unknown"
    account = link.account()
    [item] = account.unknown
    assert item.register == "GATE_HS"
    assert item.candidates == (0x143, 0x123)
    assert bench.twin.word("GATE_HS") in item.candidates
    assert not any(h.register == "GATE_HS" for h in account.held)
    text = "\n".join(account.lines())
    assert "UNKNOWN GATE_HS" in text
    assert "it holds 0x143 or 0x123" in text
    assert "Remove the bridge supply" in text
    assert account.lines()[-1].startswith("  ")


def test_what_was_known_before_a_reconnect_is_not_taken_for_known_after(make_bench: Any) -> None:
    bench = make_bench("quoll16", restarts=True)
    link = bench.link
    link.write("VDS", 0x030)
    assert [h.register for h in link.account().held] == ["VDS"]
    line = bench.line.line
    write = line.write

    def once(_data: bytes) -> None:
        line.write = write
        raise LinkError("unplugged")

    line.write = once
    assert link.read("ID").good, "the port is found again and a harmless read is repeated"
    [item] = link.account().unknown
    assert item.register == "VDS"
    assert "the adapter was gone or restarted" in item.why
    assert item.candidates == (0x030, bench.chip.registers["VDS"].reset)
    assert link.read("VDS").good
    assert not link.account().unknown


def test_a_chip_that_was_reset_is_noticed(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    link = bench.link
    link.write("SERVICE", 0x200)
    link.write("VDS", 0x030)
    assert link.account().held
    bench.twin.disturb("reset")
    link.read("STATUS1")
    account = link.account()
    assert [u.register for u in account.unknown] == ["VDS"]
    assert any("power-on reset" in note for note in account.notes)


# --- nothing that acts twice is sent twice -----------------------------------------------------
def frames_of(bench: Any, kind: str, name: str) -> int:
    wanted = f"{kind} {name}"
    return sum(
        text.startswith(wanted)
        for event in bench.record
        if event["event"] in ("exchange", "lost")
        for text in event["asks"]
    )


def test_a_clear_on_read_register_is_read_once_and_its_loss_is_told(make_bench: Any) -> None:
    bench = make_bench("wombat24")
    bench.twin.disturb("dead_reply high")
    reading = bench.link.read("FAULT")
    assert reading.grade == "lost"
    assert "not repeated, for reading FAULT clears" in reading.why
    assert frames_of(bench, "read", "FAULT") == 1
    assert any("what FAULT held when it was read" in text for text in bench.link.account().losses)


def test_a_clear_on_read_value_is_kept_when_it_comes(make_bench: Any) -> None:
    bench = make_bench("bilby32", disturbances=["uv_supply at 0 ms for 1 us"])
    bench.twin.wait(0.001)
    held = bench.twin.word("FLAGS")
    reading = bench.link.read("FLAGS")
    assert reading.word == held
    assert reading.grade in ("good", "single")
    assert frames_of(bench, "read", "FLAGS") == 1


@pytest.mark.parametrize(
    ("name", "register", "word"), [("bilby32", "TRIM", 1), ("quoll16", "SERVICE", 0x200)]
)
def test_write_once_and_self_clearing_are_written_once(
    make_bench: Any, name: str, register: str, word: int
) -> None:
    bench = make_bench(name)
    bench.twin.disturb("dead_reply low")
    written = bench.link.write(register, word)
    assert written.result == "unknown"
    assert "not repeated, for" in written.why
    assert frames_of(bench, "write", register) == 1


def test_a_lost_key_sequence_is_not_repeated(make_bench: Any) -> None:
    bench = make_bench("numbat24", ["dead_reply high"])
    result = bench.link.key("unlock")
    assert result.result == "unknown"
    assert frames_of(bench, "write", "KEY") == 2
    assert any("key sequence unlock" in text for text in bench.link.account().losses)


def test_hazards_are_what_the_map_says() -> None:
    quoll, bilby, numbat = (load_map(n) for n in ("quoll16", "bilby32", "numbat24"))
    assert not rules.read_hazards(quoll, quoll.registers["STATUS1"])
    assert rules.read_hazards(bilby, bilby.registers["FLAGS"])
    assert not rules.write_hazards(quoll, quoll.registers["GATE_HS"], 0x123)
    assert not rules.write_hazards(quoll, quoll.registers["LOCK"], 0x6)
    assert rules.write_hazards(quoll, quoll.registers["SERVICE"], 0x200)
    assert rules.write_hazards(quoll, quoll.registers["SERVICE"], 0x00B)
    assert not rules.write_hazards(quoll, quoll.registers["SERVICE"], 0)
    assert rules.write_hazards(numbat, numbat.registers["KEY"], 0x5A)
    assert rules.write_hazards(numbat, numbat.registers["VDS_FAULTS"], 0x01)
    assert not rules.write_hazards(numbat, numbat.registers["VDS_FAULTS"], 0)
    assert rules.write_hazards(bilby, bilby.registers["EVENTS"], 0)
    assert rules.witness(quoll) == (quoll.registers["ID"], 0x161)
    assert rules.witness(load_map("wombat24")) is None


def test_a_frame_without_guard_makes_everything_doubtful_when_damaged(make_bench: Any) -> None:
    """A chip whose commands carry neither parity nor checksum: a damaged frame may hit any register."""
    chip = load_map("quoll16")
    frame = chip.frames["main"]
    parity = frame.command.parts[-1]
    bare = replace(
        frame,
        command=replace(
            frame.command,
            parts=(*frame.command.parts[:-1], replace(parity, kind="ignored", over=())),
        ),
    )
    bench = make_bench(replace(chip, frames={"main": bare}))
    link = bench.link
    link.write("VDS", 0x030)
    link.write("GATE_HS", 0x123)
    assert len(link.account().held) == 2
    bench.twin.disturb("bit_flips 100 % for 50 us")
    link.read("MODE")
    account = link.account()
    assert {u.register for u in account.unknown} == {"VDS", "GATE_HS"}
    assert any("any register may have been changed" in note for note in account.notes)


# --- bring-up --------------------------------------------------------------------------------------
def test_another_chip_is_not_written_to(make_bench: Any) -> None:
    bench = make_bench("quokka16")
    stage = load_stage("coolant_pump")
    link = Link(stage.chip, bench.port)
    done = apply(link, stage.bank)
    assert not done.ok
    assert done.stopped == (
        "nothing was written: ID reads 0x171; the map of quoll16 says 0x161: another chip, or another revision"
    )
    assert not done.steps
    assert not [e for e in bench.twin.events if e.kind == "refused"]
    assert bench.twin.word("GATE_HS") == 0x143


def test_a_dead_line_is_wiring_and_nothing_is_written(make_bench: Any) -> None:
    """Every trouble on each of three chips with GATEWORD_ALL=1, else on one of them in turn."""
    names = ("quoll16", "wombat24", "potoroo40")
    troubles = (
        "dead_reply low",
        "dead_reply high",
        "echo",
        "dead_clock",
        "no_power",
        "wrong_mode",
    )
    for number, trouble in enumerate(troubles):
        for name in names if ALL else names[number % 3 :][:1]:
            other = f" {load_map(name).spi.mode ^ 3}" if trouble == "wrong_mode" else ""
            bench = make_bench(name, [trouble + other])
            done = apply(bench.link, Bank.at_reset(bench.chip))
            assert not done.ok, (trouble, name)
            assert done.stopped.startswith("nothing was written"), (trouble, name, done.stopped)
            assert not any(e["event"] == "written" for e in bench.record)


def test_a_configured_chip_is_not_fresh_and_any_state_says_so(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    stage = load_stage("coolant_pump")
    assert apply(bench.link, stage.bank).ok
    again = apply(Link(stage.chip, bench.port), stage.bank)
    assert not again.ok
    assert "STATUS2.POR = 1" in again.stopped
    assert not any(s.sequence != "power_up" for s in again.steps)
    whole = apply(Link(stage.chip, bench.port), stage.bank, any_state=True)
    assert whole.ok
    assert any("the chip was not fresh from power-up" in text for text in whole.findings)
    assert {r.register: r.word for r in whole.found.readings}["GATE_HS"] == stage.bank.words[
        "GATE_HS"
    ]


def test_a_chip_in_another_layout_is_found(make_bench: Any) -> None:
    """wombat24 answers in 32 bits once its checksum is on; whoever comes later cannot know that."""
    bench = make_bench("wombat24")
    assert apply(bench.link, Bank.at_reset(bench.chip)).ok
    late = Link(bench.chip, bench.port)
    assert identify(late).ok
    assert late.read("GATE").word == bench.twin.word("GATE")


def test_a_bring_up_that_dies_says_how_far_it_came(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    stage = load_stage("coolant_pump")
    link = bench.link
    seen: list[str] = []

    def on_step(step: Any) -> None:
        seen.append(step.text)
        if step.text.startswith("GATE_LS"):
            bench.twin.disturb("no_power")

    done = apply(link, stage.bank, on_step=on_step)
    assert not done.ok
    assert "TIMING" in done.stopped
    text = "\n".join(done.account.lines())
    assert "configured in part" in text
    assert "UNKNOWN TIMING" in text
    assert "To reach a safe state:" in text


def test_verify_names_each_field_that_differs(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    stage = load_stage("coolant_pump")
    assert apply(bench.link, stage.bank).ok
    bench.twin.machine.bank.learn("TIMING", 0x365)
    wrong = [c for c in verify(Link(stage.chip, bench.port), stage.bank) if not c.ok]
    assert [c.register for c in wrong] == ["TIMING"]
    assert [str(change) for change in wrong[0].changes] == ["TIMING.FILTER: 2.2 us -> 1 us"]


# --- interrupts --------------------------------------------------------------------------------------
def test_an_interrupt_at_any_exchange_leaves_a_true_account_and_a_whole_record(
    make_bench: Any, tmp_path: Path
) -> None:
    stage = load_stage("coolant_pump")
    whole = make_bench(stage.chip)
    apply(whole.link, stage.bank)
    total = whole.port.transfers
    assert total > 40
    for number in range(1, total + 1, 2):
        bench = make_bench(stage.chip)
        path = tmp_path / f"{number}.jsonl"
        record = SessionLog(path, {"chip": stage.chip.name})
        link = Link(stage.chip, bench.port, log=record)
        self_transfer, count = bench.port.transfer, [0]

        def counted(
            bursts: Any, run: Any = self_transfer, count: Any = count, stop: int = number
        ) -> Any:
            count[0] += 1
            if count[0] == stop:
                if stop % 4 == 1:
                    run(bursts)
                raise KeyboardInterrupt
            return run(bursts)

        bench.port.transfer = counted
        with pytest.raises(KeyboardInterrupt), record:
            apply(link, stage.bank)
        events = [json.loads(line) for line in path.read_text().splitlines()]
        assert events[0]["event"] == "begin"
        assert events[-1]["event"] == "end"
        assert events[-1]["how"].startswith("KeyboardInterrupt")
        assert not list(tmp_path.glob("*.part"))
        account = link.account()
        for item in account.held:
            assert item.word == bench.twin.word(item.register), (number, item)
        for item in account.unknown:
            assert bench.twin.word(item.register) in item.candidates or not item.candidates


# --- watch and script ----------------------------------------------------------------------------------
def test_watch_reports_what_comes_and_goes(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    bench.link.write("SERVICE", 0x200)
    samples = []
    for sample in watch(bench.link, period=0.1, count=4):
        samples.append(sample)
        if sample.number == 1:
            bench.twin.disturb("vds_vh for 1 ms")
            bench.twin.wait(0.01)
        if sample.number == 3:
            bench.link.write("SERVICE", 0x200)
    assert [s.appeared for s in samples] == [(), ("VDS_VH",), (), ()]
    assert samples[3].gone == ("VDS_VH",)
    assert samples[1].fault_pin is False
    assert samples[3].fault_pin is True
    assert all(s.complete for s in samples)


def test_watch_leaves_evidence_alone_unless_told(make_bench: Any) -> None:
    bench = make_bench("bilby32", disturbances=["uv_supply for 1 ms"])
    bench.twin.wait(0.01)
    held = bench.twin.word("FLAGS")
    [sample] = watch(bench.link, count=1)
    assert "FLAGS" in sample.skipped
    assert bench.twin.word("FLAGS") == held
    [sample] = watch(bench.link, count=1, clearing=True)
    assert sample.readings["FLAGS"].word == held


def test_watch_sees_wiring_before_faults(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    bench.twin.disturb("dead_reply high")
    [sample] = watch(bench.link, count=1)
    assert not sample.complete
    assert not sample.explanation.raised


def test_script_runs_and_stops_at_the_first_that_does_not_hold(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    lines = read_script(
        "expect ID = 0x161\nwrite GATE_HS.SOURCE = 56 mA   # the rest is kept\nread GATE_HS\nwait 5 ms\n"
        "write VDS = 0x030\nverify\nexpect VDS.THRESHOLD = 215 mV\nwrite MODE = 1\n",
        bench.chip,
    )
    done = run_script(bench.link, lines)
    assert [d.ok for d in done] == [True] * 7 + [False], [d.detail for d in done]
    assert bench.twin.word("GATE_HS") == 0x143 & ~0x00F | 4
    assert bench.twin.word("MODE") == 0x02A


def test_script_problems_all_at_once_with_their_places() -> None:
    with pytest.raises(FileError) as caught:
        read_script(
            "reed ID\nexpect ID = zz\nwrite GATE_HS.SOURCE = 61 A\nwait 5 mV\nkey open\n",
            load_map("quoll16"),
            "stand.txt",
        )
    lines = [str(p) for p in caught.value.problems]
    assert [line.split(": ")[0] for line in lines] == [
        "stand.txt:1:1",
        "stand.txt:2:8",
        "stand.txt:3:7",
        "stand.txt:4:6",
        "stand.txt:5:5",
    ]
    assert "nearest: read" in lines[0]
    assert "no key 'open' in this map" in lines[4]


def test_fields_not_asked_for_are_kept(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    bench.twin.machine.bank.learn("GATE_HS", 0x155)
    assert words_for(bench.link, ["GATE_HS.HOLD = 430 mA"]) == [("GATE_HS", 0x355)]
    bench.twin.disturb("dead_reply low")
    fresh = Link(bench.chip, bench.port)
    with pytest.raises(
        CallError, match="GATE_HS is written as a whole, and what its other fields hold"
    ):
        words_for(fresh, ["GATE_HS.HOLD = 430 mA"])


def test_a_field_that_cannot_be_read_is_never_written_unasked(make_bench: Any) -> None:
    """SINK write-only, code 11 (240 mA) in bits 7..4: the next write says it again, or is refused."""
    text = find_document("quoll16").read_text(encoding="utf-8")
    sink = "      SINK:\n        bits: 7..4"
    chip, problems = read_map(
        "hidden.yaml", text=text.replace(sink, f"{sink}\n        access: wo", 1)
    )
    assert chip is not None, problems
    bench = make_bench(chip)
    [(name, word)] = words_for(bench.link, ["GATE_HS.SINK = 240 mA"])
    assert word == chip.registers["GATE_HS"].reset & ~0xF0 | 11 << 4
    done = bench.link.write(name, word)
    assert (done.result, bench.twin.word(name)) == ("verified", word)
    assert done.why == "GATE_HS.SINK cannot be read back, and travelled in the same frame"
    # known in this session, so it is written again; a session that does not know it asks
    assert words_for(bench.link, ["GATE_HS.SOURCE = 62 mA"])[0][1] & 0xF0 == 11 << 4
    with pytest.raises(
        CallError, match=r"what GATE_HS\.SINK holds cannot be read and was not written"
    ):
        words_for(Link(chip, bench.port), ["GATE_HS.SOURCE = 62 mA"])


def test_pages_are_selected_and_confirmed(make_bench: Any) -> None:
    bench = make_bench("potoroo40")
    bench.link.move_pages = True
    readings = {r.register: r for r in look(bench.link)}
    assert len(readings) > 4
    paged = [r for r in bench.chip.registers.values() if r.page is not None]
    assert len({r.page for r in paged}) > 1
    for register in paged:
        if register.name in readings:
            assert (
                readings[register.name].word == bench.twin.word(register.name) & register.read_mask
            )


def test_the_caution_says_what_must_be_said() -> None:
    for words in ("motor", "capacitors stay charged", "data sheet", "local codes", "licensed"):
        assert words in FIRST_WRITE


def test_wrong_set_up_is_refused_before_anything_is_opened() -> None:
    spi = load_map("numbat24").spi
    with pytest.raises(CallError, match="the chip takes 50000 Hz to 8000000 Hz"):
        AdapterPort(lambda: None, spi, clock_hz=9_000_000)  # type: ignore[arg-type,return-value]
    chip, problems = read_map("quoll16")
    assert chip is not None
    assert not problems


def test_doubt_on_top_of_doubt_keeps_every_word_that_is_possible(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    link = bench.link
    link.read("VDS")
    bench.twin.disturb("dead_reply low")
    assert link.write("VDS", 0x030).result == "unknown"
    assert link.write("VDS", 0x050).result == "unknown"
    [item] = link.account().unknown
    assert item.candidates == (0x0A0, 0x030, 0x050)
    assert bench.twin.word("VDS") in item.candidates
