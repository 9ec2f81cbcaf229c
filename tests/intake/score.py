"""How much of a sheet was read right: counts of right, wrong, missing, and wrong without a doubt.

Knows the truth (JSON made before the page) and what a reader found, and compares them item by item.
"""

from __future__ import annotations

import json
from collections import Counter
from fractions import Fraction
from pathlib import Path
from typing import Any

from regmap.intake import FoundSheet


def truth_of(path: Path) -> list[dict[str, Any]]:
    return json.loads(path.read_text(encoding="utf-8"))


def values_of(found: Any) -> tuple[str, list[Fraction | None]]:
    """Unit and numbers, whether they were found in a table or as options."""
    if found.values is not None:
        return found.values.unit, [Fraction(v) if v else None for v in found.values.typ]
    units = {v.split()[-1] for v in found.options.values()}
    numbers = (
        [Fraction(found.options[c].split()[0]) for c in sorted(found.options)]
        if len(units) == 1
        else []
    )
    return (units.pop() if len(units) == 1 else "?"), numbers  # type: ignore[return-value]


def score(sheet: FoundSheet, truth: list[dict[str, Any]]) -> tuple[Counter[str], list[str]]:
    """Counts by `what right|wrong|missing|silent`, and a line for each that is not right."""
    counts: Counter[str] = Counter()
    told: list[str] = []
    doubted = {(d.register, d.field) for d in sheet.doubts}

    def note(what: str, want: object, got: object, register: str, field: str = "") -> bool:
        if want == got:
            counts[f"{what} right"] += 1
            return True
        missing = got in (None, "", {}, ("", []))
        counts[f"{what} {'missing' if missing else 'wrong'}"] += 1
        known = (register, field) in doubted or (register, "") in doubted
        if not missing and not known:
            counts[f"{what} silent"] += 1
        told.append(
            f"{register}.{field} {what}: {want!r} was read as {got!r}{'' if known else ', no doubt'}"
        )
        return False

    wanted = {r["name"] for r in truth}
    for extra in [r.name for r in sheet.registers if r.name not in wanted]:
        note("registers", None, extra, extra)
    for row in truth:
        register = sheet.named(row["name"])
        if register is None:
            note("registers", row["name"], None, row["name"])
            counts["fields missing"] += sum(bool(f["name"]) for f in row["fields"])
            continue
        note(
            "registers",
            (row["name"], row["address"]),
            (register.name, register.address),
            row["name"],
        )
        names = {f["name"] for f in row["fields"]}
        for extra in [f.name for f in register.fields if f.name not in names]:
            note("fields", None, extra, row["name"], extra)
        for field in row["fields"]:
            if not field["name"]:
                continue
            name = field["name"]
            found = register.named(name)
            if found is None:
                note("fields", name, None, row["name"], name)
                continue
            high, low = field["bits"]
            good = note("bits", tuple(range(high, low - 1, -1)), found.bits, row["name"], name)
            good &= note(
                "access", field["access"], found.access or register.access, row["name"], name
            )
            reset = found.reset
            if reset is None and register.reset is not None:
                reset = register.reset >> low & (1 << high - low + 1) - 1
            good &= note("resets", field["reset"], reset, row["name"], name)
            if "options" in field:
                good &= note(
                    "options",
                    {int(k): v for k, v in field["options"].items()},
                    found.options,
                    row["name"],
                    name,
                )
            elif "values" in field:
                unit, numbers = values_of(found) if found.options or found.values else ("", [])
                good &= note("units", field["values"]["unit"], unit, row["name"], name)
                good &= note(
                    "values",
                    [Fraction(str(n)) for n in field["values"]["numbers"]],
                    numbers,
                    row["name"],
                    name,
                )
            elif "scale" in field:
                good &= note(
                    "units",
                    (field["scale"]["step"], field["scale"]["offset"]),
                    found.scale or "",
                    row["name"],
                    name,
                )
            else:
                good &= (
                    note("options", {}, found.options, row["name"], name) if found.options else True
                )
            counts["fields right" if good else "fields inexact"] += 1
    return counts, told
