"""Current sense, first half: range, use of the range, step, error budget."""

from __future__ import annotations

from typing import Any

from ..quantity import Band
from .corner import Variable, formula, show_value, smaller
from .dclink import link_current
from .registry import Outcome, check
from .work import Work

Parts = dict[str, Variable | None]
SIGNS = "gain chain Vo = Vzero + G R I; TI SLVSDY6A, sense-amplifier example"


@formula("{k} * {vadc}", "voltage", up="k vadc", source=SIGNS)
def zero_level(k: Any, vadc: Any) -> Any:
    """Output at zero current as a share of the ADC reference."""
    return k * vadc


@formula(
    "({vadc} - {vhead} - {vzero}) / ({g} * {r})",
    "current",
    up="vadc",
    down="vhead vzero",
    either="g r",
    source=SIGNS,
)
def range_up(vadc: Any, vhead: Any, vzero: Any, g: Any, r: Any) -> Any:
    """Largest positive current within the linear output range."""
    return (vadc - vhead - vzero) / (g * r)


@formula(
    "({vzero} - {vlow}) / ({g} * {r})",
    "current",
    up="vzero",
    down="vlow",
    either="g r",
    source=SIGNS,
)
def range_down(vzero: Any, vlow: Any, g: Any, r: Any) -> Any:
    """Largest negative current within the linear output range, as a magnitude."""
    return (vzero - vlow) / (g * r)


@formula("min({a}, {b})", "current", up="a b", source="both signs are needed")
def weaker(a: Any, b: Any) -> Any:
    """The smaller of the ranges of both signs."""
    return smaller(a, b)


@formula("{g} * (1 + {e})", "gain", up="g e", source="definition of a gain error")
def real_gain(g: Any, e: Any) -> Any:
    """Gain with its error."""
    return g * (1 + e)


@formula("{i} / {imax}", "percent", up="i", either="imax", source="ratio")
def use_of_range(i: Any, imax: Any) -> Any:
    """Share of the range that the peak current uses."""
    return i / imax


@formula(
    "{vadc} / (2^{n} * {g} * {r})",
    "current",
    up="vadc",
    down="n g r",
    source="resolution of an ideal ADC; common practice, no source",
)
def step_current(vadc: Any, n: Any, g: Any, r: Any) -> Any:
    """One step of the ADC as a current."""
    return vadc / (2**n * g * r)


@formula(
    "{r} * (1 + {a} * ({ts} - 25))",
    "resistance",
    up="r",
    either="a ts",
    source="definition of the temperature coefficient",
)
def hot_shunt(r: Any, a: Any, ts: Any) -> Any:
    """Shunt at a temperature in degC."""
    return r * (1 + a * (ts - 25))


@formula(
    "{vos} + {tc} * ({ta} - 25)",
    "voltage",
    up="vos",
    either="tc ta",
    source="definition of an offset drift",
)
def drifted_offset(vos: Any, tc: Any, ta: Any) -> Any:
    """Input offset at a temperature in degC."""
    return vos + tc * (ta - 25)


@formula(
    "({i} * {r} + {vo}) * (1 + {e}) * {vnom} / ({vadc} * {rnom}) + {dz} / ({g} * {rnom}) "
    "+ {x} * {lsb} - {i}",
    "current",
    up="r vo dz",
    either="i e rnom x lsb vnom vadc g",
    source="linear error model of shunt, amplifier and ADC; common practice, no source",
)
def reading_error(
    i: Any,
    r: Any,
    vo: Any,
    e: Any,
    rnom: Any,
    x: Any,
    lsb: Any,
    vnom: Any,
    vadc: Any,
    dz: Any,
    g: Any,
) -> Any:
    """Reading less true current: shunt tolerance and drift, offset and drift, gain, ADC.

    The reading is made with nominal shunt, gain, level at zero current and ADC reference; `x` runs
    over half a step either way.
    """
    return (i * r + vo) * (1 + e) * vnom / (vadc * rnom) + dz / (g * rnom) + x * lsb - i


@formula(
    "{ta} + {i}^2 * {r} * {rth}",
    "temperature",
    up="ta i r rth",
    source="Tj = Ta + P Rth: ST A5973D, eq. 27",
)
def heated(ta: Any, i: Any, r: Any, rth: Any) -> Any:
    """Temperature of the shunt with its own heat."""
    return ta + i * i * r * rth


