"""Fault table and the routine that names the first cause, as `regmap.behaviour.faults` orders them."""

from __future__ import annotations

from collections.abc import Callable

from ..behaviour.faults import status_registers
from ..chip.bits import deposit, mask_of
from ..chip.model import SEVERITIES, Chip, Fault
from .frames import word_bits, word_type
from .names import word
from .registers import address_macro
from .sheet import Sheet
from .text import block, count, defines, number, utype

#: ways to clear a fault, as bits
CLEARING = (
    ("READ", "a read of its register"),
    ("WRITE_1", "a 1 written to its bit"),
    ("WRITE_0", "a 0 written to its bit"),
    ("CONDITION", "the end of its condition"),
    ("RESET", "a reset of the chip"),
    ("COMMAND", "a command, named at the fault"),
    ("FIELD", "a value written to a field, named at the fault"),
)


def clearing(fault: Fault) -> int:
    """The bits of `CLEARING` that clear a fault; 0 where the map does not say."""
    places = {way.lower(): 1 << index for index, (way, _) in enumerate(CLEARING)}
    bits = 0
    for way in fault.cleared_by:
        bits |= places["field"] if "=" in way else places.get(way, places["command"])
    return bits


def causes_first(chip: Chip) -> list[Fault]:
    """Every fault after all that it can follow from, else in the order of the map."""
    done: dict[str, Fault] = {}

    def visit(fault: Fault, trail: tuple[str, ...]) -> None:
        if fault.name in done or fault.name in trail:
            return
        for cause in fault.follows_from:
            if cause in chip.faults:
                visit(chip.faults[cause], (*trail, fault.name))
        done[fault.name] = fault

    for fault in chip.faults.values():
        visit(fault, ())
    return list(done.values())


