"""Rows of published worked examples: printed figures, and what the library gives for their inputs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from regmap.calc import Inputs, Verdict, run

Given = Callable[[dict[str, "str | int"]], Inputs]


@dataclass(frozen=True)
class Figure:
    """One printed figure: what the library gives for its inputs, and how close the print is."""

    what: str
    made: Callable[[], float]
    printed: float
    within: float  # half of the last digit printed, or the difference that `because` explains
    because: str = ""


@dataclass(frozen=True)
class Example:
    """A source with title and number, how it was obtained, and its figures.

    "read" was seen in the published text, "from memory" is recalled and not verified.
    """

    source: str
    how: str
    figures: tuple[Figure, ...]


def reproduced(example: Example) -> None:
    """Each printed figure comes out; where the print is coarser than three digits, it says why."""
    for figure in example.figures:
        made = float(figure.made())
        assert made == pytest.approx(figure.printed, abs=figure.within), figure.what
        if not figure.because:
            assert figure.within <= 0.012 * abs(figure.printed), figure.what


def in_order(examples: list[Example]) -> None:
    """No source twice, each with its figures and its number, and none of unknown origin."""
    assert len({e.source for e in examples}) == len(examples)
    assert {e.how for e in examples} <= {"read", "from memory"}
    assert all(e.figures and any(c.isdigit() for c in e.source) for e in examples)


def one(inputs: Inputs, name: str) -> Verdict:
    """The only verdict of a check."""
    (verdict,) = run(inputs, [name])
    return verdict


def typ(verdict: Verdict) -> float:
    """The typical value of a verdict, base unit."""
    assert verdict.value is not None
    return float(verdict.value.typ)