def output_at_zero(work: Work) -> Variable | None:
    if work.stated("role:sense.reference"):
        return work.take("Vzero", "role:sense.reference")
    return work.derive(
        "Vzero",
        zero_level,
        k=work.take("k", "role:sense.reference_share"),
        vadc=work.take("Vadc", "stage:adc.reference"),
    )


@formula("{g} / {gnom} - 1", "percent", up="g", down="gnom", source="definition of a gain error")
def gain_deviation(g: Any, gnom: Any) -> Any:
    """Gain error of an option with a tolerance of its own."""
    return g / gnom - 1


@formula(
    "{vz} * {vnom} / {vadc} - {vznom}",
    "voltage",
    up="vz vnom",
    down="vadc vznom",
    source="an ADC reads shares of its reference; common practice, no source",
)
def level_error(vz: Any, vnom: Any, vadc: Any, vznom: Any) -> Any:
    """Error of an output level at zero current that does not follow the ADC reference."""
    return vz * vnom / vadc - vznom


@formula(
    "({k} - {knom}) * {vnom}",
    "voltage",
    up="k",
    down="knom",
    either="vnom",
    source="an ADC reads shares of its reference; common practice, no source",
)
def share_error(k: Any, knom: Any, vnom: Any) -> Any:
    """The same of a level that follows the reference, which drops out."""
    return (k - knom) * vnom


NOMINAL = "nominal value, used by the controller"


def zero_error(work: Work) -> Variable | None:
    """Error of the output at zero current as the ADC sees it."""
    vadc = work.take("Vadc", "stage:adc.reference")
    vnom = work.typical("Vnom", vadc, NOMINAL)
    if work.stated("role:sense.reference"):
        vz = work.take("Vzero", "role:sense.reference")
        vznom = work.typical("Vzero,nom", vz, NOMINAL)
        return work.derive("dVzero", level_error, vz=vz, vnom=vnom, vadc=vadc, vznom=vznom)
    k = work.take("k", "role:sense.reference_share")
    return work.derive("dVzero", share_error, k=k, knom=work.typical("knom", k, NOMINAL), vnom=vnom)


def gain_error(work: Work) -> Variable | None:
    """Error of the gain: the tolerance of the option set or the chip's gain error.

    Both state the same fact, so they do not add up: the wider one counts, and the default of the
    trade only where neither is stated. Fields with gains of their own have no tolerance in common.
    """
    own = work.inputs.find("role:sense.gain", optional=True)
    general = work.inputs.find("chip:sense.gain_error")
    band = own.value if own is not None else None
    if isinstance(band, Band) and not band.exact and band.given != "computed" and band.typ:
        width = max(band.high / band.typ - 1, 1 - band.low / band.typ)
        other = general.value if general is not None else None
        stated = "chip:sense.gain_error" in work.inputs
        wider = isinstance(other, Band) and stated and max(other.high, -other.low) > width
        if not wider:
            work.stated("chip:sense.gain_error")
            g = work.take("Gset", "role:sense.gain")
            gnom = work.typical("Gnom", g, NOMINAL)
            return work.derive("eG", gain_deviation, g=g, gnom=gnom)
    return work.take("eG", "chip:sense.gain_error")


def nominal_gain(work: Work) -> Variable | None:
    """Gain that the controller reckons with; a band where fields of this role differ."""
    gain = work.take("Gset", "role:sense.gain")
    if gain is None or gain.origin is None or not isinstance(gain.origin.value, Band):
        return gain
    if gain.origin.value.given == "computed":
        return gain
    return work.typical("Gnom", gain, NOMINAL)


def gain_band(work: Work) -> Variable | None:
    return work.derive("G", real_gain, g=nominal_gain(work), e=gain_error(work))


def _range(work: Work) -> Variable | None:
    gain, zero = gain_band(work), output_at_zero(work)
    r = work.take("R", "stage:shunt.resistance")
    upper = work.derive(
        "Iup",
        range_up,
        vadc=work.take("Vadc", "stage:adc.reference"),
        vhead=work.take("Vhead", "chip:sense.output.headroom"),
        vzero=zero,
        g=gain,
        r=r,
    )
    lower = work.derive(
        "Idown",
        range_down,
        vzero=zero,
        vlow=work.take("Vlow", "chip:sense.output.low"),
        g=gain,
        r=r,
    )
    return work.derive("Irange", weaker, a=upper, b=lower)