def write_faults(sheet: Sheet) -> None:
    """The table in the order of the map, lists of causes and sums, and the routine that orders them."""
    chip, names = sheet.chip, sheet.names
    faults = list(chip.faults.values())
    if not faults:
        names.note("the map names no faults")
        return
    # explaining faults needs much that a table does not
    status = status_registers(chip)
    order = {f.name: i for i, f in enumerate(faults)}
    sheet.section(
        "faults",
        "A fault is raised while (status word & mask) == value.",
    )
    total, registers = names.macro("FAULT_COUNT"), names.macro("STATUS_COUNT")
    rows = [
        (total, count(len(faults)), ""),
        (registers, count(len(status)), "status registers, in this order:"),
    ]
    for index, name in enumerate(status):
        rows.append(
            (
                names.macro("STATUS_INDEX", word(name), of=f"status index of {name}"),
                count(index),
                "",
            )
        )
    for index, level in enumerate(SEVERITIES):
        rows.append((names.macro("SEVERITY", level.upper()), count(index), ""))
    for index, (way, about) in enumerate(CLEARING):
        rows.append((names.macro("CLEARED_BY", way), count(1 << index), about))
    none = names.macro("FAULT_NONE")
    small = utype(max((len(faults)).bit_length(), 1))
    rows.append((none, number((1 << (8 if small == "uint8_t" else 16)) - 1), ""))
    if len(faults) >= 255:
        small = "uint16_t"
        rows[-1] = (none, "0xFFFFU", "")
    for fault in faults:
        rows.append(
            (
                names.macro("FAULT_ID", word(fault.name), of=f"fault {fault.name}"),
                count(order[fault.name]),
                fault.title,
            )
        )
    sheet.lines(*defines(rows))
    causes, spans = lists_of(faults, order, lambda f: f.follows_from)
    members, sums = lists_of(faults, order, lambda f: f.summary_of)
    kind = names.lower("fault_t")
    sheet.lines(
        "",
        "typedef struct {",
        *(["    const char *name;", "    const char *title;"] if sheet.has("strings") else []),
        f"    {word_type(sheet)} mask;",
        f"    {word_type(sheet)} value;",
        "    uint8_t status;     /* STATUS_INDEX_... of its register */",
        "    uint8_t severity;   /* SEVERITY_... */",
        "    uint8_t cleared_by;   /* CLEARED_BY_... bits */",
        "    uint8_t at_power_up;  /* 1: always raised after power-up */",
        "    uint8_t cause_count;  /* faults that it can follow from, ... */",
        "    uint16_t cause_first; /* ... from here in the list of causes */",
        "    uint8_t sum_count;    /* faults that it only sums up, ... */",
        "    uint16_t sum_first;   /* ... from here in the list of sums */",
        f"}} {kind};",
    )
    bits = max((r.address.bit_length() for r in chip.registers.values()), default=1)
    cells = [
        f"    {address_macro(sheet, chip.registers[n]) if sheet.has('addresses') else number(chip.registers[n].address, bits)},"
        for n in status
    ]
    sheet.table(
        utype(max(bits, 1)),
        names.lower("status_addresses"),
        cells,
        registers,
        "Status registers to read, in the order of STATUS_INDEX.",
    )
    cause_list = names.lower("fault_causes")
    sum_list = names.lower("fault_sums")
    for name, items, about in (
        (cause_list, causes, "Causes of all faults, the most likely first."),
        (sum_list, members, "Faults that a summary bit sums up."),
        (
            names.lower("fault_order"),
            [order[f.name] for f in causes_first(chip)],
            "Every fault after all that it can follow from.",
        ),
    ):
        macro = names.macro(name.removeprefix(sheet.prefix).upper(), "COUNT")
        sheet.lines("", *defines([(macro, count(max(len(items), 1)), "")]))
        text = [
            "    " + ", ".join(count(i) for i in items[at : at + 16]) + ","
            for at in range(0, len(items), 16)
        ] or [f"    {none}, /* none */"]
        sheet.table(small, name, text, macro, about)
    width = word_bits(sheet)
    texts: dict[str, tuple[str, str]] = {}
    if sheet.has("strings"):
        for index, fault in enumerate(faults):
            texts[fault.name] = (
                sheet.hidden_text(names.lower("fault_name", str(index)), fault.name),
                sheet.hidden_text(names.lower("fault_title", str(index)), fault.title),
            )
    text = []
    for fault in faults:
        field = chip.field(fault.ref)
        assert field is not None  # the loader has seen to it
        about = f"{fault.ref}" + (f": {fault.meaning}" if fault.meaning else "")
        text += block(about, "    ")
        if fault.cleared_by:
            text += block(f"cleared by: {', '.join(fault.cleared_by)}", "    ")
        if fault.masked_when is not None:
            text += block(f"masked while {fault.masked_when}", "    ")
        if fault.reported_only_when is not None:
            about = f"only reported while {fault.reported_only_when}: the chip does not act"
            text += block(about, "    ")
        text.append(
            "    {"
            + ", ".join(
                (
                    *texts.get(fault.name, ()),
                    number(mask_of(field.bits), width),
                    number(deposit(fault.code, field.bits), width),
                    count(status.index(fault.register)),
                    count(SEVERITIES.index(fault.severity)),
                    count(clearing(fault)),
                    count(int(fault.normal_at_power_up)),
                    count(spans[fault.name][1]),
                    count(spans[fault.name][0]),
                    count(sums[fault.name][1]),
                    count(sums[fault.name][0]),
                )
            )
            + "},"
        )
    sheet.table(kind, names.lower("faults"), text, total, "Every fault of the map.")
    _decode(sheet, small)


def lists_of(
    faults: list[Fault], order: dict[str, int], pick: Callable[[Fault], tuple[str, ...]]
) -> tuple[list[int], dict[str, tuple[int, int]]]:
    """The numbers of all that the faults name, one after the other, and (first, count) of each fault in them."""
    items: list[int] = []
    spans: dict[str, tuple[int, int]] = {}
    for fault in faults:
        found = [order[n] for n in pick(fault) if n in order]
        spans[fault.name] = (len(items), len(found))
        items += found
    return items, spans


