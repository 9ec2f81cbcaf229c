"""Published worked examples of the DC link, the motor as a generator, the SPI and the fault tolerant time."""

from __future__ import annotations

import math

import pytest

from regmap.calc import Facts, FaultTiming, Input, Inputs, run
from regmap.calc.dclink import pumped_up, ripple
from regmap.calc.motor import rectified, shorted
from regmap.calc.spi import load_share, poll_time, real_clock
from regmap.quantity import parse_band
from tests.calc.published import Example, Figure, Given, in_order, one, reproduced, typ

#: Turns ratio of the wound-rotor example: its rotor is worked with as seen from the stator.
TURNS = 3.6

EXAMPLES = [
    Example(
        "TI TPS54531 data sheet, SLVSBI5B, input capacitors: 5 A, two of 4.7 uF, 2 mohm, 570 kHz",
        "read",
        (
            Figure(
                "ripple, V",
                lambda: ripple(i=5.0, f=570e3, c=9.4e-6, esr=2e-3, pf=1.0),
                243e-3,
                0.5e-3,
            ),
        ),
    ),
    Example(
        "TI TPS54332 data sheet, SLVS875D, input capacitors: 3.5 A, 10 uF, 3 mohm, 1 MHz",
        "read",
        (
            Figure(
                "ripple, V", lambda: ripple(i=3.5, f=1e6, c=10e-6, esr=3e-3, pf=1.0), 98e-3, 0.5e-3
            ),
        ),
    ),
    Example(
        "J. Bird, Electrical Circuit Theory and Technology, problem 6.16: 4 J into 12 uF from empty "
        "(inputs read in the Scilab Textbook Companion)",
        "from memory",
        (Figure("voltage, V", lambda: pumped_up(vs=0.0, e=4.0, c=12e-6), 816.5, 0.05),),
    ),
    Example(
        "T. L. Floyd, Electronic Devices, example 2-6, bridge at 12 V rms: peak less two diodes of 0.7 V "
        "(inputs read in the Scilab Textbook Companion)",
        "from memory",
        (Figure("peak, V", lambda: rectified(e=12 * math.sqrt(2), vf=0.7), 15.6, 0.05),),
    ),
    Example(
        "Assignment Expert, question 230235, wound rotor with its slip rings shorted: 3 kV, 50 Hz, 0.1 ohm "
        "and 3.61 mH a phase, 3.6 turns to one (B. L. Theraja's example)",
        "read",
        (
            Figure(
                "current, A",
                lambda: shorted(
                    e=3000 * math.sqrt(2), r=0.1 * TURNS**2, f=50.0, l=3.61e-3 * TURNS**2
                ),
                117.4,
                0.1,
            ),
        ),
    ),
    Example(
        "Analog Devices AD7476A data sheet rev. F, p. 9, timing example 1: 20 MHz and 365 ns",
        "read",
        (
            Figure(
                "cycle, s",
                lambda: poll_time(n=1, bits=12.5, f=20e6, lead=10e-9, lag=0.0, idle=365e-9),
                1e-6,
                0.5e-9,
            ),
        ),
    ),
    Example(
        "Analog Devices AD7476A data sheet rev. F, p. 9, timing example 2: 5 MHz and 664 ns",
        "read",
        (
            Figure(
                "cycle, s",
                lambda: poll_time(n=1, bits=12.5, f=5e6, lead=10e-9, lag=0.0, idle=664e-9),
                3.174e-6,
                0.5e-9,
            ),
        ),
    ),
    Example(
        "Analog Devices AD7476A data sheet rev. F, p. 22, 12 clocks at 20 MHz and 298 ns",
        "read",
        (
            Figure(
                "cycle, s",
                lambda: poll_time(n=1, bits=10.5, f=20e6, lead=10e-9, lag=0.0, idle=298e-9),
                833e-9,
                0.5e-9,
            ),
        ),
    ),
    Example(
        "Analog Devices AD7910/AD7920 data sheet rev. C, p. 7, timing example 1: 5 MHz and 1.49 us",
        "read",
        (
            Figure(
                "cycle, s",
                lambda: poll_time(n=1, bits=12.5, f=5e6, lead=10e-9, lag=0.0, idle=1.49e-6),
                4e-6,
                5e-9,
            ),
        ),
    ),
    Example(
        "SmartSolve, question 29 on the stability of crystals: 20 MHz and 200 ppm",
        "read",
        (
            Figure("highest, Hz", lambda: real_clock(f=20e6, tol=200e-6), 20.004e6, 0.5),
            Figure("lowest, Hz", lambda: real_clock(f=20e6, tol=-200e-6), 19.996e6, 0.5),
        ),
    ),
    Example(
        "answer.ya.guru, question 6457608 on rate-monotonic scheduling: 25 in 50 and 30 in 75",
        "read",
        (Figure("load", lambda: load_share(a=25.0, pa=50.0, b=30.0, pb=75.0), 0.9, 1e-9),),
    ),
    Example(
        "A. Silberschatz, P. B. Galvin, G. Gagne, Operating System Concepts, 9th edition, 6.6.3: 20 in 50 "
        "and 35 in 100; 25 in 50 and 35 in 80",
        "from memory",
        (
            Figure(
                "load that can be scheduled",
                lambda: load_share(a=20.0, pa=50.0, b=35.0, pb=100.0),
                0.75,
                1e-9,
            ),
            Figure(
                "load that cannot", lambda: load_share(a=25.0, pa=50.0, b=35.0, pb=80.0), 0.94, 5e-3
            ),
        ),
    ),
]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e.source[:40])
def test_printed_digits_are_reproduced(example: Example) -> None:
    reproduced(example)


