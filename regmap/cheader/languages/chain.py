"""A daisy chain in C++ and Rust: what lies where in a stream, and a table of steps for each position."""

from __future__ import annotations

from ...errors import CallError
from ..chainstream import Stream, chainable
from ..sheet import Sheet
from .either import Either
from .language import local, table_names
from .module import FrameModule
from .tables import write_steps


def write_streams(sheet: Sheet, lang: Either) -> list[str]:
    """Bytes between two edges of chip select from a word of every chip, and back; nothing for a chip alone. Raises CallError."""
    if not sheet.chips or not sheet.has("frames"):
        return []
    frame = chainable(sheet.chip)
    shape = Stream(sheet.chip, frame, sheet.chips)
    if any(bits > lang.wide_bits for _, bits in shape.headers):
        raise CallError(f"a header of more than {lang.wide_bits} bits in a chain", "shorter ones")
    lines = ["", *lang.remark(
        f"Daisy chain: {sheet.chips} chips on one chip select, counted from the controller's data output. One stream carries "
        "one frame of each: where a table waits, all wait."
    )]  # fmt: skip
    lines += lang.const("chain_chips", lang.size(), lang.plain(sheet.chips))
    about = f"{shape.bits} bits between two edges of chip select"
    lines += lang.const("chain_bytes", lang.size(), lang.plain(shape.bytes), about)
    if shape.commands:
        taken: set[str] = set()
        rows: list[str] = []
        for at, name in enumerate(shape.commands):
            rows += lang.const(local(name, taken), lang.uint(8), lang.count(1 << at))
        lines += ["", *lang.module("chain_command", rows, "To every chip, in a header.")]
    return [*lines, *lang.streams(shape)]


def write_chain(
    sheet: Sheet, lang: Either, formats: dict[str, FrameModule], rounds: tuple[int, int] | None
) -> list[str]:
    """The tables of the other positions, one of all for each kind, and what runs them."""
    if not sheet.chips or not sheet.positions:
        return []
    lines: list[str] = []
    named: dict[str, dict[int, str]] = {}
    for position, plans in sheet.positions.items():
        own = plans is sheet.plans
        place = "" if own else f"p{position}_"
        titles = {n: f"{place}{t}" for n, t in table_names(plans).items()}
        if not own:
            lines += write_steps(sheet, lang, formats, plans, place, f" Of position {position}.")
        for name in plans:
            named.setdefault(name, {})[position] = titles[name]
    lines += lang.part_type()
    called = table_names(named)
    for name, tables in named.items():
        rows = [f"{lang.part(tables.get(k, ''))}," for k in range(sheet.chips)]
        about = f"The table `{name}` of each position."
        lines += [
            "",
            *lang.table(lang.part_kind(), f"chain_{called[name]}", sheet.chips, rows, about),
        ]
    every = {n for n in named if all(n in plans for plans in sheet.positions.values())}
    return [*lines, *lang.chain(sheet, rounds, status="status" in named, every=every)]