def _decode(sheet: Sheet, small: str) -> None:
    names = sheet.names
    total, registers, none = (
        names.macro("FAULT_COUNT"),
        names.macro("STATUS_COUNT"),
        names.macro("FAULT_NONE"),
    )
    faults, causes, sums = (
        names.lower("faults"),
        names.lower("fault_causes"),
        names.lower("fault_sums"),
    )
    kind, found = names.lower("fault_t"), names.lower("explained_t")
    words = word_type(sheet)
    wide = "unsigned int" if word_bits(sheet) <= 16 else words
    sheet.lines(
        "",
        *block(
            "Raised faults in the order in which to look at them: each first cause, then what can follow from it. "
            "Summary bits whose members are raised are left out."
        ),
        "typedef struct {",
        f"    {small} count;",
        f"    {small} fault[{total}];  /* FAULT_ID_..., first cause first */",
        f"    {small} cause[{total}];  /* by FAULT_ID_...: the raised fault it follows from, or FAULT_NONE */",
        f"}} {found};",
    )
    sheet.inline(
        f"bool {names.lower('fault_raised')}(const {words} words[{registers}], {small} fault)",
        [
            f"{kind} row;",
            sheet.fetch("row", f"{faults}[fault]"),
            f"return (({wide})words[row.status] & row.mask) == row.value;",
        ],
        "Whether the status words raise a fault; `words` in the order of STATUS_INDEX.",
    )
    raised = names.lower("fault_raised")
    before = names.lower("fault_before")
    sheet.hidden_function(
        f"bool {before}({small} a, {small} b)",
        [
            f"{kind} x;",
            f"{kind} y;",
            "bool first;",
            sheet.fetch("x", f"{faults}[a]"),
            sheet.fetch("y", f"{faults}[b]"),
            "first = x.severity < y.severity;",
            "if (x.at_power_up != y.at_power_up) {",
            "    first = x.at_power_up < y.at_power_up;",
            "}",
            "return first;",
        ],
        "Whether fault a is to be looked at before fault b, where neither follows from the other.",
    )
    lines = [
        f"{small} depth[{total}];  /* 0: not raised, or only a sum; 1: a first cause; else deeper */",
        f"bool placed[{total}];",
        f"{small} current = {none};",
        f"{small} i;",
        f"{small} n;",
        "found->count = 0U;",
        f"for (n = 0U; n < {total}; n++) {{",
        f"    {small} fault = 0U;",
        f"    {kind} row;",
        "    uint16_t k;",
        "    bool counts;",
        f"    {sheet.fetch('fault', names.lower('fault_order') + '[n]')}",
        f"    {sheet.fetch('row', faults + '[fault]')}",
        f"    counts = {raised}(words, fault);",
        f"    found->cause[fault] = {none};",
        "    depth[fault] = 0U;",
        "    placed[fault] = false;",
        "    for (k = 0U; counts && (k < row.sum_count); k++) {",
        f"        {small} member = 0U;",
        f"        {sheet.fetch('member', sums + '[row.sum_first + k]')}",
        f"        if ({raised}(words, member)) {{",
        "            counts = false;",
        "        }",
        "    }",
        "    if (counts) {",
        "        depth[fault] = 1U;",
        "    }",
        "    for (k = 0U; counts && (k < row.cause_count); k++) {",
        f"        {small} cause = 0U;",
        f"        {sheet.fetch('cause', causes + '[row.cause_first + k]')}",
        "        if ((depth[cause] != 0U) && (depth[cause] >= depth[fault])) {",
        f"            depth[fault] = ({small})(depth[cause] + 1U);",
        "            found->cause[fault] = cause;",
        "        }",
        "    }",
        "}",
        "for (;;) {",
        f"    {small} next = {none};",
        f"    for (i = 0U; i < {total}; i++) {{",
        "        const bool fits = (depth[i] != 0U) && (!placed[i]) && (found->cause[i] == current);",
        f"        if (fits && ((next == {none}) || {before}(i, next))) {{",
        "            next = i;",
        "        }",
        "    }",
        f"    if (next != {none}) {{",
        "        placed[next] = true;",
        "        found->fault[found->count] = next;",
        "        found->count++;",
        "        current = next;",
        f"    }} else if (current != {none}) {{",
        "        current = found->cause[current];",
        "    } else {",
        "        break;",
        "    }",
        "}",
    ]
    sheet.function(
        f"void {names.lower('explain')}(const {words} words[{registers}], {found} *found)",
        lines,
        "Names the raised faults, first cause first. All ones or all zeros come from wiring: do not believe them.",
    )
