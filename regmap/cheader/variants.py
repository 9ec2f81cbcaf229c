"""Variants of a board in one header: the tables of each, what is the same once, chosen when it is compiled or when it runs.

gd_variants          for each variant its tables of steps, their sizes and its identity, by number
GD_CHOSEN_...        the tables of the variant that GD_VARIANT names ahead of the #include

All are stages of one map, and the routines take any of these tables. A routine that stands for a board (restart, the
watch, modes, ...) takes the number of the variant; the one without is of the variant that GD_VARIANT names, and there
is none where it names none (`board_routine`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from ..errors import CallError
from ..stages.identity import identity
from .chosen import write_chosen
from .frames import FrameNames, write_frames
from .modes import names_of_mode_tables
from .names import Namer, word
from .readback import write_places
from .shadow import write_configured
from .sheet import Derived, Sheet, Variant, with_worked_out
from .steps import row_cells, step_table
from .text import count, defines

if TYPE_CHECKING:
    from ..stages.load import Stage

#: what writes the tables of a stage on a sheet of its own
WriteStage = Callable[[Sheet, dict[str, FrameNames]], None]
#: table by name -> (its identifier, the macro of its size)
Tables = dict[str, tuple[str, str]]
#: the boards, each with its tables
Boards = list[tuple["Stage", Derived, Tables]]


def write_variants(
    sheet: Sheet,
    frames: dict[str, FrameNames],
    variants: Sequence[Stage],
    write_stage: WriteStage,
) -> None:
    """The tables of every variant, and what tells one from another. Raises CallError for stages that cannot stand together."""
    first = sheet.stage
    assert first is not None
    own = {n: (s.table, s.size) for n, s in sheet.plans.items()}
    sheet.alike = set(own)
    found: Boards = [(first, sheet.options, own)]
    pieces = {word(first.name)}
    known = sheet.options.of_variants
    if known and len(known) != len(variants):
        raise CallError(f"what was worked out of {len(known)} variants", f"of all {len(variants)}")
    for stage, derived in zip(variants, known or [Derived()] * len(variants), strict=True):
        piece = word(stage.name)
        if stage.chip.digest != sheet.chip.digest:
            raise CallError(
                f"variant {stage.name} is of the map {stage.chip.name}, not of {sheet.chip.name}",
                "variants of one map; another map has a header of its own",
            )
        if piece in pieces:
            raise CallError(f"two variants are called {stage.name}", "a name for each stage")
        pieces.add(piece)
        found.append((stage, derived, _tables(sheet, frames, stage, derived, piece, write_stage)))
    _write_index(sheet, found)
    if sheet.shadowed:
        write_configured(sheet, [sheet.shadow_words, *sheet.shadows])


def _tables(
    sheet: Sheet,
    frames: dict[str, FrameNames],
    stage: Stage,
    derived: Derived,
    piece: str,
    write_stage: WriteStage,
) -> Tables:
    """The tables of one more variant; rows that stand already are not written again."""
    sheet.section(f"variant {stage.name}", stage.title)
    draft = Sheet(
        chip=sheet.chip, stage=stage, options=with_worked_out(sheet.options, derived),
        names=Namer(sheet.names.prefix), sections=sheet.sections, kept=sheet.kept,
    )  # fmt: skip
    write_stage(draft, write_frames(draft))
    shape = [
        (s.format_at_end, s.reset_told, s.after_power_up, [(p.first, p.steps, p.restore) for p in s.monitor_tests])
        for s in (sheet, draft)
    ]  # fmt: skip
    if shape[0] != shape[1]:
        raise CallError(
            f"variant {stage.name} leaves the chip with other frames than {sheet.stage.name if sheet.stage else ''}, "
            "or tests its monitors in other steps",
            "a header of its own",
        )
    sheet.shadows.append(draft.shadow_words)
    sheet.hazards += [h for h in draft.hazards if h not in sheet.hazards]
    sheet.readback_frames = max(sheet.readback_frames, draft.readback_frames)
    if sheet.has("values"):
        write_chosen(sheet, stage, piece, derived.figures)
    for text in derived.left_out:
        sheet.names.note(f"variant {stage.name}: {text}")
    made: Tables = {}
    for name, steps in draft.plans.items():
        about = f"{steps.about} Of variant {stage.name}."
        made[name] = step_table(
            sheet, name, steps.actions, frames, steps.by_setting, about, piece, pieces=False
        )
    write_places(sheet, draft.readback_at, piece, f"variant {stage.name}")
    sheet.alike = {
        n
        for n in sheet.alike
        if n in draft.plans
        and row_cells(sheet, draft.plans[n].actions, frames)
        == row_cells(sheet, sheet.plans[n].actions, frames)
    }
    return made


def _write_index(sheet: Sheet, found: Boards) -> None:
    names, macro = sheet.names, sheet.macro
    sheet.section(
        "variants",
        [
            f"Chosen when it is compiled: define {macro}VARIANT as one of the numbers below ahead of the #include; "
            f"{macro}CHOSEN_... are the tables of that variant. Chosen when it runs: an element of "
            f"{names.lower('variants')} by its number. Run its tables as those of the first variant.",
            "The identity is the beginning of the digest of the stage, as `gateword check` and every record show it.",
        ],
    )
    numbers = [
        names.macro("VARIANT", word(stage.name), of=f"variant {stage.name}")
        for stage, _, _ in found
    ]
    ids = [
        names.macro("VARIANT", word(stage.name), "ID", of=f"identity of variant {stage.name}")
        for stage, _, _ in found
    ]
    sheet.variants = [
        Variant(stage, number, derived, made)
        for number, (stage, derived, made) in zip(numbers, found, strict=True)
    ]
    size = names.macro("VARIANTS", "COUNT")
    rows = [(number, count(index), stage.title) for index, (number, (stage, _, _)) in enumerate(zip(numbers, found, strict=True))]  # fmt: skip
    rows += [
        (name, f"0x{_id(stage):08X}UL", f"stage {stage.name}, {stage.digest[:16]}")
        for name, (stage, _, _) in zip(ids, found, strict=True)
    ]
    sheet.lines(*defines([*rows, (size, count(len(found)), "")]))
    ways = names_of_mode_tables(w for _, derived, _ in found for w in derived.ways)
    tables = [
        n
        for n in found[0][2]
        if n not in ways and any(made.get(n, ("", ""))[0] for _, _, made in found)
    ]
    lines = []
    for index, (number, (_, _, made)) in enumerate(zip(numbers, found, strict=True)):
        lines.append(f"#{'elif' if index else 'if'} {macro}VARIANT == {number}")
        for name in tables:
            table, length = made.get(name, ("", ""))
            if table:
                stem = f"{word(name)}_STEPS"
                chosen = names.macro("CHOSEN", stem) if not index else f"{macro}CHOSEN_{stem}"
                lines += [f"#define {chosen} {table}", f"#define {chosen}_COUNT {length}"]
    sheet.lines(
        "",
        f"#if defined({macro}VARIANT)",
        *lines,
        "#else",
        f'#error "{macro}VARIANT is none of the variants of this header"',
        "#endif",
        "#endif",
    )
    step, kind = names.lower("step_t"), names.lower("variant_t")
    sheet.lines(
        "",
        "typedef struct {",
        *(f"    const {step} *{_member(n)};  /* 0: it has none */" for n in tables),
        *(f"    uint16_t {_member(n)}_count;" for n in tables),
        "    uint32_t id;  /* VARIANT_..._ID */",
        f"}} {kind};",
    )
    cells = []
    for name, (_, _, made) in zip(ids, found, strict=True):
        pairs = [made.get(n, ("", "")) for n in tables]
        cells.append(
            "    {"
            + ", ".join([*(t or "NULL" for t, _ in pairs), *(c or "0U" for _, c in pairs), name])
            + "},"
        )
    sheet.table(kind, names.lower("variants"), cells, size, "Every variant, by its number.")


def board_routine(
    sheet: Sheet,
    stem: str,
    arguments: Sequence[tuple[str, str]],
    names: Sequence[str],
    body: Callable[[Mapping[str, tuple[str, str]]], list[str]],
    about: str,
    *,
    declared: Sequence[str] = (),
    gives: str = "uint8_t",
    always: bool = False,
    fetched: bool = True,
) -> None:
    """A routine that stands for a board, of the tables `names`, by their (identifier, size) in `body`, which sets `result`.

    The board's own where it is the only one. Of several boards, whose tables differ, it takes the number of the board as
    well (`always`: also where they are alike), and one without is that of the board chosen when the header is compiled. `arguments` are (type, name). Not `fetched`: the body needs no
    table. With `gives` void the result is only told where a number may be wrong. Nothing is written where a board lacks a table.
    """
    low, macro = sheet.names.lower, sheet.names.macro
    ok = macro("RUN", "OK")
    formal = [f"{kind}{'' if kind.endswith('*') else ' '}{name}" for kind, name in arguments]
    if not sheet.variants or (set(names) <= sheet.alike and not always):
        own = {n: (sheet.plans[n].table, sheet.plans[n].size) for n in names}
        lines = body(own)
        if gives != "void":
            lines = [*declared, f"uint8_t result = {ok};", *lines, "return result;"]
        sheet.function(f"{gives} {low(stem)}({', '.join(formal)})", lines, about)
        return
    if not all(v.tables.get(n, ("", ""))[0] for v in sheet.variants for n in names):
        sheet.names.note(
            f"{stem}: not every variant has the tables {', '.join(names)}; there is none"
        )
        return
    begins = stem.endswith("_begin")
    full = f"{stem.removesuffix('_begin')}_variant{'_begin' if begins else ''}"
    size, chosen = macro("VARIANTS", "COUNT"), f"{sheet.macro}VARIANT"
    given = {n: (f"board.{_member(n)}", f"board.{_member(n)}_count") for n in names}
    sheet.function(
        f"uint8_t {low(full)}({', '.join([formal[0], 'uint8_t variant', *formal[1:]])})",
        [
            f"uint8_t result = {macro('RUN', 'NO_WAY')};",
            f"if (variant < {size}) {{",
            *([f"    {low('variant_t')} board;"] if fetched else []),
            *(f"    {line}" for line in declared),
            *([f"    {sheet.fetch('board', low('variants') + '[variant]')}"] if fetched else []),
            f"    result = {ok};",
            *(f"    {line}" for line in body(given)),
            "}",
            "return result;",
        ],
        f"Of the board with this number (VARIANT_...; NO_WAY: there is none). {about}",
    )
    called = f"{low(full)}({', '.join([arguments[0][1], chosen, *(n for _, n in arguments[1:])])})"
    sheet.chosen.append(
        (
            f"{gives} {low(stem)}({', '.join(formal)})",
            [f"(void){called};" if gives == "void" else f"return {called};"],
            f"`{full}` of the board that was chosen when this was compiled.",
        )
    )


def write_chosen_ones(sheet: Sheet) -> None:
    """The routines of the board that was chosen when the header is compiled."""
    if sheet.chosen:
        sheet.lines("", f"#if defined({sheet.macro}VARIANT)")
        for signature, lines, about in sheet.chosen:
            sheet.inline(signature, lines, about)
        sheet.lines("#endif")


def _member(name: str) -> str:
    return f"{word(name).lower()}_steps"


def _id(stage: Stage) -> int:
    """The first 32 bits of the stage's digest, as its identity is shown."""
    shown = identity(stage).stage
    assert shown is not None
    return int(shown.digest[:8], 16)
