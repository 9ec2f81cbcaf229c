"""Power that goes at any moment: the account never leaves out what a register really holds."""

from __future__ import annotations

import random
from typing import Any

import pytest

from regmap.behaviour.settings import setting_registers
from regmap.link import rules
from regmap.maps.load import bundled, load_map


def maps() -> list[str]:
    return [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]


OPEN = {"numbat24": "unlocked", "bilby32": "open"}


def plain(chip: Any) -> list[Any]:
    """Registers whose settings may be written at will here."""
    layouts = {n.partition(".")[0] for f in chip.frames.values() if f.when for n in f.when.names()}
    return [
        r
        for r in setting_registers(chip)
        if rules.readback(chip, r, 0, 0) is not None
        and not any(f.access == "once" or f.role == "lock" for f in r.fields)
        and r.name not in layouts
        and r.name != chip.page_select.partition(".")[0]
        and not r.frame
        and not r.complement_of
        and not any(x.complement_of == r.name for x in chip.registers.values())
    ]


def holds_truth(bench: Any, account: Any) -> None:
    """Every register of the account: known as it is, or its word among those possible."""
    for item in account.held:
        mask = bench.chip.registers[item.register].read_mask
        assert item.word == bench.twin.word(item.register) & mask, item
    for item in account.unknown:
        if not item.open:
            assert bench.twin.word(item.register) in item.candidates, item


@pytest.mark.parametrize("name", maps())
@pytest.mark.one_in(3)
def test_a_brown_out_in_mid_write_leaves_the_reset_word_possible(
    make_bench: Any, name: str
) -> None:
    chip = load_map(name)
    for register in plain(chip)[:3]:
        for frame in (1, 2, 4):
            bench = make_bench(name)
            link = bench.link
            link.move_pages = True
            if name in OPEN:
                bench.twin.machine.bank.states[OPEN[name]] = True
            first = register.reset ^ (1 << min(b for f in register.fields for b in f.bits))
            if not link.write(register.name, first & ~register.reserved).good:
                continue
            count = 0
            receive = bench.twin.receive

            def dying(
                value: int, bits: int, at: int = frame, b: Any = bench, r: Any = receive
            ) -> Any:
                nonlocal count
                count += 1
                if count == at:
                    b.twin.disturb("no_power for 1 us")
                if count >= at:
                    return None
                return r(value, bits)

            bench.twin.receive = dying
            word = random.Random(frame).getrandbits(register.width) & ~register.reserved
            written = link.write(register.name, word)
            bench.twin.wait(0.001)
            holds_truth(bench, link.account())
            assert not written.good


@pytest.mark.parametrize("name", maps())
def test_after_a_lost_exchange_nothing_is_certain_until_proof_that_power_stayed(
    make_bench: Any, name: str
) -> None:
    bench = make_bench(name)
    link = bench.link
    link.move_pages = True
    if name in OPEN:
        bench.twin.machine.bank.states[OPEN[name]] = True
    registers = plain(bench.chip)
    for register in registers:
        word = (register.reset ^ register.write_mask) & ~register.reserved & register.mask
        link.write(register.name, word)
    held = {h.register for h in link.account().held}
    assert held & {r.name for r in registers}
    bench.twin.disturb("no_power for 1 ms")
    link.read(registers[0].name)  # all of its attempts fall into the outage
    bench.twin.wait(0.002)
    holds_truth(bench, link.account())
    # and once it answers again the account is true again
    for register in registers:
        link.read(register.name)
    holds_truth(bench, link.account())


@pytest.mark.parametrize("name", maps())
def test_noise_alone_takes_nothing_away_for_long(make_bench: Any, name: str) -> None:
    """One damaged reply, power on all the time: what was known is known again once that is proven."""
    bench = make_bench(name)
    link = bench.link
    link.move_pages = True
    if name in OPEN:
        bench.twin.machine.bank.states[OPEN[name]] = True
    registers = plain(bench.chip)
    for register in registers:
        word = (register.reset ^ register.write_mask) & ~register.reserved & register.mask
        link.write(register.name, word)
    before = {h.register for h in link.account().held}
    bench.twin.disturb("bit_flips 100 % for 30 us")
    link.read(registers[0].name)
    for register in registers:
        link.read(register.name)
    assert before <= {h.register for h in link.account().held}
    holds_truth(bench, link.account())


