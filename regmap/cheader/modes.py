"""Modes of a drive: a table of steps for each way from mode to mode, what each mode must read back, what follows on faults.

gd_enter             from one mode to another, blocking; gd_enter_begin: the same with `tick`, without waiting
gd_watch_mode_begin  the watch, on what a mode must hold
gd_follows           for each mode and fault the mode that follows

With several boards in the header gd_enter_variant and gd_watch_variant_mode_begin take the number of the board as
well; the plain ones are those of the board that was chosen when it is compiled, and there are none without.

Which order of the frames is safe is decided before (`assessment.transition`): it comes as ModeWay.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from regmap.record import replace

from ..behaviour.hazards import hazards_of
from ..behaviour.settings import Action
from ..behaviour.transition import enabling
from .careful import answerable, careful
from .frames import FrameNames
from .names import Namer, word
from .plans import verify_rows
from .readback import frames_of, places_of, rotation, write_places
from .sheet import Derived, ModeFollows, ModeWay, Options, Sheet, Variant
from .steps import step_table
from .stepwise import until_done
from .text import count, defines, utype

if TYPE_CHECKING:
    from ..stages.load import Stage


def write_mode_tables(sheet: Sheet, stage: Stage, frames: dict[str, FrameNames]) -> None:
    """The numbers of the modes and the tables; the routines follow those of the runner (`write_modes`)."""
    names, ways = sheet.names, sheet.options.ways
    modes = mode_names(all_ways(sheet.options))
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
            step_table(sheet, way_name(way), steps, frames, {}, about)
    for way in ways:
        if way.reads_as is not None and readback_name(way.target) not in sheet.tables:
            _write_readback(sheet, way, frames)
    sheet.tables.add("modes")


def all_ways(options: Options) -> tuple[ModeWay, ...]:
    """Those of the stage, then those of its variants."""
    return (*options.ways, *(w for d in options.of_variants for w in d.ways))


def names_of_mode_tables(ways: Iterable[ModeWay]) -> set[str]:
    """What the tables of these ways and modes are called."""
    return {n for w in ways for n in (way_name(w), readback_name(w.target))}


def mode_names(ways: Iterable[ModeWay]) -> list[str]:
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


def way_name(way: ModeWay) -> str:
    """The table of a way."""
    return f"{way.source}_to_{way.target}".replace(" ", "_")


def readback_name(mode: str) -> str:
    """The table of what a mode must hold."""
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
        about = f"What each register must hold in mode {way.target}, and the lock; what enables the outputs is left out."
        steps, last = rotation(sheet, mode, gone, rows)
        places = places_of(steps, {name for name, _, _ in rows})
        write_places(sheet, places, word(way.target), f"mode {way.target}")
        step_table(sheet, readback_name(way.target), [*steps, *last], frames, {}, about)
        # one rotation in time, whichever mode it is
        sheet.readback_frames = max(sheet.readback_frames, frames_of([*steps, *last]))


def follows_of(derived: Derived, modes: list[str]) -> list[ModeFollows]:
    """The rows of the fall-back table of those modes that have a number."""
    return [f for f in derived.follows if f.mode in modes]


def _boards(sheet: Sheet) -> list[Variant]:
    """The boards of the header; the stage alone where it is the only one."""
    if sheet.variants:
        return sheet.variants
    assert sheet.stage is not None
    tables = {n: (s.table, s.size) for n, s in sheet.plans.items()}
    return [Variant(sheet.stage, "", sheet.options, tables)]


def _write_follows(sheet: Sheet, modes: list[str], boards: list[Variant]) -> None:
    """For each mode and fault the mode that follows, as data."""
    names = sheet.names
    size, none = names.macro("FOLLOWS_COUNT"), names.macro("DRIVE_MODES_NONE")
    kind = names.lower("follows_t")
    rows = [
        "    {"
        + (f"{board.number}, " if board.number else "")
        + f"{_mode(names, f.mode)}, {names.macro('FAULT_ID', word(f.fault), of=f'fault {f.fault}')}, "
        f"{_mode(names, f.then) if f.then else none}}},"
        for board in boards
        for f in follows_of(board.derived, modes)
    ]
    wide = utype(max(len(sheet.chip.faults).bit_length(), 1))
    sheet.lines(
        "",
        "typedef struct {",
        *(["    uint8_t variant;  /* VARIANT_... */"] if sheet.variants else []),
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
    boards = _boards(sheet)
    if sheet.has("faults") and any(b.derived.follows for b in boards):
        _write_follows(sheet, mode_names(all_ways(sheet.options)), boards)
    if sheet.chained:
        sheet.names.note(
            "modes: one chip of a chain is not reached alone; the table of a way stands for each position, for chain_run"
        )
        return
    names, low = sheet.names, sheet.names.lower
    result = [f"uint8_t result = {names.macro('RUN', 'NO_WAY')};"]
    which, formal = ("_variant", "uint8_t variant, ") if sheet.variants else ("", "")
    begin = low(f"enter{which}_begin")
    sheet.function(
        f"uint8_t {begin}({low('task_t')} *task, {formal}uint8_t from, uint8_t to)",
        [*result, *_by_board(boards, [_enter(sheet, b) for b in boards]), "return result;"],
        "Before `tick` goes from one mode to another, a call a tick, at most a frame each: its result is that of `enter`. NO_WAY: "
        "no such way, and nothing to do. RUN_...",
    )
    ok, busy, wait = (names.macro("RUN", n) for n in ("OK", "BUSY", "WAIT"))
    run = until_done(f"{low('tick')}(spi, &task)", "spi->wait_us(spi->context, task.wait_us)", busy, wait)  # fmt: skip
    sheet.function(
        f"uint8_t {low(f'enter{which}')}({low('spi_t')} *spi, {formal}uint8_t from, uint8_t to, uint16_t *failed)",
        [
            f"{low('task_t')} task;",
            f"uint8_t result = {begin}(&task, {'variant, ' if sheet.variants else ''}from, to);",
            # nothing was sent, so no step failed
            "*failed = 0U;",
            f"if (result == {ok}) {{",
            *(f"    {line}" for line in run),
            f"    if (result != {ok}) {{",
            "        *failed = task.at;",
            "    }",
            "}",
            "return result;",
        ],
        "From one mode to another, blocking. OK: the chip holds the settings of the mode, each read back. NO_WAY: nothing was sent. "
        "Anything else: the step *failed of the way; the chip holds a part of both modes, so bring the bridge into its safe state. "
        "RUN_...",
    )
    watched = [_watched(sheet, b) for b in boards]
    watch = "readback" in sheet.tables and any(watched)
    if watch:
        sheet.function(
            f"uint8_t {low('watch_variant_mode_begin' if sheet.variants else 'watch_mode_begin')}"
            f"({low('task_t')} *task, {'uint8_t variant, ' if sheet.variants else ''}uint8_t mode)",
            [*result, *_by_board(boards, watched), "return result;"],
            "Before the first call of `watch` in a mode. NO_WAY: no such mode, or nothing of it can be read back. RUN_...",
        )
    if sheet.variants:
        _write_chosen_ones(sheet, watch=watch)


def _write_chosen_ones(sheet: Sheet, *, watch: bool) -> None:
    """The routines of the board that was chosen when it is compiled."""
    low, chosen = sheet.names.lower, f"{sheet.macro}VARIANT"
    sheet.lines("", f"#if defined({chosen})")
    sheet.inline(
        f"uint8_t {low('enter')}({low('spi_t')} *spi, uint8_t from, uint8_t to, uint16_t *failed)",
        [f"return {low('enter_variant')}(spi, {chosen}, from, to, failed);"],
        "`enter_variant` of the board that was chosen when this was compiled.",
    )
    sheet.inline(
        f"uint8_t {low('enter_begin')}({low('task_t')} *task, uint8_t from, uint8_t to)",
        [f"return {low('enter_variant_begin')}(task, {chosen}, from, to);"],
        "`enter_variant_begin` of the board that was chosen when this was compiled.",
    )
    if watch:
        sheet.inline(
            f"uint8_t {low('watch_mode_begin')}({low('task_t')} *task, uint8_t mode)",
            [f"return {low('watch_variant_mode_begin')}(task, {chosen}, mode);"],
            "`watch_variant_mode_begin` of the board that was chosen when this was compiled.",
        )
    sheet.lines("#endif")


def _by_board(boards: list[Variant], of_each: list[list[str]]) -> list[str]:
    """What each board does, by its number; the numbers are not asked for where there is one board."""
    if not boards[0].number:
        return of_each[0]
    lines: list[str] = []
    for board, own in zip(boards, of_each, strict=True):
        if own:
            lines.append(f"{'} else ' if lines else ''}if (variant == {board.number}) {{")
            lines += [f"    {line}" for line in own]
    return [*lines, "} else {", "    /* a board without modes */", "}"] if lines else []


def _enter(sheet: Sheet, board: Variant) -> list[str]:
    """The ways of a board: the table between which modes."""
    names, low = sheet.names, sheet.names.lower
    ok = names.macro("RUN", "OK")
    tables = {way_name(w): board.tables.get(way_name(w), ("", "")) for w in board.derived.ways}
    if not tables:
        return []
    nothing = f"    {low('task_begin')}(task, NULL, 0U);"
    lines = [
        f"if ((from == to) && ({_any_of(sheet, board)})) {{",
        nothing,
        f"    result = {ok};",
    ]
    # modes that differ in nothing but the controller's own values come last
    for way in sorted(board.derived.ways, key=lambda w: not tables[way_name(w)][0]):
        table, size = tables[way_name(way)]
        a, b = (_mode(names, n) for n in (way.source, way.target))
        begin = f"    {low('task_begin')}(task, {table}, {size});" if table else nothing
        lines += [f"}} else if ((from == {a}) && (to == {b})) {{", begin, f"    result = {ok};"]
    return [*lines, "} else {", "    /* no way */", "}"]


def _any_of(sheet: Sheet, board: Variant) -> str:
    """C that says whether `to` is a mode of the board."""
    modes, own = mode_names(all_ways(sheet.options)), mode_names(board.derived.ways)
    if own == modes:
        return f"to < {sheet.names.macro('DRIVE_MODES_COUNT')}"
    return " || ".join(f"(to == {_mode(sheet.names, m)})" for m in own)


def _watched(sheet: Sheet, board: Variant) -> list[str]:
    """The readback of each mode of a board, as a task begins with it."""
    names, low = sheet.names, sheet.names.lower
    ok = names.macro("RUN", "OK")
    targets = dict.fromkeys(w.target for w in board.derived.ways)
    found = {m: t for m in targets if (t := board.tables.get(readback_name(m), ("", "")))[0]}
    if not found:
        return []
    lines: list[str] = []
    for mode, (table, size) in found.items():
        lines += [
            f"{'} else ' if lines else ''}if (mode == {_mode(names, mode)}) {{",
            f"    {low('task_begin')}(task, {table}, {size});",
            f"    result = {ok};",
        ]
    if "as stated" not in found and board.tables.get("readback", ("", ""))[0]:
        table, size = board.tables["readback"]
        begin = f"{low('task_begin')}(task, {table}, {size});" if board.number else f"{low('watch_begin')}(task);"  # fmt: skip
        base = _mode(names, "as stated")
        lines += [f"}} else if (mode == {base}) {{", f"    {begin}", f"    result = {ok};"]
    return [*lines, "} else {", "    /* no such mode */", "}"]
