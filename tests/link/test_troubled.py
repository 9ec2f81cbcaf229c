"""Ten thousand transactions with everything going wrong: no wrong value is ever called good.

The simulated chip is the truth: after each transaction its registers are looked at directly, past
the bus, and compared with what the link claims.
"""

from __future__ import annotations

import os
import random
from typing import Any

import pytest

from regmap.behaviour.machine import as_read
from regmap.link import rules

SPI = ["bit_flips 1 %", "lost_frames 1 %"]
SERIAL = ["line_flips 1 %", "line_drops 1 %", "line_delays 1 % by 80 ms"]
UNPLUGS = [f"unplug at {t} s for 300 ms" for t in (0.3, 1.2, 2.5, 4, 6, 9, 13)]

CASES = [
    ("quoll16", 3000, "zero"),
    ("numbat24", 2500, "zero"),
    ("numbat24", 1500, "previous"),
    ("bilby32", 1500, "zero"),
    ("potoroo40", 1000, "zero"),
    ("wombat24", 500, "previous"),
]


#: the state in which settings can be written, entered past the bus
OPEN = {"numbat24": "unlocked", "bilby32": "open"}


def truth(bench: Any, name: str) -> int:
    chip = bench.chip
    return as_read(chip, chip.registers[name], bench.twin.machine.bank.words)


@pytest.mark.parametrize(("name", "count", "rejected"), CASES)
@pytest.mark.one_in(2)
def test_no_wrong_value_is_called_good_and_every_loss_is_told(
    make_bench: Any, name: str, count: int, rejected: str
) -> None:
    """Two fifths of the requests in the suite (all: GATEWORD_TROUBLED=1); tests/soak.py makes 100,000."""
    bench = make_bench(
        name, [*SPI, *SERIAL, *UNPLUGS], seed=count, restarts=True, rejected=rejected
    )
    chip, link = bench.chip, bench.link
    link.move_pages = True
    if name in OPEN:
        bench.twin.machine.bank.states[OPEN[name]] = True
    rng = random.Random(count)
    if not os.environ.get("GATEWORD_TROUBLED"):
        count = count * 2 // 5
    readable = [r for r in chip.registers.values() if r.readable and not r.frame]
    settings = [
        r
        for r in readable
        if r.holds_settings
        and rules.readback(chip, r, 0, 0) is not None
        and not any(f.access == "once" or f.role == "lock" for f in r.fields)
        and not any(f.when is not None and r.name in f.when.text for f in chip.frames.values())
        and r.name != chip.page_select.partition(".")[0]
        and not any(x.complement_of == r.name for x in chip.registers.values())
    ]
    graded = {"good": 0, "single": 0, "lost": 0, "verified": 0, "refused": 0, "unknown": 0}
    for _ in range(count):
        if rng.random() < 0.6:
            register = rng.choice(readable)
            before = truth(bench, register.name)
            reading = link.read(register.name)
            graded[reading.grade] += 1
            after = truth(bench, register.name)
            if reading.good and rules.read_hazards(chip, register):
                continue
            if reading.good:
                # status bits may rise while they are read, by the very trouble on the SPI
                assert reading.word is not None
                assert reading.word & ~(before | after) == 0, (register.name, reading)
                assert before & after & ~reading.word == 0, (register.name, reading)
            elif reading.grade == "lost":
                assert reading.word is None
                assert reading.why
        else:
            register = rng.choice(settings)
            word = rng.getrandbits(register.width) & ~register.reserved
            written = link.write(register.name, word)
            graded[written.result] += 1
            mask, expected = rules.readback(chip, register, 0, word) or (0, 0)
            held = truth(bench, register.name)
            if written.result == "verified":
                assert held & mask == expected, (register.name, written)
            elif written.result == "refused":
                assert written.holds == held or written.holds is None, (register.name, written)
            else:
                assert written.result == "unknown"
                account = link.account()
                assert register.name in [u.register for u in account.unknown]
                assert any(register.name in text for text in account.losses)
                assert account.safe_state
        for item in link.account().held if rng.random() < 0.02 else ():
            assert (
                item.word
                == bench.twin.word(item.register) & chip.registers[item.register].read_mask
            )
    # the trouble was real, and most of what was asked came through all the same
    hurt = bench.twin.bus.hurt
    assert sum(1 for _, what in hurt if what == "bit_flips") > count / 100
    assert sum(1 for _, what in hurt if what == "lost_frames") > count / 100
    assert bench.opened > 1
    fine = graded["good"] + graded["verified"] + graded["refused"] + graded["single"]
    assert fine > 0.9 * count, graded


def test_the_cases_are_ten_thousand_transactions() -> None:
    assert sum(count for _, count, _ in CASES) == 10_000
