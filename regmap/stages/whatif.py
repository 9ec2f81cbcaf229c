"""Other inputs for a stage: `supply.max=18V`, `pwm.frequency=25 kHz`, as the stage file would say them.

stage = with_inputs(stage, {"supply.max": "18 V"})
span = span_of("pwm.frequency", "10..60kHz", 11)      [10 kHz, 15 kHz, ... 60 kHz]
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Literal

from regmap.record import replace

from ..chip.model import Param
from ..document.reader import Reader
from ..document.source import Sources, compose_file
from ..errors import CallError, FileError, Place, Problem, closest, told
from ..formerly import PARAMETERS
from ..maps.shapes import Params
from ..parameters import STAGE
from ..quantity import DIMENSIONS, Band, parse_band, show
from .load import Stage, choices_of, implausible

End = Literal["", "min", "typ", "max"]
#: Where an input that was not read from a file comes from.
ORIGIN = "shell line"
#: What a first word alone means, so that `supply.max` need not be `supply.voltage.max`.
_SHORT = {"supply": "supply.voltage", "temperature": "temperature.ambient"}
_ENDS: tuple[End, ...] = ("min", "typ", "max")
#: Units that a value is shown in, whatever its size.
_AS_WRITTEN = ("%", "V/V", "Ah", "d", "FIT")
MOST_STEPS = 1000


@lru_cache(maxsize=1)
def _shapes() -> Params:
    return Params(STAGE)


def is_input(name: str) -> bool:
    """Whether a name is of the kind that a stage's inputs have (known or not), not REG.FIELD."""
    return name.partition(".")[0] in {n.partition(".")[0] for n in STAGE}


def input_of(name: str) -> tuple[str, End]:
    """The input that a name means, and which end of it (all of it: "").

    Raises CallError with the nearest one.
    """
    now = PARAMETERS.get(name, name)
    name = now if now in STAGE else name
    if name in STAGE:
        return name, ""
    stem, _, last = name.rpartition(".")
    stem = _SHORT.get(stem, stem)
    for end in _ENDS:
        if last == end and stem in STAGE and STAGE[stem].kind == "quantity":
            return stem, end
    near = closest(name, STAGE)
    raise CallError(f"a stage has no input {name!r}", nearest=near)


def read_input(name: str, text: str) -> Band | int | str:
    """A value as the stage file has it. Raises CallError for what cannot be."""
    if "\n" in text or "\r" in text:
        raise CallError(f"{name}: a value of several lines", "one line")
    sources = Sources()
    reader = Reader(sources)
    try:
        source = compose_file(Path(ORIGIN), f"{name}: {text}\n")
        sources.add(source)
        read = _shapes().read(source.node, reader, "")
    except FileError as error:
        raise CallError(f"{name}={text}: {error.problems[0].found}") from None
    if reader.problems:
        problem = reader.problems[0]
        raise CallError(f"{name}: {problem.found}", problem.expected, problem.nearest)
    value = read[name]
    assert isinstance(value, (Band, int, str))
    return value


def stated_as(name: str, value: Band | int | str) -> str:
    """The text that states an input's value in a stage file: the shortest that is read as this value again."""
    if not isinstance(value, Band):
        return str(value)
    ends = [value.typ] if value.exact else [value.low, value.typ, value.high]
    if not value.exact and value.given == "min/max":
        ends = [value.low, value.high]
    joint = " .. " if len(ends) == 2 else " / "
    unit = DIMENSIONS[STAGE[name].dimension or ""][1] if name in STAGE else ""
    shown = unit if unit in _AS_WRITTEN else None
    text = ""
    for digits in (4, 6, 9, 12):
        text = joint.join(show(end, value.dim, digits, shown) for end in ends)
        read = read_input(name, text)
        if isinstance(read, Band) and (read.low, read.typ, read.high) == (
            value.low,
            value.typ,
            value.high,
        ):
            break
    return text


def _changed(stage: Stage, name: str, text: str, origin: str) -> Param:
    key, end = input_of(name)
    value = read_input(key, text)
    if end:
        known = stage.params.get(key)
        if known is None or not isinstance(known.value, Band):
            raise CallError(f"{key} is not stated", f"{key}=VALUE before one end of it")
        assert isinstance(value, Band)
        if not value.exact:
            raise CallError(f"{name}={text}: a band", "one value for one end")
        low, typ, high, at = known.value.low, known.value.typ, known.value.high, value.typ
        if end == "min":
            low, typ, high = at, max(typ, at), max(high, at)
        elif end == "max":
            low, typ, high = min(low, at), min(typ, at), at
        else:
            low, typ, high = min(low, at), at, max(high, at)
        value = Band(low, typ, high, value.dim)
    return Param(name=key, value=value, origin=origin)


def with_inputs(stage: Stage, changes: Mapping[str, str], origin: str = ORIGIN) -> Stage:
    """The stage with other inputs (name to text), its settings read anew; `origin` is where they come from.

    Raises CallError for an unknown name, a value that cannot be, or inputs that contradict each
    other; inputs that hardly fit are in `doubts`.
    """
    params = dict(stage.params)
    made = stage
    for name, text in changes.items():
        param = _changed(made, name, text, origin)
        params[param.name] = param
        made = replace(made, params=params)
    doubts = implausible(params, stage.chip)
    wrong = [d for d in doubts if d.severity == "error"]
    if wrong:
        raise CallError("; ".join(told(d.found, d.expected) for d in wrong))
    noted = tuple(
        Problem(Place(origin), d.found, d.expected, d.nearest, d.name, d.severity) for d in doubts
    )
    asked = [(s.name, s.asked) for s in stage.settings]
    choices, _ = choices_of(stage.chip, asked, params)
    settings = tuple(
        s if choice is None else replace(s, choice=choice)
        for s, choice in zip(stage.settings, choices, strict=True)
    )
    return replace(made, settings=settings, doubts=noted)


def changed_inputs(stage: Stage) -> dict[str, Band | int | str]:
    """The inputs that do not stand in the stage's file but were laid over it."""
    return {n: p.value for n, p in stage.params.items() if p.origin == ORIGIN}


def span_of(name: str, text: str, steps: int) -> list[str]:
    """`steps` values of an input, evenly from one end of `10..60kHz` to the other, as texts.

    Raises CallError for a span without a width, a name that is no quantity, or a number of steps
    that is none.
    """
    key, _ = input_of(name)
    entry = STAGE[key]
    if entry.kind != "quantity":
        raise CallError(f"{key} is a {entry.kind}", "a quantity to go through")
    if not 2 <= steps <= MOST_STEPS:
        raise CallError(f"{steps} steps", f"2 to {MOST_STEPS}")
    band = parse_band(text, entry.dimension)
    if band.exact:
        raise CallError(f"{text!r} is one value", "two, as 10..60 kHz")
    dim, unit = DIMENSIONS[entry.dimension or ""]
    wide = (band.high - band.low) / (steps - 1)
    shown = unit if unit in _AS_WRITTEN else None
    # what is shown is what is worked with
    return [show(band.low + n * wide, dim, 5, shown) for n in range(steps)]
