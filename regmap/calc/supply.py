"""Supply: thresholds against the operating range, starting profile, load dump, standby."""

from __future__ import annotations

from typing import Any

from ..quantity import Band
from .corner import Variable, formula
from .device import DRAIN_ERROR
from .gate import EDGE_CAUTION
from .registry import Outcome, check, sided
from .slopes import OVERSHOOT_USES, with_overshoot
from .startup import awake_time
from .work import Work

LOAD_DUMP_NOTE = (
    "The level of a load dump is yours to state from your specification; none is built in. ISO 16750-2 has "
    "tests of it"
)


@formula(
    "({isl} * (1 - {n} * {tw} / 86400 s) + {ion} * {n} * {tw} / 86400 s + {io}) * {t}",
    "battery charge",
    up="ion io t",
    either="isl n tw",
    source="mean current times time, by wakes a day: Semtech, LoRa developer portal, Calculate battery life",
)
def standby_charge(isl: Any, n: Any, tw: Any, ion: Any, io: Any, t: Any) -> Any:
    """Charge taken in standby, asleep but for `n` wake phases of `tw` seconds a day, `io` beside the chip."""
    awake = n * tw / 86400.0
    return (isl * (1 - awake) + ion * awake + io) * t


@check(
    "undervoltage.no-false-trip",
    "undervoltage threshold below the operating range",
    "Vuv <= Vs,min",
    "role:uv.threshold stage:supply.driver",
)
def undervoltage(work: Work) -> Outcome:
    """Highest undervoltage threshold against the lowest operating supply."""
    return work.at_most(
        work.take("Vuv", "role:uv.threshold"), work.take("Vs", "stage:supply.driver")
    )


@check(
    "undervoltage.crank",
    "undervoltage threshold below the starting profile",
    "Vuv <= Vcrank",
    "role:uv.threshold stage:supply.crank",
    "The starting profile is yours to state; none is built in.",
)
def crank(work: Work) -> Outcome:
    """Highest undervoltage threshold against the lowest level of the starting profile."""
    return work.at_most(
        work.take("Vuv", "role:uv.threshold"), work.take("Vcrank", "stage:supply.crank")
    )


@check(
    "overvoltage.no-false-trip",
    "overvoltage threshold above the operating range",
    "Vov >= Vs,max",
    "role:ov.threshold stage:supply.driver",
)
def overvoltage(work: Work) -> Outcome:
    """Lowest overvoltage threshold against the highest operating supply."""
    return work.at_least(
        work.take("Vov", "role:ov.threshold"), work.take("Vs", "stage:supply.driver")
    )


@check(
    "overvoltage.protects",
    "overvoltage trips below the chip's absolute maximum",
    "Vov <= Vs,abs",
    "role:ov.threshold role:ov.mode chip:supply.max",
    watches="ov.threshold",
)
def ov_protects(work: Work) -> Outcome:
    """Highest overvoltage threshold against the absolute maximum of the chip.

    To report is enough here: what ends the overvoltage is the controller, which stops to brake. A
    monitor that is off tells it nothing, and fails.
    """
    verdict = work.at_most(
        work.take("Vov", "role:ov.threshold"), work.take("Vs,abs", "chip:supply.max")
    )
    return work.protected(verdict, "ov.threshold", "ov.mode")


@check(
    "supply.operating",
    "operating range inside the chip's",
    "Vs within the chip's range",
    "stage:supply.driver chip:supply.operating",
)
def operating(work: Work) -> Outcome:
    """The stage's supply range against the range in which the data sheet's figures hold."""
    here = work.take("Vs", "stage:supply.driver")
    band = work.inputs.find("chip:supply.operating")
    if work.take("Vop", "chip:supply.operating") is None or band is None:
        return work.within(here, None, None)
    assert isinstance(band.value, Band)
    lower, upper = (
        Variable(name, float(v), float(v), float(v), "voltage", origin=band)
        for name, v in (("Vop,min", band.value.low), ("Vop,max", band.value.high))
    )
    return work.within(here, lower, upper)


