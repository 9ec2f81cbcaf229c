"""The figures of a stage against what firmware did: polls, readbacks, services, reactions, early frames."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from regmap.behaviour.faults import only_reported
from regmap.capture.arrays import middle
from regmap.parameters import STAGE
from regmap.quantity import Band, many, parse_band, show
from regmap.record import dataclass

from ..belief.walker import Walker
from ..tracer import Trace
from .intime import InTime, Pause, Service, stage_of

if TYPE_CHECKING:
    from regmap.stages.load import Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """A figure that is not kept: `figure` is the stage's parameter, or "enable" for frames that came too early."""

    position: int
    figure: str
    text: str


def missed_figures(
    trace: Trace, found: Iterable[InTime], stage: Stage | None = None
) -> tuple[Missed, ...]:
    """Everything that is not kept, by chip."""
    out = []
    for times in found:
        walker = trace.walkers[times.position]
        for name, text in _missed(trace, walker, stage_of(trace, walker, stage), times):
            out.append(Missed(position=times.position, figure=name, text=text))
    return tuple(out)


def figure(stage: Stage, name: str) -> Band | None:
    """A figure of the stage, else its default; None where there is neither."""
    param = stage.params.get(name)
    if param is not None and isinstance(param.value, Band):
        return param.value
    row = STAGE[name]
    return parse_band(row.default, row.dimension) if row.default and row.dimension else None


def _missed(
    trace: Trace, walker: Walker, stage: Stage | None, found: InTime
) -> Iterator[tuple[str, str]]:
    text = trace.clock.text
    for early in found.early:
        if early.before == "enable" and early.writes:
            yield (
                "enable",
                f"{many(early.frames, 'frame')} sent and not answered while the enable pin was "
                f"inactive, {early.writes} of them to write, the first is frame {early.first} at {text(early.time)}",
            )
    if stage is None:
        return
    tick = trace.clock.tick
    assert tick is not None
    tolerance = figure(stage, "controller.clock_tolerance")
    slow = 1 + (tolerance.high if tolerance is not None else Fraction(0))
    frame = _frame_time(walker)
    period = figure(stage, "poll.period")
    if period is not None:
        allowed = int(period.high * slow / tick) + frame * (len(found.polls) + 1)
        for poll in found.polls:
            if poll.gap is None or poll.gap.length <= allowed:
                continue
            until = " until the capture ends" if poll.gap.open else ""
            what = "is told by no reply" if not poll.told else "was not polled"
            yield (
                "poll.period",
                f"{poll.register} {what} for {text(poll.gap.length)} from {text(poll.gap.start)} on{until}; "
                f"{stage.name} polls every {_shown(period)}",
            )
    period = figure(stage, "readback.period")
    if period is not None:
        allowed = int(period.high * slow / tick) + frame
        named = {s.name.partition(".")[0] for s in stage.settings}
        for row in found.readbacks:
            if row.register not in named or walker.chip.registers[row.register].read_back == 0:
                continue
            pauses = [p for p in (row.longest, row.rest) if p is not None]
            worst = max(pauses, key=lambda p: p.length, default=None)
            if worst is None:
                worst = Pause(found.ready, max(trace.end, found.ready), open=True)
            if worst.length > allowed:
                until = " until the capture ends" if worst.open else ""
                yield (
                    "readback.period",
                    f"{row.register} was not read back for {text(worst.length)} from {text(worst.start)} on{until}; "
                    f"{stage.name} reads settings back every {_shown(period)}",
                )
    yield from _missed_service(trace, stage, found.service, slow, frame)
    yield from _missed_reactions(trace, walker, stage, found)


def _missed_service(
    trace: Trace, stage: Stage, service: Service | None, slow: Fraction, frame: int
) -> Iterator[tuple[str, str]]:
    period = figure(stage, "watchdog.service_period")
    if service is None or period is None or service.longest is None:
        return
    assert trace.clock.tick is not None
    allowed = int(period.high * slow / trace.clock.tick) + frame
    if service.longest.length > allowed:
        yield (
            "watchdog.service_period",
            f"the watchdog was served {trace.clock.text(service.longest.length)} after the service at "
            f"{trace.clock.text(service.longest.start)}; {stage.name} serves it every {_shown(period)}",
        )


def _missed_reactions(
    trace: Trace, walker: Walker, stage: Stage, found: InTime
) -> Iterator[tuple[str, str]]:
    """Faults that firmware has to react to, told of too late for the reaction to end in time."""
    limit, react = figure(stage, "safety.ftti"), figure(stage, "controller.reaction")
    actuator = figure(stage, "actuator.reaction")
    if limit is None:
        return
    also = f" and the actuator's {_shown(actuator)}" if actuator is not None else ""
    tick = trace.clock.tick
    assert tick is not None
    for row in found.reactions:
        fault = walker.chip.faults[row.fault]
        # a fault that the stage makes the chip only report is the controller's, as reaction.time has it
        alone = fault.handled_by == "chip" and not only_reported(fault, stage.bank)
        if fault.severity != "stop" or row.pin < 0 or alone:
            continue
        took = (row.told - row.pin) * tick
        reaction = react.high if react is not None else Fraction(0)
        follows = actuator.high if actuator is not None else Fraction(0)
        if took + reaction + follows > limit.low:
            yield (
                "safety.ftti",
                f"{row.fault} was told {trace.clock.text(row.told - row.pin)} after the fault pin fell; with the "
                f"controller's {_shown(react) if react is not None else '0 s'}{also} that is more than the "
                f"{_shown(limit)} of {stage.name}",
            )


def _frame_time(walker: Walker) -> int:
    """Ticks that a frame takes, select to select, as most do."""
    took = walker.log.times("end") - walker.log.times("start")
    return int(middle(took))


def _shown(band: Band) -> str:
    if band.low == band.high:
        return show(band.typ, band.dim)
    return f"{show(band.low, band.dim)} to {show(band.high, band.dim)}"


#: what of the table -> the stage's figure for it
_FIGURES = {
    "readback": "readback.period",
    "poll": "poll.period",
    "service": "watchdog.service_period",
    "reaction": "safety.ftti",
    "early": "enable",
}


def missed_of(
    missed: tuple[Missed, ...], position: int, what: str, name: str
) -> tuple[str, list[str]]:
    """(the stage's figure, what is not kept of it) for one row of `intime.measured`."""
    figure = _FIGURES[what]
    texts = [
        m.text
        for m in missed
        if m.position == position
        and m.figure == figure
        and (what in ("service", "early") or m.text.startswith(name))
    ]
    return figure, texts
