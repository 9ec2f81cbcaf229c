"""A gate current in steps, and steps that the chip adjusts by itself.

    turn-on    | pre-charge | edge current | after the edge ...
    turn-off   | pre-discharge | edge current | after the edge ...

Each step has its current and its time, the last one lasts. What a step moves is current times time;
where the plateau lies in that staircase is a question of charge alone, so a pre-charge that is too
long runs into the edge. With closed-loop adjustment the chip sets the first step so that the edge
begins a wanted time after the start, or the edge current so that the edge has a wanted slope; the
times are then what was wanted, within the chip's tolerance, as long as the currents suffice
(`gate.adjustment`).
"""

from __future__ import annotations

from typing import Any

from .corner import Variable, formula, larger, smaller
from .work import Work

#: Roles of the steps by way: current and time of the first, time of the edge current, current after
#: it, wanted delay.
ROLES = {
    "source": (
        "gate.precharge",
        "gate.precharge_time",
        "gate.source_time",
        "gate.after_source",
        "gate.delay_on",
    ),
    "sink": (
        "gate.predischarge",
        "gate.predischarge_time",
        "gate.sink_time",
        "gate.after_sink",
        "gate.delay_off",
    ),
}
LEFT = "what of a step is left is moved by the next: t = Q / I, step by step"


def uses(way: str) -> str:
    """Input names that the steps of one way may look up, for the lists of the checks."""
    named = " ".join(f"role:{name}.{{side}}" for name in ROLES[way])
    return f"{named} role:gate.adjust role:gate.slew.{{side}} "


@formula(
    "min({q}, {i1} * {t1}) / {i1} + min({q} - min({q}, {i1} * {t1}), {i2} * {t2}) / {i2} "
    "+ max(0, {q} - {i1} * {t1} - {i2} * {t2}) / {i3}",
    "time",
    up="q",
    down="i1 i2 i3",
    free="t1 t2",
    source=LEFT,
)
def stepped_time(q: Any, i1: Any, t1: Any, i2: Any, t2: Any, i3: Any) -> Any:
    """Time in which three steps move a charge from the start; the third lasts as long as needed."""
    first = smaller(q, i1 * t1)
    second = smaller(q - first, i2 * t2)
    return first / i1 + second / i2 + larger(0.0, q - i1 * t1 - i2 * t2) / i3


@formula("max({a}, {b})", "current", up="a b", source="the larger of two steps")
def larger_step(a: Any, b: Any) -> Any:
    """The larger current of two steps."""
    return larger(a, b)


def flowing(
    steps: dict[str, Variable | None],
    begin: Variable | None,
    end: Variable | None,
) -> list[str]:
    """The steps (`i1`, `i2`, `i3`) that can flow at some corner while the charge goes from `begin` to `end`."""
    parts = tuple(steps[name] for name in ("i1", "t1", "i2", "t2"))
    if begin is None or end is None or None in parts:
        return []
    one = _least_and_most(parts[:2])
    both = [a + b for a, b in zip(one, _least_and_most(parts[2:]), strict=True)]
    found = ["i1"] if one[1] > begin.low else []
    if steps["i3"] is steps["i2"]:  # no third step
        return [*found, "i2"] if end.high > one[0] else found
    if both[1] > begin.low and end.high > one[0]:
        found += ["i2"]
    return [*found, "i3"] if end.high > both[0] else found


def _least_and_most(parts: tuple[Variable | None, ...]) -> list[float]:
    """Charge of a step of this current and time."""
    current, time = (p for p in parts if p is not None)
    return [current.low * time.low, current.high * time.high]


@formula("{qgd} * {slew} / {vs}", "current", up="qgd slew", down="vs", source="TI SLLSFQ7")
def slew_current(qgd: Any, slew: Any, vs: Any) -> Any:
    """Gate current that moves Qgd at a wanted slope: Ig = Qgd SR / V."""
    return qgd * slew / vs


@formula("{vs} / {slew}", "time", up="vs", down="slew", source="TI SLLSFQ7, design table: t = V/SR")
def slew_time(vs: Any, slew: Any) -> Any:
    """Duration of an edge with a wanted slope."""
    return vs / slew


@formula("{t} * {part} / {q}", "time", up="t part", down="q", source="even current: t = Q / I")
def part_of_delay(t: Any, part: Any, q: Any) -> Any:
    """Time that a part of a charge takes of the time of the whole."""
    return t * part / q


def adjusts(work: Work, name: str, side: str) -> Variable | None:
    """What the chip adjusts to (`gate.delay_on`, `gate.slew`); None where it does not."""
    if not work.stated("role:gate.adjust") or not work.stated(f"role:{name}.{side}"):
        return None
    switch = work.choice("role:gate.adjust")
    if switch in ("0", "off"):
        return None
    return work.take("t_wanted" if "delay" in name else "SR", f"role:{name}.{side}")


def stepped(work: Work, way: str, side: str) -> bool:
    """Whether this way of this side has steps."""
    first, _, _, last, _ = ROLES[way]
    return work.stated(f"role:{first}.{side}", f"role:{last}.{side}")


def step_settings(
    work: Work, way: str, side: str, edge: Variable | None
) -> dict[str, Variable | None]:
    """The staircase as arguments of `stepped_time`; a step that the chip lacks takes no time."""
    first, first_time, edge_time, last, _ = ROLES[way]
    none = work.constant("0", 0.0, "time", "no such step")
    steps: dict[str, Variable | None] = {"i1": edge, "t1": none, "i2": edge, "t2": none, "i3": edge}
    if work.stated(f"role:{first}.{side}"):
        steps["i1"] = work.take("Ipre", f"role:{first}.{side}")
        steps["t1"] = work.take("t_pre", f"role:{first_time}.{side}")
    if work.stated(f"role:{last}.{side}"):
        steps["t2"] = work.take("t_edge", f"role:{edge_time}.{side}")
        steps["i3"] = work.take("Iafter", f"role:{last}.{side}")
    return steps
