"""The times that the gate driver's currents take on a MOSFET: to its plateau, along it, and beyond.

The currents are those of `currents`, the MOSFET is that of `device`. With a set current and a known
resistance in its path each phase is worked as it fades; in steps as the steps move its charge; where
the chip adjusts, the time is what was wanted.
"""

from __future__ import annotations

from typing import Any

from .channel import plateau, threshold
from .corner import Variable, any_of, formula, larger, log, smaller
from .currents import (
    SINK_USES,
    SOURCE_USES,
    WAY,
    charge_more,
    gate_current,
    gate_voltage,
    in_series,
    is_resistive,
    less,
    phase_charges,
    staircase,
)
from .device import (
    beyond_charge,
    current_charge,
    drain_charge,
    drain_charge_over,
    end_capacitance,
    source_charge,
    total_charge,
)
from .inputs import ImpossibleError
from .steps import adjusts, part_of_delay, slew_time, stepped, stepped_time
from .work import Work


@formula(
    "{q} / {i}", "time", up="q", down="i", source="Microchip MCP14H2304 documentation, section 5.8"
)
def charge_time(q: Any, i: Any) -> Any:
    """Time in which a current moves a charge: t = Q / I."""
    return q / i


@formula("{a} + {b}", "time", up="a b", source="sum of consecutive phases")
def then(a: Any, b: Any) -> Any:
    """Two times one after the other."""
    return a + b


PHASE = "dq / i over an even capacitance, i = min(Iset, u / R): circuit theory"


@formula(
    "{q} * ((max({far}, {i} * {r}) - max({near}, {i} * {r})) / {i} "
    "+ {r} * ln(min({far}, {i} * {r}) / min({near}, {i} * {r}))) / ({far} - {near})",
    "time",
    up="q r",
    down="far near i",
    source=PHASE,
)
def limited_phase(q: Any, far: Any, near: Any, i: Any, r: Any) -> Any:
    """Time in which a set current, limited by a resistance, moves a charge.

    The gate's distance to its rail shrinks from `far` to `near` meanwhile.
    """
    near = _apart(far, near)
    knee = i * r
    steady = (larger(far, knee) - larger(near, knee)) / i
    if any_of(knee > smaller(far, near)):
        steady = steady + r * log(_share(smaller(far, knee), smaller(near, knee)))
    return q * steady / (far - near)


@formula(
    "{q} * {r} * ln({far} / {near}) / ({far} - {near})",
    "time",
    up="q r",
    down="far near",
    source=PHASE,
)
def resistive_phase(q: Any, far: Any, near: Any, r: Any) -> Any:
    """The same through a resistance alone."""
    near = _apart(far, near)
    return q * r * log(far / near) / (far - near)


def _apart(far: Any, near: Any) -> Any:
    """`near`, moved off `far` where both are equal: the mean over no distance is its limit."""
    if any_of(near <= 0) or any_of(far <= 0):
        raise ImpossibleError(
            "the gate voltage does not exceed the plateau voltage: the MOSFET never turns on fully"
        )
    return near * (1 - 1e-7 * (abs(far - near) < 1e-7 * near))


def _share(a: Any, b: Any) -> Any:
    return (a + 1e-300) / (b + 1e-300)


def course(work: Work, way: str, side: str) -> list[tuple[float, float]]:
    """The gate current at typical values: (current in A, until when in s), the last one for good.

    Empty where it is one current. What the chip adjusts has the current that its wish needs.
    """
    if is_resistive(work, way, side):
        return []
    edge = gate_current(work, way, side)
    first, last = edge, edge
    ends: list[Variable | None] = []
    wanted = adjusts(work, "gate.delay_on" if way == "source" else "gate.delay_off", side)
    if stepped(work, way, side):
        steps = staircase(work, way, side)
        slew = adjusts(work, "gate.slew", side)
        first, last = steps["i1"], steps["i3"]
        edge = edge if slew is not None else steps["i2"]
        ends = [end for _, end in step_ends(work, way, side)]
        if not ends or (steps["t1"] is not None and steps["t1"].typ == 0 and wanted is None):
            ends.insert(0, steps["t1"])
    if wanted is not None:
        charge = source_charge(work) if way == "source" else beyond_charge(work, side)
        if charge is None:
            return []
        first = work.constant("Ineed", float(charge.typ / wanted.typ), "current", "adjusted")
        ends = [wanted, *ends[1:]]
    if not ends:
        return []
    currents = [first, edge, last][: len(ends) + 1] if len(ends) > 1 else [first, edge]
    times = [float(e.typ) for e in ends if e is not None] + [float("inf")]
    found = [float(c.typ) for c in currents if c is not None]
    return list(zip(found, times, strict=True)) if len(found) == len(times) else []


