"""Bus: clock, and the time one poll of all status registers takes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..quantity import Band
from .corner import Variable, formula
from .edges import then
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
    return _duration(work, "t_spi", facts.status_registers, "status registers", facts.extra_frames)


def readback_duration(work: Work) -> Variable | None:
    """Time on the SPI for one readback of all registers of settings."""
    facts = work.facts
    return _duration(
        work,
        "t_readback",
        facts.setting_registers,
        "registers of settings",
        facts.extra_setting_frames,
    )


def frames_duration(
    work: Work,
    symbol: str,
    lengths: Sequence[int],
    waits: Sequence[Band] = (),
    origin: str = "the map's sequences",
) -> Variable | None:
    """Time on the SPI for frames of these lengths in bits one after the other, and waits between them.

    `origin` says where the waits come from; those of one origin are the same however often they are asked for.
    """
    total: Variable | None = None
    for bits in sorted(set(lengths)):
        part = work.derive(
            f"t{bits}",
            poll_time,
            n=work.constant("n", float(lengths.count(bits)), "ratio", f"frames of {bits} bits"),
            bits=work.constant("bits", float(bits), "ratio", "frame"),
            f=_real_clock(work),
            lead=work.take("t_lead", "chip:spi.lead"),
            lag=work.take("t_lag", "chip:spi.lag"),
            idle=work.take("t_idle", "chip:spi.idle"),
        )
        if part is None:
            return None
        total = part if total is None else work.derive(symbol, then, a=total, b=part)
    for number, wait in enumerate(waits, 1):
        pause = work.band(f"t_wait{number}", wait, "time", origin)
        total = pause if total is None else work.derive(symbol, then, a=total, b=pause)
    return total


def _duration(
    work: Work, symbol: str, registers: int | None, words: str, extra: int
) -> Variable | None:
    facts = work.facts
    if registers is None:
        work.missing[f"number of {words} ({facts.origin})"] = None
    if facts.frame_bits is None:
        work.missing[f"bits in a frame ({facts.origin})"] = None
    frames = (registers or 0) + extra
    return work.derive(
        symbol,
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


def readback_wait(work: Work) -> Variable | None:
    """Longest from a setting being lost to the controller having seen it, as in `poll_wait`."""
    period = work.derive(
        "t_period",
        stretched,
        a=work.take("t_rb", "stage:readback.period"),
        tol=work.take("tol", "stage:controller.clock_tolerance"),
    )
    return work.derive("t_seen", then, a=period, b=readback_duration(work))


READBACK_USES = _CLOCK + "chip:spi.idle chip:spi.lead chip:spi.lag stage:readback.period "


@formula("{a} / {pa} + {b} / {pb}", "percent", up="a b", down="pa pb", source="share of time")
def load_share(a: Any, pa: Any, b: Any, pb: Any) -> Any:
    """Share of time that two periodic jobs take."""
    return a / pa + b / pb


@check(
    "spi.load",
    "load of the SPI by polls and readback",
    "t_spi / t_poll + t_readback / t_rb",
    POLL_USES + READBACK_USES + "stage:limits.spi_load",
)
def load(work: Work) -> Outcome:
    """Both jobs together against the share of time they may take."""
    if not work.stated("stage:readback.period"):
        return None
    value = work.derive(
        "load",
        load_share,
        a=poll_duration(work),
        pa=work.take("t_poll", "stage:poll.period"),
        b=readback_duration(work),
        pb=work.take("t_rb", "stage:readback.period"),
    )
    return work.at_most(value, work.take("limit", "stage:limits.spi_load"))


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
