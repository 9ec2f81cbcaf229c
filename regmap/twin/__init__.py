"""A simulated chip that behaves as its map says, for work without hardware and for tests of firmware.

    from regmap.maps.load import load_map
    from regmap.twin import Twin

    twin = Twin(load_map("quoll16"), seed=1, vcd="bring_up.vcd")
    twin.disturb("vds_uh at 12 ms for 30 us")
    [reply] = twin.transfer([0x8000])        # read:STATUS1, answered in the same frame
    twin.wait(0.012)
    twin.close()

What it does comes from the map alone; `gaps(chip)` names what the map leaves open. Faults and
electrical disturbances are given by name and time (`regmap.twin.disturbance`). `regmap.twin.adapter`
puts it behind the adapter protocol, on a pseudo-terminal or any pair of byte streams;
`regmap.twin.chain` puts several on one chip select; `regmap.testing` is for pytest.

It is a model of register behaviour, no model of silicon: no analogue quantity is simulated, times
are typical ones, and passing here proves nothing about a real stage.
"""

from __future__ import annotations

from .chip import Twin, gaps
from .clock import Clock, RealClock
from .core import Core, TwinEvent
from .disturbance import LINE_DISTURBANCES, SPI_DISTURBANCES, Disturbance, parse_disturbance
from .record import Recorder

__all__ = [
    "LINE_DISTURBANCES",
    "SPI_DISTURBANCES",
    "Clock",
    "Core",
    "Disturbance",
    "RealClock",
    "Recorder",
    "Twin",
    "TwinEvent",
    "gaps",
    "parse_disturbance",
]
