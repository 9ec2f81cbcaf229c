"""A shadow of the registers that cannot be read back: what was written is kept by the program."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..chip.model import Register
from .framebase import word_bits, word_type
from .names import word
from .sheet import Sheet
from .text import block, count, defines, number


def shadowed(register: Register) -> bool:
    """Whether what was written cannot be read back as a whole."""
    return bool(register.settings & ~register.read_back)


def write_shadow(sheet: Sheet, words: Mapping[str, int] | None) -> None:
    """The shadow at reset, and as a configured chip holds it: `words`, or None for a map alone."""
    names = sheet.names
    registers = [r for r in sheet.chip.registers.values() if shadowed(r)]
    sheet.shadowed, sheet.shadow_words = registers, words
    if not registers:
        names.note("every writable register can be read back: nothing to shadow")
        return
    sheet.section(
        "shadow of registers that cannot be read back",
        "Keep what was written here: change a field in the shadow, then send the whole word.",
    )
    size = names.macro("SHADOW_COUNT")
    rows = [(size, count(len(registers)), "")]
    for index, register in enumerate(registers):
        rows.append(
            (
                names.macro("SHADOW", word(register.name), of=f"shadow of {register.name}"),
                count(index),
                "",
            )
        )
    sheet.lines(*defines(rows))
    kind, shadow = word_type(sheet), names.lower("shadow_t")
    sheet.lines("", "typedef struct {", f"    {kind} word[{size}];", f"}} {shadow};")
    banks: list[tuple[str, str, Mapping[str, int]]] = [
        ("reset", "after a reset", {r.name: r.reset for r in registers})
    ]
    if words is not None and sheet.boards == 1:
        banks.append(("configured", "once the init table has been sent", words))
    for name, when, contents in banks:
        table = names.lower("shadow", name, "words")
        cells = _cells(sheet, contents)
        sheet.table(kind, table, cells, size, f"Words {when}.")
        sheet.inline(
            f"void {names.lower('shadow', name)}({shadow} *shadow)",
            [
                "uint16_t i;",
                f"for (i = 0U; i < {size}; i++) {{",
                f"    {sheet.macro}FETCH(&shadow->word[i], &{table}[i]);",
                "}",
            ],
            f"Fills the shadow with the words {when}.",
        )


def _cells(sheet: Sheet, contents: Mapping[str, int]) -> list[str]:
    cells: list[str] = []
    for register in sheet.shadowed:
        cells += block(register.name, "    ")
        cells.append(f"    {number(contents[register.name], word_bits(sheet))},")
    return cells


def write_configured(sheet: Sheet, boards: Sequence[Mapping[str, int] | None]) -> None:
    """The shadow as each of several boards holds it once configured, by the board's number."""
    names, total = sheet.names, sheet.names.macro("SHADOW_COUNT")
    size, all_ = names.macro("VARIANTS", "COUNT"), names.macro("SHADOWS_COUNT")
    table, kind = names.lower("shadow_configured_words"), names.lower("shadow_t")
    cells: list[str] = []
    for words in boards:
        cells += _cells(sheet, words or {r.name: r.reset for r in sheet.shadowed})
    sheet.lines(*defines([(all_, f"({size} * {total})", "")]))
    sheet.table(word_type(sheet), table, cells, all_, "Words of every variant once its init table has been sent, one after the other.")  # fmt: skip
    full, chosen = names.lower("shadow_configured_variant"), f"{sheet.macro}VARIANT"
    sheet.inline(
        f"void {full}({kind} *shadow, uint8_t variant)",
        [
            "uint16_t i;",
            f"if (variant < {size}) {{",
            f"    for (i = 0U; i < {total}; i++) {{",
            f"        {sheet.macro}FETCH(&shadow->word[i], &{table}[(variant * {total}) + i]);",
            "    }",
            "}",
        ],
        "Fills the shadow with the words once the init table of this variant has been sent; as it was where there is none.",
    )
    sheet.chosen.append(
        (
            f"void {names.lower('shadow_configured')}({kind} *shadow)",
            [f"{full}(shadow, {chosen});"],
            "`shadow_configured_variant` of the board that was chosen when this was compiled.",
        )
    )
