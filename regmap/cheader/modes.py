"""Modes of a drive: a table of steps for each way from mode to mode, what each mode must read back, what follows on faults.

gd_enter             from one mode to another, blocking; its tables run with `tick` as well
gd_watch_mode_begin  the watch, on what a mode must hold
gd_follows           for each mode and fault the mode that follows

Which order of the frames is safe is decided before (`assessment.transition`): it comes as ModeWay.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ..behaviour.hazards import hazards_of
from ..behaviour.settings import Action
from ..behaviour.transition import enabling
from ..stages.load import Stage
from .frames import FrameNames
from .names import Namer, word
from .readback import verify_rows
from .sheet import ModeWay, Sheet
from .steps import answerable, careful, reads, step_table
from .text import count, defines, utype


def write_mode_tables(sheet: Sheet, stage: Stage, frames: dict[str, FrameNames]) -> None:
    """The numbers of the modes and the tables; the routines follow those of the runner (`write_modes`)."""
    names, ways = sheet.names, sheet.options.ways
    modes = _modes(ways)
    sheet.section(
        "modes of the drive",
        [
            "Steps from mode to mode, in an order in which no state between two frames destroys the bridge or leaves a protection "
            "without effect while the controller's own values (current, duty) change where it is told below.",
            "No way enables the outputs by itself; one between two modes that drive keeps them enabled. Another way round, or on a "
            "chip that holds something else, the steps prove nothing.",
        ],
    )
    rows = [(_mode(names, name), count(index), "") for index, name in enumerate(modes)]
    rows.append((names.macro("DRIVE_MODES_COUNT"), count(len(modes)), ""))
    sheet.lines(*defines(rows))
    for text in sheet.options.left_out:
        names.note(text)
    enable = _enabling_bits(sheet)
    for way in ways:
        plan = answerable(sheet, list(way.actions), frames)
        sheet.hazards += [h for h in hazards_of(plan) if h not in sheet.hazards]
        # a write that disables the outputs means it; any other leaves them as they are found
        plan = [
            replace(a, mask=a.mask & ~m, expect=(a.expect or 0) & ~m)
            if (m := _enables(a, enable))
            else a
            for a in plan
        ]
        steps = careful(sheet, stage, plan, frames, list(way.before), as_found=enable)
        if steps and way.actions:
            about = f"From {way.source} to {way.target}. {way.about}".strip()
            step_table(sheet, _stem(way), steps, frames, {}, about)
    for way in ways:
        if way.reads_as is not None and _readback(way.target) not in sheet.tables:
            _write_readback(sheet, way, frames)
    sheet.tables.add("modes")


def _modes(ways: tuple[ModeWay, ...]) -> list[str]:
    """Every mode by name, in the order in which they are met; the stage as stated first."""
    found = dict.fromkeys(n for w in ways for n in (w.source, w.target))
    return sorted(found, key=lambda n: n != "as stated")


def _mode(names: Namer, name: str) -> str:
    """The number of a mode as a macro."""
    return names.macro("DRIVE_MODE", word(name), of=f"mode {name}")


def _enabling_bits(sheet: Sheet) -> dict[str, int]:
    """The bits that enable the outputs, by register."""
    found: dict[str, int] = {}
    for item, _, _ in enabling(sheet.chip).values():
        found[item.register] = found.get(item.register, 0) | item.mask
    return found


def _enables(action: Action, enable: Mapping[str, int]) -> int:
    """The bits that enable the outputs, of what a step compares."""
    register = action.sent.register if action.sent is not None else None
    return enable.get(register.name, 0) if register is not None and action.expect is not None else 0


def _stem(way: ModeWay) -> str:
    return f"{way.source}_to_{way.target}".replace(" ", "_")


def _readback(mode: str) -> str:
    return f"{mode}_readback".replace(" ", "_")


def _write_readback(sheet: Sheet, way: ModeWay, frames: dict[str, FrameNames]) -> None:
    """What the watch reads while the chip is in the mode that the way leads to."""
    mode, gone = way.reads_as, [*way.before, *way.actions]
    assert mode is not None
    enable = _enabling_bits(sheet)
    rows = [
        (r.name, m & ~enable.get(r.name, 0), e & ~enable.get(r.name, 0))
        for r, m, e, frame, _ in verify_rows(mode, gone)
        if frames[frame.name].reply_data and m & ~enable.get(r.name, 0)
    ]
    if rows:
        about = f"What each register must hold in mode {way.target}; what enables the outputs is left out."
        step_table(
            sheet, _readback(way.target), reads(mode, gone, rows, "readback"), frames, {}, about
        )


def _write_follows(sheet: Sheet, modes: list[str]) -> None:
    """For each mode and fault the mode that follows, as data."""
    names = sheet.names
    size, none = names.macro("FOLLOWS_COUNT"), names.macro("DRIVE_MODES_NONE")
    kind = names.lower("follows_t")
    rows = [
        f"    {{{_mode(names, f.mode)}, {names.macro('FAULT_ID', word(f.fault), of=f'fault {f.fault}')}, "
        f"{_mode(names, f.then) if f.then else none}}},"
        for f in sheet.options.follows
        if f.mode in modes
    ]
    wide = utype(max(len(sheet.chip.faults).bit_length(), 1))
    sheet.lines(
        "",
        "typedef struct {",
        "    uint8_t mode;     /* DRIVE_MODE_... in which the fault is seen */",
        f"    {wide} fault;    /* FAULT_ID_... */",
        "    uint8_t then;     /* DRIVE_MODE_... that follows; DRIVE_MODES_NONE: the controller stops the drive */",
        f"}} {kind};",
        *defines([(size, count(len(rows)), ""), (none, "0xFFU", "")]),
    )
    sheet.table(
        kind,
        names.lower("follows"),
        rows,
        size,
        "Faults on which the controller must act, in every mode in which the outputs switch.",
    )


def write_modes(sheet: Sheet) -> None:
    """The routines that go from mode to mode and watch one."""
    if "modes" not in sheet.tables:
        return
    if sheet.has("faults") and sheet.options.follows:
        _write_follows(sheet, _modes(sheet.options.ways))
    names, low = sheet.names, sheet.names.lower
    ways = [w for w in sheet.options.ways if _stem(w) in sheet.plans]
    ok, none = names.macro("RUN", "OK"), names.macro("RUN", "NO_WAY")
    sheet.lines(*defines([(none, "10U", "no way leads from the one mode to the other")]))
    lines = [
        f"uint8_t result = {none};",
        "if ((from == to) && (to < " + names.macro("DRIVE_MODES_COUNT") + ")) {",
        f"    result = {ok};",
    ]
    for way in ways:
        plan = sheet.plans[_stem(way)]
        a, b = (_mode(names, n) for n in (way.source, way.target))
        lines += [
            f"}} else if ((from == {a}) && (to == {b})) {{",
            f"    result = {low('run')}(spi, {plan.table}, {plan.size}, failed);",
        ]
    # modes that differ in nothing but the controller's own values
    for way in sheet.options.ways:
        if _stem(way) not in sheet.plans:
            a, b = (_mode(names, n) for n in (way.source, way.target))
            lines += [f"}} else if ((from == {a}) && (to == {b})) {{", f"    result = {ok};"]
    lines += [
        "} else {",
        "    *failed = 0U;",
        "}",
        "return result;",
    ]
    sheet.function(
        f"uint8_t {low('enter')}({low('spi_t')} *spi, uint8_t from, uint8_t to, uint16_t *failed)",
        lines,
        "From one mode to another, blocking. OK: the chip holds the settings of the mode, each read back. NO_WAY: nothing was sent. "
        "Anything else: the step *failed of the way; the chip holds a part of both modes, so bring the bridge into its safe state. "
        "RUN_...",
    )
    watched = [w for w in ways if _readback(w.target) in sheet.plans]
    if "readback" not in sheet.tables or not watched:
        return
    lines = [f"uint8_t result = {ok};"]
    seen: list[str] = []
    for way in watched:
        if way.target in seen:
            continue
        plan = sheet.plans[_readback(way.target)]
        lines += [
            f"{'} else ' if seen else ''}if (mode == {_mode(names, way.target)}) {{",
            f"    {low('task_begin')}(task, {plan.table}, {plan.size});",
        ]
        seen.append(way.target)
    base = _mode(names, "as stated")
    if "as stated" not in seen:
        lines += [
            f"}} else if (mode == {base}) {{",
            f"    {low('watch_begin')}(task);",
        ]
    lines += ["} else {", f"    result = {none};", "}", "return result;"]
    sheet.function(
        f"uint8_t {low('watch_mode_begin')}({low('task_t')} *task, uint8_t mode)",
        lines,
        "Before the first call of `watch` in a mode. NO_WAY: no such mode, or nothing of it can be read back. RUN_...",
    )


def mode_tables(sheet: Sheet) -> list[str]:
    """The tables that the watch may be on beside the stage's own: of its modes, and of other variants."""
    if "modes" not in sheet.tables:
        return list(sheet.variant_readbacks)
    targets = dict.fromkeys(w.target for w in sheet.options.ways)
    own = [sheet.plans[_readback(t)].table for t in targets if _readback(t) in sheet.plans]
    return [*own, *sheet.variant_readbacks]
