"""Bus: clock, and the time one poll of all status registers takes."""

from __future__ import annotations

from typing import Any

from .corner import Variable, formula
from .drive import then
from .pwm import stretched
from .registry import Outcome, check
from .work import Work


@formula("{f} * (1 + {tol})", "frequency", up="f tol", source="definition of a tolerance")
def real_clock(f: Any, tol: Any) -> Any:
    """Bus clock with the controller's tolerance."""
    return f * (1 + tol)


@formula(
    "{n} * ({bits} / {f} + {lead} + {lag} + {idle})",
    "time",
    up="n bits lead lag idle",
    down="f",
    source="serial frames one after the other; common practice, no source",
)
def poll_time(n: Any, bits: Any, f: Any, lead: Any, lag: Any, idle: Any) -> Any:
    """Time of `n` frames with chip-select lead, lag and pause."""
    return n * (bits / f + lead + lag + idle)


_CLOCK = "stage:spi.clock stage:controller.clock_tolerance "
#: Inputs of `poll_duration` and `poll_wait`.
POLL_USES = _CLOCK + "chip:spi.idle chip:spi.lead chip:spi.lag stage:poll.period "


def _real_clock(work: Work) -> Variable | None:
    # a slow clock has a low frequency and a long period: the tolerance of one is not that of the other
    tol = work.take("tol,f", "stage:controller.clock_tolerance", part="of its frequency")
    return work.derive("fspi", real_clock, f=work.take("f", "stage:spi.clock"), tol=tol)


def poll_duration(work: Work) -> Variable | None:
    """Time on the SPI for one poll of all status registers."""
    facts = work.facts
    if facts.status_registers is None:
        work.missing[f"number of status registers ({facts.origin})"] = None
    if facts.frame_bits is None:
        work.missing[f"bits in a frame ({facts.origin})"] = None
    frames = (facts.status_registers or 0) + facts.extra_frames
    return work.derive(
        "t_spi",
        poll_time,
        n=work.constant("n", float(frames), "ratio", f"frames, {facts.origin}"),
        bits=work.constant("bits", float(facts.frame_bits or 0), "ratio", facts.origin),
        f=_real_clock(work),
        lead=work.take("t_lead", "chip:spi.lead"),
        lag=work.take("t_lag", "chip:spi.lag"),
        idle=work.take("t_idle", "chip:spi.idle"),
    )


def poll_wait(work: Work) -> Variable | None:
    """Longest from a status bit being set to the controller having read it.

    It was set just after it had been read: one period of the controller's clock, and the next poll
    to its last frame.
    """
    period = work.derive(
        "t_poll",
        stretched,
        a=work.take("t_period", "stage:poll.period"),
        tol=work.take("tol", "stage:controller.clock_tolerance"),
    )
    return work.derive("t_seen", then, a=period, b=poll_duration(work))


@check(
    "spi.clock",
    "SPI clock within the chip's limit",
    "f (1 + tol) <= fmax",
    _CLOCK + "chip:spi.clock_max",
)
def clock(work: Work) -> Outcome:
    """Highest SPI clock against the chip's."""
    return work.at_most(_real_clock(work), work.take("fmax", "chip:spi.clock_max"))


@check(
    "spi.poll-time",
    "one poll of all status registers within the poll period",
    "t = (registers + extra) (bits / fspi + t_lead + t_lag + t_idle)",
    POLL_USES,
)
def poll(work: Work) -> Outcome:
    """Time on the SPI for all status registers against the period at which they are read."""
    return work.at_most(poll_duration(work), work.take("period", "stage:poll.period"))
