"""What it means when a check does not hold, from the worst to the mildest.

A search over settings never buys a milder consequence off with a worse one.
"""

from __future__ import annotations

#: The classes, worst first; `consequence` gives the number.
CONSEQUENCES = (
    "destroys the bridge",
    "leaves a protection without effect",
    "stops the drive in normal running",
    "costs performance",
    "costs comfort",
)
BRIDGE, PROTECTION, STOPS, PERFORMANCE, COMFORT = range(5)

#: Checks by the beginning of their name up to a dot; the longest that fits counts.
_CLASSES = {
    "deadtime.enough": BRIDGE,
    "deadtime.handshake": BRIDGE,
    "gate.overshoot": BRIDGE,
    "gate.turn-on-peak": BRIDGE,
    "gate.avalanche": BRIDGE,
    "gate.hold": BRIDGE,
    "gate.miller": BRIDGE,
    "gate.rating": BRIDGE,
    "gate.voltage": BRIDGE,
    "gate.voltage-crank": BRIDGE,
    "gate.drive-time": BRIDGE,
    "vds.withstand": BRIDGE,
    "vds.retry": BRIDGE,
    "vds.retry-temperature": BRIDGE,
    "vds.short-current": BRIDGE,
    "vds.short-energy": BRIDGE,
    "vds.short-temperature": BRIDGE,
    "vds.safe-area": BRIDGE,
    "vds.turn-off-overshoot": BRIDGE,
    "supply.load-dump-chip": BRIDGE,
    "supply.load-dump-mosfet": BRIDGE,
    "supply.load-dump-overshoot": BRIDGE,
    "supply.surge-chip": BRIDGE,
    "supply.surge-mosfet": BRIDGE,
    "supply.surge-standoff": BRIDGE,
    "supply.surge-energy": BRIDGE,
    "supply.surge-current": BRIDGE,
    "supply.jump-start": BRIDGE,
    "supply.reverse": BRIDGE,
    "supply.negative-pulse": BRIDGE,
    "supply.operating": BRIDGE,
    "dclink.regeneration": BRIDGE,
    "dclink.transients": BRIDGE,
    "motor.back-emf": BRIDGE,
    "supply.course-chip": BRIDGE,
    "supply.course-mosfet": BRIDGE,
    "supply.course-energy": BRIDGE,
    "supply.course-current": BRIDGE,
    "supply.course-drain": BRIDGE,
    "supply.course-duration": BRIDGE,
    "thermal": BRIDGE,
    "vds.protects": PROTECTION,
    "overcurrent.protects": PROTECTION,
    "undervoltage.protects": PROTECTION,
    "overvoltage.protects": PROTECTION,
    "reaction": PROTECTION,
    "safety": PROTECTION,
    "watchdog": STOPS,
    "vds.no-false-trip": STOPS,
    "vds.blanking": STOPS,
    "overcurrent.no-false-trip": STOPS,
    "overcurrent.outlasts-spike": STOPS,
    "undervoltage.no-false-trip": STOPS,
    "undervoltage.crank": STOPS,
    "undervoltage.course": STOPS,
    "overvoltage.no-false-trip": STOPS,
    "supply.course-pause": STOPS,
    "bootstrap.refresh": STOPS,
    "sense.use": COMFORT,
    "sense.step": COMFORT,
    "sense.shunt-drift": COMFORT,
    "supply.standby": COMFORT,
    "supply.wake-time": COMFORT,
    "startup.first-pwm": COMFORT,
    "sleep": COMFORT,
    "deadtime.voltage-error": COMFORT,
    "deadtime.compensated": COMFORT,
    "deadtime.compensation-knee": COMFORT,
    "deadtime.diode-loss": COMFORT,
}


def consequence(check: str) -> int:
    """The class of a check or of one of its verdicts, 0 the worst; what is not listed costs performance."""
    name = check
    while name:
        if name in _CLASSES:
            return _CLASSES[name]
        name = name.rpartition(".")[0]
    return PROTECTION if ".protects" in check else PERFORMANCE
