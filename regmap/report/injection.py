"""The part of a record about fault injection: what a campaign left, against this stage.

The results are the JSON lines of `gateword campaign -o FILE`. Injected of another stage or map is no
evidence of this one, and is told as a finding; so are faults that no case injects.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from regmap.record import dataclass

from ..campaign.results import Injected, read_evidence
from ..campaign.run import Result
from ..chip.bits import extract, hexword
from ..chip.model import Chip
from ..link.log import wall_time
from ..stages.identity import identity
from ..stages.load import Stage
from .page import Html, code, facts, items, join, table, tag

SIGNS = {"pass": "holds", "fail": "fails", "error": "none", "skipped": "none"}
TIMES = {"detected": "to_pin", "read": "to_read", "reaction": "to_reaction", "mode": "to_mode"}


@dataclass(frozen=True, slots=True)
class InjectionFindings:
    """The section, and the sentences that speak against the stage."""

    html: Html
    sentences: tuple[str, ...]


def injection_findings(stage: Stage, path: Path) -> InjectionFindings:
    """The results of a campaign against a stage. Raises FileError for a file that holds none."""
    found = read_evidence(path)
    results = [item.result for item in found]
    foreign = _foreign(stage, found)
    without = [
        name
        for name, fault in stage.chip.faults.items()
        if not fault.summary_of and name not in {r.fault for r in results}
    ]
    modes = [m for m in stage.modes if m not in {r.mode for r in results}]
    failed = [r for r in results if r.verdict == "fail"]
    empty = [r for r in results if r.verdict in ("skipped", "error")]
    sentences = [*foreign]
    sentences += [f"{_name(r)} fails: {'; '.join(r.why)}" for r in failed]
    if without:
        sentences.append(f"faults without a case: {', '.join(without)}")
    if modes:
        sentences.append(f"modes without a case: {', '.join(modes)}")
    if empty:
        sentences.append(f"cases without evidence: {', '.join(_name(r) for r in empty)}")
    head = found[0]
    counts = {v: sum(r.verdict == v for r in results) for v in SIGNS}
    about = facts(
        [
            ("results", code(path.name)),
            ("digest (SHA-256)", code(hashlib.sha256(path.read_bytes()).hexdigest())),
            ("campaign", code(head.campaign)),
            ("digest of the campaign", code(head.campaign_digest)),
            ("digest of the map", code(", ".join(head.map_digests))),
            ("digest of the stage", code(head.stage_digest or "none: settings at reset")),
            ("injected into", head.target),
            ("from, to", f"{wall_time(min(r.at for r in results))}, {_last(results)}"),
            ("runs", ", ".join(f"{n} {verdict}" for verdict, n in counts.items() if n)),
        ]
    )
    note = tag(
        "p",
        "A simulated chip tests plan and firmware, and proves nothing of silicon.",
        cls="note",
    )
    parts: list[object] = [
        about,
        note if head.simulated else Html(""),
        tag("h3", "Expected and measured"),
        _table(stage.chip, results),
        tag("h3", "Not covered"),
        items(
            [
                *(join(["no case: ", code(name)]) for name in without),
                *(join(["no case in mode ", code(name)]) for name in modes),
                *(join(["no evidence: ", _name(r), f", {'; '.join(r.why)}"]) for r in empty),
            ]
            or ["Every fault of the map has a case with evidence."]
        ),
    ]
    return InjectionFindings(join(parts, "\n"), tuple(sentences))


def _foreign(stage: Stage, found: Sequence[Injected]) -> list[str]:
    """Why the results are not of this stage, or nothing."""
    told = []
    maps = tuple(m.digest for m in identity(stage).maps)
    if any(item.map_digests != maps for item in found):
        told.append(f"the results are of another map than {stage.chip.name} as it is now")
    elif any(item.stage_digest != stage.digest for item in found):
        told.append(f"the results are of another stage than {stage.name} as it is now")
    return told


def _name(result: Result) -> str:
    return f"{result.case} [{result.repeat}]"


def _last(results: Sequence[Result]) -> str:
    end = max(results, key=lambda r: r.at + r.took)
    return wall_time(end.at + end.took)


def _table(chip: Chip, results: Sequence[Result]) -> Html:
    rows = []
    for result in results:
        mark = tag("span", result.verdict, cls=f"sign {SIGNS[result.verdict]}")
        words = [
            code(f"{name} = {hexword(word, chip.registers[name].width)}")
            if name in chip.registers
            else code(f"{name} = 0x{word:X}")
            for name, word in result.words.items()
        ]
        why = [tag("div", text) for text in result.why]
        also = [tag("div", f"also raised: {', '.join(result.also)}")] if result.also else []
        rows.append(
            [
                join([_name(result), tag("div", _where(result), cls="note")]),
                mark,
                join([tag("div", t) for t in _fields(chip, result)]),
                join([tag("div", w) for w in words]),
                join([tag("div", t) for t in _times(result)]),
                join([*why, *also]),
            ]
        )
    return table(
        ["case", "verdict", "field: expected, measured", "words", "time (limit)", "why"],
        rows,
        caption="Fault injection: expected and measured",
        cls="dense",
    )


def _where(result: Result) -> Html:
    """The fault, the mode in which it was injected, what the chip made of it and the mode that followed."""
    told = f" in mode {result.mode}" if result.mode else ""
    told += f", {result.chip}" if result.chip else ""
    told += f", then {result.then}" if result.then else ""
    return join([code(result.fault), told])


def _fields(chip: Chip, result: Result) -> list[Html]:
    told = []
    for ref, wanted in result.expected.items():
        field, word = chip.field(ref), result.words.get(ref.partition(".")[0])
        seen = "not read" if field is None or word is None else f"0x{extract(word, field.bits):X}"
        told.append(code(f"{ref}: 0x{wanted:X}, {seen}"))
    return told


def _times(result: Result) -> list[str]:
    """Each time that was measured or has a limit, in ms."""
    limits: Mapping[str, float] = result.limits
    told = []
    for name, where in TIMES.items():
        took = getattr(result, where)
        if took is None and (name not in limits or name == "reaction"):
            continue
        shown = "not seen" if took is None else f"{took * 1e3:.4g} ms"
        limit = f" ({limits[name] * 1e3:.4g} ms)" if name in limits else ""
        told.append(f"{name}: {shown}{limit}")
    return told
