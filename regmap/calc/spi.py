"""Bus: clock, and the time one poll of all status registers takes."""

from __future__ import annotations

from typing import Any

from .corner import formula
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


@check(
    "spi.clock",
    "SPI clock within the chip's limit",
    "f (1 + tol) <= fmax",
    _CLOCK + "chip:spi.clock_max",
)
def clock(work: Work) -> Outcome:
    """Highest bus clock against the chip's."""
    value = work.derive(
        "fspi",
        real_clock,
        f=work.take("f", "stage:spi.clock"),
        tol=work.take("tol", "stage:controller.clock_tolerance"),
    )
    return work.at_most(value, work.take("fmax", "chip:spi.clock_max"))


@check(
    "spi.poll-time",
    "one poll of all status registers within the poll period",
    "t = (registers + extra) (bits / fspi + t_lead + t_lag + t_idle)",
    _CLOCK + "chip:spi.idle chip:spi.lead chip:spi.lag stage:poll.period",
)
def poll(work: Work) -> Outcome:
    """Time on the bus for all status registers against the period at which they are read."""
    facts = work.facts
    if facts.status_registers is None:
        work.missing[f"number of status registers ({facts.origin})"] = None
    if facts.frame_bits is None:
        work.missing[f"bits in a frame ({facts.origin})"] = None
    frames = (facts.status_registers or 0) + facts.extra_frames
    value = work.derive(
        "t",
        poll_time,
        n=work.constant("n", float(frames), "ratio", f"frames, {facts.origin}"),
        bits=work.constant("bits", float(facts.frame_bits or 0), "ratio", facts.origin),
        f=work.derive(
            "fspi",
            real_clock,
            f=work.take("f", "stage:spi.clock"),
            tol=work.take("tol", "stage:controller.clock_tolerance"),
        ),
        lead=work.take("t_lead", "chip:spi.lead"),
        lag=work.take("t_lag", "chip:spi.lag"),
        idle=work.take("t_idle", "chip:spi.idle"),
    )
    return work.at_most(value, work.take("period", "stage:poll.period"))
