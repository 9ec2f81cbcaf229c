"""A hand-written header held against a map: what disagrees, and what could not be judged.

    result = lint(chip, text, "driver_regs.h")
    result.problems     findings, each with its place: wrong mask, shift, width, address, reset word;
                        masks that overlap; values that do not fit; comments that contradict numbers
                        macros with arguments that place or take wrong bits, bit fields that lie elsewhere,
                        rows of tables whose words cannot be; frames that are not the command they are called
    result.skipped      definitions that were not understood, each with the reason
    result.read         how many definitions were compared
    result.fixes        what would put findings right; `regmap.lint.mending` tells which of them do
    result.model        the data model by which it was read

A definition is recognised by its name: an optional prefix common to the file, then register,
field and option as the map calls them (underscores and case do not count), then what it is:
`_MASK`, `_SHIFT`, `_POS`, `_WIDTH`, `_ADDR`, `_RESET` and the like. Without such an ending
`PREFIX_REG` is taken for an address, `PREFIX_REG_FIELD` for a mask or bit number.
"""

from __future__ import annotations

from collections.abc import Mapping

from regmap.record import replace

from ..chip.model import Chip
from ..errors import CallError, closest
from .account import Lint
from .declarations import read_declarations
from .expressions import Evaluator
from .integers import DATA_MODELS
from .judging import HeaderJudging
from .preprocess import Opener, preprocess


def lint(
    chip: Chip,
    text: str,
    name: str,
    opener: Opener | None = None,
    given: Mapping[str, str] | None = None,
    model: str = "",
) -> Lint:
    """Compare what `text` and the headers that it includes define.

    `name` is the file's name in messages, `opener` gives what it includes (`includes.beside`), `given` are macros that the
    build defines. `model` is the data model of its compiler, a key of `integers.DATA_MODELS`; where none is told the header is
    read as by ILP32, and, where that leaves findings that may come of the width of types, by each of the others: a header is
    for a compiler on which it is right. Raises CallError for an unknown model.
    """
    if model and model not in DATA_MODELS:
        raise CallError(
            f"data model {model!r}", ", ".join(DATA_MODELS), closest(model, DATA_MODELS)
        )
    unit = preprocess(text, name, opener, given)
    results: list[Lint] = []
    for called in [model] if model else DATA_MODELS:
        unit.evaluator = evaluator = Evaluator(unit.evaluator.macros, DATA_MODELS[called])
        result = HeaderJudging(chip, unit, read_declarations(unit)).lint(name)
        results.append(replace(result, model=called))
        if not (result.problems and evaluator.by_width) and not evaluator.unread_by_width:
            break
    # what is not read by one model is no better for that
    best = min(results, key=lambda r: (-r.read, len(r.problems), r.unread))
    told = {tuple(str(p) for p in (*r.problems, *r.skipped)) for r in results}
    return replace(best, by_model=len(told) > 1)
