"""Published worked examples of the supply: surges, starting profiles, thresholds, standby and the way to sleep.

Where a check holds a level against a limit, the source states both, and the figure is the distance
between them, negative where the source tells that the part does not stand it.
"""

from __future__ import annotations

import pytest

from regmap.calc import Course, Facts, FrameRun, Inputs, Verdict
from regmap.calc.courses import time_above
from regmap.calc.gatesupply import supplied_gate_voltage
from regmap.calc.startup import charge_taken
from regmap.calc.supply import standby_charge
from regmap.calc.surge import clamp_current, clamped
from tests.calc.conftest import course, make
from tests.calc.published import Example, Figure, in_order, one, reproduced, typ

DAY = 86400.0

SURGE = (
    "stage:surge.voltage",
    "stage:surge.resistance",
    "stage:suppressor.breakdown",
    "stage:suppressor.resistance",
)
GATE = (
    "role:gate.voltage.high",
    "chip:charge_pump.ratio",
    "chip:charge_pump.dropout",
    "stage:mosfet.vgs_on",
    "chip:high_side_supply",
)
#: What the rows state to each check, in this order; the last may be left out.
STATED = {
    "gate.voltage.high": ("stage:supply.voltage", *GATE),
    "gate.voltage-crank.high": ("stage:supply.crank", *GATE),
    "gate.voltage.low": (
        "stage:supply.voltage",
        "role:gate.voltage.low",
        "chip:regulator.ratio",
        "chip:regulator.dropout",
        "stage:mosfet.vgs_on",
    ),
    "overvoltage.no-false-trip": ("role:ov.threshold", "stage:supply.voltage"),
    "overvoltage.protects": ("role:ov.threshold", "chip:supply.max"),
    "supply.course-chip": ("chip:supply.max",),
    "supply.course-duration": ("chip:supply.operating", "chip:supply.transient_time"),
    "supply.course-mosfet": ("stage:mosfet.vds_max",),
    "supply.course-pause": (
        "role:uv.threshold",
        "chip:supply.wake_time",
        "stage:limits.pause",
    ),
    "supply.jump-start": ("stage:supply.jump_start", "chip:supply.max"),
    "supply.load-dump-mosfet": (
        "stage:supply.load_dump",
        "stage:mosfet.vds_max",
        "stage:supply.load_dump_class",
    ),
    "supply.negative-pulse": (
        "stage:supply.voltage",
        "stage:supply.negative_pulse",
        "stage:supply.blocking",
    ),
    "supply.operating": ("stage:supply.voltage", "chip:supply.operating"),
    "supply.reverse": ("stage:supply.voltage", "stage:supply.reverse", "stage:supply.blocking"),
    "supply.standby": (
        "chip:supply.sleep_current",
        "chip:supply.current",
        "stage:standby.other_current",
        "stage:standby.wakes_per_day",
        "stage:standby.wake_time",
        "stage:standby.time",
        "stage:supply.charge_budget",
    ),
    "supply.surge-chip": (*SURGE, "chip:supply.max"),
    "supply.surge-current": (*SURGE, "stage:suppressor.current"),
    "supply.surge-mosfet": (*SURGE, "stage:mosfet.vds_max"),
    "supply.surge-standoff": (
        "stage:suppressor.breakdown",
        "stage:supply.voltage",
        "stage:supply.jump_start",
        "stage:supply.load_dump",
        "stage:supply.load_dump_class",
    ),
    "supply.wake-time": ("chip:supply.wake_time", "stage:limits.wake_time"),
    "undervoltage.course": ("role:uv.threshold",),
    "undervoltage.no-false-trip": ("role:uv.threshold", "stage:supply.voltage"),
    "undervoltage.protects.high": ("role:uv.threshold", *GATE),
}
#: the checks that the rows have asked for
WORKED: set[str] = set()


def judged(check: str, *values: str | int, over: Course | None = None) -> Verdict:
    """The verdict of a check on what is stated, over one course where it takes courses."""
    WORKED.add(check)
    assert 0 <= len(STATED[check]) - len(values) <= 2
    inputs = [make(name, value) for name, value in zip(STATED[check], values, strict=False)]
    facts = Facts(courses=(over,) if over is not None else ())
    return one(Inputs(inputs, facts), check)


