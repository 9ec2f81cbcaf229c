"""Doing things to a running twin: at a time, at an event, by text, over TCP."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from regmap.behaviour.plan import plan
from regmap.behaviour.settings import setting_registers
from regmap.errors import CallError
from regmap.frames.codec import bursts
from regmap.maps.load import load_map
from regmap.twin import Twin, parse_disturbance
from regmap.twin.adapter import Adapter
from regmap.twin.chain import TwinChain
from regmap.twin.control import STEPS, Control, Lines, check_step
from regmap.wire.tcp import SocketLine

PROGRAM = [sys.executable, "-m", "regmap.cli.main"]


def ask(twin: Twin, *requests: str) -> list[int]:
    """Send requests; the words read during each burst."""
    read: list[int] = []
    for planned in plan(twin.chip, requests, twin.machine.bank):
        read += twin.transfer(bursts(planned.sent.frame, planned.sent.word))
    return read


def controlled(name: str = "quoll16") -> tuple[Twin, Control]:
    twin = Twin(load_map(name))
    return twin, Control(twin, Adapter(twin.bus, [twin]))


# --- events ---------------------------------------------------------------------------------------
def test_at_the_nth_frame_counts_from_when_it_was_given() -> None:
    for number, text in ((7, "uv_supply at the 7th frame"), (3, "uv_supply at frame 3")):
        twin = Twin(load_map("quoll16"))
        ask(twin, "read:ID", "read:ID")
        twin.disturb(text)
        for count in range(1, 10):
            before = "UV_SUPPLY" in {e.text.partition(":")[0] for e in twin.events}
            ask(twin, "read:ID")
            twin.wait(0.001)
            after = "UV_SUPPLY" in {e.text.partition(":")[0] for e in twin.events}
            assert (before, after) == (count > number, count >= number)


def test_a_frame_that_is_lost_at_its_number() -> None:
    twin = Twin(load_map("quoll16"), disturbances=["lost_frames 100 % at the 3rd frame for 1 ns"])
    for _ in range(5):
        ask(twin, "read:ID")
    assert twin.accepted == 4
    assert [name for _, name in twin.bus.hurt] == ["lost_frames"]


def test_after_a_write_means_once_it_has_acted() -> None:
    register = next(r for r in setting_registers(load_map("quoll16")) if r.writable is not None)
    word = (register.reset ^ 1) & register.mask
    twin = Twin(load_map("quoll16"), disturbances=[f"reset after write {register.name}"])
    ask(twin, "read:ID", f"read:{register.name}")
    assert not [e for e in twin.events if e.kind == "power"]
    ask(twin, f"{register.name} = 0x{word:X}")
    twin.wait(0.001)
    assert [e.text for e in twin.events if e.kind == "power"] == ["reset"]
    assert twin.word(register.name) == register.reset
    ask(twin, f"{register.name} = 0x{word:X}")
    twin.wait(0.001)
    assert twin.word(register.name) == word, "one time only"


def test_between_write_and_verify() -> None:
    register = next(r for r in setting_registers(load_map("quoll16")) if r.writable is not None)
    word = (register.reset ^ 1) & register.mask
    for text in (
        "between write and verify",
        f"between write and verify of {register.name.lower()}",
    ):
        twin = Twin(load_map("quoll16"), disturbances=[f"no_power {text} for 1 us"])
        ask(twin, "read:ID")
        ask(twin, f"{register.name} = 0x{word:X}")
        twin.wait(0.001)
        assert twin.word(register.name) == register.reset


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("uv_supply after write GATEHS", "no register 'GATEHS' in the map; nearest: GATE_HS"),
        ("uv_supply at 3 ms after write", "a time and at an event"),
        ("uv_supply at frame 0", "the next one is frame 1"),
        ("uv_supply at frame 2 after read ID", "two events"),
        ("uv_supply after command NOPE", "no command 'NOPE'"),
    ],
)
def test_wrong_events_are_one_clear_message(text: str, message: str) -> None:
    with pytest.raises(CallError, match=message):
        parse_disturbance(text, load_map("quoll16"))


# --- steps ----------------------------------------------------------------------------------------
def test_every_step() -> None:
    twin, control = controlled()
    assert control.answer("disturb uv_supply") == "ok"
    twin.wait(0.001)
    assert control.answer("pin fault") == "low"
    assert control.answer("clear uv_supply") == "ok"
    assert "UV_SUPPLY" not in twin.machine.conditions
    assert control.answer("word ID") == f"0x{twin.word('ID'):03X}"
    assert control.answer("power off") == "ok"
    assert twin.receive(0, 16) is None
    assert control.answer("power on") == "ok"
    assert control.answer("brown-out 200 us") == "ok"
    twin.wait(0.001)
    assert [e.text for e in twin.events if e.kind == "power"] == [
        "the logic has lost its supply",
        "the supply is back; everything is as after power-up",
    ] * 2
    assert control.answer("pin enable low") == "ok"
    assert control.answer("pin enable") == "low"
    assert twin.enable is False
    assert re.fullmatch(r"\d+\.\d{9} s", control.answer("time"))


def test_clear_all_ends_everything_also_to_come() -> None:
    twin, control = controlled()
    for text in ("uv_supply at 3 ms", "dead_reply low", "vds_uh at the 2nd frame", "no_power"):
        assert control.answer(f"disturb {text}") == "ok"
    assert control.answer("clear all") == "ok"
    ask(twin, "read:ID", "read:ID", "read:ID")
    twin.wait(0.01)
    assert not twin.machine.conditions
    assert not twin.bus.disturbances
    assert ask(twin, "read:ID") != [0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("distrub uv_supply", "nearest: disturb"),
        ("disturb uvsuply", "nearest: UV_SUPPLY"),
        ("clear nothing", "no fault of the map"),
        ("power up", "expected on, off"),
        ("brown-out 3 V", "expected a time"),
        ("pin fault low", "tells its level"),
        ("word GATEHS", "nearest: GATE_HS"),
        ("disturb unplug", "on none"),
    ],
)
def test_what_is_wrong_is_the_answer(text: str, message: str) -> None:
    _, control = controlled()
    answer = control.answer(text)
    assert answer.startswith("error: ")
    assert message in answer


def test_a_chip_of_a_chain() -> None:
    chip = load_map("quokka16")
    chain = TwinChain([chip] * 3)
    control = Control(chain, Adapter(chain.bus, chain.cores))
    name = next(f.name for f in chip.faults.values() if f.severity == "stop" and not f.raised_by)
    assert control.answer(f"disturb 2: {name}") == "ok"
    chain.wait(0.01)
    assert [name in core.machine.conditions for core in chain.cores] == [False, False, True]


def test_lines_may_come_in_pieces_and_too_long() -> None:
    _, control = controlled()
    lines = Lines(control)
    assert lines.feed(b"pin fa") == b""
    assert lines.feed(b"ult\r\n\nword ID\npin ").startswith(b"high\n0x")
    assert lines.feed(b"x" * 5000) == b"error: a line of more than 4096 bytes\n"


# --- the command -----------------------------------------------------------------------------------
@pytest.fixture
def running() -> Iterator[tuple[str, str]]:
    """(port, control) of a twin in a process of its own, over TCP."""
    words = ["twin", "quoll16", "--tcp", "0", "--control", "0"]
    process = subprocess.Popen(
        [*PROGRAM, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    port = process.stdout.readline().strip()
    control = process.stdout.readline().strip().removeprefix("control ")
    yield port, control
    process.send_signal(signal.SIGTERM if os.name == "posix" else signal.SIGINT)
    _, error = process.communicate(timeout=10)
    assert "Traceback" not in error
    assert "loopback" in error


def gateword(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*PROGRAM, *words], capture_output=True, text=True, timeout=60, check=False
    )


def test_a_fault_is_put_into_a_running_twin_and_read_over_tcp(running: tuple[str, str]) -> None:
    port, control = running
    assert port.startswith("socket://127.0.0.1:")
    assert gateword("link", port, "identify", "quoll16").returncode == 0
    line = SocketLine(control)

    def told(text: str) -> str:
        line.write(text.encode() + b"\n")
        return line.read(5.0).decode().strip()

    assert told("disturb uv_supply for 1 ms") == "ok"
    done = gateword("link", port, "watch", "quoll16", "--count", "1", "--json")
    sample = json.loads(done.stdout.splitlines()[0])
    assert "UV_SUPPLY" in sample["raised"]
    assert told("pin fault") == "low"
    assert told("distrub x").startswith("error: ")
    line.close()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--tcp", "70000"], "expected a port number"),
        (["--tcp", "0", "--stdio"], "expected one of them"),
    ],
)
def test_wrong_use(words: list[str], message: str) -> None:
    done = gateword("twin", "quoll16", *words)
    assert done.returncode == 2
    assert message in done.stderr


def test_the_steps_are_those_that_the_text_tells() -> None:
    import regmap.twin.control

    told = regmap.twin.control.__doc__ or ""
    assert {s for s in STEPS if re.search(rf"^    {s}\b", told, re.MULTILINE)} == set(STEPS)
    assert Path(regmap.twin.control.__file__).exists()


@pytest.mark.parametrize("number", ["\u00b2", "9" * 5000])
def test_a_position_in_digits_that_are_no_number_is_refused_with_a_message(number: str) -> None:
    """Superscripts, and digits without end, are no position: once a traceback."""
    chip = load_map("quoll16")
    with pytest.raises(CallError):
        check_step(f"disturb {number}: vds_uh", chip)
    with pytest.raises(CallError):
        TwinChain([chip, chip]).disturb(f"{number}: vds_uh")
