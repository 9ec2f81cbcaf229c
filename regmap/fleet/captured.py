"""One capture to the rows of the tables; a file that cannot be read is a row too."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from regmap.behaviour.faults import Explanation, Finding
from regmap.chip.bank import Bank
from regmap.chip.bits import hexword
from regmap.chip.model import Chip
from regmap.errors import (
    CallError,
    CaptureError,
    FileError,
    GatewordError,
    Problem,
    closest,
)
from regmap.record import dataclass, field, replace
from regmap.stages.identity import DocumentIdentity, identity
from regmap.stages.load import Stage
from regmap.trace.belief.walker import Walker
from regmap.trace.events import Interval
from regmap.trace.filed import trace_file
from regmap.trace.findings.figures import missed_of
from regmap.trace.findings.intime import Pause, measured
from regmap.trace.telling.story import Episode, Story, tell
from regmap.trace.tracer import Trace

from .schema import TABLES, Row, Rows, names_of

_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class Against:
    """What captures and logs are read with: chips of the SPI, and the stage that they are held against.

    `variants` are other stages on the same map by name, for the captures whose manifest names one of them.
    """

    chips: tuple[Chip, ...]
    stage: Stage | None = None
    bad_replies: Fraction = Fraction(0)
    variants: Mapping[str, Stage] = field(default_factory=dict)

    def of(self, variant: str) -> Against:
        """What a capture of this variant is held against. Raises CallError where no stage is called so.

        Without other stages a variant is no more than a name.
        """
        if not self.variants or self.stage is None or variant == self.stage.name:
            return self
        if variant not in self.variants:
            names = [self.stage.name, *self.variants]
            what = f"no stage is called {variant[:60]!r}" if variant else "a capture of no variant"
            raise CallError(what, f"one of {', '.join(names)}", nearest=closest(variant, names))
        return replace(self, stage=self.variants[variant], variants={})

    @property
    def identity(self) -> DocumentIdentity:
        """Of the stage, or of the maps."""
        return identity(self.stage) if self.stage is not None else identity(*self.chips)


def digest_of(path: str | os.PathLike[str]) -> str:
    """SHA-256 of a file, hex."""
    found = hashlib.sha256()
    with Path(path).open("rb") as stream:
        while block := stream.read(_BLOCK):
            found.update(block)
    return found.hexdigest()


def rows_of(path: str, against: Against) -> Rows:
    """The rows of one capture; nothing about the file raises. `file` is filled in, labels are not."""
    told: dict[str, object] = {"file": path, "state": "read", "faults": 0}
    rows: Rows = {table: [] for table in TABLES}
    told |= _documents(against)
    try:
        told |= {"bytes": Path(path).stat().st_size, "sha256": digest_of(path)}
        if not told["bytes"]:
            told |= {"state": "empty", "message": "the file is empty"}
        else:
            trace = trace_file(path, against.chips)
            story = tell(trace, against.stage, bad_replies=against.bad_replies)
            told |= _summary(path, trace, story)
            rows["faults"] = list(_faults(path, trace, story))
            rows["registers"] = list(_registers(path, trace))
            rows["timing"] = list(_timing(path, trace, story))
    except OSError as error:
        told |= {"state": "unreadable", "message": error.strerror or str(error)}
    except (CaptureError, FileError) as error:
        told |= {"state": "unreadable", "message": _told(path, error.problems)}
    except GatewordError as error:
        told |= {"state": "unreadable", "message": str(error)}
    except Exception as error:  # one file of thousands never ends the run; it is told by name
        told |= {"state": "unreadable", "message": f"internal: {type(error).__name__}: {error}"}
    rows["captures"] = [row("captures", told)]
    return rows


def row(table: str, values: dict[str, object]) -> Row:
    """The values in the order of the table's columns. Raises CallError for a name that it does not have."""
    names = names_of(table)
    for name in values:
        if name not in names:
            raise CallError(f"the table {table} has no column {name}")
    return [values.get(name) for name in names]


def _told(path: str, problems: Iterable[Problem]) -> str:
    """Problems of a file that is named beside them: their lines and columns stay."""
    texts = (
        str(p).removeprefix(f"{path}: {p.severity}: ").removeprefix(f"{path}:") for p in problems
    )
    return "; ".join(texts)


def _documents(against: Against) -> dict[str, object]:
    who = against.identity
    return {
        "maps": " ".join(m.name for m in who.maps),
        "map_digest": " ".join(m.digest for m in who.maps),
        "stage": who.stage.name if who.stage else None,
        "stage_digest": who.stage.digest if who.stage else None,
        "settings_digest": who.settings or None,
        "invented": who.invented,
    }


def _summary(path: str, trace: Trace, story: Story) -> dict[str, object]:
    evidence = story.evidence
    errors = [p for p in trace.problems if p.severity == "error"]
    told: dict[str, object] = {
        "format": trace.format,
        "frames": trace.frames,
        "rejected": evidence.commands.bad,
        "bad_replies": evidence.replies.bad,
        "resets": sum(len(w.belief.resets) for w in trace.walkers),
        "faults": sum(not i.normal for w in trace.walkers for i in w.faults.intervals),
        "verdict": " ".join(dict.fromkeys(s.name for s in story.stops)) or "sound",
        "wiring": " ".join(dict.fromkeys(m.name for m in story.diagnosis.mistakes)),
        "told": story.telling[-1] if story.telling else "",
    }
    if trace.clock.tick is not None:
        start, end = seconds(trace, trace.start), seconds(trace, trace.end)
        told |= {"start_s": start, "end_s": end}
        if not story.diagnosis.grave:
            told["exposure_s"] = float(trace.clock.seconds(trace.end - trace.start))
    if not trace.frames:
        told |= {"state": "empty", "message": "no frame was found"}
    if errors:
        told |= {"state": "damaged", "message": _told(path, errors)}
    return told


