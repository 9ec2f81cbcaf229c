"""What a fault must show in a configuration, and within which times; read from the map's statements."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from regmap.record import dataclass

from ..chip.bank import Bank
from ..chip.model import Chip, Fault, Param
from ..expr import evaluate
from ..quantity import Band, parse

_TIME = parse("1 s").dim
POWER_OFF = Fraction(1, 1000)  # s; how long a power cycle of a plan takes the supply away
FALLBACK_POLL = Fraction(1, 100)  # s; where no stage says how often the status is read


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Of one fault: the codes of its field and of the sums that show it, pin, times in seconds.

    `shown` False: this configuration masks it, and nothing may be raised. `pin_low` None: not looked
    at. `limits` by name: detected (condition to pin or status), read (condition to the word in hand),
    reaction (condition to a safe state).
    """

    fault: str
    shown: bool
    codes: Mapping[str, int]
    pin_low: bool | None
    limits: Mapping[str, float]
    origins: Mapping[str, str]


def expected(chip: Chip, bank: Bank, fault: Fault, params: Mapping[str, Param]) -> Expected:
    """What is expected of a fault with the settings in `bank`; `params` are the stage's inputs."""
    masked = fault.masked_when is not None and evaluate(fault.masked_when, bank) is True
    codes = {fault.ref: fault.code}
    for above in _sums(chip, fault.name):
        codes[chip.faults[above].ref] = chip.faults[above].code
    limits, origins = _limits(chip, bank, fault, params)
    return Expected(
        fault=fault.name,
        shown=not masked,
        codes=codes,
        pin_low=not masked if fault.on_pin(bank) else None,
        limits=limits,
        origins=origins,
    )


def _sums(chip: Chip, name: str) -> list[str]:
    """The faults that sum this one up, and those above them."""
    found: list[str] = []
    waiting = [name]
    while waiting:
        below = waiting.pop()
        for fault in chip.faults.values():
            if below in fault.summary_of and fault.name not in found:
                found.append(fault.name)
                waiting.append(fault.name)
    return found


def _limits(
    chip: Chip, bank: Bank, fault: Fault, params: Mapping[str, Param]
) -> tuple[dict[str, float], dict[str, str]]:
    detected = fault.detect.high if fault.detect is not None else Fraction(0)
    parts = ["detect"] if fault.detect is not None else []
    for role in fault.uses:
        if role == "retry.time":
            continue
        for item in chip.with_role(role):
            reading = bank.reading(getattr(item, "ref", item.name))
            if reading is not None and reading.band is not None and reading.band.dim == _TIME:
                detected += reading.band.high
                parts.append(getattr(item, "ref", item.name))
            break
    if fault.normal_at_power_up:
        wake = chip.spi.wake_up.high if chip.spi.wake_up is not None else Fraction(0)
        detected += POWER_OFF + wake
        parts.append("1 ms without supply and the wake-up time")
    reacts = fault.react.high if fault.react is not None else Fraction(0)
    parts += ["react"] if fault.react is not None else []
    poll = _time(params, "poll.period")
    limits = {"detected": float(detected + reacts)} if parts else {}
    origins = {"detected": f"{' + '.join(parts)} of {fault.name}"} if parts else {}
    limits["read"] = float(detected + reacts + 2 * (poll or FALLBACK_POLL))
    origins["read"] = "detection and two poll periods" + (
        "" if poll else " of 10 ms, as none is stated"
    )
    tolerant = _time(params, "safety.ftti")
    if tolerant is not None:
        # what the outputs drive needs its own time to be safe
        actuator = params.get("actuator.reaction")
        after = (
            actuator.value.high if actuator and isinstance(actuator.value, Band) else Fraction(0)
        )
        limits["reaction"] = float(tolerant - after)
        origins["reaction"] = "safety.ftti" + (" less actuator.reaction" if after else "")
    return limits, origins


def _time(params: Mapping[str, Param], name: str) -> Fraction | None:
    param = params.get(name)
    value = param.value if param is not None else None
    return value.low if isinstance(value, Band) else None
