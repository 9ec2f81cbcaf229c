"""What makes a reading believed: that it depends on the question, or meets a declared identity."""

from __future__ import annotations

import os
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from regmap.behaviour.effects import compare
from regmap.behaviour.machine import as_read
from regmap.behaviour.settings import setting_registers
from regmap.chip.model import Chip
from regmap.link import rules
from regmap.link.bringup import identify, verify
from regmap.link.look import look
from regmap.link.session import Link
from regmap.maps.load import bundled


def maps() -> list[str]:
    return [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]


def in_another_layout(chip: Chip, bank: Any) -> list[tuple[str, int]]:
    """The fields that the conditions of frames name, each with a code that it does not have."""
    names = {n for f in chip.frames.values() if f.when is not None for n in f.when.names()}
    fields = [f for n in sorted(names) if (f := chip.field(n)) is not None]
    return [(f.ref, (bank.field_code(f) or 0) ^ 1) for f in fields]


def truth(bench: Any, name: str) -> int:
    return as_read(bench.chip, bench.chip.registers[name], bench.twin.machine.bank.words)


def believed(bench: Any, link: Link) -> int:
    """Read everything harmless twice; how many were good, none of them wrong."""
    good = 0
    for _ in range(2):
        for reading in look(link):
            if reading.good:
                assert reading.word == truth(bench, reading.register), reading
                good += 1
    return good


@pytest.mark.parametrize("rejected", ["zero", "previous"])
def test_the_layout_is_searched_while_no_reading_is_proven(make_bench: Any, rejected: str) -> None:
    """A chip that was configured into another layout answers the old one with constants in good form."""
    name = "wombat24"
    bench = make_bench(name, rejected=rejected)
    changes = in_another_layout(bench.chip, bench.twin.machine.bank)
    assert changes
    for ref, code in changes:
        bench.twin.machine.bank.put(bench.chip.field(ref), code)
    for _ in range(3):
        late = Link(bench.chip, bench.port)
        assert identify(late).ok
        good = believed(bench, late)
        assert good == 2 * len(look(late))


@pytest.mark.parametrize("name", maps())
@pytest.mark.parametrize("rejected", ["zero", "previous"])
@pytest.mark.one_in(4)
def test_a_constant_answer_proves_nothing(make_bench: Any, name: str, rejected: str) -> None:
    """Whatever answers always the same, in the best form, is believed in nothing."""
    first = make_bench(name, rejected=rejected)
    asked = rules.filler(first.chip)
    assert asked is not None
    words: list[int] = []
    receive = first.twin.receive
    first.twin.receive = lambda value, bits: words.append(receive(value, bits) or 0) or words[-1]
    assert first.link.read(asked.name).good
    for constant in sorted(set(words)):
        bench = make_bench(name, rejected=rejected)
        bench.twin.receive = lambda _value, _bits, constant=constant: constant
        for register in bench.chip.registers.values():
            if not register.readable or rules.read_hazards(bench.chip, register):
                continue
            reading = bench.link.read(register.name)
            witness = rules.witness(bench.chip)
            if witness is not None and register is witness[0] and reading.good:
                assert reading.word == witness[1]
                continue
            assert not reading.good, (hex(constant), reading)
            assert reading.why


@pytest.mark.parametrize("name", maps())
@pytest.mark.parametrize("level", ["low", "high"])
@pytest.mark.one_in(4)
def test_a_stuck_command_line_is_no_proof(make_bench: Any, name: str, level: str) -> None:
    """The chip then is asked one and the same question all the time, and answers it well."""
    bench = make_bench(name, [f"dead_command {level}"])
    believed(bench, bench.link)


