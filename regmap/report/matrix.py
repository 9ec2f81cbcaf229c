"""Variants beside each other as one HTML page: every check in every variant, the worst first."""

from __future__ import annotations

from collections.abc import Mapping

from ..assessment.fallback import BetweenModes
from ..assessment.matrix import Matrix
from ..calc import WORDS, Verdict
from ..cautions import CAUTION
from ..stages.identity import identity
from .page import Html, code, join, page, section, table, tag
from .verdicts import percent, sign


def matrix_page(found: Matrix, between: Mapping[str, BetweenModes]) -> str:
    """The whole page. A cell shows the verdict and its margin; a variant without that check has none. `between` says by
    the name of a stage what lies between its modes."""
    head = ["what must hold", "check", "worst in", *found.names]
    rows = []
    for row in found.rows:
        cells: list[object] = [row.title, code(row.check), found.names[row.worst]]
        rows.append([*cells, *(_cell(v) for v in row.verdicts)])
    about = [
        [name, s.title, s.file, str(identity(s)), *(str(r.counts[w]) for w in WORDS)]
        for name, s, r in zip(found.names, found.stages, found.results, strict=True)
    ]
    title = f"{len(found.stages)} variants, {len(found.rows)} checks"
    return page(
        title,
        [("variants", "Variants"), ("checks", "Checks")],
        tag("p", "VARIANTS OF A POWER STAGE", cls="eyebrow"),
        tag("h1", title),
        tag("p", CAUTION, cls="caution"),
        section(
            "variants",
            1,
            "Variants",
            table(
                ["variant", "title", "file", "identity", *WORDS.values()],
                about,
                caption="The variants, and how many of their verdicts are what",
                cls="dense",
            ),
            *([_between(between)] if between else []),
        ),
        section(
            "checks",
            2,
            "Checks",
            table(head, rows, caption="Every check in every variant, worst first", cls="dense"),
        ),
    )


def _between(between: Mapping[str, BetweenModes]) -> Html:
    rows = [
        [name, sign("fails" if b.open else "holds"), len(b.ways), len(b.with_findings), len(b.gaps)]
        for name, b in between.items()
    ]
    return table(
        ["stage", "", "transitions", "with findings", "faults with nothing settled that follows"],
        rows,
        caption="Between the modes of each stage",
        cls="dense",
    )


def _cell(verdict: Verdict | None) -> Html:
    if verdict is None:
        return Html("")
    return join([sign(verdict.status), " ", percent(verdict.relative)])