def step_ends(work: Work, way: str, side: str) -> list[tuple[str, Variable | None]]:
    """Where the steps of a stepped current end, from its start: what ends, and when."""
    if is_resistive(work, way, side) or not stepped(work, way, side):
        return []
    steps = staircase(work, way, side)
    first = steps["t1"]
    found: list[tuple[str, Variable | None]] = []
    if way == "source" and adjusts(work, "gate.delay_on", side):
        first = adjusts(work, "gate.delay_on", side)
    if first is not None and first.high > 0:
        found.append(("pre-charge over" if way == "source" else "pre-discharge over", first))
    if steps["t2"] is not None and steps["t2"].high > 0:
        found.append(("edge current over", work.derive("t", then, a=first, b=steps["t2"])))
    return found


def moved_in(work: Work, way: str, side: str, symbol: str, q: Variable | None) -> Variable | None:
    """Time in which the steps move a charge from the start of gate charge or discharge."""
    return work.derive(symbol, stepped_time, q=q, **staircase(work, way, side))


def _between(
    work: Work, way: str, side: str, symbol: str, ends: tuple[Variable | None, Variable | None]
) -> Variable | None:
    """Time in which the steps take the charge from one level to another."""
    first, last = (moved_in(work, way, side, f"t({q.symbol})", q) if q else None for q in ends)
    return work.derive(symbol, time_between, a=last, b=first)


@formula("{a} - {b}", "time", up="a", down="b", source="difference of times")
def time_between(a: Any, b: Any) -> Any:
    """From one instant to a later one."""
    return a - b


def phase_time(
    work: Work,
    way: str,
    side: str,
    symbol: str,
    q: Variable | None,
    levels: tuple[Variable | None, Variable | None],
    near: Variable | None = None,
) -> Variable | None:
    """Time to move a charge while the gate goes from one voltage to another.

    `near` is what the gate lacks to its rail at the end, where that is known directly. Where a set
    current flows and no voltage is known that could limit it, t = Q / I.
    """
    if not is_resistive(work, way, side):
        known = work.stated("stage:mosfet.plateau") and (
            way == "sink" or work.stated(f"role:gate.voltage.{side}")
        )
        if not known:
            return work.derive(symbol, charge_time, q=q, i=gate_current(work, way, side))
    far = _lacking(work, way, side, levels[0])
    near = near or _lacking(work, way, side, levels[1])
    path = _path(work, way, side)
    if is_resistive(work, way, side):
        return work.derive(symbol, resistive_phase, q=q, far=far, near=near, r=path)
    setting = work.take(f"Iset,{WAY[way]}", f"role:gate.{way}.{side}")
    return work.derive(symbol, limited_phase, q=q, far=far, near=near, i=setting, r=path)


def _path(work: Work, way: str, side: str) -> Variable | None:
    """Resistance between the driver's rail and the gate itself."""
    word = WAY[way]
    path = work.derive(
        f"R,{word}",
        in_series,
        a=work.take(f"Rg,{word}", f"stage:gate.resistor.{word}"),
        b=work.take("Rint", "stage:mosfet.internal_resistance"),
    )
    if is_resistive(work, way, side):
        driver = work.take(f"Rdrv,{word}", f"chip:drive.resistance.{way}")
        path = work.derive(f"Rall,{word}", in_series, a=driver, b=path)
    return path