def test_each_example_says_where_it_stands() -> None:
    in_order(EXAMPLES)


def test_the_ripple_is_within_its_limit_as_the_data_sheet_says(given: Given) -> None:
    # SLVSBI5B: 243 mV, below the input limit of 300 mV (by less than the fifth that is asked here); a buck
    # converter has one half-bridge and a direct current, so that the power factor is 1
    verdict = one(
        given(
            {
                "stage:motor.current.peak": "5 A",
                "stage:pwm.frequency": "570 kHz",
                "stage:dclink.capacitor": "9.4 uF",
                "stage:dclink.esr": "2 mohm",
                "stage:motor.power_factor": "100 %",
                "stage:limits.supply_ripple": "300 mV",
            }
        ),
        "dclink.ripple-voltage",
    )
    assert typ(verdict) == pytest.approx(243e-3, abs=0.5e-3)
    assert verdict.status == "low_margin"
    assert verdict.margin == pytest.approx(57e-3, abs=0.5e-3)


def test_a_converter_at_its_highest_clock(given: Given) -> None:
    # AD7476A, p. 8 and 9: at most 20 MHz, and its two timing examples at 20 MHz and 5 MHz; a crystal that is
    # 200 ppm too fast exceeds the limit on which the first of them sits
    for clock, tolerance, status in (
        ("20 MHz", "0 %", "low_margin"),
        ("20 MHz", "-0.02..0.02 %", "fails"),
        ("5 MHz", "-0.02..0.02 %", "holds"),
    ):
        verdict = one(
            given(
                {
                    "stage:spi.clock": clock,
                    "stage:controller.clock_tolerance": tolerance,
                    "chip:spi.clock_max": "20 MHz",
                }
            ),
            "spi.clock",
        )
        assert verdict.status == status


def test_a_throughput_is_kept(given: Given) -> None:
    # AD7476A, p. 9, example 1: 1 MSPS is just kept, for 16 clocks and what is left of the pause after them
    rest = 365e-9 - (16 - 12.5) / 20e6
    inputs = given(
        {
            "stage:spi.clock": "20 MHz",
            "stage:controller.clock_tolerance": "0 %",
            "chip:spi.lead": "10 ns",
            "chip:spi.lag": "0 ns",
            "chip:spi.idle": f"{rest * 1e9:.6f} ns",
            "stage:poll.period": "1 us",
        }
    )
    inputs = inputs.with_values((), Facts(status_registers=1, frame_bits=16))
    assert typ(one(inputs, "spi.poll-time")) == pytest.approx(1e-6, abs=0.5e-9)


#: blog.isowiz.com, "ISO 26262 FTTI budgeting" (read), with FHTI = FDTI + FRTI of ISO 26262-1:2018, 3.55, 3.56
#: and 3.59 as quoted there: 142 ms of detection and reaction in an interval of 100 ms is a violation. How
#: the 142 ms are split is not printed, so that every split must be one.
SPLITS = [(20, 122), (50, 92), (100, 42)]


@pytest.mark.parametrize(("detect", "react"), SPLITS)
def test_a_budget_is_blown_by_a_fault(detect: int, react: int) -> None:
    fault = FaultTiming(
        name="torque", detect=parse_band(f"{detect} ms"), react=parse_band(f"{react} ms")
    )
    inputs = Inputs(
        [Input("stage:safety.ftti", parse_band("100 ms"), "test")], Facts(faults=(fault,))
    )
    (verdict,) = run(inputs, ["reaction.time"])
    assert verdict.status == "fails"
    assert verdict.margin == pytest.approx(-42e-3)


@pytest.mark.parametrize(("detect", "react"), SPLITS)
def test_a_budget_is_blown_by_a_cyclic_test(given: Given, detect: int, react: int) -> None:
    # the interval of the test is its detection time (TI SFFS889, read); the frames themselves add 10 us
    inputs = given(
        {
            "stage:spi.clock": "5 MHz",
            "stage:controller.clock_tolerance": "0 %",
            "chip:spi.lead": "0 ns",
            "chip:spi.lag": "0 ns",
            "chip:spi.idle": "200 ns",
            "stage:readback.period": f"{detect} ms",
            "stage:controller.reaction": f"{react} ms",
            "stage:safety.ftti": "100 ms",
        }
    ).with_values((), Facts(setting_registers=2, frame_bits=24))
    verdict = one(inputs, "reaction.configuration")
    assert verdict.status == "fails"
    assert verdict.margin == pytest.approx(-42e-3 - 10e-6)