CHAIN = "role:sense.gain chip:sense.gain_error stage:shunt.resistance stage:adc.reference "
ZERO = "role:sense.reference role:sense.reference_share "
_RANGE = CHAIN + ZERO + "chip:sense.output.headroom chip:sense.output.low "


@check(
    "sense.range",
    "measuring range covers the peak current",
    "Irange = min(Vadc - Vhead - Vzero, Vzero - Vlow) / (G R)",
    _RANGE + "stage:motor.current.peak",
)
def measuring_range(work: Work) -> Outcome:
    """Smallest range of both signs against the peak current."""
    return work.at_least(_range(work), work.take("Ipk", "stage:motor.current.peak"))


@check(
    "sense.use",
    "gain makes use of the range",
    "Ipk / Irange",
    _RANGE + "stage:motor.current.peak stage:limits.sense_use",
)
def use(work: Work) -> Outcome:
    """Share of the range at the peak: too little wastes resolution, a larger gain is due."""
    value = work.derive(
        "use", use_of_range, i=work.take("Ipk", "stage:motor.current.peak"), imax=_range(work)
    )
    return work.at_least(value, work.take("limit", "stage:limits.sense_use"))


def _step(work: Work) -> Variable | None:
    return work.derive(
        "step",
        step_current,
        vadc=work.take("Vadc", "stage:adc.reference"),
        n=work.take("n", "stage:adc.bits"),
        g=gain_band(work),
        r=work.take("R", "stage:shunt.resistance"),
    )


@check(
    "sense.step",
    "step of the ADC as a current",
    "step = Vadc / (2^n G R)",
    CHAIN + "stage:adc.bits stage:limits.current_step",
)
def step(work: Work) -> Outcome:
    """Resolution against the step wanted."""
    return work.at_most(_step(work), work.take("limit", "stage:limits.current_step"))


def shunt_current(work: Work) -> Variable | None:
    """Rms current of one shunt: of the DC link over the modulation and power factors stated, else of a phase.

    A low side carries half of its phase's mean square over a turn, whatever the modulation of a sine; near
    standstill it may carry all of it for long. So the whole counts, which errs on the safe side.
    """
    phase = work.take("Irms", "stage:motor.current.rms")
    if work.choice("stage:shunt.arrangement") != "one in the DC link":
        return phase
    return work.derive(
        "Ilink",
        link_current,
        i=phase,
        m=work.take("M", "stage:motor.modulation"),
        pf=work.take("cos phi", "stage:motor.power_factor"),
    )


def shunt_temperature(work: Work) -> Variable | None:
    return work.derive(
        "Ts",
        heated,
        ta=work.take("Ta", "stage:temperature.ambient"),
        i=shunt_current(work),
        r=work.take("R", "stage:shunt.resistance"),
        rth=work.take("Rth", "stage:shunt.rth"),
    )


SHUNT_CURRENT = "stage:motor.current.rms stage:shunt.arrangement stage:motor.modulation stage:motor.power_factor "
HEAT = SHUNT_CURRENT + "stage:temperature.ambient stage:shunt.resistance stage:shunt.rth "


@formula(
    "{tc} * ({tb} - {tcal})",
    "voltage",
    either="tc tb tcal",
    source="definition of an offset drift",
)
def offset_left(tc: Any, tb: Any, tcal: Any) -> Any:
    """Input offset that a calibration leaves: the drift since then."""
    return tc * (tb - tcal)


def calibrated(work: Work) -> bool:
    """Whether the controller measures the output at zero current and subtracts it."""
    return work.choice("stage:adc.calibration") == "at zero current"


def _offset(work: Work) -> Variable | None:
    tc = work.take("tc", "chip:sense.offset_drift")
    tb = work.take("Tb", "stage:temperature.board")
    if calibrated(work):
        then = work.take("Tcal", "stage:temperature.board", part="at calibration")
        return work.derive("Voff", offset_left, tc=tc, tb=tb, tcal=then)
    return work.derive(
        "Voff", drifted_offset, vos=work.take("Vos", "chip:sense.offset"), tc=tc, ta=tb
    )


def _level(work: Work) -> Variable | None:
    if calibrated(work):
        return work.constant("dVzero", 0.0, "voltage", "measured at calibration")
    return zero_error(work)


