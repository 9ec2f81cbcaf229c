"""Modes of a drive in C++ and Rust: the numbers, the ways as the driver goes them, the watch, what follows on faults.

Which order of the frames is safe is decided before, and the tables are those of the C header (`cheader.modes`).
"""

from __future__ import annotations

from ..modes import all_ways, follows_of, mode_names, readback_name, way_name
from ..sheet import Sheet
from .either import Either
from .language import local, table_names

NO_MODE = 0xFF


def write_modes(sheet: Sheet, lang: Either) -> list[str]:
    """The numbers, the routines and the fall-back table; nothing where no way has been written."""
    if "modes" not in sheet.tables:
        return []
    modes = mode_names(all_ways(sheet.options))
    taken: set[str] = set()
    names = {m: local(m, taken) for m in modes}
    u8, tables = lang.uint(8), table_names(sheet.plans)

    def number(mode: str) -> str:
        return lang.path("drive_mode", lang.constant(names[mode]))

    rows = [r for i, m in enumerate(modes) for r in lang.const(names[m], u8, lang.count(i))]
    lines = ["", *lang.module("drive_mode", rows, "Number of each mode of the drive.")]
    lines += lang.const("drive_modes_count", u8, lang.count(len(modes)))
    lines += lang.const(
        "drive_modes_none", u8, lang.number(NO_MODE, 8), "no mode: the controller stops the drive"
    )
    follows = follows_of(sheet.options, modes) if sheet.has("faults") else []
    if follows:
        kind = lang.type_name("follows")
        faults: set[str] = set()
        ids = {f: local(f, faults) for f in sheet.chip.faults}
        lines += ["", *lang.struct(kind, [
            ("mode", u8, "`drive_mode` in which the fault is seen"),
            ("fault", lang.uint(16), "`fault_id`"),
            ("then", u8, "the mode that follows, or none"),
        ])]  # fmt: skip
        made = []
        for row in follows:
            cells = [
                ("mode", number(row.mode)),
                ("fault", lang.path("fault_id", lang.constant(ids[row.fault]))),
                ("then", number(row.then) if row.then else lang.constant("drive_modes_none")),
            ]
            made.append(f"{lang.make(kind, cells)},")
        about = (
            "Faults on which the controller must act, in every mode in which the outputs switch."
        )
        lines += ["", *lang.table(kind, "follows", len(made), made, about)]
    if sheet.chained:
        return lines  # one chip of a chain is not reached alone
    ways = [
        (number(w.source), number(w.target), tables.get(way_name(w), ""))
        for w in sheet.options.ways
    ]
    targets = dict.fromkeys(w.target for w in sheet.options.ways)
    watched = {m: t for m in targets if (t := tables.get(readback_name(m)))}
    if "readback" in tables:
        watched.setdefault("as stated", tables["readback"])
    return [*lines, *lang.modes(ways, [(number(m), t) for m, t in watched.items()])]