def suppressed_centrally(work: Work) -> bool:
    """Whether the stage says by the class of its test that another suppressor takes the load dump."""
    if not work.stated("stage:supply.load_dump_class"):
        return False
    return str(work.choice("stage:supply.load_dump_class")).endswith("test B")


def load_dump_level(work: Work) -> Variable | None:
    """The level of a load dump as stated, with the test that the stage says it is of."""
    if work.stated("stage:supply.load_dump_class"):
        told = work.choice("stage:supply.load_dump_class")
        work.remark(f"the stage calls it {told} of ISO 16750-2; its level is the stage's own")
    return work.take("Vld", "stage:supply.load_dump")


LOAD_DUMP_USES = "stage:supply.load_dump stage:supply.load_dump_class "


@check(
    "supply.load-dump-chip",
    "load dump within the chip's absolute maximum",
    "Vld <= Vs,abs",
    LOAD_DUMP_USES + "chip:supply.max",
    LOAD_DUMP_NOTE + ".",
)
def load_dump_chip(work: Work) -> Outcome:
    """Load-dump voltage against the absolute maximum of the chip."""
    return work.at_most(load_dump_level(work), work.take("Vs,abs", "chip:supply.max"))


@check(
    "supply.load-dump-mosfet",
    "load dump within the MOSFET's drain-source rating",
    "Vld <= Vds,max",
    LOAD_DUMP_USES + "stage:mosfet.vds_max",
    LOAD_DUMP_NOTE + ".",
)
def load_dump_mosfet(work: Work) -> Outcome:
    """Load-dump voltage against the rating of the MOSFETs."""
    return work.at_most(load_dump_level(work), work.take("Vds,max", "stage:mosfet.vds_max"))


@sided(
    "supply.load-dump-overshoot",
    "drain voltage with the overshoot of turn-off in a load dump",
    "V = Vld + Vf + L di/dt <= Vds,max",
    LOAD_DUMP_USES + OVERSHOOT_USES + "stage:mosfet.vds_max",
    f"{LOAD_DUMP_NOTE}. {EDGE_CAUTION}",
    model_error=DRAIN_ERROR,
)
def load_dump_overshoot(work: Work, side: str) -> Outcome:
    """The bridge still switches when the load dump begins: its overshoot stands on top of it."""
    if not work.stated("stage:supply.load_dump"):
        return None
    value = with_overshoot(work, side, load_dump_level(work))
    return work.at_most(value, work.take("Vds,max", "stage:mosfet.vds_max"))


@check(
    "supply.standby",
    "charge taken from the battery in standby",
    "Q = (Isleep (1 - n tw / 1 d) + I n tw / 1 d + Iother) t",
    "chip:supply.sleep_current chip:supply.current stage:standby.time "
    "stage:standby.wakes_per_day stage:standby.wake_time stage:standby.other_current "
    "stage:supply.charge_budget",
)
def standby(work: Work) -> Outcome:
    """Sleep and wake current over the days of standby against the charge budget."""
    value = work.derive(
        "Q",
        standby_charge,
        isl=work.take("Isleep", "chip:supply.sleep_current"),
        ion=work.take("I", "chip:supply.current"),
        io=work.take("Iother", "stage:standby.other_current"),
        t=work.take("t", "stage:standby.time"),
        n=work.take("n", "stage:standby.wakes_per_day"),
        tw=work.take("tw", "stage:standby.wake_time"),
    )
    return work.at_most(value, work.take("budget", "stage:supply.charge_budget"))


@check(
    "supply.wake-time",
    "wake-up in time",
    "t_wake <= limit",
    "chip:supply.wake_time stage:limits.wake_time",
)
def wake_time(work: Work) -> Outcome:
    """Wake-up time of the chip against the time permitted."""
    return work.at_most(awake_time(work), work.take("limit", "stage:limits.wake_time"))
