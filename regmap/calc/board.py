"""What the board does to heat: thermal vias, copper as a resistance, the bridge that warms the driver."""

from __future__ import annotations

import math
from typing import Any

from .corner import Variable, any_of, formula, larger, log
from .gatesupply import DRIVER_USES, driver_loss
from .inputs import ImpossibleError
from .registry import Outcome, check, sided
from .thermal import CAUTION, OPERATING_USES, operating_junction
from .work import Work


@formula(
    "{l} / ({n} * {k} * pi * {t} * ({d} - {t}))",
    "thermal resistance",
    up="l",
    down="n k t d",
    source="R = l / (k A) of n copper barrels side by side, A = pi t (d - t); heat conduction",
)
def via_resistance(l: Any, n: Any, k: Any, t: Any, d: Any) -> Any:  # noqa: E741 (the usual symbol)
    """Thermal resistance of plated holes of diameter `d` as drilled, plated `t` thick."""
    if any_of(2 * t > d):
        raise ImpossibleError("the plating is thicker than half the hole")
    return l / (n * k * math.pi * t * (d - t))


@formula(
    "max(0, ln({r2} / {r1})) / (2 * pi * {k} * {h})",
    "thermal resistance",
    up="r2",
    down="r1 k h",
    source="R = ln(r2 / r1) / (2 pi k h) of a ring of copper, heat going outwards; heat conduction",
)
def spreading_resistance(r1: Any, r2: Any, k: Any, h: Any) -> Any:
    """Thermal resistance of copper `h` thick, from a pad of radius `r1` to vias on a circle of radius `r2`."""
    return log(larger(1.0, r2 / r1)) / (2 * math.pi * k * h)


@formula(
    "{a} + {s} + {b} + {c}",
    "thermal resistance",
    up="a s b c",
    source="resistances in one path of heat",
)
def one_path(a: Any, s: Any, b: Any, c: Any) -> Any:
    """Junction to case, to the vias, through the board, and the interface below it."""
    return a + s + b + c


def _spreading(work: Work) -> Variable | None:
    """From the pad to vias around it; nothing where the stage does not say that they lie around it."""
    if not work.stated("stage:vias.ring_radius"):
        return work.constant("Rspread", 0.0, "thermal resistance", "vias.ring_radius not stated")
    return work.derive(
        "Rspread",
        spreading_resistance,
        r1=work.take("r1", "stage:vias.pad_radius"),
        r2=work.take("r2", "stage:vias.ring_radius"),
        k=work.take("k", "stage:vias.conductivity"),
        h=work.take("h", "stage:vias.copper"),
    )


@sided(
    "thermal.vias",
    "junction temperature with the heat through thermal vias",
    "Tj = Tsink + (Rjc + Rspread + Rvia + Rtim) P(Tj), Rspread = ln(r2 / r1) / (2 pi k h), "
    "Rvia = l / (n k pi t (d - t))",
    OPERATING_USES + "stage:mosfet.tj_max stage:mosfet.rth_case stage:vias.count "
    "stage:vias.diameter stage:vias.plating stage:vias.length stage:vias.conductivity "
    "stage:vias.interface stage:vias.pad_radius stage:vias.ring_radius stage:vias.copper "
    "stage:heatsink.temperature",
    CAUTION + " Spreading in the board, solder in the vias and the crowding of heat towards few "
    "vias are left out.",
)
def vias(work: Work, side: str) -> Outcome:
    """All heat of one switch through its vias, below its pad or around it, to a cooled underside."""
    if not work.stated("stage:vias.count"):
        return None
    through = work.derive(
        "Rvia",
        via_resistance,
        l=work.take("l", "stage:vias.length"),
        n=work.take("n", "stage:vias.count"),
        k=work.take("k", "stage:vias.conductivity"),
        t=work.take("t", "stage:vias.plating"),
        d=work.take("d", "stage:vias.diameter"),
    )
    path = work.derive(
        "Rth",
        one_path,
        a=work.take("Rjc", "stage:mosfet.rth_case"),
        s=_spreading(work),
        b=through,
        c=work.take("Rtim", "stage:vias.interface"),
    )
    sink = work.take("Tsink", "stage:heatsink.temperature")
    value = operating_junction(work, side, sink, path)
    return work.at_most(value, work.take("Tj,max", "stage:mosfet.tj_max"), base=sink)


COPPER = "IEC 60028: annealed copper, 1/58 ohm mm^2/m and 0.393 %/K at 20 degC (from memory)"


@formula(
    "{l} / (58e6 * {w} * {h}) * (1 + 0.00393 * ({t} - 20))",
    "resistance",
    up="l t",
    down="w h",
    source=COPPER,
)
def copper_resistance(l: Any, w: Any, h: Any, t: Any) -> Any:  # noqa: E741
    """Resistance of a copper path of this length, width and thickness at a temperature in degC."""
    return l / (58e6 * w * h) * (1 + 0.00393 * (t - 20))


@formula("{i}^2 * {r}", "power", up="i r", source="Joule's law")
def copper_heat(i: Any, r: Any) -> Any:
    """Loss in a resistance."""
    return i * i * r


def _path(work: Work) -> Variable | None:
    return work.derive(
        "R",
        copper_resistance,
        l=work.take("l", "stage:copper.length"),
        w=work.take("w", "stage:copper.width"),
        h=work.take("h", "stage:copper.thickness"),
        t=work.take("Tboard", "stage:temperature.board"),
    )


_COPPER = (
    "stage:copper.length stage:copper.width stage:copper.thickness stage:temperature.board "
    "stage:motor.current.rms "
)


