"""One setting or input over its range, and the verdicts that it moves.

rows = sweep(stage, "TIMING.DEAD_TIME")   one row for each option of a field
rows = sweep_input(stage, "pwm.frequency", "10..60kHz")   the same over an input of the stage
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from regmap.record import dataclass, replace

from ..calc import Verdict, checks
from ..chip import values
from ..chip.bank import need
from ..chip.model import Field
from ..errors import CallError
from ..quantity import Band
from ..stages.load import Stage
from ..stages.whatif import input_of, span_of, with_inputs
from .stage import IN, Worked, bare, broken_rules, inputs_of, signature, waiver


@dataclass(frozen=True, slots=True)
class SweepRow:
    """One option of a swept field: its verdicts by check, and whether it is the one in the stage."""

    reading: values.Reading
    verdicts: dict[str, Verdict]
    current: bool
    broken_rules: tuple[str, ...] = ()

    @property
    def worst_mode(self) -> str:
        """The mode with the smallest margin, where the row is over several; else ""."""
        told = [v for v in self.verdicts.values() if v.relative is not None]
        first = min(told, key=lambda v: v.relative or 0.0, default=None)
        return first.check.partition(IN)[2] if first is not None else ""

    @property
    def worst(self) -> float:
        """The smallest relative margin of the row; what cannot be computed does not count."""
        margins = [v.relative for v in self.verdicts.values() if v.relative is not None]
        return min(margins, default=0.0)

    def lost(self, names: Iterable[str]) -> tuple[str, ...]:
        """Those of these checks that this option leaves not computed."""
        found = (self.verdicts.get(n) for n in names)
        return tuple(
            n for n, v in zip(names, found, strict=True) if v is None or v.relative is None
        )


@dataclass(frozen=True, slots=True)
class Sweep:
    """A field's options with every verdict that it moves.

    `best` is the row with the largest smallest margin. An option that makes a verdict vanish
    (a monitor switched off, a threshold disabled) is no better for it: the verdicts that another
    option answers count as lost. `open` are checks that look at this field and that lack an input
    at every option: `best` knows nothing of them. Of an input (`of_input`) nothing is best: it is what
    it is, and the question is how far it may go (`holding`).
    """

    name: str
    rows: tuple[SweepRow, ...]
    moved: tuple[str, ...]
    unmoved: int
    open: tuple[Verdict, ...] = ()
    of_input: bool = False
    left_out: tuple[tuple[str, str], ...] = ()

    @property
    def holding(self) -> tuple[SweepRow, ...]:
        """The rows at which nothing that depends on the swept value fails."""
        return tuple(
            r
            for r in self.rows
            if not r.broken_rules and all(v.status != "fails" for v in r.verdicts.values())
        )

    @property
    def best(self) -> SweepRow | None:
        """The option to prefer: rules kept, fewest verdicts failed or lost, largest worst margin.

        Among equals the option that the stage has, then the smallest code.
        """
        answered = [n for n in self.moved if any(n not in r.lost([n]) for r in self.rows)]

        def rank(row: SweepRow) -> tuple[int, int, float, bool, int]:
            fails = sum(v.status == "fails" for v in row.verdicts.values())
            worst = float(f"{row.worst:.12g}")  # the last digits are rounding, not a difference
            return (
                -len(row.broken_rules),
                -fails - len(row.lost(answered)),
                worst,
                row.current,
                -row.reading.code,
            )

        if self.of_input or not self.moved:
            return None
        return max(self.rows, key=rank, default=None)


def sweep(stage: Stage, name: str, limit: int = 256) -> Sweep:
    """Every option of a field, joined or external value with the verdicts that differ between them.

    Of more than `limit` options that many, evenly spread.
    Raises CallError for an unknown name or one that holds no setting.
    """
    return sweep_in({"": stage}, stage, name, limit)


def sweep_in(modes: Mapping[str, Stage], stage: Stage, name: str, limit: int = 256) -> Sweep:
    """A sweep of a field over the verdicts of several modes (by name; "": the stage alone)."""
    item = need(stage.chip, name)
    if isinstance(item, Field) and not item.setting:
        raise CallError(f"{name} holds no setting ({item.access})")
    base = stage.bank
    now = base.code(name)
    rows: list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]] = []
    worked: dict[str, Worked] = {}
    seen: set[object] = set()
    options = list(values.options(item, base, 1 << 16))
    if len(options) > limit:  # evenly, with both ends and the option that the stage has
        picked = {round(n * (len(options) - 1) / (limit - 1)) for n in range(limit)}
        options = [r for n, r in enumerate(options) if n in picked or r.code == now]
    for reading in options:
        if reading.band is not None and reading.code != now:
            key = (reading.band, reading.name)
            if key in seen:
                continue  # duplicate codes say the same
            seen.add(key)
        verdicts: dict[str, Verdict] = {}
        broken: list[str] = []
        for mode, there in modes.items():
            bank = there.bank
            bank.put(item, reading.code)
            worked[mode] = Worked.on(inputs_of(there, bank), before=worked.get(mode))
            verdicts |= _verdicts_in(mode, there, worked[mode])
            broken += broken_rules(stage.chip, bank)
        rows.append((reading, verdicts, tuple(dict.fromkeys(broken))))
    left = _open(getattr(item, "role", "") or "", [v for _, v, _ in rows])
    return _swept(name, rows, now, left)


def sweep_input(stage: Stage, name: str, span: str, steps: int = 11) -> Sweep:
    """An input of the stage (`pwm.frequency`, `supply.max`) in even steps over a span (`10..60kHz`).

    What contradicts the other inputs is in `left_out`, with why. Raises CallError for an unknown name, no span, or
    where nothing fits.
    """
    return sweep_input_in({"": stage}, name, span, steps)


def sweep_input_in(modes: Mapping[str, Stage], name: str, span: str, steps: int = 11) -> Sweep:
    """A sweep of an input over the verdicts of several modes (by name; "": the stage alone)."""
    rows: list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]] = []
    left_out: list[tuple[str, str]] = []
    worked: dict[str, Worked] = {}
    for code, text in enumerate(span_of(name, span, steps)):
        try:
            changed = {mode: with_inputs(stage, {name: text}) for mode, stage in modes.items()}
        except CallError as error:
            left_out.append((text, str(error)))
            continue
        verdicts: dict[str, Verdict] = {}
        broken: list[str] = []
        for mode, there in changed.items():
            worked[mode] = Worked.on(inputs_of(there), before=worked.get(mode))
            verdicts |= _verdicts_in(mode, there, worked[mode])
            broken += broken_rules(there.chip, there.bank)
        value = next(iter(changed.values())).params[input_of(name)[0]].value
        band = value if isinstance(value, Band) else None
        reading = values.Reading(code, text, "", band, True)
        rows.append((reading, verdicts, tuple(dict.fromkeys(broken))))
    if not rows:
        raise CallError(left_out[0][1])
    return replace(_swept(name, rows, None, ()), of_input=True, left_out=tuple(left_out))


def _verdicts_in(mode: str, stage: Stage, worked: Worked) -> dict[str, Verdict]:
    """The verdicts that a mode does not waive, by their name in it."""
    found = [v for v in worked.all() if not waiver(stage, v.check)]
    return {
        v.check: v for v in (replace(f, check=f.check + IN + mode) if mode else f for f in found)
    }


def _swept(
    name: str,
    rows: list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]],
    now: int | None,
    left: tuple[Verdict, ...],
) -> Sweep:
    rows = _told_once(rows)
    names = list(dict.fromkeys(n for _, v, _ in rows for n in v))
    moved = tuple(n for n in names if len({signature(v.get(n)) for _, v, _ in rows}) > 1)
    return Sweep(
        name,
        tuple(
            SweepRow(r, {n: v[n] for n in moved if n in v}, r.code == now, b) for r, v, b in rows
        ),
        moved,
        len(names) - len(moved),
        left,
    )


def _told_once(
    rows: list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]],
) -> list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]]:
    """The rows without what another mode says of a check in each of them as well; where all modes say the same, without
    a mode in its name."""
    by_check: dict[str, list[str]] = {}
    for name in dict.fromkeys(n for _, v, _ in rows for n in v):
        by_check.setdefault(bare(name), []).append(name)
    called: dict[str, str] = {}
    for check, names in by_check.items():
        told: dict[tuple[object, ...], str] = {}
        for name in names:
            told.setdefault(tuple(signature(v.get(name)) for _, v, _ in rows), name)
        called |= {n: n if len(told) > 1 else check for n in told.values()}
    return [(r, {called[n]: x for n, x in v.items() if n in called}, b) for r, v, b in rows]


def _open(role: str, options: list[dict[str, Verdict]]) -> tuple[Verdict, ...]:
    """The checks that a field of this role decides and that no option lets be computed."""
    if not options or not role:
        return ()
    deciding = {c.name for c in checks() if f"role:{role}" in c.uses}
    return tuple(
        v
        for n, v in options[0].items()
        if v.status == "not_computed"
        and (bare(n) in deciding or f"role:{role}" in v.asked)
        and all(o[n].status == "not_computed" for o in options if n in o)
    )