def _lacking(work: Work, way: str, side: str, level: Variable | None) -> Variable | None:
    """What the gate lacks to the rail at a gate voltage; None as a level is the gate at rest."""
    if way == "sink":
        return level
    top = gate_voltage(work, side)
    return top if level is None else work.derive(f"Vg-{level.symbol}", less, a=top, b=level)


def edge_time(work: Work, way: str, side: str, symbol: str) -> Variable | None:
    """Duration of the VDS edge, which is the plateau: Qgd / Ig."""
    qgd = drain_charge(work)
    if not is_resistive(work, way, side):
        slew = adjusts(work, "gate.slew", side)
        if slew is not None:
            vs = work.take("Vs", "stage:supply.voltage")
            return work.derive(symbol, slew_time, vs=vs, slew=slew)
        if stepped(work, way, side):
            _, reached, over, _ = phase_charges(work, way, side)
            return _between(work, way, side, symbol, (reached, over))
    return work.derive(symbol, charge_time, q=qgd, i=gate_current(work, way, side))


def current_edge_time(work: Work, way: str, side: str, symbol: str) -> Variable | None:
    """Duration of the current edge, Qgs2 between threshold and plateau."""
    vth = threshold(work)
    vpl = plateau(work)
    levels = (vth, vpl) if way == "source" else (vpl, vth)
    if not is_resistive(work, way, side):
        wanted = adjusts(work, "gate.delay_on", side) if way == "source" else None
        if wanted is not None:
            qgs = source_charge(work)
            return work.derive(symbol, part_of_delay, t=wanted, part=current_charge(work), q=qgs)
        if stepped(work, way, side):
            begin, reached, over, end = phase_charges(work, way, side)
            ends = (begin, reached) if way == "source" else (over, end)
            return _between(work, way, side, symbol, ends)
    return phase_time(work, way, side, symbol, current_charge(work), levels)


def plateau_reached(work: Work, side: str) -> Variable | None:
    """Start of gate charge to the plateau: Qgs from the gate at rest to Vpl."""
    qgs, vpl = source_charge(work), plateau(work, optional=True)
    if not is_resistive(work, "source", side):
        wanted = adjusts(work, "gate.delay_on", side)
        if wanted is not None:
            return wanted
        if stepped(work, "source", side):
            return moved_in(work, "source", side, "t_gs", qgs)
    return phase_time(work, "source", side, "t_gs", qgs, (None, vpl))


def after_edge(
    work: Work, side: str, symbol: str, q: Variable | None, near: Variable | None = None
) -> Variable | None:
    """Time of a charge that follows on the voltage edge at turn-on; `near` as in `phase_time`."""
    if is_resistive(work, "source", side) or not stepped(work, "source", side):
        vpl = plateau(work)
        return phase_time(work, "source", side, symbol, q, (vpl, vpl), near)
    over = phase_charges(work, "source", side)[2]
    end = work.derive("Qend", charge_more, a=over, b=q)
    return _between(work, "source", side, symbol, (over, end))


def turn_on_time(work: Work, side: str) -> Variable | None:
    """Start of gate charge to the end of the plateau: Qgs up to the plateau, Qgd along it."""
    edge = edge_time(work, "source", side, "t_gd")
    return work.derive("t_on", then, a=plateau_reached(work, side), b=edge)


def plateau_left(work: Work, side: str) -> Variable | None:
    """Start of gate discharge to the plateau: Qg - Qgs - Qgd from the full gate voltage."""
    if not is_resistive(work, "sink", side):
        wanted = adjusts(work, "gate.delay_off", side)
        if wanted is not None:
            return wanted
        if stepped(work, "sink", side):
            return moved_in(work, "sink", side, "t_delay", beyond_charge(work, side))
    vpl = plateau(work, optional=True)
    top = gate_voltage(work, side, optional=True)
    top = vpl if top is None else top  # the plateau's current is the least of this phase
    return phase_time(work, "sink", side, "t_delay", beyond_charge(work, side), (top, vpl))


def turn_off_parts(work: Work, side: str) -> dict[str, Variable | None]:
    """The phases of turn-off by name, in order."""
    return {
        "turn-off delay": plateau_left(work, side),
        "VDS edge": edge_time(work, "sink", side, "t_vds"),
        "current fall": current_edge_time(work, "sink", side, "t_id"),
    }


