"""Variants beside each other, as one HTML page and in a record: every check in every variant, the worst first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..assessment.diff import Difference, diff_stages
from ..assessment.fallback import BetweenModes, between_modes
from ..assessment.matrix import Matrix, matrix
from ..calc import WORDS, Verdict
from ..cautions import CAUTION
from ..chip.values import Reading
from ..quantity import many
from ..stages.identity import identity
from ..stages.load import Stage
from .page import Html, code, join, page, section, table, tag
from .verdicts import percent, sign


def matrix_page(found: Matrix, between: Mapping[str, BetweenModes]) -> str:
    """The whole page. A cell shows the verdict and its margin; a variant without that check has none. `between` says by
    the name of a stage what lies between its modes."""
    title = f"{len(found.stages)} variants, {len(found.rows)} checks"
    return page(
        title,
        [("variants", "Variants"), ("checks", "Checks")],
        tag("p", "VARIANTS OF A POWER STAGE", cls="eyebrow"),
        tag("h1", title),
        tag("p", CAUTION, cls="caution"),
        section(
            "variants", 1, "Variants", _about(found), *([_between(between)] if between else [])
        ),
        section(
            "checks",
            2,
            "Checks",
            _checks(
                found,
                [(name, (n,)) for n, name in enumerate(found.names)],
                "Every check in every variant, worst first",
            ),
        ),
    )


class VariantsTold:
    """What the record of a stage tells of its variants; `findings` are sentences for its head."""

    def __init__(self, stage: Stage, variants: Sequence[Stage]) -> None:
        self.found = matrix([stage, *variants])
        self.differences = [diff_stages(stage, v) for v in variants]
        self.between = {v.name: between_modes(v, self.found.of(v)) for v in variants if v.modes}
        own = len(self.found.groups[0])  # the record tells these already
        self.findings = [
            f"variant {name}: {verdict.check} fails: {verdict.sentence()}"
            for name, result in list(zip(self.found.names, self.found.results, strict=True))[own:]
            for verdict in result.verdicts
            if verdict.status == "fails"
        ]
        self.findings += [
            f"variant {name}: {many(len(b.with_findings), 'transition')} between modes with findings, "
            f"{many(len(b.gaps), 'fault')} in a mode with nothing settled that follows"
            for name, b in self.between.items()
            if b.open
        ]

    def html(self) -> Html:
        """The whole section: what each is, what differs, every check in the worst mode of each."""
        return join(
            [
                _about(self.found),
                *([_between(self.between)] if self.between else []),
                *(_difference(d) for d in self.differences),
                _checks(
                    self.found,
                    [(self.found.stages[g[0]].name, g) for g in self.found.groups],
                    "Every check in the worst mode of each variant, worst first",
                ),
            ]
        )


def _about(found: Matrix) -> Html:
    about = [
        [name, s.title, s.file, str(identity(s)), *(str(r.counts[w]) for w in WORDS)]
        for name, s, r in zip(found.names, found.stages, found.results, strict=True)
    ]
    return table(
        ["variant", "title", "file", "identity", *WORDS.values()],
        about,
        caption="The variants, and how many of their verdicts are what",
        cls="dense",
    )


def _checks(found: Matrix, columns: Sequence[tuple[str, tuple[int, ...]]], caption: str) -> Html:
    """Every check, worst first; `columns` are heads with their variants, of which the worst is shown and its mode told."""
    rows = []
    for row in found.rows:
        cells: list[object] = [row.title, code(row.check), found.names[row.worst]]
        for _, group in columns:
            place = row.worst_of(group)
            cell = _cell(row.verdicts[place] if place is not None else None)
            mode = found.stages[place].mode if place is not None and len(group) > 1 else ""
            cells.append(join([cell, f" ({mode})"]) if mode else cell)
        rows.append(cells)
    head = ["what must hold", "check", "worst in", *(name for name, _ in columns)]
    return table(head, rows, caption=caption, cls="dense")


def _difference(found: Difference) -> Html:
    """Settings and figures of a variant that differ from those of the stage."""
    rows: list[list[object]] = [
        [f.name, f.old.label, f.new.label] for r in found.registers for f in r.fields
    ]
    rows += [[f.name, f.old.label, f.new.label] for f in found.joined]
    rows += [
        [f.name, _stated(f.old), _stated(f.new)]
        for f in (*found.externals, *found.figures, *found.roles)
    ]
    if not rows:
        return tag("p", f"{found.b} sets and states what {found.a} does.")
    return table(
        ["what", found.a, found.b], rows, caption=f"What {found.b} has otherwise", cls="dense"
    )


def _stated(value: object) -> str:
    if value is None:
        return "not stated"
    return value.label if isinstance(value, Reading) else str(value)


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