def gap(check: str, *values: str | int, over: Course | None = None) -> float:
    """How far the worst corner stays from the limit, with the status that belongs to it."""
    verdict = judged(check, *values, over=over)
    assert verdict.margin is not None, (check, verdict.missing, verdict.reason)
    assert (verdict.status == "fails") == (verdict.margin < 0)
    return float(verdict.margin)


def amount(check: str, *values: str | int, over: Course | None = None) -> float:
    """What the check compares, at its typical value."""
    return typ(judged(check, *values, over=over))


#: Figure 1 of the two notes on cold crank, its longest times: down in 5 ms, 40 ms, up in 50 ms, 20 s, up in 100 ms.
COLD_CRANK = course(
    "cold crank",
    "starting",
    ("0 s", "12 V"),
    ("5 ms", "3 V"),
    ("45 ms", "3 V"),
    ("95 ms", "6 V"),
    ("20.095 s", "6 V"),
    ("20.195 s", "12 V"),
)
#: A dip and a suppressed load dump that are told by level and duration only: their edges take no time to speak of.
DIP = course(
    "dip", "starting", ("0 s", "12 V"), ("1 us", "3 V"), ("40 ms", "3 V"), ("40.001 ms", "12 V")
)
TEST_B = course(
    "test B",
    "load dump",
    ("0 s", "14 V"),
    ("1 us", "35 V"),
    ("399.999 ms", "35 V"),
    ("400 ms", "14 V"),
)

#: Suppressor of 33 V stand-off, worst of its tolerance, and a pulse that drives its rated current.
SMBJ33 = {"vc": 40.6, "rd": (53.3 - 40.6) / 11.3}
RATED = {"us": 53.3 + 10 * 11.3, "ri": 10.0}

#: A pump that gives the gates 12.1 .. 13.75 V or twice the supply less 2.7 V, and what the gates are told to need.
A3930 = ("12.1..13.75 V", "2", "2.7 V", "10 V", "charge pump")

#: A sensor node from its wake-up until it sleeps: milliseconds and milliamperes of each state.
STATES = ((48, 4.68), (557, 13.4), (289, 15.7), (19, 24.48), (135, 14.27), (94, 13.4))
AWAKE = sum(ms for ms, _ in STATES) * 1e-3
USED = sum(charge_taken(i=ma * 1e-3, io=0.0, t=ms * 1e-3) for ms, ma in STATES)
MEAN = f"{USED / AWAKE * 1e3:.6f} mA"


def node(check: str) -> float:
    """The node's way to sleep: its work, 289 ms of serial frames at 9600 baud, the radio until all sleep."""
    table = {
        "stage:sleep.run_down": "605 ms",
        "stage:spi.clock": "9600 Hz",
        "chip:spi.lead": "0 s",
        "chip:spi.lag": "0 s",
        "chip:spi.idle": "0 s",
        "chip:supply.sleep_time": "248 ms",
        "chip:supply.current": MEAN,
        "stage:sleep.other_current": "0 A",
    }
    frames = FrameRun(name="to the radio", lengths=(round(0.289 * 9600),))
    inputs = Inputs([make(n, v) for n, v in table.items()], Facts(to_sleep=(frames,)))
    return typ(one(inputs, check))