def seconds(trace: Trace, ticks: int) -> float | None:
    """Seconds of an instant; None for "none" and in a list without times."""
    if ticks < 0 or trace.clock.tick is None:
        return None
    return float(trace.clock.seconds(ticks))


def _chip(trace: Trace, position: int) -> dict[str, object]:
    return {"position": position, "map": trace.chips[position].name}


def words_text(chip: Chip, words: dict[str, int]) -> str:
    """`NAME=0x..` by blanks, in the order of the map."""
    return " ".join(
        f"{n}={hexword(words[n], r.width)}" for n, r in chip.registers.items() if n in words
    )


def roles_of(explanation: Explanation) -> dict[str, tuple[str, str, Finding]]:
    """Fault -> (role, the fault at the root of it, its finding) of everything that an explanation tells."""
    found: dict[str, tuple[str, str, Finding]] = {}

    def walk(item: Finding, root: str) -> None:
        role = "first cause" if root == item.fault.name else "follow-on"
        found[item.fault.name] = (role, root, item)
        for name in item.summed:
            found.setdefault(name, ("sum", root, item))
        for child in item.consequences:
            walk(child, root)

    for top in explanation.findings:
        walk(top, top.fault.name)
    return found


def _faults(path: str, trace: Trace, story: Story) -> Iterator[Row]:
    episodes: dict[tuple[int, int], tuple[int, Episode]] = {
        (e.chip, id(i)): (n, e) for n, e in enumerate(story.episodes) for i in e.intervals
    }
    if story.diagnosis.grave:
        return  # no frame can be believed
    for walker in trace.walkers:
        times = walker.log.times("end")
        for interval in sorted(walker.faults.intervals, key=lambda i: (i.raised_time, i.fault)):
            place = episodes.get((walker.position, id(interval)))
            yield _fault(path, trace, walker, interval, place, times)


def _fault(
    path: str,
    trace: Trace,
    walker: Walker,
    interval: Interval,
    place: tuple[int, Episode] | None,
    times: npt.NDArray[np.int64],
) -> Row:
    fault = walker.chip.faults[interval.fault]
    role, cause, masked, reported = ("normal" if interval.normal else "first cause"), "", False, False  # fmt: skip
    if place is not None:
        found = roles_of(place[1].explanation).get(fault.name)
        if found is not None:
            role, cause, finding = found
            if role != "sum":
                masked, reported = finding.masked, finding.reported_only
        elif fault.summary_of:
            role = "sum"
    over = interval.gone_time >= 0 and walker.faults.active.get(fault.name) is not interval
    gone = interval.gone_time if over else -1
    bank: Bank = walker.known_at(interval.raised + 1)
    tried = interval.attempts[0] if interval.attempts else -1
    return row("faults", {
        "file": path, **_chip(trace, walker.position), "fault": fault.name, "severity": fault.severity,
        "role": role, "cause": cause or (fault.name if role == "first cause" else ""),
        "masked": masked, "reported_only": reported, "episode": place[0] if place else None,
        "clear_s": seconds(trace, interval.clear_before_time), "pin_s": seconds(trace, interval.pin),
        "raised_s": seconds(trace, interval.raised_time),
        "cleared_s": seconds(trace, int(times[tried])) if 0 <= tried < len(times) else None,
        "gone_s": seconds(trace, gone), "duration_s": _span(trace, interval.raised_time, gone),
        "at_most_s": _span(trace, interval.clear_before_time, gone), "how": interval.how if over else "",
        "registers": words_text(walker.chip, {n: w for n, w in bank.words.items() if bank.known.get(n)}),
    })  # fmt: skip


def _span(trace: Trace, start: int, end: int) -> float | None:
    if start < 0 or end < 0 or trace.clock.tick is None:
        return None
    return float(trace.clock.seconds(end - start))


def _registers(path: str, trace: Trace) -> Iterator[Row]:
    for walker in trace.walkers:
        before: dict[str, int | None] = {}
        for known in walker.belief.history:
            word = known.word if known.known else None
            yield row("registers", {
                "file": path, **_chip(trace, walker.position), "time_s": seconds(trace, known.time),
                "register": known.register, "before": before.get(known.register), "word": word,
                "known": known.known,
            })  # fmt: skip
            before[known.register] = word


def _timing(path: str, trace: Trace, story: Story) -> Iterator[Row]:
    def length(span: Pause | None) -> float | None:
        return None if span is None else _span(trace, span.start, span.end)

    for found in story.times:
        for what, name, count, longest, shortest, rest, _ in measured(found):
            yield row("timing", {
                "file": path, **_chip(trace, found.position), "what": what, "name": name, "count": count,
                "longest_s": length(longest),
                "longest_from_s": seconds(trace, longest.start) if longest else None,
                "shortest_s": length(shortest), "rest_s": length(rest),
                "missed": "; ".join(missed_of(story.missed, found.position, what, name)[1]),
            })  # fmt: skip
