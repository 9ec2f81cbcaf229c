"""No check is left out: each by its name in the Monte Carlo and joint-corner tests, and in a published example or by hand.

A new check fails here until it is in them.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.calc import Inputs, checks, run
from regmap.calc.corner import FORMULAS
from regmap.calc.verdict import Verdict
from tests.calc.conftest import BUNDLED
from tests.calc.parts import Part, derivation
from tests.calc.test_joint_corners import judged

HERE = Path(__file__).parent
#: The only check without a quantity: it counts faults that are masked.
COUNTS = {"reaction.masked"}
#: Files of published worked examples.
PUBLISHED = (*sorted(p.name for p in HERE.glob("test_published*.py")), "test_metrics.py")

#: Checks of which no published worked example is known, with the file that holds them by other means:
#: by hand, by a circuit worked step by step, or by ngspice. A side stands for both. Of a handshake data sheets print
#: the level and the time added, and none a sum of what the gate itself has behind its resistance.
UNPUBLISHED = {
    "deadtime.handshake": "test_steps.py",
    "reaction.masked": "test_verdicts.py",
    "vds.short-current": "test_shortcircuit.py",
}


#: Formulas that are a part of many checks: to have worked one is no example of each of these.
SHARED = {"then", "less", "stretched", "poll_time", "real_clock"}


def everywhere(parts: dict[str, Part], held: Callable[[Verdict], bool]) -> set[str]:
    """The checks of which some stage has a verdict that is held."""
    found: set[str] = set()
    for part in parts.values():
        for check in part.checks:
            if check.name not in found and any(held(v) for v in check.work(part.inputs)):
                found.add(check.name)
    return found


def has_width(verdict: Verdict) -> bool:
    """Whether draws of the inputs move a side of the comparison."""
    bands = (verdict.value, verdict.lower, verdict.upper)
    return not verdict.reason and any(b is not None and not b.exact for b in bands)


def test_every_check_is_drawn_by_monte_carlo(parts: dict[str, Part]) -> None:
    assert {c.name for c in checks()} - everywhere(parts, has_width) == COUNTS


def test_every_check_has_a_worst_corner_that_is_tried(parts: dict[str, Part]) -> None:
    assert {c.name for c in checks()} - everywhere(parts, judged) == COUNTS


def test_the_bundled_stages_bring_derivations_of_their_own(parts: dict[str, Part]) -> None:
    for name in BUNDLED:
        assert parts[name].checks, name
    adjusted = {c.name for c in parts["radiator_fan"].checks}
    assert adjusted & {"gate.dvdt.low", "gate.dvdt.high"}


def both_sides(name: str) -> str:
    return name.removesuffix(".high").removesuffix(".low")


def test_every_check_is_in_a_published_example_or_says_what_holds_it(
    parts: dict[str, Part],
) -> None:
    """A published example names the check, or works a formula that is the check's own."""
    text = "".join((HERE / name).read_text(encoding="utf-8") for name in PUBLISHED)
    # an import or a remark is no example: the formula must be called
    calls = [n for name in PUBLISHED for n in ast.walk(ast.parse((HERE / name).read_text("utf-8")))]
    words = {n.func.id for n in calls if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    words -= SHARED
    named = {both_sides(n) for n in re.findall(r'"([a-z]+[a-z-]*\.[a-z.-]+)"', text)}
    missing = set()
    for check in checks():
        gone = {n for part in parts.values() for n in derivation(check, part.inputs)[1]}
        worked = {FORMULAS[name].function.__name__ for name in gone} & words
        if not worked and both_sides(check.name) not in named:
            missing.add(both_sides(check.name))
    assert missing == set(UNPUBLISHED)


@pytest.mark.parametrize("name", UNPUBLISHED)
def test_what_holds_it_names_it(name: str) -> None:
    assert f'"{name}' in (HERE / UNPUBLISHED[name]).read_text(encoding="utf-8")


#: Margins by hand in the complete stage of conftest.py, in base units, with what is changed in it.
MARGINS: list[tuple[str, float, dict[str, str | int]]] = [
    # 28 V against 18 V; 5.5 V against 9 V; 18 V within 40 V, nearer as a share than 9 V to 5.5 V
    ("overvoltage.no-false-trip", 28 - 18, {}),
    ("undervoltage.no-false-trip", 9 - 5.5, {}),
    ("supply.operating", 40 - 18, {}),
    ("supply.wake-time", 2e-3 - 1e-3, {}),
    # 5 MHz and 2 % more
    ("spi.clock", 10e6 - 5.1e6, {"stage___controller__clock_tolerance": "-2..2 %"}),
    # five registers and one frame more, of 24 bits at 4.9 MHz with 60 + 60 + 600 ns each
    (
        "spi.poll-time",
        1e-3 - 6 * (24 / 4.9e6 + 720e-9),
        {"stage___controller__clock_tolerance": "-2..2 %"},
    ),
    # 24 wake phases of 100 ms a day at 13 mA, else 15 uA, and 40 uA beside, for 30 days; 0.1 Ah
    (
        "supply.standby",
        360 - (15e-6 * (1 - 2.4 / 86400) + 13e-3 * 2.4 / 86400 + 40e-6) * 30 * 86400,
        {},
    ),
    # the regulator drops 0.5 V of 9 V, and of 6.5 V; 7 V are needed
    ("gate.voltage.low", 8.5 - 7, {}),
    ("gate.voltage-crank.low", 6 - 7, {}),
    # 500 ppm/K over 25..85 degC and 22 A squared through 1.01 mohm times 25 K/W, against 5 %
    (
        "sense.shunt-drift",
        0.05 - 500e-6 * (85 - 25 + 22**2 * 1.01e-3 * 25),
        {
            "stage___shunt__tempco": "500 ppm/K",
            "stage___limits__shunt_drift": "5 %",
            "stage___temperature__ambient": "25..85 degC",
        },
    ),
    # three times 100 nA and 12 V across 95 kohm, against 20 mA; once that and 120 uA against 1 mA
    (
        "charge-pump.full-duty",
        20e-3 - 3 * (100e-9 + 12 / 95e3),
        {"stage___pwm__duty__max": "100 %", "stage___mosfet__gate_leakage": "100 nA"},
    ),
    (
        "bootstrap.full-duty",
        1e-3 - (120e-6 + 100e-9 + 12 / 95e3),
        {
            "chip___high_side_supply": "bootstrap",
            "chip___bootstrap__trickle_current": "1 mA",
            "stage___pwm__duty__max": "100 %",
            "stage___mosfet__gate_leakage": "100 nA",
        },
    ),
    # 15 nC at 100 V/us over 9 V need 167 mA of 380 mA, nearer as a share than 9 nC at 80 V/us over 18 V,
    # 40 mA, to 20 mA
    (
        "gate.adjusted-slew.low",
        380e-3 - 15e-9 * 100e6 / 9,
        {
            "chip___gate__adjustment__min": "18..20 mA",
            "chip___gate__adjustment__max": "380..420 mA",
            "role___gate__adjust": 1,
            "role___gate__slew": "80..100 V/us",
        },
    ),
]


@pytest.mark.parametrize(("name", "margin", "changes"), MARGINS, ids=[row[0] for row in MARGINS])
def test_a_margin_by_hand(
    build: Callable[..., Inputs], name: str, margin: float, changes: dict[str, str | int]
) -> None:
    table = {"chip___high_side_supply": "charge pump", **changes}
    (verdict,) = run(build(**table), [name])
    assert verdict.margin == pytest.approx(margin, rel=1e-6)
