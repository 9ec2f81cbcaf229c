"""A simulated chip that behaves as its map says, for work without hardware and for tests of firmware.

    from regmap.maps.load import load_map
    from regmap.twin import Twin

    twin = Twin(load_map("quoll16"), seed=1, recorder="bring_up.vcd")
    twin.inject("vds_ha at 12 ms for 30 us")
    [reply] = twin.transfer([0x8000])        # read:STATUS1, answered in the same frame
    twin.wait(0.012)
    twin.close()

What it does comes from the map alone; `gaps(chip)` names what the map leaves open. Faults and
electrical troubles are injected by name and time (`regmap.twin.trouble`). `regmap.twin.adapter`
puts it behind the adapter protocol, on a pseudo-terminal or any pair of byte streams;
`regmap.twin.chain` puts several on one chip select; `regmap.testing` is for pytest.

It is a model of register behaviour, no model of silicon: no analogue quantity is simulated, times
are typical ones, and passing here proves nothing about a real stage.
"""

from __future__ import annotations

from .chip import Twin, gaps
from .clock import Clock, RealClock
from .core import Core, Event
from .record import Recorder
from .trouble import LINE_TROUBLES, TROUBLES, Injection, parse_injection

__all__ = [
    "LINE_TROUBLES",
    "TROUBLES",
    "Clock",
    "Core",
    "Event",
    "Injection",
    "RealClock",
    "Recorder",
    "Twin",
    "gaps",
    "parse_injection",
]