@pytest.mark.parametrize("name", maps())
@pytest.mark.one_in(3)
def test_a_reset_before_the_last_frame_is_no_longer_unseen(make_bench: Any, name: str) -> None:
    """One reply that tells of it is enough to doubt what was known, though the others say nothing."""
    for frame in range(1, 9):
        bench = make_bench(name)
        link = bench.link
        link.move_pages = True
        for fault in bench.chip.faults.values():
            if fault.normal_at_power_up:
                bench.twin.machine.set_fault(fault, False)
        bench.twin.machine.settle()
        if name in OPEN:
            bench.twin.machine.bank.states[OPEN[name]] = True
        registers = [r for r in plain(bench.chip) if r.page is None or not bench.chip.page_select]
        for register in registers:
            word = (register.reset ^ register.write_mask) & ~register.reserved & register.mask
            link.write(register.name, word)
        if not registers or not link.account().watched:
            continue
        # a chip that has just been reset answers zeros: nothing else in the reply is odd then
        asked = next(
            (
                r
                for r in bench.chip.registers.values()
                if r.readable
                and r.page is None
                and not r.frame
                and not rules.read_hazards(bench.chip, r)
                and not bench.twin.word(r.name)
            ),
            registers[0],
        )
        starts: list[int] = []
        receive = bench.twin.receive

        def noted(value: int, bits: int, b: Any = bench, r: Any = receive, s: Any = starts) -> Any:
            s.append(b.twin.now)
            return r(value, bits)

        bench.twin.receive = noted
        bench.twin.disturb(f"reset at frame {frame}")
        link.read(asked.name)
        resets = [e.ns for e in bench.twin.events if e.kind == "power"]
        if resets and resets[-1] < starts[-1]:
            holds_truth(bench, link.account())


@pytest.mark.parametrize("name", maps())
@pytest.mark.one_in(3)
def test_writes_lost_in_a_row_keep_what_no_write_changes(make_bench: Any, name: str) -> None:
    """Reserved bits stay as they are in the chip, however little is known of the register."""
    bench = make_bench(name)
    link = bench.link
    link.move_pages = True
    if name in OPEN:
        bench.twin.machine.bank.states[OPEN[name]] = True
    # those with reserved bits that are not 0 after reset, and one more
    odd = [r for r in plain(bench.chip) if r.reset & r.reserved]
    registers = [*odd, *plain(bench.chip)][:2]
    for register in registers:
        link.write(register.name, register.reset)
    bench.twin.disturb("dead_reply high")
    for turn in range(2):
        for register in registers:
            link.write(register.name, register.settings ^ turn & ~register.reserved)
            holds_truth(bench, link.account())


def test_the_text_tells_the_reset_word_apart(make_bench: Any) -> None:
    bench = make_bench("numbat24")
    bench.twin.machine.bank.states[OPEN["numbat24"]] = True
    link = bench.link
    register = next(r for r in plain(bench.chip) if r.settings & 3 == 3)
    first, second = (w & ~register.reserved for w in (register.reset ^ 1, register.reset ^ 2))
    assert link.write(register.name, first).good
    bench.twin.disturb("dead_reply low")
    assert link.write(register.name, second).result == "unknown"
    [line] = [
        text for text in link.account().lines() if text.startswith(f"UNKNOWN {register.name}")
    ]
    digits = (register.width + 3) // 4
    assert f"it holds 0x{first:0{digits}X} or 0x{second:0{digits}X}" in line
    assert f"0x{register.reset:0{digits}X} if power was lost" in line
