"""Detection and reaction of every fault against the fault tolerant time interval.

Detection is the chip's (or the poll's), the reaction the chip's or the software's, and what the outputs
drive takes its own time to be safe. The rule: detection time + reaction time end inside the fault tolerant time interval
(ISO 26262-1:2018, 3.55, 3.56, 3.59, 3.61, as quoted in secondary sources).
"""

from __future__ import annotations

from .corner import Variable
from .edges import then
from .inputs import FaultTiming
from .pwm import stretched
from .registry import Outcome, check
from .spi import POLL_USES, READBACK_USES, poll_wait, readback_wait
from .verdict import Verdict
from .work import About, Work

CAUTION = (
    "Which faults need a reaction, and in what time, is decided in the safety concept and "
    "reviewed there."
)
_PARTS = "stage:controller.reaction stage:actuator.reaction stage:safety.ftti"
_USES = POLL_USES + "chip:oscillator.tolerance " + _PARTS
#: Times that the chip counts with its oscillator; other settings state a tolerance of their own.
_BY_OSCILLATOR = frozenset({"role:watchdog.window"})


def _added(work: Work, name: str) -> Variable | None:
    """A setting's time that belongs to the detection."""
    time = work.take(f"t_{name.rpartition('.')[2]}", name)
    if name not in _BY_OSCILLATOR:
        return time
    tol = work.take("tol,chip", "chip:oscillator.tolerance")
    return work.derive("t_window,real", stretched, a=time, tol=tol)


def _time(work: Work, fault: FaultTiming) -> Variable | None:
    """Detection, reaction and the actuator's part of one fault, or None with what is missing recorded."""
    origin = fault.origin or work.facts.origin
    parts: list[Variable | None] = []
    if fault.detect is not None:
        parts.append(work.band("t_detect", fault.detect, "time", f"{origin}, fault {fault.name}"))
    parts += [_added(work, name) for name in fault.adds]
    if not parts:
        work.missing[f"detection time of {fault.name} ({origin})"] = None
        parts.append(None)
    if fault.how == "poll":
        parts.append(poll_wait(work))
    if fault.how in ("poll", "pin"):
        parts.append(work.take("t_ctl", "stage:controller.reaction"))
    if fault.react is not None:
        parts.append(work.band("t_react", fault.react, "time", f"{origin}, fault {fault.name}"))
    elif fault.how == "chip":
        work.missing[f"reaction time of {fault.name} ({origin})"] = None
    parts.append(work.take("t_act", "stage:actuator.reaction"))
    total = parts[0]
    for part in parts[1:]:
        total = work.derive("t", then, a=total, b=part)
    return total


def _reported(fault: FaultTiming) -> str:
    who = "fault pin" if fault.how == "pin" else "poll"
    return (
        f"{fault.name} is only reported while {fault.reported_by}: the chip does not act, the "
        f"controller does after the {who}"
    )


def _ask_for_mask(work: Work, fault: FaultTiming) -> None:
    if fault.perhaps_masked_by:
        origin = fault.origin or work.facts.origin
        asked = f"whether {fault.name} is masked by {fault.perhaps_masked_by} ({origin})"
        work.missing[asked] = None


def _one(work: Work, fault: FaultTiming) -> Verdict:
    value = _time(work, fault)
    limit = work.take("FTTI", "stage:safety.ftti")
    if fault.masked_by:
        return work.refuse(f"{fault.name} is masked by {fault.masked_by}: no reaction takes place")
    _ask_for_mask(work, fault)
    if fault.reported_by:
        if fault.watches_controller:
            return work.refuse(
                f"{fault.name} is only reported while {fault.reported_by}, and to the very "
                "controller that has failed: no reaction takes place"
            )
        work.extra.append(_reported(fault))
    return work.at_most(value, limit)


@check(
    "reaction.time",
    "fault detected and handled in the fault tolerant time interval",
    "t_detect + t_react + t_actuator <= FTTI; + t_controller where the controller reacts, and before it "
    "t_poll (1 + tol) + t_spi where it has to poll; a watchdog window times (1 + tol,chip)",
    _USES,
    CAUTION,
)
def reaction(work: Work) -> Outcome:
    """One verdict for each fault of the map that needs a reaction, named `reaction.time.FAULT`."""
    faults = work.facts.faults
    if faults is None:
        work.missing[f"faults with their times ({work.facts.origin})"] = None
        return work.at_most(None, work.take("FTTI", "stage:safety.ftti"))
    verdicts = []
    for fault in faults:
        if not fault.needed:
            continue
        about = About(
            f"reaction.time.{fault.name}",
            fault.title or f"{fault.name} handled in time",
            work.about.formula,
            work.about.caution,
        )
        verdicts.append(_one(work.branch(about), fault))
    return verdicts


@check(
    "reaction.masked", "no fault that needs a reaction is masked", "masked faults = 0", "", CAUTION
)
def masked(work: Work) -> Outcome:
    """Which faults this configuration hides; those that need no reaction are only named."""
    faults = work.facts.faults
    if faults is None:
        work.missing[f"faults with their times ({work.facts.origin})"] = None
        return work.at_most(None, None)
    hidden = [f for f in faults if f.masked_by]
    for fault in hidden:
        need = "needs a reaction" if fault.needed else "needs no reaction"
        work.extra.append(f"{fault.name} is masked by {fault.masked_by}; it {need}")
    work.extra += [_reported(f) for f in faults if f.reported_by and f.needed and not f.masked_by]
    for fault in faults:
        if fault.needed and not any(f.needed for f in hidden):
            _ask_for_mask(work, fault)
    count = sum(f.needed for f in hidden)
    return work.at_most(
        work.constant("masked", float(count), "faults", "faults that need a reaction, masked"),
        work.constant("limit", 0.0, "faults", "every such fault must be reported"),
    )


@check(
    "reaction.configuration",
    "a lost or flipped setting noticed and handled in the fault tolerant time interval",
    "t_rb (1 + tol) + t_readback + t_controller + t_actuator <= FTTI",
    READBACK_USES + _PARTS,
    CAUTION,
)
def configuration(work: Work) -> Outcome:
    """A supply dip or a flipped bit changes settings silently: only a cyclic readback notices."""
    if not work.stated("stage:readback.period"):
        return None
    software = work.derive(
        "t_off", then, a=readback_wait(work), b=work.take("t_ctl", "stage:controller.reaction")
    )
    value = work.derive("t", then, a=software, b=work.take("t_act", "stage:actuator.reaction"))
    return work.at_most(value, work.take("FTTI", "stage:safety.ftti"))
