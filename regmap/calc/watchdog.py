"""Watchdog: the service period inside the open window over both oscillators' tolerance."""

from __future__ import annotations

from typing import Any

from .corner import Variable, formula
from .pwm import stretched
from .registry import Outcome, check
from .work import Work


@formula("{w} * {c}", "time", up="w c", source="TI SLLSF80B: closed part of a window watchdog")
def closed_part(w: Any, c: Any) -> Any:
    """The closed part at the start of the window."""
    return w * c


def _window(work: Work) -> Variable | None:
    work.switched_off("watchdog.enable")
    return work.take("W", "role:watchdog.window")


def _service(work: Work) -> Variable | None:
    return work.derive(
        "t_service",
        stretched,
        a=work.take("t_set", "stage:watchdog.service_period"),
        tol=work.take("tol,ctl", "stage:controller.clock_tolerance"),
    )


_USES = (
    "role:watchdog.enable role:watchdog.window stage:watchdog.service_period "
    "stage:controller.clock_tolerance chip:oscillator.tolerance "
)


@check(
    "watchdog.late",
    "watchdog served before its window ends",
    "t_service (1 + tol,ctl) <= W (1 + tol)",
    _USES,
    watches="watchdog.window",
)
def late(work: Work) -> Outcome:
    """Longest service period against the shortest window (TI SLLSF80B: total window, min).

    Without a window nothing notices a controller that hangs: a watchdog that is off fails.
    """
    total = work.derive(
        "W,real", stretched, a=_window(work), tol=work.take("tol", "chip:oscillator.tolerance")
    )
    verdict = work.at_most(_service(work), total)
    return work.protected(verdict, "watchdog.window", "watchdog.enable")


@check(
    "watchdog.early",
    "watchdog served after its closed window",
    "t_service (1 + tol,ctl) >= W c (1 + tol)",
    _USES + "role:watchdog.closed_share",
)
def early(work: Work) -> Outcome:
    """Shortest service period against the longest closed part (TI SLLSF80B)."""
    share = work.take("c", "role:watchdog.closed_share")
    if share is not None and isinstance(share.high, float) and share.high == 0:
        work.no_hazard()
        return None
    part = work.derive("closed", closed_part, w=_window(work), c=share)
    real = work.derive(
        "closed,real", stretched, a=part, tol=work.take("tol", "chip:oscillator.tolerance")
    )
    return work.at_least(_service(work), real)
