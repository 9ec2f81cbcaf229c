"""Two things changed at once: every value of one against every value of the other.

    found = grid(stage, axis(stage, "TIMING.DEAD_TIME"), axis(stage, "pwm.frequency", "10..60kHz"))
    found.cells[row][column].worst

A cell holds the smallest margin of all verdicts that differ anywhere in the grid, or of the checks that
were chosen. Checks that look at nothing that differs are not run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from regmap.record import dataclass

from ..calc import Inputs, Verdict, checks, run, select
from ..calc.inputs import chain
from ..calc.registry import Check
from ..calc.svg import HUES, Panel, picture
from ..cautions import CAUTION
from ..chip import values
from ..chip.bank import Bank, need
from ..chip.model import Field
from ..errors import CallError
from ..stages.load import Stage
from ..stages.whatif import span_of, with_inputs
from .stage import Worked, broken_rules, inputs_of, signature, waiver

#: Cells that one grid may have.
MOST_CELLS = 1024
#: Rows and columns that a picture shows legibly; more are drawn in groups.
MOST_ROWS, MOST_COLUMNS = 64, 32


@dataclass(frozen=True, slots=True)
class Axis:
    """What one side of a grid goes through: codes of a field, or texts of an input.

    `current` is the place of the value that the stage has, None where it is not among them.
    """

    name: str
    labels: tuple[str, ...]
    of_input: bool
    codes: tuple[int, ...] = ()
    current: int | None = None


@dataclass(frozen=True, slots=True)
class GridCell:
    """One combination: its smallest margin, and how many of its verdicts fail or have a low margin.

    `check` is the verdict with that margin, `left_out` why the combination cannot be (empty: it can).
    """

    worst: float | None = None
    check: str = ""
    fails: int = 0
    low: int = 0
    broken_rules: tuple[str, ...] = ()
    left_out: str = ""

    @property
    def status(self) -> str:
        """`impossible`, `fails`, `low_margin` or `holds`."""
        if self.left_out:
            return "impossible"
        if self.fails or self.broken_rules:
            return "fails"
        return "low_margin" if self.low else "holds"


@dataclass(frozen=True, slots=True)
class SweepGrid:
    """Cells by row (the first axis) and column (the second); `moved` are the verdicts that differ."""

    first: Axis
    second: Axis
    cells: tuple[tuple[GridCell, ...], ...]
    moved: tuple[str, ...]
    unmoved: int


def axis(stage: Stage, name: str, span: str | None = None, steps: int = 7) -> Axis:
    """All options of a field, joined or external value, or `steps` values of an input over a span.

    Raises CallError for an unknown name, a field that holds no setting, or an input without a span.
    """
    if span is not None:
        return Axis(name, tuple(span_of(name, span, steps)), True)
    item = need(stage.chip, name)
    if isinstance(item, Field) and not item.setting:
        raise CallError(f"{name} holds no setting ({item.access})")
    bank = stage.bank
    now = bank.code(name)
    found: dict[object, values.Reading] = {}
    for reading in values.options(item, bank, MOST_CELLS):
        key = (reading.band, reading.name) if reading.band is not None else reading.code
        if key not in found or reading.code == now:
            found[key] = reading
    readings = sorted(found.values(), key=lambda r: r.code)
    codes = [r.code for r in readings]
    labels = tuple(r.name or r.label for r in readings)
    return Axis(name, labels, False, tuple(codes), codes.index(now) if now in codes else None)


def fitting(first: Axis, second: Axis) -> tuple[Axis, Axis]:
    """Both axes, of which a field with too many options for a grid keeps some, evenly spread.

    Its first and last option and that of the stage stay.
    """
    most = MOST_CELLS
    for _ in range(2):
        sides = [a for a in (first, second) if not a.of_input]
        if len(first.labels) * len(second.labels) <= most or not sides:
            break
        longer = max(sides, key=lambda a: len(a.labels))
        other = second if longer is first else first
        room = most // max(1, len(other.labels))
        if not other.of_input:
            room = max(room, int(most**0.5))
        thin = _thinned(longer, max(room, 3))
        first, second = (thin, second) if longer is first else (first, thin)
    return first, second


def _thinned(one: Axis, most: int) -> Axis:
    count = len(one.labels)
    if count <= most:
        return one
    places = {round(n * (count - 1) / (most - 1)) for n in range(most)}
    if one.current is not None and one.current not in places:
        near = min(places - {0, count - 1}, key=lambda n: abs(n - (one.current or 0)))
        places = places - {near} | {one.current}
    kept = sorted(places)
    return Axis(
        one.name,
        tuple(one.labels[n] for n in kept),
        one.of_input,
        tuple(one.codes[n] for n in kept),
        None if one.current is None else kept.index(one.current),
    )


def grid(stage: Stage, first: Axis, second: Axis, chosen: Sequence[str] = ()) -> SweepGrid:
    """Every value of the first axis against every one of the second.

    With `chosen` (checks, as `select` names them) each cell holds the smallest margin of these alone,
    whether they differ or not. Raises CallError for twice the same name, more than MOST_CELLS cells, an
    unknown check, or where nothing fits.
    """
    if chosen:
        select(chosen)
    if first.name == second.name:
        raise CallError(f"{first.name} against itself", "two names")
    count = len(first.labels) * len(second.labels)
    if count > MOST_CELLS:
        raise CallError(f"{count} combinations", f"{MOST_CELLS} at most: fewer steps")
    tried = [[_at(stage, (first, r), (second, c)) for c in _places(second)] for r in _places(first)]
    able = [t for row in tried for t in row if not isinstance(t, str)]
    if not able:
        raise CallError(next(t for row in tried for t in row if isinstance(t, str)))
    asked = list(chosen) or _deciding([inputs for inputs, _ in able])
    found: list[list[str | tuple[dict[str, Verdict], tuple[str, ...]]]] = []
    before: Worked | None = None
    for row in tried:
        found.append([])
        for there in row:
            if isinstance(there, str):
                found[-1].append(there)
            else:
                before = Worked.on(there[0], asked, before)
                found[-1].append((_told(stage, before.all()), there[1]))
    worked = [f[0] for row in found for f in row if not isinstance(f, str)]
    names = list(dict.fromkeys(n for verdicts in worked for n in verdicts))
    moved = tuple(n for n in names if len({signature(v.get(n)) for v in worked}) > 1)
    cells = tuple(
        tuple(
            GridCell(left_out=f)
            if isinstance(f, str)
            else _cell(f[0], f[1], names if chosen else moved)
            for f in row
        )
        for row in found
    )
    all_checks = chosen or None
    everything = _told(stage, run(able[0][0], all_checks))
    return SweepGrid(first, second, cells, moved, len({*everything, *names}) - len(moved))


def _places(one: Axis) -> range:
    return range(len(one.labels))


def _at(stage: Stage, *where: tuple[Axis, int]) -> tuple[Inputs, tuple[str, ...]] | str:
    """The inputs at one cell and the rules broken there, or why it cannot be."""
    texts = {a.name: a.labels[n] for a, n in where if a.of_input}
    try:
        there = with_inputs(stage, texts) if texts else stage
    except CallError as error:
        return str(error)
    bank: Bank = there.bank.copy()
    for one, place in where:
        if not one.of_input:
            bank.put(need(stage.chip, one.name), one.codes[place])
    return inputs_of(there, bank), broken_rules(stage.chip, bank)


def _deciding(cells: list[Inputs]) -> list[str]:
    """The checks that may look at what differs between these cells."""
    known = [inputs.known() for inputs in cells]
    names = {n for k in known for n in k}
    differs = {n for n in names if len({k[n].value if n in k else None for k in known}) > 1}
    every = len({repr(inputs.facts) for inputs in cells}) > 1

    def looks(check: Check) -> bool:
        # faults add inputs that only the map names to the checks of reactions
        return (
            every
            or check.subject == "reaction"
            or any(n in differs for use in check.uses for n in chain(use))
        )

    return [c.name for c in checks() if looks(c)]


def _told(stage: Stage, verdicts: list[Verdict]) -> dict[str, Verdict]:
    """Those that the stage does not waive, by name."""
    return {v.check: v for v in verdicts if not waiver(stage, v.check)}


def _cell(verdicts: dict[str, Verdict], broken: tuple[str, ...], moved: Sequence[str]) -> GridCell:
    here = [verdicts[n] for n in moved if n in verdicts]
    told = [v for v in here if v.relative is not None]
    worst = min(told, key=lambda v: v.relative or 0.0, default=None)
    return GridCell(
        None if worst is None else worst.relative,
        "" if worst is None else worst.check,
        sum(v.status == "fails" for v in here),
        sum(v.status == "low_margin" for v in here),
        broken,
    )


#: How a cell is drawn: colour, and the mark beside its figure.
_DRAWN = {
    "holds": (HUES[2], ""),
    "low_margin": (HUES[1], "~"),
    "fails": (HUES[3], "!"),
    "impossible": ("#8a929b", "x"),
}


def shown(cell: GridCell) -> str:
    """A cell as text: its smallest margin with `!` where something fails and `~` where a margin is low."""
    mark = _DRAWN[cell.status][1]
    if cell.worst is None:
        return mark or "-"
    share = 100 * cell.worst
    figure = f"{share:+.0f} %" if abs(share) < 1e4 else ("much" if share > 0 else "no")
    return f"{figure}{mark}"


_RANK = ("impossible", "holds", "low_margin", "fails")


def _worst_of(cells: Sequence[GridCell]) -> GridCell:
    """The cell of several that stands worst: the smallest margin of what can be, and all that fails."""
    able = [c for c in cells if not c.left_out]
    if not able:
        return cells[0]
    worst = max(
        able, key=lambda c: (_RANK.index(c.status), -(c.worst if c.worst is not None else 9e99))
    )
    least = min(
        (c for c in able if c.worst is not None), key=lambda c: c.worst or 0.0, default=worst
    )
    return GridCell(
        least.worst,
        least.check,
        max(c.fails for c in able),
        max(c.low for c in able),
        worst.broken_rules,
    )


def _groups(one: Axis, most: int) -> list[range]:
    """Neighbouring values that share a row or column of a picture: each alone, where there is room."""
    size = -(-len(one.labels) // most)
    return [range(n, min(n + size, len(one.labels))) for n in range(0, len(one.labels), size)]


def _grouped(one: Axis, groups: Sequence[range]) -> Axis:
    labels = [
        one.labels[g[0]] if len(g) == 1 else f"{one.labels[g[0]]}..{one.labels[g[-1]]}"
        for g in groups
    ]
    now = next((n for n, g in enumerate(groups) if one.current in g), None)
    return Axis(one.name, tuple(labels), one.of_input, (), now)


def drawable(found: SweepGrid) -> SweepGrid:
    """The grid as a picture has room for it: neighbours together where there are many, with their worst cell."""
    down, across = _groups(found.first, MOST_ROWS), _groups(found.second, MOST_COLUMNS)
    cells = tuple(
        tuple(_worst_of([found.cells[r][c] for r in rows for c in columns]) for columns in across)
        for rows in down
    )
    first, second = _grouped(found.first, down), _grouped(found.second, across)
    return SweepGrid(first, second, cells, found.moved, found.unmoved)


def grid_picture(whole: SweepGrid, chosen: Sequence[str] = ()) -> str:
    """The grid as SVG text: a coloured field for each cell with its margin and mark.

    Where there are more values than a picture has room for, neighbours share a field, which shows the
    worst of them. `chosen` are the checks whose margins the cells have, where they were chosen.
    """
    found = drawable(whole)
    rows, columns = len(found.first.labels), len(found.second.labels)
    shared = [
        f"{one.name}: up to {-(-len(one.labels) // len(drawn.labels))} of its {len(one.labels)} values share "
        "a field, which shows the worst of them"
        for one, drawn in ((whole.first, found.first), (whole.second, found.second))
        if len(drawn.labels) < len(one.labels)
    ]
    long = max((len(label) for label in found.second.labels), default=0)
    wide, high = max(74.0, 7.0 * min(long, 24) + 14), 26.0
    left = max(150.0, 7.0 * min(max(map(len, found.first.labels)), 30) + 34)
    panel = Panel((left, 84, wide * columns, high * rows), (0, columns), (0, rows), "", "")
    for row, column, cell in _each(found):
        hue, _ = _DRAWN[cell.status]
        y = rows - row - 0.5
        label = f"{found.first.labels[row]}, {found.second.labels[column]}: {shown(cell)}"
        if cell.check:
            label += f", {cell.check}"
        panel.patch((column, column + 1), (y - 0.5, y + 0.5), hue, cell.left_out or label)
        panel.text((column + 0.5, y), shown(cell), "middle", gap=0)
    for row, label in enumerate(found.first.labels):
        mark = "> " if row == found.first.current else ""
        panel.text((0, rows - row - 0.5), mark + label[:30], "end")
    for column, label in enumerate(found.second.labels):
        mark = "> " if column == found.second.current else ""
        panel.text((column + 0.5, rows + 0.35), mark + label[:24], "middle", gap=0)
    whose = (
        f"margin of {', '.join(chosen)}"
        if chosen
        else "smallest margin of the verdicts that differ"
    )
    return picture(
        left + wide * columns + 30,
        84 + high * rows + 96 + 16 * len(shared),
        f"{found.first.name} (down) against {found.second.name} (across)",
        [panel],
        [
            f"{whose}; ! something fails, ~ low margin, x cannot be, > as in the stage",
            *shared,
            CAUTION,
        ],
    )


def _each(found: SweepGrid) -> Iterator[tuple[int, int, GridCell]]:
    for row, cells in enumerate(found.cells):
        for column, cell in enumerate(cells):
            yield row, column, cell
