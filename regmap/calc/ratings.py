"""What stands on the supply of the bridge, and which of it gives way first."""

from __future__ import annotations

from .corner import Variable, show_value
from .inputs import Input
from .work import Work

#: Input names that a check gives in `uses` when it asks for the weakest rating.
RATINGS = "stage:dclink.voltage_max stage:mosfet.vds_max chip:supply.max stage:supply.driver "
CAPACITOR, MOSFET, CHIP = "stage:dclink.voltage_max", "stage:mosfet.vds_max", "chip:supply.max"
_PARTS = (
    ("Vc,max", CAPACITOR, "the DC-link capacitor"),
    ("Vds,max", MOSFET, "the MOSFETs"),
    ("Vs,abs", CHIP, "the chip"),
)


def own(work: Work, symbol: str, name: str) -> Variable | None:
    """An input that is stated itself; None where nothing is, or another only stands in for it."""
    found = work.maybe(symbol, name)
    return found if found is not None and found.origin and found.origin.name == name else None


def weakest(work: Work) -> Variable | None:
    """The lowest of the ratings stated of capacitor, MOSFETs and chip, in volts; the verdict names them all.

    A chip with a supply of its own (supply.driver) does not stand on the bridge's. None, and missing, where
    nothing is stated.
    """
    own_supply = own(work, "Vdrv", "stage:supply.driver") is not None
    found: list[tuple[float, Variable, str]] = []
    for symbol, name, part in _PARTS:
        rating = None if own_supply and name == CHIP else own(work, symbol, name)
        if rating is not None:
            found.append((_lowest(rating.origin), rating, part))
    if not found:
        return work.take("rating", CAPACITOR)
    found.sort(key=lambda one: one[0])
    told = ", ".join(f"{part} {show_value(volts, 'voltage')}" for volts, _, part in found)
    work.remark(f"weakest first, of what is stated on the supply: {told}")
    if own_supply:
        work.remark("the chip has a supply of its own (supply.driver) and is left out")
    return found[0][1]


def _lowest(item: Input | None) -> float:
    """The low end of a rating as it was stated, which draws do not move."""
    assert item is not None
    return item.value.floats()[0]  # type: ignore[union-attr]
