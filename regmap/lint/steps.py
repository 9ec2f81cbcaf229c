"""Tables of commands to send, and rows that describe faults, held against the map.

Each command is one that the chip knows, its check bits right; the mask of a read has whole fields of the register that it
reads, and what is expected lies within the mask.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from regmap.record import replace

from ..chip.bits import hexword
from ..chip.model import Chip, Register
from ..frames.words import from_wire, join_bursts
from .commandjudge import CommandJudge
from .declared import COMMANDS, CommandRow, Declarations, Described, NumberArray
from .defines import Define
from .judge import cut_fields
from .names import flat, kind_of, pieces_of

Cells = dict[str, Define]


class RowFinding(NamedTuple):
    """A cell, what it holds, and what was expected."""

    item: Define
    found: str
    expected: str


def judge_steps(
    steps: Sequence[CommandRow],
    named: Sequence[Define],
    chip: Chip,
    sendable: CommandJudge,
    *,
    called: bool = False,
) -> Iterator[RowFinding | None]:
    """A finding for each row, None where it agrees; nothing of tables that are not of this chip.

    `named` are the constants of the header: those of the kinds of steps tell what a row does. Of tables that are `called`
    commands half need be some, of others three quarters.
    """
    merges, reads = _kinds(named, "MERGE"), _kinds(named, "EXPECT", "READ")
    tables: dict[str, list[Cells]] = {}
    for step in steps:
        cells = dict(step.cells)
        frame = next((cells[m] for m in sorted(COMMANDS) if m in cells), None)
        kind = cells["kind"].value if "kind" in cells else None
        # what is merged with bits that are read has its check bits later; 0 stands where nothing is sent
        if frame is not None and frame.value and kind not in merges:
            tables.setdefault(step.table, []).append({**cells, "frame": frame})
    found = [(rows, [sendable.sound(r["frame"].value or 0) for r in rows]) for rows in tables.values()]  # fmt: skip
    known = [s is not None for _, sent in found for s in sent]
    if 4 * sum(known) < (2 if called else 3) * len(known):
        return
    for rows, sent in found:
        if 2 * sum(s is not None for s in sent) < len(rows):
            continue
        for cells, one in zip(rows, sent, strict=True):
            frame = cells["frame"]
            kind = cells["kind"].value if "kind" in cells else None
            if one is None:
                word = hexword(frame.value or 0, sendable.commands.longest)
                yield RowFinding(frame, word, f"a command of {chip.name}, its check bits right")
            elif one.kind == "read" and one.register is not None and kind in reads:
                yield _expected(cells, one.register)
            else:
                yield None


#: what arrays are called that hold whole commands
_SEQUENCES = {"FRAME", "FRAMES", "CMD", "CMDS", "COMMAND", "COMMANDS", "TX", "MSG", "MSGS", "SEQUENCE", "SEQ"}  # fmt: skip


def frames_in(declared: Declarations, chip: Chip) -> Iterator[list[CommandRow]]:
    """Arrays that say of themselves that they hold commands, as numbers or as rows of bytes: each as a table of commands."""
    tables: dict[str, list[Define]] = {a.item.name: list(a.cells) for a in declared.arrays}
    for row in declared.rows_of_numbers:
        frame = frame_of_bytes(row, chip)
        if frame is not None:
            tables.setdefault(row.item.name, []).append(frame)
    for name, cells in tables.items():
        if len(cells) > 2 and _SEQUENCES & {p.upper() for p in pieces_of(name)}:
            yield [CommandRow(table=name, cells=(("frame", cell),)) for cell in cells]


def frame_of_bytes(array: NumberArray, chip: Chip) -> Define | None:
    """An array of the bytes of one frame, as the number that they are; None where it can be none."""
    for frame in chip.frames.values():
        if any(b % 8 for b in frame.bursts) or 8 * len(array.numbers) != frame.length:
            continue
        if max(array.numbers) > 0xFF or min(array.numbers) < 0:
            continue
        pieces, sent = [], bytes(array.numbers)
        for bits in frame.bursts:
            pieces.append((from_wire(sent[: bits // 8], bits, msb_first=chip.spi.msb_first), bits))
            sent = sent[bits // 8 :]
        return replace(array.item, value=join_bursts(pieces))
    return None


def _kinds(named: Sequence[Define], *kinds: str) -> set[int]:
    """The numbers of such kinds of steps: STEP_READ, or `read` of the enumeration step_kind_t."""
    ends = tuple(f"{of}{kind}" for kind in kinds for of in ("STEP", "KINDT"))
    return {i.value for i in named if i.value is not None and flat(i.name).endswith(ends)}


def _expected(cells: Mapping[str, Define], register: Register) -> RowFinding | None:
    """The mask of a read, and what it must hold there."""
    mask, expect = cells.get("mask"), cells.get("expect")
    if mask is None or mask.value is None:
        return None
    cut = cut_fields(register, mask.value)
    shown = hexword(mask.value, register.width)
    if mask.value & ~register.mask or cut:
        part = f", of {cut[0].name} only a part" if cut else ""
        return RowFinding(mask, f"mask {shown}{part}", f"whole fields of {register.name}, which it reads")  # fmt: skip
    if expect is not None and expect.value is not None and expect.value & ~mask.value:
        word = hexword(expect.value, register.width)
        return RowFinding(expect, f"expected {word}", f"bits within the mask {shown}, under which {register.name} is compared")  # fmt: skip
    return None


def judge_fault(row: Described, chip: Chip) -> tuple[bool, RowFinding | None]:
    """Whether a row describes a fault of the map, and what is wrong with its mask then: it is that of the fault's bits."""
    cells = {kind_of(pieces_of(m)[-1]): cell for m, cell in row.cells if pieces_of(m)}
    fault = chip.faults.get(row.key)
    field = chip.field(fault.ref) if fault is not None else None
    mask = cells.get("mask")
    if field is None or mask is None or mask.value is None or OF_REGISTERS & set(cells):
        return False, None
    if mask.value == field.mask:
        return True, None
    width = chip.registers[field.register].width
    right = f"{hexword(field.mask, width)}, the bits of fault {row.key}"
    return True, RowFinding(mask, f"mask {hexword(mask.value, width)}", right)


#: with these beside a mask it is a register or field that a row describes
OF_REGISTERS = {"address", "shift", "top", "width", "reset"}
