"""Problems as SARIF, the format in which tools hand findings to code review.

OASIS Standard, Static Analysis Results Interchange Format Version 2.1.0: sections 3.14 (run), 3.27 (result),
3.28 (location), 3.30 (region) and 3.55 (fix).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING
from urllib.parse import quote

from regmap import __version__

if TYPE_CHECKING:
    from regmap.errors import Place, Problem
    from regmap.lint.fixes import Fix

SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)


def sarif(
    problems: Iterable[Problem],
    rules: Mapping[str, str],
    rule: str,
    fixes_of: Callable[[Problem], Sequence[Fix]] = lambda _problem: (),
) -> str:
    """The whole document: one run, `rule` of `rules` (id to sentence) broken by each problem; `fixes_of` tells what mends one."""
    results = []
    for problem in problems:
        place = problem.place
        fixes = fixes_of(problem)
        results.append(
            {
                "ruleId": rule,
                "level": problem.severity if problem.severity in ("error", "warning") else "note",
                "message": {"text": _message(problem)},
                "locations": [{"physicalLocation": _location(place)}],
                **({"fixes": [_fix(fixes)]} if fixes else {}),
            }
        )
    run = {
        "tool": {
            "driver": {
                "name": "gateword",
                "version": __version__,
                "rules": [{"id": n, "shortDescription": {"text": t}} for n, t in rules.items()],
            }
        },
        "columnKind": "unicodeCodePoints",
        "results": results,
    }
    return json.dumps({"$schema": SCHEMA, "version": "2.1.0", "runs": [run]}, indent=1) + "\n"


def _message(problem: Problem) -> str:
    from regmap.errors import told

    return told(problem.found, problem.expected, problem.nearest)


def _location(place: Place) -> dict[str, object]:
    located: dict[str, object] = {"artifactLocation": {"uri": _uri(place.file)}}
    if place.line:
        region: dict[str, object] = {"startLine": place.line, "startColumn": max(place.column, 1)}
        region["endColumn"] = max(place.column, 1) + max(place.span, 1)
        located["region"] = region
    return located


def _uri(name: str) -> str:
    """A file's name as a relative or absolute reference (RFC 3986)."""
    path = name.replace("\\", "/")
    return "file://" + quote(path) if path.startswith("/") else quote(path)


def _fix(fixes: Sequence[Fix]) -> dict[str, object]:
    """One way to mend a finding: all of these changes."""
    changes = []
    for file in dict.fromkeys(f.file for f in fixes):
        replacements = [
            {
                "deletedRegion": {
                    "startLine": fix.line,
                    "startColumn": fix.column,
                    "endColumn": fix.column + len(fix.old),
                },
                "insertedContent": {"text": fix.new},
            }
            for fix in fixes
            if fix.file == file
        ]
        changes.append({"artifactLocation": {"uri": _uri(file)}, "replacements": replacements})
    told = "; ".join(dict.fromkeys(f"{f.name} becomes {f.new}" for f in fixes))
    return {"description": {"text": told}, "artifactChanges": changes}