EXAMPLES = [
    Example(
        "TI LM74900-Q1, LM74910-Q1 data sheet SNOSDE6C, TVS selection, 12 V battery: SMBJ33CA, 60 V MOSFET, pulse 1",
        "read",
        (
            Figure(
                "36.7 V above the 24 V of a jump start, V",
                lambda: gap("supply.surge-standoff", "36.7 V", "16 V", "24 V"),
                12.7,
                1e-6,
            ),
            Figure(
                "36.7 V above the 35 V of a suppressed load dump, V",
                lambda: gap(
                    "supply.surge-standoff", "36.7 V", "16 V", "24 V", "35 V", "12 V test B"
                ),
                1.7,
                1e-6,
            ),
            Figure(
                "24 V below the 65 V that the part stands, V",
                lambda: gap("supply.jump-start", "24 V", "65 V"),
                41.0,
                1e-6,
            ),
            Figure(
                "charged to 16 V, clamped at -44 V, V",
                lambda: amount("supply.negative-pulse", "16 V", "44 V", "60 V"),
                60.0,
                1e-6,
            ),
            Figure(
                "150 V behind 10 ohm, A",
                lambda: clamp_current(us=150.0, vc=0.0, ri=10.0, rd=0.0),
                15.0,
                1e-6,
            ),
        ),
    ),
    Example(
        "TI LM74700-Q1 data sheet ZHCSHV4G, 24 V battery: 75 V MOSFET, SMBJ26A of 42.1 V, -600 V behind 50 ohm",
        "read",
        (
            Figure(
                "charged to 32 V, clamped at -43 V, V",
                lambda: amount("supply.negative-pulse", "32 V", "43 V", "75 V"),
                75.0,
                1e-6,
            ),
            Figure(
                "42.1 V within the 43 V that are left beside 32 V, V",
                lambda: gap("supply.surge-mosfet", "600 V", "50 ohm", "42.1 V", "0 ohm", "43 V"),
                0.9,
                1e-6,
            ),
            Figure(
                "current, A",
                lambda: amount(
                    "supply.surge-current", "600 V", "50 ohm", "42.1 V", "0 ohm", "15 A"
                ),
                12.0,
                0.85,
                "the sheet divides 600 V by 50 ohm; behind 42.1 V it is 11.2 A",
            ),
        ),
    ),
    Example(
        "TI E2E forum, thread 1445811, LM7480-Q1 TVS diode selection: 53.3 V on 16 V break a 60 V MOSFET",
        "read",
        (
            Figure(
                "drain-source voltage, V",
                lambda: amount("supply.negative-pulse", "16 V", "53.3 V", "60 V"),
                70.0,
                0.75,
                "told as about 70 V",
            ),
            Figure(
                "to the rating, V",
                lambda: gap("supply.negative-pulse", "16 V", "53.3 V", "60 V"),
                -10.0,
                0.75,
                "about 70 V on 60 V",
            ),
        ),
    ),
    Example(
        "TI LM74502-Q1 data sheet SNOSDE0A, 24 V battery: SMBJ58A from 64.4 V, jump start 48 V, 65 V allowed",
        "read",
        (
            Figure(
                "suppressor above the jump start, V",
                lambda: gap("supply.surge-standoff", "64.4 V", "32 V", "48 V"),
                16.4,
                1e-6,
            ),
            Figure(
                "jump start below what the part stands, V",
                lambda: gap("supply.jump-start", "48 V", "65 V"),
                17.0,
                1e-6,
            ),
        ),
    ),
    Example(
        "Vishay 88446 (14-Aug-07), Determining clamping voltage levels, with Vishay's SMBJ33CA: 40.6 V, 53.3 V at 11.3 A",
        "read",
        (
            Figure("at the rated current, V", lambda: clamped(**SMBJ33, **RATED), 53.3, 1e-6),
            Figure("rated current, A", lambda: clamp_current(**SMBJ33, **RATED), 11.3, 1e-6),
        ),
    ),
    Example(
        "Sedra, Smith, Microelectronic Circuits, 5th edition, example 3.8: 10 V, 500 ohm, Zener diode of 6.7 V and 20 ohm "
        "(inputs read in the Scilab Textbook Companion)",
        "from memory",
        (
            Figure("output, V", lambda: clamped(vc=6.7, rd=20.0, us=10.0, ri=500.0), 6.83, 5e-3),
            Figure(
                "Zener current, A",
                lambda: clamp_current(us=10.0, vc=6.7, ri=500.0, rd=20.0),
                6.35e-3,
                5e-6,
            ),
        ),
    ),
    Example(
        "Electrical Engineering Stack Exchange, question 8798, load dump: 100 V behind 0.4 ohm, 24 V",
        "read",
        (
            Figure(
                "power at the peak, W",
                lambda: (
                    24
                    * amount("supply.surge-current", "100 V", "0.4 ohm", "24 V", "0 ohm", "200 A")
                ),
                4560,
                0.5,
            ),
        ),
    ),
    Example(
        "EDN Anablog 38056, over-voltage protection IC: a charger of 30 V at most, clamped at 32 V, cut off above 24 V",
        "read",
        (
            Figure(
                "clamp to what the part stands, V",
                lambda: gap("supply.surge-chip", "100 V", "1 ohm", "32 V", "0 ohm", "30 V"),
                -2.0,
                1e-6,
            ),
            Figure(
                "cut off below it, V",
                lambda: gap("overvoltage.protects", "24 V", "30 V"),
                6.0,
                1e-6,
            ),
        ),
    ),
    Example(
        "Analog Devices LTC4365 data sheet Rev. B, p. 10 to 12: 12 V watched at 5.07 V and 17.99 V; -20 V on 40 V MOSFETs",
        "read",
        (
            Figure(
                "undervoltage below the supply, V",
                lambda: gap("undervoltage.no-false-trip", "5.07 V", "12 V"),
                6.93,
                1e-6,
            ),
            Figure(
                "overvoltage above the supply, V",
                lambda: gap("overvoltage.no-false-trip", "17.99 V", "12 V"),
                5.99,
                1e-6,
            ),
            Figure(
                "-20 V on an output at ground, V",
                lambda: gap("supply.reverse", "0 V", "20 V", "40 V"),
                20.0,
                1e-6,
            ),
        ),
    ),
    Example(
        "TI DRV8106-Q1 data sheet SLLSFA9B, VVCP above the supply, a doubling pump: typical at 13, 11, 9, 7 and 5.5 V",
        "read",
        (
            Figure("at 13 V, V", lambda: doubler(13.0), 10.5, 1e-6),
            Figure("at 11 V, V", lambda: doubler(11.0), 10.0, 1e-6),
            Figure("at 9 V, V", lambda: doubler(9.0), 8.0, 1e-6),
            Figure("at 7 V, V", lambda: doubler(7.0), 6.0, 1e-6),
            Figure(
                "at 5.5 V, V", lambda: doubler(5.5), 5.0, 0.5, "at 5 mA there, a third of the load"
            ),
        ),
    ),
    Example(
        "Allegro A3930, A3931 data sheet 3930-DS Rev. 4, VREG: 12.1 .. 13.75 V, below 7.4 V 2 VBB - 2.7 V; above 10 V from 7 V",
        "read",
        (
            Figure(
                "where both meet, V",
                lambda: supplied_gate_voltage(vreg=13.75, k=2.0, vs=7.4, vd=2.7),
                12.10,
                5e-3,
            ),
            *(
                Figure(
                    f"above 10 V at 7 V, {check}, V",
                    lambda c=check: gap(c, "7 V", *A3930),
                    1.3,
                    1e-6,
                )
                for check in (
                    "gate.voltage.high",
                    "gate.voltage-crank.high",
                    "undervoltage.protects.high",
                )
            ),
            # VREG feeds the low side's gates, the high side's from it through a bootstrap
            Figure(
                "above 10 V at 7 V, low side, V",
                lambda: gap("gate.voltage.low", "7 V", "12.1..13.75 V", "2", "2.7 V", "10 V"),
                1.3,
                1e-6,
            ),
        ),
    ),
    Example(
        "TI LM74722-Q1 data sheet JAJSJ94B, MOSFET Q2: suppressed load dump of 35 V for 400 ms, a rating of 40 V or more",
        "read",
        (
            Figure(
                "as a level, V",
                lambda: gap("supply.load-dump-mosfet", "35 V", "40 V", "12 V test B"),
                5.0,
                1e-6,
            ),
            Figure(
                "as a course, V",
                lambda: gap("supply.course-mosfet", "40 V", over=TEST_B),
                5.0,
                1e-6,
            ),
        ),
    ),
    Example(
        "NXP 10XS3435 data sheet, table 4: 41 V in a load dump of 400 ms, 28 V in operation; ISO 16750-2 test B as in the "
        "Itech IT6015C-80-450 manual, p. 82: 35 V, 40 .. 400 ms",
        "read",
        (
            Figure(
                "within what the part stands, V",
                lambda: gap("supply.course-chip", "41 V", over=TEST_B),
                6.0,
                1e-6,
            ),
            Figure(
                "time above 28 V, s",
                lambda: amount("supply.course-duration", "6..28 V", "400 ms", over=TEST_B),
                0.4,
                2e-6,
            ),
            Figure(
                "beyond 400 ms, s",
                lambda: gap("supply.course-duration", "6..28 V", "400 ms", over=TEST_B),
                0.0,
                2e-6,
                "the longest of the test is just what the part stands",
            ),
        ),
    ),
    Example(
        "TI SNVA741, Maintaining output voltage regulation during automotive cold-crank with LM5118: 3 V in figure 1, works "
        "from 2.5 V to 75 V, transients from 3 V to 65 V",
        "read",
        (
            Figure(
                "threshold below the lowest level, V",
                lambda: gap("undervoltage.course", "2.5 V", over=COLD_CRANK),
                0.5,
                1e-6,
            ),
            Figure(
                "transients below what it stands, V",
                lambda: gap("supply.operating", "3..65 V", "2.5..75 V"),
                10.0,
                1e-6,
            ),
        ),
    ),
    Example(
        "SOS electronic, article 1886, LTC4380: cold crank to 3 V for 40 ms, works from 4 V, 10 kohm and 4.7 uF (47 ms) hold it",
        "read",
        (
            Figure(
                "time below 4 V, s",
                lambda: amount("supply.course-pause", "4 V", "0 s", "47 ms", over=DIP),
                40e-3,
                2e-6,
            ),
            Figure(
                "left, s",
                lambda: gap("supply.course-pause", "4 V", "0 s", "47 ms", over=DIP),
                7e-3,
                2e-6,
            ),
        ),
    ),
    Example(
        "Electrical Engineering Stack Exchange, question 4951: 1 F at 10 mA falls along a line from 5 V to 3 V in 200 s",
        "read",
        (
            Figure(
                "time, s", lambda: time_above(dt=1.0 * 5.0 / 0.01, v=3.0, ua=5.0, ub=0.0), 200, 1e-6
            ),
        ),
    ),
    Example(
        "TI TMS37122 reference manual, August 2001, section 2.10.3.11: wakes in 3 ms of the 10 ms given, 7 ms are left",
        "read",
        (Figure("left, s", lambda: gap("supply.wake-time", "3 ms", "10 ms"), 7e-3, 1e-9),),
    ),
    Example(
        "Atmel picoPower tutorial (DigiKey), slide 8: ATmega164P, 10 us awake each second at 0.5 mA, else 0.65 uA",
        "read",
        (
            Figure(
                "mean current, A",
                lambda: (
                    standby_charge(isl=0.65e-6, n=DAY, tw=10e-6, ion=0.5e-3, io=0.0, t=DAY) / DAY
                ),
                0.655e-6,
                0.5e-9,
            ),
            Figure(
                "share of the time asleep",
                lambda: standby_charge(isl=1.0, n=DAY, tw=10e-6, ion=0.0, io=0.0, t=1.0),
                0.99999,
                5e-7,
            ),
        ),
    ),
    Example(
        "OpenStax, College Physics, example 20.1: 720 C in 4.00 s, and 1.00 C at 0.300 mA",
        "read",
        (
            Figure("charge at 180 A, C", lambda: charge_taken(i=180.0, io=0.0, t=4.0), 720, 0.5),
            Figure(
                "charge in 3.33e3 s, C",
                lambda: charge_taken(i=0.3e-3, io=0.0, t=3.33e3),
                1.00,
                5e-3,
            ),
        ),
    ),
    Example(
        "D. Widhalm, K. M. Goeschka, W. Kastner, Sensors 2021, 21(22), 7613, p. 34, equation 17: a node's way to sleep, "
        "each 10 min",
        "read",
        (
            Figure("until asleep, s", lambda: node("sleep.time"), 1.142, 0.2e-3),
            Figure(
                "charge of 10 min, C",
                lambda: node("sleep.charge") + charge_taken(i=36.7e-6, io=0.0, t=600 - AWAKE),
                37.86e-3,
                8e-6,
            ),
            Figure(
                "the same by its mean, C",
                lambda: amount(
                    "supply.standby", "36.7 uA", MEAN, "0 A", 144, "1142 ms", "600 s", "1 Ah"
                ),
                37.86e-3,
                6e-6,
            ),
        ),
    ),
]


def doubler(supply: float) -> float:
    return float(supplied_gate_voltage(vreg=10.5, k=1.0, vs=supply, vd=1.0))


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e.source[:40])
def test_printed_figures_of_the_supply_come_out(example: Example) -> None:
    reproduced(example)


def test_the_table_of_the_supply_says_where_it_stands() -> None:
    in_order(EXAMPLES)
    WORKED.clear()
    for example in EXAMPLES:
        for figure in example.figures:
            figure.made()
    assert set(STATED) == WORKED


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_between_breakdown_and_rated_current_the_clamp_is_the_straight_line_of_the_note(
    share: float,
) -> None:
    # Vishay 88446, also Microsemi MicroNote 108: VC = (IP / IPP) (VC max - VBR max) + VBR max
    us = 40.6 + share * (RATED["us"] - 40.6)
    volts, amps = clamped(us=us, ri=10.0, **SMBJ33), clamp_current(us=us, ri=10.0, **SMBJ33)
    assert amps == pytest.approx((us - volts) / 10)
    assert amps == pytest.approx(share * 11.3)
    assert volts == pytest.approx(amps / 11.3 * (53.3 - 40.6) + 40.6)