@check(
    "sense.error",
    "error of the measured current at the peak",
    "e = (Ipk R (1 + a (Ts - 25)) + Voff) (1 + eG) Vnom / (Vadc Rnom) + dVzero / (G Rnom) "
    "+- step / 2 - Ipk, Voff = Vos + tc (Tb - 25); calibrated: Voff = tc (Tb - Tcal), dVzero = 0",
    CHAIN + ZERO + HEAT + "stage:shunt.tempco stage:motor.current.peak chip:sense.offset "
    "chip:sense.offset_drift stage:temperature.board stage:adc.bits stage:adc.calibration "
    "stage:limits.current_error",
)
def error(work: Work) -> Outcome:
    """Linear worst case of shunt, amplifier and ADC; each part alone stands in the derivation."""
    r = work.take("R", "stage:shunt.resistance")
    rnom = work.typical("Rnom", r, NOMINAL)
    vadc = work.take("Vadc", "stage:adc.reference")
    vnom = work.typical("Vnom", vadc, NOMINAL)
    parts: Parts = {
        "i": work.take("Ipk", "stage:motor.current.peak"),
        "r": work.derive(
            "Rhot",
            hot_shunt,
            r=r,
            a=work.take("a", "stage:shunt.tempco"),
            ts=shunt_temperature(work),
        ),
        "vo": _offset(work),
        "e": gain_error(work),
        "rnom": rnom,
        "x": work.spread("x", -0.5, 0.5, "ratio", "rounding of the ADC, half a step either way"),
        "lsb": work.derive(  # the controller's arithmetic knows nominal values only
            "step",
            step_current,
            vadc=vnom,
            n=work.take("n", "stage:adc.bits"),
            g=nominal_gain(work),
            r=rnom,
        ),
        "vnom": vnom,
        "vadc": vadc,
        "dz": _level(work),
        "g": nominal_gain(work),
    }
    value = work.derive("e", reading_error, **parts)
    limit = work.take("limit", "stage:limits.current_error")
    lower = work.derive("-limit", opposite, i=limit)
    if value is not None and r is not None:
        work.extra.append(lambda: _budget(work, parts, r))
    return work.within(value, lower, limit)


@formula("-{i}", "current", down="i", source="sign")
def opposite(i: Any) -> Any:
    """The same limit for errors of the other sign."""
    return -i


def _budget(work: Work, parts: Parts, r: Variable) -> list[str]:
    """What each source of error does alone, and their root sum of squares."""
    zero = {
        "r": parts["rnom"],
        "x": work.constant("x", 0.0, "ratio", "no rounding"),
        "vo": work.constant("Voff", 0.0, "voltage", "no offset"),
        "e": work.constant("eG", 0.0, "percent", "no gain error"),
        "vadc": parts["vnom"],
        "dz": work.constant("dVzero", 0.0, "voltage", "no error of the level"),
    }
    hot, offset = parts["r"], parts["vo"]
    assert hot is not None
    assert offset is not None
    drift_only = work.derive("Rhot", hot_shunt, r=parts["rnom"], a=hot.args["a"], ts=hot.args["ts"])
    cases: list[tuple[str, Parts]] = [
        *_offsets(work, offset),
        ("gain error", {"e": parts["e"]}),
        ("shunt tolerance", {"r": r}),
        ("shunt drift", {"r": drift_only}),
        ("level at zero current", {"dz": parts["dz"]}),
        ("ADC reference", {"vadc": parts["vadc"]}),
        ("ADC rounding", {"x": parts["x"]}),
    ]
    squares, lines = 0.0, []
    for name, change in cases:
        alone = work.derive(name, reading_error, **{**parts, **zero, **change})
        if alone is not None:
            most = max(abs(alone.low), abs(alone.high))
            squares += most**2
            lines.append(f"{name} alone: at most {show_value(most, 'current')}")
    lines.append(
        f"root sum of squares of these, for comparison: {show_value(squares**0.5, 'current')}"
    )
    return lines


def _offsets(work: Work, offset: Variable) -> list[tuple[str, Parts]]:
    """Offset and drift apart; of a calibrated amplifier only the drift is left."""
    if "vos" not in offset.args:
        return [("offset drift since calibration", {"vo": offset})]
    still = work.constant("Vos", 0.0, "voltage", "drift only")
    moved = work.derive(
        "Voff", drifted_offset, vos=still, tc=offset.args["tc"], ta=offset.args["ta"]
    )
    return [("offset", {"vo": offset.args["vos"]}), ("offset drift", {"vo": moved})]