@check(
    "thermal.copper-loss",
    "loss in the copper path of a phase",
    "P = Irms^2 l / (58 MS/m w h) (1 + 0.393 %/K (T - 20 degC))",
    _COPPER + "stage:limits.copper_loss",
    CAUTION,
)
def copper_loss(work: Work) -> Outcome:
    """The phase current in a path of the stated geometry, at the board's temperature."""
    if not work.stated("stage:copper.length"):
        return None
    value = work.derive(
        "P", copper_heat, i=work.take("Irms", "stage:motor.current.rms"), r=_path(work)
    )
    return work.at_most(value, work.take("limit", "stage:limits.copper_loss"))


@formula(
    "{t} + ({i} / (0.048 * (1.55e9 * {w} * {h})^0.725))^(1 / 0.44)",
    "temperature",
    up="t i",
    down="w h",
    source="IPC-2221, charts for outer layers fitted as I = 0.048 dT^0.44 A^0.725, A in square mil "
    "(from memory)",
)
def copper_temperature(t: Any, i: Any, w: Any, h: Any) -> Any:
    """Temperature of a copper path in the open on a board at `t`."""
    return t + (i / (0.048 * (1.55e9 * w * h) ** 0.725)) ** (1 / 0.44)


@check(
    "thermal.copper-temperature",
    "temperature of the copper path of a phase",
    "T = Tboard + (Irms / (0.048 A^0.725))^(1 / 0.44), A = w h in square mil, outer layer",
    "stage:copper.width stage:copper.thickness stage:temperature.board stage:motor.current.rms "
    "stage:limits.copper_temperature",
    CAUTION + " The charts are of single paths in still air; planes run cooler.",
)
def copper_rise(work: Work) -> Outcome:
    """The charts' rise over the board against the temperature that the board stands."""
    if not work.stated("stage:limits.copper_temperature"):
        return None
    board = work.take("Tboard", "stage:temperature.board")
    path = {
        "i": work.take("Irms", "stage:motor.current.rms"),
        "w": work.take("w", "stage:copper.width"),
        "h": work.take("h", "stage:copper.thickness"),
    }
    value = work.derive("T", copper_temperature, t=board, **path)
    if value is not None and board is not None:
        _beyond_charts(work, value.high - board.high, **path)
    limit = work.take("limit", "stage:limits.copper_temperature")
    return work.at_most(value, limit, base=board)


def _beyond_charts(work: Work, rise: Any, **path: Variable | None) -> None:
    """Say where the fit is carried on beyond what was measured for the charts."""
    most = {name: variable.high for name, variable in path.items() if variable is not None}
    found = (
        (most["i"], 35, "A"),
        (1.55e9 * most["w"] * most["h"], 700, "square mil"),
        (rise, 100, "K of rise"),
    )
    # of draws there is no verdict
    beyond = [
        f"{n:.4g} {unit} (they end at {end})"
        for n, end, unit in found
        if isinstance(n, float) and n > end
    ]
    if beyond:
        work.remark(
            f"beyond the charts of IPC-2221: {', '.join(beyond)}; their ends are from memory. The fit is carried "
            "on: measure the copper's temperature"
        )


@formula(
    "{m} * (({th} - {ta}) + ({tl} - {ta})) / {rth}",
    "power",
    up="m th tl",
    down="ta rth",
    source="P = (Tj - Ta) / Rth of both switches of each half-bridge; heat conduction",
)
def bridge_heat(m: Any, th: Any, tl: Any, ta: Any, rth: Any) -> Any:
    """Loss of the whole bridge, from what its switches lie above ambient."""
    return m * ((th - ta) + (tl - ta)) / rth


@formula(
    "{ta} + {psi} * {pb} + {rth} * {p}",
    "temperature",
    up="ta psi pb rth p",
    source="superposition of two sources of heat: T = Ta + sum of R P",
)
def driver_beside(ta: Any, psi: Any, pb: Any, rth: Any, p: Any) -> Any:
    """Junction of a driver on a board that the bridge warms."""
    return ta + psi * pb + rth * p


@check(
    "thermal.driver-on-board",
    "junction temperature of the driver on the board that the bridge warms",
    "Tj = Ta + psi Pbridge + Rth P, Pbridge = n ((Tj,high - Ta) + (Tj,low - Ta)) / Rth,mosfet",
    "stage:board.coupling "
    + OPERATING_USES.replace("{side}", "high")
    + OPERATING_USES.replace("{side}", "low")
    + DRIVER_USES,
    CAUTION,
)
def driver_on_board(work: Work) -> Outcome:
    """Where the board's temperature is not measured: the bridge's loss times its coupling to the driver."""
    if not work.stated("stage:board.coupling"):
        return None
    ta = work.take("Ta", "stage:temperature.ambient")
    heat = work.derive(
        "Pbridge",
        bridge_heat,
        m=work.constant("n", 3.0, "ratio", "three half-bridges carry current"),
        th=operating_junction(work, "high"),
        tl=operating_junction(work, "low"),
        ta=ta,
        rth=work.take("Rth,mosfet", "stage:mosfet.rth"),
    )
    value = work.derive(
        "Tj",
        driver_beside,
        ta=ta,
        psi=work.take("psi", "stage:board.coupling"),
        pb=heat,
        rth=work.take("Rth", "chip:driver.rth"),
        p=driver_loss(work),
    )
    for name in ("role:temperature.warning", "role:temperature.shutdown"):
        if work.stated(name):
            return work.at_most(value, work.take("Tlimit", name), base=ta)
    return work.at_most(value, work.take("Tlimit", "chip:driver.tj_max"), base=ta)
