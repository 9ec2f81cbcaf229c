"""What input from outside may cost, in one table: what exceeds it ends in one message that says which budget it was.

    if columns > limit("columns"):
        raise CaptureError.at(name, *over("columns", columns))

The program raises a budget by `--budget NAME=NUMBER`, a caller of the library by `allowing`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar

from regmap.record import dataclass

from .errors import CallError, closest


@dataclass(frozen=True, slots=True)
class Budget:
    """`usual` is what is allowed as a rule, `most` what may be allowed at all; `of` says what is counted."""

    usual: int
    most: int
    of: str


BUDGETS: Mapping[str, Budget] = {
    "bytes": Budget(4_000_000, 200_000_000, "bytes of one document: map, stage, set-up, C header, script, list of frames"),
    "values": Budget(60_000, 5_000_000, "values of one document once aliases are followed"),
    "text": Budget(20_000, 1_000_000, "characters of one text in a document"),
    "nesting": Budget(30, 200, "levels of nesting in one document"),
    "macros": Budget(40, 150, "macros within macros in a C header"),
    "macro_text": Budget(100_000, 20_000_000, "characters looked at for one macro of a C header"),
    "tokens": Budget(1_000_000, 50_000_000, "tokens of a C header, macros expanded"),
    "packed": Budget(100, 2_000, "times the packed size of a capture, where that is more than 3 MB"),
    "columns": Budget(512, 100_000, "columns of a table"),
    "declarations": Budget(16_000_000, 500_000_000, "bytes of declarations in a value change dump"),
    "signals": Budget(200_000, 2_000_000, "bits of signals in a value change dump"),
}  # fmt: skip

_ALLOWED: ContextVar[Mapping[str, int]] = ContextVar("budgets", default={})  # noqa: B039 - never written to


def limit(name: str) -> int:
    """What is allowed of it at the moment."""
    return _ALLOWED.get().get(name, BUDGETS[name].usual)


def over(name: str, found: int | None = None) -> tuple[str, str]:
    """(found, expected) of the message for what exceeds a budget; `found` where it is known."""
    budget, allowed = BUDGETS[name], limit(name)
    head = f"{found}" if found is not None else f"more than {allowed}"
    more = f", or --budget {name}=N with N up to {budget.most}" if allowed < budget.most else ""
    return f"{head} {budget.of}", f"at most {allowed}{more}"


def allowed() -> dict[str, int]:
    """What `allowing` has raised here, to be handed to another process."""
    return dict(_ALLOWED.get())


@contextmanager
def allowing(budgets: Mapping[str, int]) -> Iterator[None]:
    """While this lasts these budgets apply in place of the usual ones. Raises CallError for what is none."""
    for name, number in budgets.items():
        if name not in BUDGETS:
            raise CallError(
                f"no budget {name[:40]!r}",
                f"one of {', '.join(BUDGETS)}",
                nearest=closest(name, BUDGETS),
            )
        if not 1 <= number <= BUDGETS[name].most:
            raise CallError(f"the budget {name} = {number}", f"1 to {BUDGETS[name].most}")
    token = _ALLOWED.set({**_ALLOWED.get(), **budgets})
    try:
        yield
    finally:
        _ALLOWED.reset(token)