def turn_off_time(work: Work, side: str) -> Variable | None:
    """Start of gate discharge until the channel carries no current."""
    delay, edge, fall = turn_off_parts(work, side).values()
    return work.derive("t_off", then, a=delay, b=work.derive("t_vi", then, a=edge, b=fall))


@formula(
    "{qgs} * (1 - {v} / {vpl})",
    "charge",
    up="qgs vpl",
    down="v",
    source="constant gate-source capacitance up to the plateau",
)
def charge_down_to(qgs: Any, v: Any, vpl: Any) -> Any:
    """Charge that leaves a gate between the plateau and a lower voltage."""
    return qgs * (1 - v / vpl)


def gate_below(work: Work, side: str, level: Variable | None) -> Variable | None:
    """Start of gate discharge until the gate is down at `level`, which lies below the plateau."""
    vpl = plateau(work)
    qgs = source_charge(work)
    rest = work.derive("Qrest", charge_down_to, qgs=qgs, v=level, vpl=vpl)
    if not is_resistive(work, "sink", side) and stepped(work, "sink", side):
        over = phase_charges(work, "sink", side)[2]
        return moved_in(
            work, "sink", side, "t_gate,off", work.derive("Q", charge_more, a=over, b=rest)
        )
    delay, edge = plateau_left(work, side), edge_time(work, "sink", side, "t_vds")
    last = phase_time(work, "sink", side, "t_rest", rest, (vpl, level))
    return work.derive("t_gate,off", then, a=work.derive("t", then, a=delay, b=edge), b=last)


def drain_above(work: Work, side: str, level: Variable | None) -> Variable | None:
    """Start of gate discharge until the drain voltage is up at `level`, with the load's current in the channel."""
    qgd = drain_charge(work)
    vs = work.take("Vs", "stage:supply.voltage")
    crss = end_capacitance(work)
    part = work.derive("Qlevel", drain_charge_over, q=qgd, crss=crss, vt=vs, vs=level)
    edge = work.derive(
        "t_level", part_of_delay, t=edge_time(work, "sink", side, "t_vds"), part=part, q=qgd
    )
    return work.derive("t_drain,off", then, a=plateau_left(work, side), b=edge)


@formula(
    "{share} * {vg}", "voltage", up="share vg", source="nearly full, as an exponential never ends"
)
def share_of(share: Any, vg: Any) -> Any:
    """A share of the gate voltage."""
    return share * vg


def full_time(work: Work, way: str, side: str) -> Variable | None:
    """Time to move the whole gate charge, until the gate is within 5 % of its rail.

    Q / I, and longer where a resistance lets the current fade towards the rail.
    """
    qg = total_charge(work, side)
    if not is_resistive(work, way, side) and stepped(work, way, side):
        return moved_in(work, way, side, f"t_{way}", qg)
    stated = "stage:mosfet.qgs", "stage:mosfet.qgd", "stage:mosfet.plateau"
    top = gate_voltage(work, side, optional=not is_resistive(work, way, side))
    if top is None or not all(work.stated(name) for name in stated):
        return work.derive(f"t_{way}", charge_time, q=qg, i=gate_current(work, way, side))
    vpl = plateau(work)
    left = work.constant("x", 0.05, "ratio", "nearly full, as an exponential never ends")
    end = work.derive("V5", share_of, share=left, vg=top)
    edge = edge_time(work, way, side, "t_gd")
    if way == "source":
        first = plateau_reached(work, side)
        last = phase_time(work, way, side, "t_od", beyond_charge(work, side), (vpl, None), end)
    else:
        first = plateau_left(work, side)
        last = phase_time(work, way, side, "t_gs", source_charge(work), (vpl, None), end)
    return work.derive(f"t_{way}", then, a=first, b=work.derive("t_rest", then, a=edge, b=last))


ON_USES = SOURCE_USES + "stage:mosfet.qgs stage:mosfet.qgd "


OFF_USES = SINK_USES + (
    "stage:mosfet.qg stage:mosfet.qgs stage:mosfet.qgd stage:mosfet.vth role:gate.voltage.{side} "
)
