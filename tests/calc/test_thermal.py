"""The junction temperature that a stage states, and what is worked at it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from regmap.calc import Inputs, Verdict, run

Build = Callable[..., Inputs]


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    return verdict


@pytest.mark.parametrize("side", ["high", "low"])
def test_a_stated_junction_must_cover_the_computed_one(build: Build, side: str) -> None:
    """The other verdicts believe the statement, so it is held against thermal.mosfet's own figure."""
    computed = one(build(), f"thermal.mosfet.{side}").value
    assert computed is not None
    top = float(computed.high)
    for stated, holds in ((top - 5, False), (top + 20, True)):
        inputs = build(stage___mosfet__temperature=f"-40..{stated:.3f} degC")
        verdict = one(inputs, f"thermal.stated-range.{side}")
        met = one(inputs, f"thermal.mosfet.{side}").value
        assert met is not None
        assert verdict.value is not None
        assert float(verdict.value.high) == float(met.high)
        assert verdict.margin == pytest.approx(stated - float(met.high), abs=1e-3)
        assert (verdict.margin > 0) == holds
        assert (verdict.status != "fails") == holds
    assert run(build(), ["thermal.stated-range"]) == []


def test_the_gate_that_counts_as_off_is_that_at_the_stated_junction(build: Build) -> None:
    """2.2 V less 8 mV/K: at 150 degC stated 1.2 V, at 175 degC permitted 1.0 V."""
    changes: dict[str, str | int] = {
        "role___deadtime__handshake": 1,
        "role___deadtime__handshake_level": "0.8..1.1 V",
        "role___deadtime": "100..150 ns",
    }
    permitted = one(build(**changes), "deadtime.handshake.high").upper
    stated = one(
        build(stage___mosfet__temperature="-40..150 degC", **changes), "deadtime.handshake.high"
    ).upper
    assert permitted is not None
    assert stated is not None
    assert float(permitted.low) == pytest.approx(2.2 - 8e-3 * 150)
    assert float(stated.low) == pytest.approx(2.2 - 8e-3 * 125)
