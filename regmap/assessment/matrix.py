"""Variants of a stage beside each other: every check in every variant, the worst first.

found = matrix([load_stage("pump_12v.yaml"), load_stage("pump_48v.yaml")])
found.rows[0].check, found.rows[0].worst       which check, and in which variant it is worst
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from regmap.record import dataclass

from ..calc.verdict import Verdict, worst_first
from ..stages.load import Stage
from .stage import Assessment, assess

#: what the stage itself is called beside its modes
STATED = "as stated"


@dataclass(frozen=True, slots=True)
class MatrixRow:
    """One check: its verdict in each variant, None where a variant's chip or stage has no such check or waives it."""

    check: str
    title: str
    verdicts: tuple[Verdict | None, ...]

    @property
    def worst(self) -> int:
        """The variant in which it is worst, by number."""
        found = self.worst_of(range(len(self.verdicts)))
        assert found is not None
        return found

    def worst_of(self, variants: Iterable[int]) -> int | None:
        """That of these variants in which it is worst, the first among equals; None where none has the check."""
        there = {id(v): i for i in reversed(list(variants)) if (v := self.verdicts[i]) is not None}
        first = worst_first([v for v in self.verdicts if v is not None and id(v) in there])
        return there[id(first[0])] if first else None

    @property
    def status(self) -> str:
        """That of the worst variant."""
        verdict = self.verdicts[self.worst]
        assert verdict is not None
        return verdict.status


@dataclass(frozen=True, slots=True)
class Matrix:
    """`rows` worst first; `results` as `assess` gives them, a variant each, in the order asked for."""

    stages: tuple[Stage, ...]
    results: tuple[Assessment, ...]
    rows: tuple[MatrixRow, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """What to call each variant: its name and mode, with its file where two have the same."""
        modes = len({s.file for s in self.stages}) == 1 and any(s.mode for s in self.stages)
        names = [s.mode or STATED if modes else f"{s.name} {s.mode}".rstrip() for s in self.stages]
        return tuple(
            f"{n} ({s.file})" if names.count(n) > 1 else n
            for n, s in zip(names, self.stages, strict=True)
        )

    def of(self, stage: Stage) -> dict[str, Assessment]:
        """What was found of one of the stages, by the name of its mode (STATED for itself)."""
        wanted = {id(s): s.mode or STATED for s in (stage, *stage.modes.values())}
        return {
            wanted[id(s)]: r
            for s, r in zip(self.stages, self.results, strict=True)
            if id(s) in wanted
        }

    @property
    def groups(self) -> tuple[tuple[int, ...], ...]:
        """The variants by number, those of one stage (itself and its modes) together."""
        first = [n for n, s in enumerate(self.stages) if not s.mode or n == 0]
        return tuple(
            tuple(range(start, end))
            for start, end in zip(first, [*first[1:], len(self.stages)], strict=True)
        )

    def json(self) -> dict[str, object]:
        """A plain object for `--json`."""
        return {
            "variants": [
                {
                    "stage": s.name,
                    "mode": s.mode or None,
                    "file": s.file,
                    "chip": s.chip.name,
                    "counts": r.counts,
                }
                for s, r in zip(self.stages, self.results, strict=True)
            ],
            "checks": [
                {
                    "check": row.check,
                    "title": row.title,
                    "worst": self.names[row.worst],
                    "status": row.status,
                    "verdicts": [None if v is None else _cell(v) for v in row.verdicts],
                }
                for row in self.rows
            ],
        }


def _cell(verdict: Verdict) -> dict[str, object]:
    share = verdict.relative
    return {
        "status": verdict.status,
        "value": verdict.worst_value,
        "limit": verdict.worst_limit,
        "margin": share if share is not None and abs(share) != float("inf") else None,
    }


def matrix(stages: Sequence[Stage], names: Iterable[str] | None = None) -> Matrix:
    """Every check (or those named) in every stage and in each of its modes.

    Raises CallError for a name that means nothing.
    """
    stages = [s for stage in stages for s in (stage, *stage.modes.values())]
    wanted = list(names) if names is not None else None
    results: list[Assessment] = []
    for stage in stages:
        results.append(assess(stage, names=wanted, beside=results[-1] if results else None))
    by_name = [{v.check: v for v in r.verdicts} for r in results]
    titles = {v.check: v.title for r in results for v in r.verdicts}
    rows = [
        MatrixRow(check, title, tuple(found.get(check) for found in by_name))
        for check, title in titles.items()
    ]
    worst = {id(row.verdicts[row.worst]): row for row in rows}
    order = worst_first([v for row in rows if (v := row.verdicts[row.worst]) is not None])
    return Matrix(tuple(stages), tuple(results), tuple(worst[id(v)] for v in order))


@dataclass(frozen=True, slots=True)
class OverModes:
    """Every check of a stage in the mode in which it is worst; the stage as stated is the first among equals.

    `result` has these verdicts and everything that a mode waives; `where` says by check in which mode it is worst,
    `waived` by check and reason in which modes it is waived.
    """

    matrix: Matrix
    result: Assessment
    where: dict[str, str]
    waived: dict[tuple[str, str], tuple[str, ...]]

    def mode_of(self, check: str) -> Stage:
        """The stage in the mode in which a check is worst."""
        return self.matrix.stages[self.matrix.names.index(self.where[check])]


def over_modes(stage: Stage, names: Iterable[str] | None = None) -> OverModes:
    """The checks (or those named) over the stage as stated and all its modes. Raises CallError for an unknown name."""
    found = matrix([stage], names)
    verdicts: list[Verdict] = []
    where: dict[str, str] = {}
    for row in found.rows:
        verdict = row.verdicts[row.worst]
        assert verdict is not None
        verdicts.append(verdict)
        where[row.check] = found.names[row.worst]
    waived: dict[tuple[str, str], tuple[Verdict, tuple[str, ...]]] = {}
    for name, result in zip(found.names, found.results, strict=True):
        for verdict, reason in result.waived:
            first, modes = waived.get((verdict.check, reason), (verdict, ()))
            waived[verdict.check, reason] = (first, (*modes, name))
    told = tuple((verdict, reason) for (_, reason), (verdict, _) in waived.items())
    return OverModes(
        found,
        Assessment(tuple(verdicts), told),
        where,
        {key: modes for key, (_, modes) in waived.items()},
    )
