"""Two surveys held against each other: faults that are new, gone, more or less frequent, settings, wiring."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from regmap.errors import CallError, FileError
from regmap.record import dataclass

from .rates import compare_rates, holm, rate_interval, ratio_interval
from .schema import VERSION
from .survey import ABOUT
from .writing import read_table

#: by what faults are counted; "all" is everything together
GROUPS = ("all", "unit", "firmware", "test", "variant")
HOUR = 3600.0

Fact = dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultChange:
    """One fault in one group, now and before. Rates are per hour, with exact intervals; None without exposure.

    `verdict` is new (never seen before), gone, more, less or as before; `certain` that the rates differ at the
    level of the comparison, over all its tests together (Holm). `chance` is the exact two-sided p of this one.
    """

    group: str
    value: str
    fault: str
    now: int
    before: int
    exposure_s: float
    exposure_before_s: float
    rate: tuple[float, float, float] | None
    rate_before: tuple[float, float, float] | None
    ratio: tuple[float, float] | None
    chance: float
    certain: bool
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingChange:
    """A register that last held another word: in how many units, and some of them."""

    register: str
    before: str
    now: str
    units: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyComparison:
    """What is new in `now` since `before`. `intervals` are those now of faults that are new or more frequent,
    `other_intervals` those of all others."""

    now: str
    before: str
    level: float
    faults: tuple[FaultChange, ...]
    settings: tuple[SettingChange, ...]
    #: (unit, finding) seen now and never before
    wiring: tuple[tuple[str, str], ...]
    #: (file, state, what is wrong) of files now that were not read whole
    unread: tuple[tuple[str, str, str], ...]
    intervals: tuple[Fact, ...]
    other_intervals: tuple[Fact, ...]
    #: intervals that are among neither
    more_intervals: int
    invented: bool
    notes: tuple[str, ...] = ()

    @property
    def worse(self) -> tuple[FaultChange, ...]:
        """Faults that are certainly more frequent, those that are new among them."""
        return tuple(f for f in self.faults if f.certain and f.verdict in ("new", "more"))

    @property
    def new(self) -> tuple[FaultChange, ...]:
        """Faults never seen before, certain or not."""
        return tuple(f for f in self.faults if f.verdict == "new")


def compare_surveys(
    now: str | os.PathLike[str],
    before: str | os.PathLike[str],
    *,
    level: float = 0.95,
    groups: Iterable[str] = GROUPS,
    most: int = 1000,
) -> SurveyComparison:
    """Hold the tables of one survey against those of another; `most` intervals are kept whole,
    those of faults that have grown before others.

    An event is one fault in one episode: what chatters within it counts once, power-up and sums never. Raises
    FileError for a folder without tables, CallError for a level or group that is none.
    """
    if not 0 < level < 1:
        raise CallError(f"a level of {level:g}", "between 0 and 1")
    chosen = tuple(dict.fromkeys(groups))
    for name in chosen:
        if name not in GROUPS:
            raise CallError(f"no group {name[:40]!r}", f"one of {', '.join(GROUPS)}")
    sides = [_Side(Path(p), chosen) for p in (now, before)]
    mine, other = sides
    faults = tuple(_changes(mine, other, chosen, level))
    grown = {f.fault for f in faults if f.verdict in ("new", "more")}
    intervals, others, left = _intervals(mine.folder, grown, most)
    notes = []
    if mine.about.get("identity") != other.about.get("identity"):
        notes.append("the surveys were made with different maps, stages or settings")
    if not mine.exposure[("all", "")] or not other.exposure[("all", "")]:
        notes.append("a survey without times has no rates: only what is new or gone is told")
    seen = set(other.wiring)
    return SurveyComparison(
        now=os.fspath(now), before=os.fspath(before), level=level, faults=faults,
        settings=tuple(_settings(mine, other)), wiring=tuple(sorted(w for w in mine.wiring if w not in seen)),
        unread=tuple(mine.unread), intervals=tuple(intervals), other_intervals=tuple(others), more_intervals=left,
        invented=bool(mine.about.get("invented") or other.about.get("invented")), notes=tuple(notes),
    )  # fmt: skip


class _Side:
    """What one survey says, counted."""

    def __init__(self, folder: Path, groups: tuple[str, ...]) -> None:
        self.folder = folder
        self.about = _about(folder)
        self.exposure: Counter[tuple[str, str]] = Counter()
        self.counts: Counter[tuple[str, str, str]] = Counter()
        self.wiring: set[tuple[str, str]] = set()
        self.unread: list[tuple[str, str, str]] = []
        for row in read_table(folder, "captures"):
            seconds = row["exposure_s"]
            for key in {*_keys(row, groups), ("all", "")}:
                self.exposure[key] += seconds if isinstance(seconds, float) else 0  # type: ignore[assignment]
            for name in str(row["wiring"]).split():
                self.wiring.add((str(row["unit"]), name))
            if row["state"] != "read":
                self.unread.append((str(row["file"]), str(row["state"]), str(row["message"])))
        seen: set[tuple[object, ...]] = set()
        for row in read_table(folder, "faults"):
            if row["role"] in ("normal", "sum"):
                continue
            event = tuple(row[k] for k in ("file", "unit", "position", "episode", "fault"))
            if event not in seen:
                seen.add(event)
                for group, value in _keys(row, groups):
                    self.counts[group, value, str(row["fault"])] += 1


def _keys(row: Mapping[str, object], groups: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    for group in groups:
        # a survey that is older than a column has nothing in it
        value = "" if group == "all" else str(row.get(group) or "")
        if group == "all" or value:
            yield group, value


def _about(folder: Path) -> Fact:
    path = folder / ABOUT
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        found = None
    if not isinstance(found, dict) or found.get("version") != VERSION:
        raise FileError.at(
            os.fspath(folder), f"no survey of version {VERSION}", f"a folder with {ABOUT}"
        )
    return found


def _changes(now: _Side, before: _Side, groups: tuple[str, ...], level: float) -> list[FaultChange]:
    keys = sorted({*now.counts, *before.counts}, key=lambda k: (groups.index(k[0]), k[1], k[2]))
    # a unit or firmware that only one of them has cannot be compared with itself
    keys = [k for k in keys if k[0] == "all" or (now.exposure[k[:2]] and before.exposure[k[:2]])]
    chances = [
        compare_rates(now.counts[k], now.exposure[k[:2]], before.counts[k], before.exposure[k[:2]])
        for k in keys
    ]
    certain = holm(chances, 1 - level)
    out = []
    for key, chance, sure in zip(keys, chances, certain, strict=True):
        group, value, fault = key
        many, were = now.counts[key], before.counts[key]
        span, span_before = float(now.exposure[key[:2]]), float(before.exposure[key[:2]])
        timed = span > 0 and span_before > 0
        out.append(FaultChange(
            group=group, value=value, fault=fault, now=many, before=were, exposure_s=span, exposure_before_s=span_before,
            rate=_rate(many, span, level), rate_before=_rate(were, span_before, level),
            ratio=ratio_interval(many, span, were, span_before, level) if timed else None,
            chance=chance, certain=sure, verdict=_verdict(many, were, span, span_before, sure),
        ))  # fmt: skip
    return out


def _rate(count: int, seconds: float, level: float) -> tuple[float, float, float] | None:
    if seconds <= 0:
        return None
    low, high = rate_interval(count, seconds / HOUR, level)
    return count / (seconds / HOUR), low, high


def _verdict(now: int, before: int, span: float, span_before: float, certain: bool) -> str:
    if now and not before:
        return "new"
    if before and not now:
        return "gone"
    if not certain:
        return "as before"
    return "more" if now * span_before > before * span else "less"


def _intervals(folder: Path, grown: set[str], most: int) -> tuple[list[Fact], list[Fact], int]:
    """(intervals of these faults, of others, how many more there are); power-up and sums are none."""
    mine: list[Fact] = []
    others: list[Fact] = []
    count = 0
    for row in read_table(folder, "faults"):
        if row["role"] in ("normal", "sum"):
            continue
        count += 1
        kept = mine if row["fault"] in grown else others
        if len(kept) < most:
            kept.append(row)
    del others[most - len(mine) :]
    return mine, others, count - len(mine) - len(others)


def _settings(now: _Side, before: _Side) -> Iterator[SettingChange]:
    mine, other = _last_words(now), _last_words(before)
    grouped: dict[tuple[str, str, str], list[str]] = {}
    for unit, register in sorted(mine.keys() & other.keys()):
        if mine[unit, register] != other[unit, register]:
            texts = [
                " or ".join(f"0x{w:X}" for w in sorted(s[unit, register])) for s in (other, mine)
            ]
            grouped.setdefault((register, texts[0], texts[1]), []).append(unit)
    for (register, was, word), units in grouped.items():
        yield SettingChange(register=register, before=was, now=word, units=tuple(units))


def _last_words(side: _Side) -> dict[tuple[str, str], set[int]]:
    """(unit, register) -> words that its settings last held, in any of its files."""
    masks = side.about.get("settings")
    if not isinstance(masks, dict):
        return {}
    last: dict[tuple[str, str, object, str], int] = {}
    for row in read_table(side.folder, "registers"):
        mask, word, known = masks.get(row["register"], 0), row["word"], row["known"]
        if mask and isinstance(word, int) and isinstance(known, int) and known & mask == mask:
            place = (str(row["unit"]), str(row["file"]), row["position"], str(row["register"]))
            last[place] = word & mask
    out: dict[tuple[str, str], set[int]] = {}
    for (unit, _, _, register), word in last.items():
        out.setdefault((unit, register), set()).add(word)
    return out
