"""What `gateword link` shows: a fault behind registers that reading clears, what to look at first, locks."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from dataclasses import replace
from typing import Any

import pytest

from regmap.behaviour.faults import Explanation
from regmap.cli.context import Context
from regmap.cli.watchview import View
from regmap.link.watch import Sample, watch
from regmap.testing import gateword_port  # noqa: F401
from regmap.wire.client import Lost
from regmap.wire.layout import Hello

needs_terminals = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
ERASED = "--clearing reads FLAGS, EVENTS, and so erases what they hold"


def shown(bench: Any, sample: Sample) -> tuple[str, list[str]]:
    view = View(Context(stdout=io.StringIO()), bench.chip, as_json=False)
    lines = view.lines(sample)[1:]
    return " ".join(" ".join(lines).split()), lines


def poll(bench: Any, **options: Any) -> tuple[str, list[str], Sample]:
    [sample] = watch(bench.link, count=1, **options)
    return *shown(bench, sample), sample


# --- a fault that nobody may look at ----------------------------------------------------------------
def test_an_active_pin_is_told_where_reading_would_clear(make_bench: Any) -> None:
    bench = make_bench("bilby32", disturbances=["vds_uh at 1 ms"])
    bench.twin.wait(0.01)
    text, _, sample = poll(bench)
    assert not sample.readings
    assert sample.pin_active
    assert (
        "no register was read, because reading clears FLAGS, EVENTS: no fault can be told" in text
    )
    assert "fault pin low (active)" in text
    assert "the fault pin is active" in text
    assert ERASED in text
    assert "no fault is raised" not in text


def test_without_a_fault_nothing_is_claimed_either(make_bench: Any) -> None:
    bench = make_bench("bilby32")
    text, _, sample = poll(bench)
    assert not sample.pin_active
    assert "no fault can be told" in text
    assert "fault pin high" in text
    assert "no fault is raised" not in text
    assert ERASED not in text


def test_an_active_pin_beside_quiet_registers_is_a_contradiction_that_is_told(
    make_bench: Any,
) -> None:
    bench = make_bench("quoll16")
    bench.link.write("SERVICE", 0x200)
    text, _, sample = poll(bench)
    assert text.endswith("no fault is raised in the registers read")
    active, _ = shown(bench, replace(sample, fault_pin=False))
    assert active.endswith("no fault is raised in the registers read, but the fault pin is active")
    part, _ = shown(bench, replace(sample, fault_pin=False, skipped=("STATUS3",)))
    assert "a fault is likely to stand in what was not read" in part
    assert "--clearing reads STATUS3, and so erases what it holds" in part
    none, _ = shown(bench, replace(sample, fault_pin=None, readings={}, explanation=Explanation()))
    assert "the map has no status register: no fault can be told" in none


# --- what to look at first --------------------------------------------------------------------------
def test_the_most_severe_fault_leads_and_what_is_normal_comes_last(make_bench: Any) -> None:
    bench = make_bench("bilby32", disturbances=["vds_uh at 1 ms"])
    bench.twin.wait(0.01)
    bench.twin.transfer([(0x12345, 17)])  # a warning too, whose name comes first in the alphabet
    text, lines, sample = poll(bench, clearing=True)
    assert [f.fault.name for f in sample.explanation.findings] == ["VDS_UH", "SPI", "POR"]
    assert sample.plain()["first_cause"] == ["VDS_UH", "SPI", "POR"]
    faults = bench.chip.faults
    assert f"look first at: {faults['VDS_UH'].check_first[0]}" in text
    assert f"then look at: {faults['SPI'].check_first[0]}" in text
    assert text.count("look first at") == 1
    assert faults["POR"].check_first[0] not in text
    assert any("POR: Power-on reset (normal after power-up)" in line for line in lines)


def test_a_warning_that_was_there_before_does_not_hide_a_stop(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    bench.link.write("SERVICE", 0x200)
    bench.twin.disturb("ot_warn")
    found = []
    for sample in watch(bench.link, period=0.1, count=2):
        found.append([f.fault.name for f in sample.explanation.findings])
        bench.twin.disturb("vds_vh for 1 ms")
        bench.twin.wait(0.01)
    assert found == [["OT_WARN"], ["VDS_VH", "OT_WARN"]]


def test_a_cause_still_leads_what_follows_from_it(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    chip = bench.chip
    name, cause = next(
        (f.name, c)
        for f in chip.faults.values()
        for c in f.follows_from
        if not (f.normal_at_power_up or f.summary_of or chip.faults[c].summary_of)
        and not chip.faults[c].follows_from
    )
    bench.link.write("SERVICE", 0x200)
    bench.twin.disturb(cause.lower())
    bench.twin.disturb(name.lower())
    bench.twin.wait(0.01)
    _, _, sample = poll(bench)
    roots = [f.fault.name for f in sample.explanation.findings]
    assert cause in roots
    assert name not in roots
    assert name in [f.name for f in sample.explanation.raised]


# --- locks ------------------------------------------------------------------------------------------
def test_a_refused_write_names_the_lock_that_shows_and_its_way_out(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    assert bench.link.write("LOCK", 0x04B).result == "verified"
    refused = bench.link.write("GATE_HS", 0x145)
    assert refused.result == "refused"
    assert refused.why == (
        "it reads 0x143; not as written: SOURCE (bits 0x6); GATE_HS is writable only while not "
        "locked, and STATUS2.LOCKED reads locked; to unlock: LOCK.KEY = open"
    )
    # the way that it names is one
    assert bench.link.write("LOCK", 0x0B4).result == "verified"
    assert bench.link.write("GATE_HS", 0x145).result == "verified"


def test_a_key_sequence_is_named_where_one_unlocks(make_bench: Any) -> None:
    bench = make_bench("numbat24")
    refused = bench.link.write("SRC_HS", 0x09)
    assert "SRC_HS is writable only while unlocked, and STATUS.LOCKED reads locked" in refused.why
    assert refused.why.endswith("to unlock: the key sequence unlock")
    assert bench.link.key("unlock").good
    assert bench.link.write("SRC_HS", 0x09).result == "verified"
    hidden = make_bench("bilby32").link.write("DRIVE", 0x41)
    assert hidden.why.endswith(
        "DRIVE is writable only while open; to unlock: the key sequence open_up"
    )


def test_a_condition_on_a_setting_is_named_as_the_map_states_it(make_bench: Any) -> None:
    bench = make_bench("wombat24")
    bench.twin.machine.bank.put(bench.chip.field("CONTROL.RUN"), 1)
    refused = bench.link.write("GATE", bench.twin.word("GATE") ^ 1)
    assert refused.result == "refused"
    assert "GATE is writable only while not running" in refused.why
    assert "running means CONTROL.RUN == on" in refused.why


def test_an_open_lock_is_not_blamed(make_bench: Any) -> None:
    """A chip that refuses although its own flag says open: a broken chip, or a wrong map."""
    bench = make_bench("quoll16")
    bench.link.read("GATE_HS")
    core = bench.twin
    write = core.machine.write

    def deaf(register: Any, word: int) -> Any:
        outcome = write(register, word)
        core.machine.bank.learn("GATE_HS", 0x143)
        return outcome

    core.machine.write = deaf
    refused = bench.link.write("GATE_HS", 0x145)
    assert refused.result == "refused"
    assert refused.why.endswith(
        "GATE_HS is writable only while not locked, and STATUS2.LOCKED reads open, so that is not the cause"
    )


# --- words ------------------------------------------------------------------------------------------
def test_one_attempt_is_one() -> None:
    assert str(Lost(Hello(), "no answer", 1)) == "hello lost after 1 attempt: no answer"
    assert str(Lost(Hello(), "no answer", 2)) == "hello lost after 2 attempts: no answer"


def gateword(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_only_what_is_required_is_called_required() -> None:
    done = gateword("link", "/dev/nowhere", "read")
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].endswith("the following arguments are required: MAP|STAGE")


@needs_terminals
def test_the_adapter_tells_its_clock_with_units(gateword_port: Any) -> None:  # noqa: F811
    done = gateword("link", gateword_port("quoll16"), "identify")
    assert done.returncode == 0, done.stderr
    assert "clock          1 Hz to 10 MHz" in done.stdout.splitlines()
    assert "ENABLE_PIN, FAULT_PIN" in done.stdout


@needs_terminals
def test_fail_on_fault_counts_the_pin(gateword_port: Any) -> None:  # noqa: F811
    port = gateword_port("bilby32", disturbances=["vds_uh at 1 us"])
    words = ("link", port, "watch", "bilby32", "--count", "1")
    assert gateword(*words).returncode == 0
    assert gateword(*words, "--fail-on-fault").returncode == 1
