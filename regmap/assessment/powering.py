"""The frames of a start and of the way to sleep, as the calculations are told of them."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

from regmap.record import replace

from ..behaviour.powering import power_frames
from ..behaviour.settings import Action
from ..calc import Facts, FrameRun
from ..chip.bank import Bank
from ..quantity import Band
from ..stages.load import Stage

#: the inputs that make start and way to sleep a matter of a stage's checks
POWERING = ("startup.", "sleep.", "limits.startup", "limits.sleep_time")


def with_power(facts: Facts, stage: Stage, bank: Bank, beside: int) -> Facts:
    """The facts with these frames; as they are for a stage that states nothing of either.

    `beside` are the bits of a transfer beside the chip's own frame (other chips of a daisy chain).
    """
    if not any(name.startswith(POWERING) for name in stage.params):
        return facts
    found, origin = power_frames(stage.chip, bank), f"map {stage.chip.name}"
    actions, wait = list(found.bring_up), None
    while actions and (first := actions[0].wait) is not None:
        wait = first if wait is None else _both(wait, first)
        actions.pop(0)

    def parts(actions: Iterable[Action]) -> tuple[FrameRun, ...]:
        grouped = [(n, list(g)) for n, g in groupby(actions, key=lambda a: a.sequence)]
        return tuple(
            FrameRun(
                name=name,
                lengths=tuple(a.sent.frame.length + beside for a in part if a.sent is not None),
                waits=tuple(a.wait for a in part if a.wait is not None),
                origin=f"{origin}, {name}",
            )
            for name, part in grouped
        )

    return replace(
        facts,
        first_wait=wait,
        bring_up=parts(actions),
        outputs_on=parts(found.outputs_on),
        to_sleep=parts(found.to_sleep),
        sleeps=found.sleeps,
        no_bring_up=found.refused,
    )


def _both(one: Band, two: Band) -> Band:
    """Two waits one after the other."""
    return Band(one.low + two.low, one.typ + two.typ, one.high + two.high, one.dim)
