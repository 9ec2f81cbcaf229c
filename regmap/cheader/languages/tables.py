"""Steps, readback and faults as constant tables, and what the driver asks about each frame layout."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from ...behaviour.faults import status_registers
from ...chip.bits import deposit, mask_of
from ...chip.model import SEVERITIES
from ..bitcode import runs
from ..faults import causes_first, lists_of
from ..framebase import word_bits
from ..routines import watch_times
from ..sheet import Sheet, Steps
from ..steps import STEP_KINDS, step_values
from .either import Either
from .language import local, named, table_names
from .module import FrameModule


def write_step_type(lang: Either) -> list[str]:
    """The structure of a step and its kinds."""
    kinds = [(name.lower(), code, note) for name, code, note in STEP_KINDS]
    return [
        "",
        *lang.enum("step_kind", kinds, "What a step is."),
        "",
        *lang.struct(
            lang.type_name("step"),
            [
                ("frame", lang.type_name("frame"), "ready to send; 0 for a wait"),
                ("wait_us", lang.uint(32), "at least this long, in microseconds"),
                ("mask", lang.type_name("word"), "bits of the reply's word that count"),
                ("expect", lang.type_name("word"), "what they must hold"),
                ("kind", lang.type_name("step_kind"), ""),
                ("format", lang.uint(8), "the frame's layout, an index"),
            ],
        ),
    ]


def write_steps(
    sheet: Sheet,
    lang: Either,
    formats: dict[str, FrameModule],
    plans: Mapping[str, Steps] | None = None,
    place: str = "",
    more: str = "",
) -> list[str]:
    """Every table of steps that the C header has, of the same frames; `place` and `more` tell those of another position."""
    lines: list[str] = []
    plans = sheet.plans if plans is None else plans
    titles = table_names(plans)
    for name, steps in plans.items():
        rows: list[str] = []
        for action in steps.actions:
            notes, value = step_values(sheet, action, steps.by_setting)
            rows += lang.remark(notes)
            index = formats[action.sent.frame.name].index if action.sent is not None else 0
            kind = lang.member("step_kind", value.kind.lower())
            bits = max(f.length for f in sheet.chip.frames.values())
            cells = [
                ("frame", lang.number(value.frame, bits)),
                ("wait_us", lang.count(value.wait_us)),
                ("mask", lang.number(value.mask, word_bits(sheet))),
                ("expect", lang.number(value.expect, word_bits(sheet))),
                ("kind", kind),
                ("format", lang.count(index)),
            ]
            rows.append(f"{lang.make(lang.type_name('step'), cells)},")
        lines += ["", *lang.table(lang.type_name("step"), f"{place}{titles[name]}", len(steps.actions), rows, f"{steps.about}{more}")]  # fmt: skip
    return lines


def write_verify(sheet: Sheet, lang: Either, formats: dict[str, FrameModule]) -> list[str]:
    """What a configured chip must hold, register by register."""
    if not sheet.verify_rows:
        return []
    kind = lang.type_name("verify_word")
    bits = max((r.address.bit_length() for r, *_ in sheet.verify_rows), default=1)
    lines = [
        "",
        *lang.struct(
            kind,
            [
                ("read", lang.type_name("frame"), "the frame that reads it"),
                ("mask", lang.type_name("word"), "bits that hold settings"),
                ("expect", lang.type_name("word"), "what they must hold"),
                ("address", lang.uint(max(bits, 1)), ""),
                ("page", lang.uint(16), "0 where the chip has none"),
                ("format", lang.uint(8), "the frame's layout, an index"),
            ],
        ),
    ]
    rows = []
    for register, mask, expect, frame, read in sheet.verify_rows:
        rows += lang.remark(register.name)
        cells = [
            ("read", lang.number(read, frame.length)),
            ("mask", lang.number(mask, word_bits(sheet))),
            ("expect", lang.number(expect, word_bits(sheet))),
            ("address", lang.number(register.address, bits)),
            ("page", lang.count(register.page or 0)),
            ("format", lang.count(formats[frame.name].index)),
        ]
        rows.append(f"{lang.make(kind, cells)},")
    about = "Configuration registers and their wanted content: compare (word & mask) with expect."
    return [*lines, "", *lang.table(kind, "verify_words", len(sheet.verify_rows), rows, about)]


def write_watch(sheet: Sheet, lang: Either) -> list[str]:
    """How long the watch takes, and how seldom it may be called."""
    if sheet.stage is None or "readback" not in sheet.plans:
        return []
    times = watch_times(sheet, sheet.stage, max(f.after for f in sheet.chip.frames.values()))
    u32 = lang.uint(32)
    about = f"calls of `watch` for one rotation{times.longest}"
    lines = ["", *lang.const("watch_ticks", lang.uint(16), lang.count(times.ticks), about)]
    if times.tolerated_us is not None:
        lines += lang.const("ftti_us", u32, lang.count(times.tolerated_us), times.tolerated)
        most = lang.count(times.most_us)
        lines += lang.const("watch_period_most_us", u32, most, times.too_long)
    about = "A setting is lost right after it was read: found one rotation later, at the latest, and replies come late."
    body = [lang.give(f"period_us * {lang.count(times.ticks + times.late)}")]
    return [*lines, *lang.function("watch_worst_us", [("period_us", u32)], u32, body, about)]


def write_shadow(sheet: Sheet, lang: Either) -> list[str]:
    """A copy of what cannot be read back: numbers of its registers, and its words after a reset and once configured."""
    if not sheet.shadowed:
        return []
    taken: set[str] = set()
    ids: list[str] = []
    for index, register in enumerate(sheet.shadowed):
        ids += lang.const(local(register.name, taken), lang.size(), lang.plain(index))
    about = "Registers that cannot be read back, by their number in a shadow: change a field there, then send the whole word."
    lines = ["", *lang.module("shadow_id", ids, about)]
    banks: list[tuple[str, str, Mapping[str, int]]] = [
        ("reset", "after a reset", {r.name: r.reset for r in sheet.shadowed})
    ]
    if sheet.shadow_words is not None:
        banks.append(
            ("configured", "once the table of the bring-up has been sent", sheet.shadow_words)
        )
    for name, when, words in banks:
        rows = []
        for register in sheet.shadowed:
            rows += lang.remark(register.name)
            rows.append(f"{lang.number(words[register.name], word_bits(sheet))},")
        about = f"Words {when}; copy them to where they can be changed."
        kind = lang.type_name("word")
        lines += ["", *lang.table(kind, f"shadow_{name}", len(sheet.shadowed), rows, about)]
    return lines


def write_faults(sheet: Sheet, lang: Either) -> list[str]:
    """The table of faults, and what follows from what."""
    faults = list(sheet.chip.faults.values())
    status = status_registers(sheet.chip)
    order = {f.name: i for i, f in enumerate(faults)}
    causes, spans = lists_of(faults, order, lambda f: f.follows_from)
    members, sums = lists_of(faults, order, lambda f: f.summary_of)
    lines = ["", *lang.enum("severity", [(s, i, "") for i, s in enumerate(SEVERITIES)])]
    kind = lang.type_name("fault")
    words = [("name", lang.text_type(), ""), ("title", lang.text_type(), "")]
    lines += ["", *lang.struct(
        kind,
        [
            *(words if sheet.has("strings") else ()),
            ("mask", lang.type_name("word"), ""),
            ("value", lang.type_name("word"), "raised while (status word & mask) == value"),
            ("status", lang.uint(8), "index of its register in `status_addresses`"),
            ("severity", lang.type_name("severity"), ""),
            ("at_power_up", lang.flag(), "always raised after power-up"),
            ("cause_count", lang.uint(8), "faults that it can follow from, ..."),
            ("cause_first", lang.uint(16), "... from here in `fault_causes`"),
            ("sum_count", lang.uint(8), "faults that it only sums up, ..."),
            ("sum_first", lang.uint(16), "... from here in `fault_sums`"),
        ],
    )]  # fmt: skip
    size = lang.size()
    lines += lang.const("fault_count", size, lang.plain(len(faults)))
    lines += lang.const(
        "status_count", size, lang.plain(len(status)), "status registers, in this order:"
    )
    bits = max((r.address.bit_length() for r in sheet.chip.registers.values()), default=1)
    rows = [f"{lang.number(sheet.chip.registers[n].address, bits)}, // {n}" for n in status]
    lines += ["", *lang.table(lang.uint(max(bits, 1)), "status_addresses", len(rows), rows, "Status registers to read.")]  # fmt: skip
    lines += lang.const("fault_none", lang.uint(16), lang.number(0xFFFF, 16))
    ids: list[str] = []
    taken: set[str] = set()
    for fault in faults:
        ids += lang.const(named(sheet, f"fault {fault.name}", fault.name, taken), lang.uint(16), lang.count(order[fault.name]), fault.title)  # fmt: skip
    lines += ["", *lang.module("fault_id", ids, "Index of each fault in `faults`.")]
    for name, items, about in (
        ("fault_causes", causes, "Causes of all faults, the most likely first."),
        ("fault_sums", members, "Faults that a summary bit sums up."),
        (
            "fault_order",
            [order[f.name] for f in causes_first(sheet.chip)],
            "Every fault after all that it can follow from.",
        ),
    ):
        cells = [lang.count(i) for i in items] or [lang.number(0xFFFF, 16)]
        rows = [", ".join(cells[at : at + 16]) + "," for at in range(0, len(cells), 16)]
        lines += ["", *lang.table(lang.uint(16), name, len(cells), rows, about)]
    rows = []
    for fault in faults:
        field = sheet.chip.field(fault.ref)
        assert field is not None  # the loader has seen to it
        rows += lang.remark(f"{fault.ref}" + (f": {fault.meaning}" if fault.meaning else ""))
        if fault.masked_when is not None:
            rows += lang.remark(f"masked while {fault.masked_when}")
        texts = [("name", lang.text(fault.name)), ("title", lang.text(fault.title))]
        cells_of = [
            *(texts if sheet.has("strings") else ()),
            ("mask", lang.number(mask_of(field.bits), word_bits(sheet))),
            ("value", lang.number(deposit(fault.code, field.bits), word_bits(sheet))),
            ("status", lang.count(status.index(fault.register))),
            ("severity", lang.member("severity", fault.severity)),
            ("at_power_up", lang.truth(fault.normal_at_power_up)),
            ("cause_count", lang.count(spans[fault.name][1])),
            ("cause_first", lang.count(spans[fault.name][0])),
            ("sum_count", lang.count(sums[fault.name][1])),
            ("sum_first", lang.count(sums[fault.name][0])),
        ]
        rows.append(f"{lang.make(kind, cells_of)},")
    return [*lines, "", *lang.table(kind, "faults", len(faults), rows, "Every fault of the map.")]


def write_dispatch(
    sheet: Sheet,
    lang: Either,
    modules: list[FrameModule],
    filler: Callable[[FrameModule], int | None],
) -> list[str]:
    """What the driver asks of a frame layout by its number."""
    frame, word = lang.type_name("frame"), lang.type_name("word")
    u8, u16 = lang.uint(8), lang.uint(16)
    most = max(sum((b + 7) // 8 for b in m.frame.bursts) for m in modules)
    lines = lang.const(
        "bytes_most", lang.size(), lang.plain(most), "bytes of the longest frame on the SPI"
    )

    about = "registers with bits that must be written as they were read; one at least"
    lines += lang.const("kept_count", lang.size(), lang.plain(max(1, len(sheet.kept))), about)

    def pick(name: str, params: list[tuple[str, str]], result: str, each: Callable[[FrameModule], str], unused: tuple[str, ...] = ()) -> list[str]:  # fmt: skip
        cases = [(m.index, each(m)) for m in modules]
        *most_cases, last = cases
        body = [lang.unused(u) for u in unused]
        if most_cases:
            body += lang.select("format", most_cases, last[1])
        else:
            body += [lang.unused("format"), lang.give(last[1])]
        return ["", *lang.function(name, [("format", u8), *params], result, body)]

    def called(m: FrameModule, name: str) -> str:
        return lang.path("frames", m.path, name)

    table = [f"{lang.count(m.frame.after)}," for m in modules]
    lines += ["", *lang.table(u8, "reply_after", len(modules), table, "Frames until a reply comes, by layout.")]  # fmt: skip
    table = [f"{lang.truth(m.reply_data)}," for m in modules]
    lines += ["", *lang.table(lang.flag(), "has_data", len(modules), table, "Whether replies to reads hold the word.")]  # fmt: skip
    filling = lang.type_name("filler")
    lines += ["", *lang.struct(filling, [("frame", frame, ""), ("known", lang.flag(), "")])]
    table = []
    for m in modules:
        found = filler(m)
        table.append(f"{lang.make(filling, [('frame', lang.number(found or 0, m.frame.length)), ('known', lang.truth(found is not None))])},")  # fmt: skip
    lines += ["", *lang.table(filling, "fillers", len(modules), table, "Reads that change nothing and fetch a reply.")]  # fmt: skip
    counts = lang.type_name("count")
    lines += ["", *lang.struct(counts, [("step", lang.type_name("wide"), ""), ("width", lang.width_type(), "0: replies do not count")])]  # fmt: skip
    table = [f"{lang.make(counts, [('step', lang.count(m.counter[1])), ('width', lang.count(m.counter[2]))])}," for m in modules]  # fmt: skip
    lines += ["", *lang.table(counts, "reply_counts", len(modules), table, "Counters of replies, by layout.")]  # fmt: skip
    counted = [m for m in modules if m.counters]
    lines += pick(
        "with_counter_of", [("wanted", frame), ("sent", lang.uint(32))], frame,
        lambda m: f"{called(m, 'with_counter')}(wanted, sent)" if m.counters else "wanted",
        () if counted else ("sent",),
    )  # fmt: skip
    replied = any(m.reply_errors for m in modules)
    lines += pick(
        "errors_of", [("asked", frame), ("found", frame)], u8,
        lambda m: f"{called(m, 'reply_errors')}(asked, found)" if m.reply_errors else lang.count(0),
        () if replied else ("asked", "found"),
    )  # fmt: skip
    data = any(m.reply_data for m in modules)
    lines += pick(
        "data_of", [("found", frame)], word,
        lambda m: f"{called(m, 'read_data')}(found)" if m.reply_data else lang.count(0),
        () if data else ("found",),
    )  # fmt: skip
    lines += pick("bursts_of", [], u8, lambda m: lang.count(len(m.frame.bursts)))
    several = any(len(m.frame.bursts) > 1 for m in modules)
    lines += pick(
        "burst_of", [("index", u8)], lang.size(),
        lambda m: lang.to_size(f"{called(m, lang.constant('burst_bytes'))}[{lang.to_size('index')}]")
        if len(m.frame.bursts) > 1 else called(m, lang.constant("bytes")),
        () if several else ("index",),
    )  # fmt: skip
    merging = any(a for s in sheet.plans.values() for a in s.actions if a.do == "merge")
    carried = [m for m in modules if merging and m.frame.command.of_kind("data") is not None]

    def merged(m: FrameModule) -> str:
        part = m.frame.command.of_kind("data")
        if part is None or not merging:
            return "wanted"
        moved = lang.put(lang.widen("kept"), part.bits)
        whole = lang.narrow(
            f"{lang.widen('wanted')} | {moved}", max(x.frame.length for x in modules)
        )
        return f"{called(m, 'with_check_bits')}({whole})" if m.checked else whole

    lines += pick("merged_of", [("wanted", frame), ("kept", word)], frame, merged, () if carried else ("kept",))  # fmt: skip

    def counter(m: FrameModule) -> str:
        expression, _, _ = m.counter
        if not expression:
            return lang.count(0)
        part = next(p for x in m.frame.replies.values() for p in x.parts if p.kind == "counter")
        assert runs(part.bits)
        return lang.take(lang.widen("found"), part.bits)

    counters = any(m.counter[0] for m in modules)
    lines += pick("counter_of", [("found", frame)], lang.type_name("wide"), counter, () if counters else ("found",))  # fmt: skip
    return lines + lang.copies(modules, u16)


__all__ = [
    "write_dispatch",
    "write_faults",
    "write_shadow",
    "write_step_type",
    "write_steps",
    "write_verify",
    "write_watch",
]
