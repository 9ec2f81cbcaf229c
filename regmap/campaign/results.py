"""What a campaign leaves: rows for a table, JSON lines that it can go on from, JUnit XML, what was not covered."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from ..errors import FileError
from ..link.log import wall_time
from .load import Campaign
from .run import Result

SCHEMA = 1


def plain(campaign: Campaign, result: Result) -> dict[str, Any]:
    """One result for JSON; with the digests it stands by itself."""
    stage = campaign.stage
    return {
        "schema": SCHEMA,
        "kind": "campaign_result",
        "campaign": campaign.name,
        "campaign_digest": campaign.digest,
        "map_digest": campaign.chip.digest,
        "stage_digest": stage.digest if stage is not None else None,
        "case": result.case,
        "fault": result.fault,
        "repeat": result.repeat,
        "verdict": result.verdict,
        "why": list(result.why),
        "to_pin_s": result.to_pin,
        "to_read_s": result.to_read,
        "to_reaction_s": result.to_reaction,
        "cleared": result.cleared,
        "words": {n: f"0x{w:X}" for n, w in result.words.items()},
        "expected": dict(result.expected),
        "limits_s": dict(result.limits),
        "resolution_s": dict(result.resolution),
        "also_raised": list(result.also),
        "at": wall_time(result.at),
        "at_s": result.at,
        "took_s": round(result.took, 6),
    }


def read_results(path: Path, campaign: Campaign) -> dict[tuple[str, int], Result]:
    """The results of an interrupted campaign, by case and repeat; errors are to be run again.

    Raises FileError for what is no such file, or belongs to another campaign.
    """
    done: dict[tuple[str, int], Result] = {}
    lines = path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines, 1):
        try:
            found = json.loads(line)
            if found["campaign_digest"] != campaign.digest:
                raise FileError.at(
                    f"{path}:{number}",
                    f"a result of {found['campaign']!r} as it was then",
                    f"results of {campaign.name} with the same file, map and stage",
                )
            result = Result(
                case=found["case"],
                fault=found["fault"],
                repeat=found["repeat"],
                verdict=found["verdict"],
                why=tuple(found["why"]),
                to_pin=found["to_pin_s"],
                to_read=found["to_read_s"],
                to_reaction=found["to_reaction_s"],
                cleared=found["cleared"],
                words={n: int(w, 16) for n, w in found["words"].items()},
                expected=found["expected"],
                limits=found["limits_s"],
                also=tuple(found["also_raised"]),
                resolution=found["resolution_s"],
                at=found["at_s"],
                took=found["took_s"],
            )
        except (ValueError, KeyError, TypeError):
            if number == len(lines):
                break  # cut off when it was interrupted
            raise FileError.at(
                f"{path}:{number}", "no result", "a line that a campaign wrote"
            ) from None
        if result.verdict != "error":
            done[result.case, result.repeat] = result
    return done


def junit(campaign: Campaign, results: Iterable[Result]) -> str:
    """JUnit XML: a suite, a case a run; failures, errors and skips with their reasons."""
    found = list(results)
    suite = ElementTree.Element(
        "testsuite",
        name=campaign.name,
        tests=str(len(found)),
        failures=str(sum(r.verdict == "fail" for r in found)),
        errors=str(sum(r.verdict == "error" for r in found)),
        skipped=str(sum(r.verdict == "skipped" for r in found)),
        time=f"{sum(r.took for r in found):.3f}",
    )
    names = {"fail": "failure", "error": "error", "skipped": "skipped"}
    for result in found:
        case = ElementTree.SubElement(
            suite,
            "testcase",
            classname=f"{campaign.name}.{campaign.chip.name}",
            name=f"{result.case} [{result.repeat}]",
            time=f"{result.took:.3f}",
        )
        if result.verdict in names:
            ElementTree.SubElement(case, names[result.verdict], message="; ".join(result.why))
    root = ElementTree.Element("testsuites")
    root.append(suite)
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def rows(results: Sequence[Result]) -> list[tuple[str, ...]]:
    """(verdict, case, to pin, to read, to reaction, why) a run, in text."""

    def shown(seconds: float | None) -> str:
        return "-" if seconds is None else f"{seconds * 1e3:.3f} ms"

    return [
        (
            r.verdict,
            f"{r.case} [{r.repeat}]",
            shown(r.to_pin),
            shown(r.to_read),
            shown(r.to_reaction),
            "; ".join(r.why) + (f" (also raised: {', '.join(r.also)})" if r.also else ""),
        )
        for r in results
    ]


def not_covered(campaign: Campaign, results: Sequence[Result]) -> list[str]:
    """Faults without a case, and cases without evidence."""
    found = [f"no case: {name}" for name in campaign.uncovered]
    found += [
        f"no evidence: {r.case} [{r.repeat}], {'; '.join(r.why)}"
        for r in results
        if r.verdict in ("skipped", "error")
    ]
    return found