def windows(bench: Any, act: Any) -> tuple[int, list[int]]:
    """How many frames `act` takes undisturbed, and lengths in ns from one frame to all of them."""
    starts: list[int] = []
    begin_burst = bench.twin.begin_burst

    def noted() -> None:
        if not bench.twin._pieces:
            starts.append(bench.twin.now)
        begin_burst()

    bench.twin.begin_burst = noted
    act(bench)
    bench.twin.begin_burst = begin_burst
    steps = [b - a for a, b in pairwise(starts)]
    return len(starts), [sum(steps[:n]) + steps[0] // 2 for n in range(len(steps) + 1)]


@pytest.mark.parametrize(
    ("name", "what"),
    [
        (name, what)
        for name in maps()
        for what in ("dead_command low", "dead_command high", "dead_reply low", "echo")
    ]
    if os.environ.get("GATEWORD_ALL_POINTS")
    else [
        ("wombat24", "dead_command high"),
        ("quokka16", "dead_command low"),
        ("quokka16", "dead_command high"),
    ],
)
@pytest.mark.one_in(3)
def test_a_disturbance_over_any_row_of_frames_makes_nothing_false_believed(
    make_bench: Any, name: str, what: str
) -> None:
    """Evidence must stand in the same time as what it proves: a line stuck over every repeat and over
    nothing else leaves the proof behind them intact."""
    chip = make_bench(name).chip
    register = next(
        r
        for r in setting_registers(chip)
        if rules.readback(chip, r, 0, 0) is not None
        and r.page is None
        and not any(f.access == "once" or f.role == "lock" for f in r.fields)
    )
    word = register.reset ^ (register.settings & -register.settings)
    for act in (lambda b: b.link.read(register.name), lambda b: b.link.write(register.name, word)):
        frames, lengths = windows(make_bench(name), act)
        for begin in range(1, frames + 1):
            for length in lengths[: frames + 1 - begin]:
                bench = make_bench(name)
                bench.twin.disturb(f"{what} at frame {begin} for {length} ns")
                held = {truth(bench, register.name), register.shown(word)}
                done = act(bench)
                seen = done.word if hasattr(done, "grade") else done.holds
                good = done.grade == "good" if hasattr(done, "grade") else True
                assert not good or seen is None or seen in held, (begin, length, done)
                if getattr(done, "result", "") == "verified":
                    assert truth(bench, register.name) == register.shown(word), (begin, length)


def test_a_register_that_holds_what_the_probe_holds_is_believed_by_a_third(make_bench: Any) -> None:
    bench = make_bench("wombat24")
    probe = rules.filler(bench.chip)
    assert probe is not None
    [other, *_] = [
        r
        for r in setting_registers(bench.chip)
        if r is not probe and r.mask == probe.mask and r.reads_as == "written"
    ] or [None]
    if other is None:
        pytest.skip("no two registers of this map can hold the same word")
    bench.twin.machine.bank.learn(other.name, bench.twin.word(probe.name) & other.mask)
    reading = bench.link.read(other.name)
    assert reading.good
    assert reading.word == bench.twin.word(other.name)


# --- pages ---------------------------------------------------------------------------------------
def pages(bench: Any) -> list[str]:
    """The page words that were written, as the log tells."""
    pager = bench.chip.page_select.partition(".")[0]
    return [
        text
        for event in bench.record
        if event["event"] == "exchange"
        for text in event["asks"]
        if text.startswith(f"write {pager}")
    ]


@pytest.mark.parametrize("start", [0, 1, 2])
def test_reading_writes_no_page_unasked(make_bench: Any, start: int) -> None:
    bench = make_bench("potoroo40")
    chip = bench.chip
    select = chip.field(chip.page_select)
    assert select is not None
    bench.twin.machine.bank.put(select, start)
    link = Link(chip, bench.port, log=bench.record.append)
    readings = {r.register: r for r in look(link)}
    assert not pages(bench)
    assert bench.twin.machine.bank.field_code(select) == start
    for register in chip.registers.values():
        if register.name in readings:
            assert readings[register.name].good
            assert register.page in (None, start)
        elif register.page not in (None, start):
            assert chip.page_select in link.unreachable(register)
            reading = link.read(register.name)
            assert reading.grade == "lost"
            assert chip.page_select in reading.why
    assert not pages(bench)


@pytest.mark.parametrize("start", [0, 1, 2])
def test_pages_moved_with_consent_are_put_back(make_bench: Any, start: int) -> None:
    bench = make_bench("potoroo40")
    chip = bench.chip
    select = chip.field(chip.page_select)
    bench.twin.machine.bank.put(select, start)
    link = Link(chip, bench.port, log=bench.record.append, move_pages=True)
    for reading in look(link):
        assert reading.good
        assert reading.word == truth(bench, reading.register), reading
        assert bench.twin.machine.bank.field_code(select) == start
    assert pages(bench)
    # what the page register says of itself in the account is what it holds
    [held] = [h for h in link.account().held if h.register == select.register]
    assert held.word == bench.twin.word(select.register)


def test_verify_puts_the_page_back_too(make_bench: Any) -> None:
    bench = make_bench("potoroo40")
    link = Link(bench.chip, bench.port, move_pages=True)
    checked = verify(link, bench.twin.machine.bank.copy())
    assert all(c.ok for c in checked)
    fresh = bench.chip.registers[bench.chip.page_select.partition(".")[0]]
    assert bench.twin.word(fresh.name) == fresh.reset
    assert not compare(
        bench.chip, bench.twin.machine.bank, bench.twin.machine.bank, [c.register for c in checked]
    )


# --- other SPI set-ups --------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"mode": 0}, "with SPI mode 1 ID reads 0x161"),
        ({"mode": 3}, "with SPI mode 1 ID reads 0x161"),
        ({"select_active_low": False}, "with select active low ID reads 0x161"),
    ],
)
def test_another_spi_set_up_is_tried_and_named(
    make_bench: Any, change: dict[str, Any], said: str
) -> None:
    """The chip is as it is; the map's spi says otherwise."""
    bench = make_bench("quoll16")
    wrong = replace(bench.chip, spi=replace(bench.chip.spi, **change))
    bench.port.try_spi(wrong.spi)
    found = identify(Link(wrong, bench.port))
    assert not found.ok
    assert said in found.text
    assert "tried: " in found.text
    # all is put back: the right map is answered after its own set-up
    bench.port.try_spi(bench.chip.spi)
    assert identify(Link(bench.chip, bench.port)).ok


def test_nothing_answers_in_any_set_up(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    bench.twin.disturb("dead_reply high")
    found = identify(Link(bench.chip, bench.port))
    assert not found.ok
    assert "nor with SPI mode 0, SPI mode 2, SPI mode 3, select active high" in found.text


def test_a_command_line_stuck_high_is_no_proof_of_the_chip(make_bench: Any) -> None:
    """All ones ask quoll16 for its ID, whatever is sent."""
    bench = make_bench("quoll16")
    burst = bench.adapter.bus.burst
    bench.adapter.bus.burst = lambda _word, bits: burst((1 << bits) - 1, bits)
    found = identify(bench.link)
    assert not found.ok
    assert "whatever is asked, the answer is the same, so it proves nothing" in found.text
    assert "another chip" not in found.text
