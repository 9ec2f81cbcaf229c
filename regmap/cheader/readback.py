"""What must be read back of a configured chip, as rows to compare and as steps to run."""

from __future__ import annotations

from ..behaviour.machine import as_read
from ..behaviour.settings import Action, bring_up_registers
from ..chip.model import Frame, Register
from ..errors import CallError
from ..frames.codec import Codec
from ..stages.load import Stage
from .frames import FrameNames, frame_type, word_bits, word_type
from .registers import address_macro
from .sheet import Sheet
from .steps import configured, harmless, reads, step_table
from .text import block, count, defines, number, utype

# --- readback -----------------------------------------------------------------------------------


def verify_rows(stage: Stage, actions: list[Action]) -> list[tuple[Register, int, int, Frame, int]]:
    """(register, mask, expected word, frame, ready read frame) of everything that can be read back."""
    chip = stage.chip
    page = chip.field(chip.page_select)
    # sequences may have moved a register on from what the stage asks for: a checksum switched on
    bank = configured(stage, actions).bank
    codec = Codec(chip)
    rows = []
    for register in bring_up_registers(chip, stage.bank):
        mask = register.read_back
        if page is not None and page.register == register.name:
            # the page moves while registers are read
            mask &= ~page.mask
        if not mask:
            continue
        words = {register.name: bank.words[register.name]}
        try:
            sent = codec.read(register, bank)
        except CallError:
            continue
        rows.append((register, mask, as_read(chip, register, words) & mask, sent.frame, sent.word))
    return rows


def write_verify(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    names = sheet.names
    rows = [r for r in verify_rows(stage, actions) if frames[r[3].name].reply_data]
    if not rows:
        names.note("no register can be read back and compared")
        return
    sheet.verify_rows = rows
    bits = word_bits(sheet)
    address_bits = max((r.address.bit_length() for r, *_ in rows), default=1)
    paged = any(r.page is not None for r, *_ in rows)
    several = len(frames) > 1
    sheet.section(
        "reading the configuration back",
        "What each register must hold while the chip is configured: compare (word & mask) with expect."
        + (" The page must be selected first." if sheet.chip.page_select and paged else ""),
    )
    sheet.lines(
        "",
        "typedef struct {",
        f"    {frame_type(sheet)} read;     /* the frame that reads it */",
        f"    {word_type(sheet)} mask;     /* bits that hold settings */",
        f"    {word_type(sheet)} expect;   /* what they must hold */",
        f"    {utype(max(address_bits, 1))} address;",
        *(["    uint16_t page;"] if paged else []),
        *(["    uint8_t format;    /* FORMAT_... of the frame */"] if several else []),
        f"}} {names.lower('verify_word_t')};",
    )
    size = names.macro("VERIFY_WORDS_COUNT")
    text = []
    for register, mask, expect, frame, read in rows:
        cells = [
            number(read, frame.length),
            number(mask, bits),
            number(expect, bits),
            address_macro(sheet, register)
            if sheet.has("addresses")
            else number(register.address, address_bits),
        ]
        if paged:
            cells.append(count(register.page or 0))
        if several:
            cells.append(count(frames[frame.name].index))
        text += block(register.name, "    ")
        text.append(f"    {{{', '.join(cells)}}},")
    sheet.lines("", *defines([(size, count(len(rows)), "")]))
    sheet.table(
        names.lower("verify_word_t"),
        names.lower("verify_words"),
        text,
        size,
        "Configuration registers and their wanted content.",
    )
    if sheet.has("init"):
        back = {r.name: (mask, expect) for r, mask, expect, _, _ in rows}
        machine = configured(stage, actions)
        for fault in sheet.chip.faults.values():
            # a flag of power-up tells that the chip was reset since
            register, field = sheet.chip.registers[fault.register], sheet.chip.field(fault.ref)
            if not fault.normal_at_power_up or field is None or machine.raised(fault) is not False:
                continue
            sheet.reset_told = True
            if harmless(sheet.chip, register) and field.width == 1:
                mask, expect = back.get(register.name, (0, 0))
                back[register.name] = (
                    mask | field.mask,
                    expect | (0 if fault.code else field.mask),
                )
        steps = reads(stage, actions, back, "readback")
        sheet.readback_frames = sum(
            1 + (a.sent.frame.after if a.expect is not None else 0)
            for a in steps
            if a.sent is not None
        )
        step_table(
            sheet,
            "readback",
            steps,
            frames,
            {},
            "The same as steps, with the page selections they need.",
        )
    kind = word_type(sheet)
    wide = f"({'unsigned int' if bits <= 16 else kind})"
    sheet.inline(
        f"{kind} {names.lower('verify_difference')}(const {names.lower('verify_word_t')} *row, {kind} word)",
        [f"return ({kind})(({wide}word ^ row->expect) & row->mask);"],
        "The bits in which a word read back differs from what was wanted; 0: none.",
    )
