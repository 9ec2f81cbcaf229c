"""What a campaign leaves: rows for a table, JSON lines that it can go on from, JUnit XML, what was not covered."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from regmap.record import dataclass

from ..document.jsontext import read_json
from ..errors import FileError, Place
from ..link.log import wall_time
from ..stages.identity import identity
from .load import Campaign
from .run import Result

SCHEMA = 1
VERDICTS = ("pass", "fail", "error", "skipped")
#: A file of results that is longer is none.
MOST_BYTES = 100_000_000
SIMULATED = "a simulated chip"


def plain(campaign: Campaign, result: Result) -> dict[str, object]:
    """One result for JSON; with the digests it stands by itself."""
    return {
        "schema": SCHEMA,
        "kind": "campaign_result",
        "campaign": campaign.name,
        "campaign_digest": campaign.digest,
        "identity": identity(campaign.stage or campaign.chip).json(),
        "target": campaign.port or SIMULATED,
        "case": result.case,
        "fault": result.fault,
        "mode": result.mode or None,
        "repeat": result.repeat,
        "verdict": result.verdict,
        "why": list(result.why),
        "to_pin_s": result.to_pin,
        "to_read_s": result.to_read,
        "to_reaction_s": result.to_reaction,
        "chip_makes": result.chip or None,
        "then": result.then or None,
        "to_mode_s": result.to_mode,
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
    for place, found, result in _lines(path):
        if found["campaign_digest"] != campaign.digest:
            raise FileError.at(
                place,
                f"a result of {str(found['campaign'])[:60]!r} as it was then",
                f"results of {campaign.name} with the same file, map and stage",
            )
        if result.verdict != "error":
            done[result.case, result.repeat] = result
    return done


@dataclass(frozen=True, slots=True, kw_only=True)
class Injected:
    """One result with the digests that it stands by."""

    result: Result
    campaign: str
    campaign_digest: str
    map_digests: tuple[str, ...]
    stage_digest: str | None
    target: str

    @property
    def simulated(self) -> bool:
        return self.target == SIMULATED


def read_evidence(path: Path) -> tuple[Injected, ...]:
    """Every result in a file of JSON lines, the last of a run that was repeated. Raises FileError."""
    evidence = {
        (result.case, result.repeat): Injected(
            result=result,
            campaign=found["campaign"],
            campaign_digest=found["campaign_digest"],
            map_digests=tuple(m["digest"] for m in found["identity"]["maps"]),
            stage_digest=found["identity"]["stage"] and found["identity"]["stage"]["digest"],
            target=found.get("target", SIMULATED),
        )
        for _, found, result in _lines(path)
    }
    if not evidence:
        raise FileError.at(str(path), "no results", "lines that `gateword campaign -o` wrote")
    return tuple(evidence.values())


def _lines(path: Path) -> Iterator[tuple[Place, dict[str, Any], Result]]:
    """Each line's place, content and result. Raises FileError where one is none, unless it was cut off at the end."""
    try:
        with path.open("rb") as handle:
            data = handle.read(MOST_BYTES + 1)
    except OSError as error:
        raise FileError.at(str(path), f"cannot be read ({error.strerror or error})") from None
    if len(data) > MOST_BYTES:
        raise FileError.at(
            str(path), f"more than {MOST_BYTES // 1_000_000} MB", "results of one campaign"
        )
    lines = data.split(b"\n")
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            found: Any = read_json(line.decode("utf-8"))
            for name in ("campaign", "campaign_digest"):
                _is(found[name], str)
            for item in [*found["identity"]["maps"], found["identity"]["stage"] or {"digest": ""}]:
                _is(item["digest"], str)
            _is(found.get("target", ""), str)
            result = _result(found)
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
            if number == len(lines):
                break  # cut off when it was interrupted
            raise FileError.at(
                Place(str(path), number, 1), "no result", "a line that a campaign wrote"
            ) from None
        yield Place(str(path), number, 1), found, result


def _is(value: Any, *kinds: type) -> Any:
    """The value, if it is one of these kinds (a truth value is no number). Raises TypeError."""
    if type(value) not in kinds:
        raise TypeError
    return value


def _numbers(table: Any) -> dict[str, float]:
    return {n: _is(v, int, float) for n, v in _is(table, dict).items()}


def _result(found: Any) -> Result:
    """One line's result. Raises one of several errors for what is none."""
    none = type(None)
    return Result(
        case=_is(found["case"], str),
        fault=_is(found["fault"], str),
        repeat=_is(found["repeat"], int),
        verdict=VERDICTS[VERDICTS.index(found["verdict"])],
        why=tuple(_is(w, str) for w in _is(found["why"], list)),
        to_pin=_is(found["to_pin_s"], int, float, none),
        to_read=_is(found["to_read_s"], int, float, none),
        to_reaction=_is(found["to_reaction_s"], int, float, none),
        to_mode=_is(found.get("to_mode_s"), int, float, none),
        mode=_is(found.get("mode"), str, none) or "",
        chip=_is(found.get("chip_makes"), str, none) or "",
        then=_is(found.get("then"), str, none) or "",
        cleared=_is(found["cleared"], bool, none),
        words={n: int(_is(w, str), 16) for n, w in _is(found["words"], dict).items()},
        expected={n: _is(v, int) for n, v in _is(found["expected"], dict).items()},
        limits=_numbers(found["limits_s"]),
        also=tuple(_is(w, str) for w in _is(found["also_raised"], list)),
        resolution=_numbers(found["resolution_s"]),
        at=float(_is(found["at_s"], int, float)),
        took=float(_is(found["took_s"], int, float)),
    )


def junit(campaign: Campaign, results: Iterable[Result]) -> str:
    """JUnit XML: a suite, a case a run; failures, errors and skips with their reasons."""
    return junit_of([(campaign, results)])


def junit_of(ran: Iterable[tuple[Campaign, Iterable[Result]]]) -> str:
    """JUnit XML of several campaigns, a suite each."""
    root = ElementTree.Element("testsuites")
    root.extend(_suite(campaign, results) for campaign, results in ran)
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _suite(campaign: Campaign, results: Iterable[Result]) -> ElementTree.Element:
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
    properties = ElementTree.Element("properties")
    suite.insert(0, properties)
    shown = str(identity(campaign.stage or campaign.chip))
    ElementTree.SubElement(properties, "property", name="identity", value=shown)
    return suite


def rows(results: Sequence[Result]) -> list[tuple[str, ...]]:
    """(verdict, case, to pin, to read, to reaction, to mode, why) a run, in text."""

    def shown(seconds: float | None) -> str:
        return "-" if seconds is None else f"{seconds * 1e3:.3f} ms"

    return [
        (
            r.verdict,
            f"{r.case} [{r.repeat}]",
            shown(r.to_pin),
            shown(r.to_read),
            shown(r.to_reaction),
            f"{r.then} {shown(r.to_mode)}" if r.then else "-",
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
