"""Steps as tables: what configures the chip, frame by frame, with the values behind each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from regmap.record import dataclass, replace

from ..behaviour.faults import status_registers
from ..behaviour.machine import Machine
from ..behaviour.plan import plan
from ..behaviour.settings import BRING_UP, Action, bring_up_sequence
from ..behaviour.transition import STOP
from ..chip.bank import find
from ..chip.bits import deposit
from ..chip.model import Access, Chip, Fault, Field, Register
from ..chip.supply import over_supply
from ..errors import CallError
from ..frames.codec import Codec, Sent
from ..quantity import plural, show
from .frames import FrameNames, frame_type, word_bits, word_type
from .names import word
from .options import band_text
from .replies import REJECTIONS
from .sheet import Sheet, Steps
from .text import block, count, defines, number

if TYPE_CHECKING:
    from ..stages.load import Setting, Stage

STEP_KINDS = (
    ("SEND", 0, "send the frame"),
    ("EXPECT", 1, "send the frame, a read, and compare the word of its reply"),
    ("WAIT", 2, "wait"),
    ("READ", 3, "send the frame, a read, and get the word of its reply"),
    ("KEEP", 4, "the same, and remember the bits of the mask: they must be written as they are"),
    ("SAME", 5, "the same, and compare the bits of the mask with those remembered"),
    ("MERGE", 6, "send the frame, a write, with the bits remembered"),
)

#: the part of a table that ends it
CLOSING = "closing"
OUR_TABLES = (
    "init",
    "readback",
    "locked",
    "status",
    "warm",
    "monitor_test",
    "clear_rejected",
    "clear_rejected_at_power_up",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepValues:
    """The numbers of one step; `kind` is out of STEP_KINDS."""

    frame: int
    wait_us: int
    mask: int
    expect: int
    kind: str


def write_init(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    names = sheet.names
    sheet.section(
        "bringing the chip up",
        [
            f"Steps in the order of the map's sequences, as stage {stage.name} wants the chip. Frames are ready "
            "to send, check bits included.",
            "A step with another kind than SEND says what the reply must hold or how long to wait. An expected "
            f"word is that of the reply to this very frame ({_after_text(sheet)}).",
            *(
                [
                    "Settings: as wanted, as chosen (min / typ / max by the map's tolerances), relative error, code."
                ]
                if sheet.has("values")
                else []
            ),
        ],
    )
    if any(f.counters for f in frames.values()):
        sheet.lines(*block("Frames carry counters: set each one's before it is sent."))
    write_step_type(sheet, frames)
    by_setting = _settings_by_register(stage)
    sheet.init_steps = len(actions)
    sheet.after_power_up = next(
        (i for i, a in enumerate(actions) if a.sequence != "power_up"), len(actions)
    )
    step_table(
        sheet, "init", actions, frames, by_setting, "From power-up to a configured, locked chip."
    )
    for name in sheet.chip.sequences:
        if name in BRING_UP:
            continue
        try:
            extra = bring_up_sequence(sheet.chip, stage.bank, (name,), configured(stage, actions))
        except CallError as error:
            names.note(f"sequence {name} is left out: {error}")
            continue
        extra = careful(sheet, stage, answerable(sheet, extra, frames), frames, actions)
        if extra:
            step_table(
                sheet,
                name,
                extra,
                frames,
                {},
                f"Sequence {name} of the map, on a configured chip.",
            )


def write_step_type(sheet: Sheet, frames: dict[str, FrameNames]) -> None:
    """Kinds of steps and the structure of one, where they are first needed."""
    if "step" in sheet.tables:
        return
    sheet.tables.add("step")
    names = sheet.names
    rows = [(names.macro("STEP", kind), count(code), note) for kind, code, note in STEP_KINDS]
    sheet.lines(*defines(rows))
    several = len(frames) > 1
    sheet.lines(
        "",
        "typedef struct {",
        f"    {frame_type(sheet)} frame;    /* ready to send; 0 for a wait */",
        "    uint32_t wait_us;  /* at least this long, in microseconds */",
        f"    {word_type(sheet)} mask;     /* bits of the reply's word that count */",
        f"    {word_type(sheet)} expect;   /* what they must hold */",
        "    uint8_t kind;      /* STEP_... */",
        *(["    uint8_t format;    /* FORMAT_... of the frame */"] if several else []),
        f"}} {names.lower('step_t')};",
    )


def write_warm(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    """The bring-up of a chip that has kept its state, beside a controller that has not."""
    wished = [n for n in BRING_UP if n != "power_up"]
    try:
        warm = bring_up_sequence(sheet.chip, stage.bank, wished, configured(stage, actions))
    except CallError as error:
        sheet.names.note(f"a configured chip cannot be brought up again: {error}")
        return
    warm = careful(sheet, stage, answerable(sheet, warm, frames), frames, actions)
    warm = watched(sheet, stage, warm, actions)
    about = "The same for a chip that is configured already, once `resync` went well: the controller alone restarted."
    step_table(sheet, "warm", warm, frames, {}, about)


# --- what makes a sequence safe ------------------------------------------------------------------


def harmless(chip: Chip, register: Register) -> bool:
    """Whether a read of it changes nothing."""
    erased = {f.register for f in chip.faults.values() if "read" in f.cleared_by}
    return (
        register.readable
        and register.name not in erased
        and chip.watchdog != register.name
        and all(f.access is not Access.RC and f.power_up is None for f in register.fields)
    )


def careful(
    sheet: Sheet,
    stage: Stage,
    actions: list[Action],
    frames: dict[str, FrameNames],
    before: list[Action] | None = None,
    *,
    closing: bool = True,
    as_found: Mapping[str, int] | None = None,
) -> list[Action]:
    """The steps with reserved bits read before they are written back, and with a last read that shows

    whether a frame before was rejected (`closing`). `before` is what the chip has gone through already.
    `as_found` are other bits, by register, that are written as they are read, but for what stops the outputs.
    """
    if not sheet.has("frames") or not actions:
        return actions
    chip = sheet.chip
    machine = configured(stage, before or [])
    codec = Codec(chip)
    made: list[Action] = []
    for action in actions:
        sent = action.sent
        register = sent.register if sent is not None and sent.kind == "write" else None
        part = sent.frame.command.of_kind("data") if sent is not None else None
        keep = register.kept & register.shows if register is not None else 0
        if register is not None and as_found and action.sequence != STOP:
            keep |= as_found.get(register.name, 0) & register.shows
        read = _read_of(codec, register, machine) if register is not None and keep else None
        if read is None:
            keep = 0
        if register is not None and register.kept & ~keep:
            sheet.names.note(
                f"{register.name}: bits 0x{register.kept & ~keep:X} must stay as they are, but cannot be read; "
                "they are written as after a reset"
            )
        if sent is None or register is None or part is None or read is None:
            made.append(action)
        else:
            data = deposit(keep, part.bits)
            if register.name not in sheet.kept:
                sheet.kept.append(register.name)
            place = sheet.kept.index(register.name)
            text = f"read {register.name}"
            look = replace(action, do="keep", sent=read, mask=keep, expect=place, text=text)
            again = replace(look, do="same", text=f"read {register.name} again")
            made += [
                replace(look, why="its reserved bits must be written back as they are"),
                again,
                replace(
                    action, do="merge", sent=replace(sent, word=sent.word & ~data), expect=place
                ),
                again,
            ]
        if sent is not None:
            machine.apply(sent)
    return made + (_closing(stage, (before or []) + actions, frames) if closing else [])


def _read_of(codec: Codec, register: Register, machine: Machine) -> Sent | None:
    """The frame that reads it; None where the chip has none, as one that only takes writes."""
    try:
        return codec.read(register, machine.bank)
    except CallError:
        return None


def watched(
    sheet: Sheet, stage: Stage, actions: list[Action], before: list[Action] | None = None
) -> list[Action]:
    """The steps with what the readback looks at beside the settings: reserved bits, flags of power-up.

    They stand after the reads of the settings, so that both have one copy.
    """
    verified = [i for i, a in enumerate(actions) if a.do == "verify" and a.sequence != CLOSING]
    if not verified or not sheet.has("frames"):
        return actions
    made: list[Action] = []
    for index, action in enumerate(actions):
        made.append(action)
        if index in verified:
            made += remembered(sheet, action)
        if index == verified[-1]:
            gone = [*(before or []), *actions[: index + 1]]
            flags = power_up_flags(stage, gone)
            found = reads(stage, gone, flags, action.sequence)
            if len(found) == len(flags):  # else pages were selected: a table of its own
                made += [replace(a, why="not reset since") for a in found]
    return made


def remembered(sheet: Sheet, action: Action) -> list[Action]:
    """The step that reads the same register's reserved bits, which must be as they were."""
    register = action.sent.register if action.sent is not None else None
    if register is None or register.name not in sheet.kept or not register.kept & register.shows:
        return []
    return [
        replace(
            action,
            do="remembered",
            mask=register.kept & register.shows,
            expect=sheet.kept.index(register.name),
            text=f"read {register.name}: reserved bits as they were",
        )
    ]


def power_up_flags(stage: Stage, actions: list[Action]) -> list[tuple[str, int, int]]:
    """(register's name, mask, expected) of flags that tell that the chip was reset since."""
    chip = stage.chip
    machine = configured(stage, actions)
    found: dict[str, tuple[int, int]] = {}
    for fault in chip.faults.values():
        register, field = chip.registers[fault.register], chip.field(fault.ref)
        if not fault.normal_at_power_up or field is None or machine.raised(fault) is not False:
            continue
        if harmless(chip, register) and field.width == 1:
            mask, expect = found.get(register.name, (0, 0))
            found[register.name] = mask | field.mask, expect | (0 if fault.code else field.mask)
    return [(name, *pair) for name, pair in found.items()]


def _closing(stage: Stage, actions: list[Action], frames: dict[str, FrameNames]) -> list[Action]:
    """A read whose reply, or whose word, shows that no frame before it was rejected."""
    chip = stage.chip
    machine = configured(stage, actions)
    tells = [f for f in chip.faults.values() if set(f.raised_by) & REJECTIONS]
    in_reply = {
        p.fault
        for frame in chip.frames.values()
        for layout in frame.replies.values()
        for p in layout.parts
        if p.kind == "status"
    }
    wanted: dict[str, tuple[int, int]] = {}
    for fault in tells:
        register, field = chip.registers[fault.register], chip.field(fault.ref)
        if fault.name in in_reply or field is None or field.width != 1:
            continue
        if harmless(chip, register) and machine.raised(fault) is False:
            mask, expect = wanted.get(register.name, (0, 0))
            wanted[register.name] = mask | field.mask, expect | (0 if fault.code else field.mask)
    shown = any(f.name in in_reply for f in tells) or any(f.after for f in chip.frames.values())
    if not wanted and shown:
        for register in chip.registers.values():
            if harmless(chip, register) and (register.page is None or not chip.page_select):
                wanted[register.name] = (0, 0)
                break
    try:
        rows = [(name, mask, expect) for name, (mask, expect) in wanted.items()]
        found = reads(stage, actions, rows, CLOSING)
    except CallError:
        return []
    why = "whether a frame before was rejected"
    found = [replace(a, why=why if a.expect is not None else "") for a in found]
    return [] if any(not frames[a.sent.frame.name].reply_data for a in found if a.sent) else found


def _after_text(sheet: Sheet) -> str:
    after = sorted({f.after for f in sheet.chip.frames.values()})
    if after == [0]:
        return "it comes within the same frame"
    return f"it comes {' or '.join(map(str, after))} {plural('frame', max(after))} later"


def step_table(
    sheet: Sheet,
    name: str,
    actions: list[Action],
    frames: dict[str, FrameNames],
    by_setting: dict[str, list[Setting]],
    about: str,
    place: str = "",
    *,
    pieces: bool = True,
) -> tuple[str, str]:
    """Writes the table, and keeps the steps as they are. The names of the table and of its size; "" where it has no steps.

    `place` goes ahead of the name of a table of another position of a chain, or of another variant; without
    `pieces` nothing says where in it the sequences begin. A table whose rows stand in a row in another one is that
    part of it.
    """
    names = sheet.names
    if not actions:
        names.note(f"sequence {name} has no steps")
        return "", ""
    rows: list[str] = []
    cells: list[str] = []
    spans: dict[str, list[int]] = {}
    for index, action in enumerate(actions):
        if action.sequence not in spans:
            rows += block(action.sequence, "    ")
            spans[action.sequence] = [index, 0]
        spans[action.sequence][1] += 1
        notes, cell = _step_row(sheet, action, frames, by_setting)
        rows += [*block(notes, "    "), cell]
        cells.append(cell)
    stem = f"{place}{'_' * bool(place)}{word(name)}_STEPS"
    # the map's sequences may want a name that is ours; then theirs gives way
    own = "" if name in OUR_TABLES else name
    size = names.macro(stem, "COUNT", of=own and f"steps of {name}")
    defs = [(size, count(len(actions)), "")]
    if len(spans) > 1 and pieces:
        for sequence, (first, length) in spans.items():
            piece = word(sequence)
            defs.append(
                (
                    names.macro(stem, piece, "FIRST", of=f"first step of {sequence}"),
                    count(first),
                    "",
                )
            )
            defs.append(
                (
                    names.macro(stem, piece, "COUNT", of=f"steps of {name} {sequence}"),
                    count(length),
                    "",
                )
            )
    sheet.lines("", *defines(defs))
    table = names.lower(stem, of=own and f"table of sequence {name}")
    if not place:
        sheet.tables.add(name)
        sheet.plans[name] = Steps(actions, by_setting, about, table, size)
    home = part_of(sheet, cells)
    if home:
        sheet.lines("", *block(about), f"#define {table} (&{home[0]}[{count(home[1])}])")
    else:
        sheet.written[table] = cells
        sheet.table(names.lower("step_t"), table, rows, size, about)
    return table, size


def part_of(sheet: Sheet, cells: list[str]) -> tuple[str, int] | None:
    """The table that has these rows in a row, and the first of them there."""
    for table, others in sheet.written.items():
        for first in range(len(others) - len(cells) + 1):
            if others[first : first + len(cells)] == cells:
                return table, first
    return None


def row_cells(sheet: Sheet, actions: list[Action], frames: dict[str, FrameNames]) -> list[str]:
    """The rows of a table of these steps, without comments."""
    return [_step_row(sheet, a, frames, {})[1] for a in actions]


def step_values(
    sheet: Sheet, action: Action, by_setting: dict[str, list[Setting]]
) -> tuple[list[str], StepValues]:
    """What a step's comment says, and its numbers."""
    notes = [action.text + (f": {action.why}" if action.why else "")]
    sent = action.sent
    if (
        action.do == "write"
        and sent is not None
        and sent.register is not None
        and sheet.has("values")
    ):
        notes += [
            setting_text(s, _elsewhere(sheet, s)) for s in by_setting.get(sent.register.name, ())
        ]
    wait = action.wait.high if action.wait is not None else Fraction(0)
    kind = "SEND" if action.expect is None else "EXPECT"
    if action.do in ("wait", "look", "keep", "same", "merge", "remembered"):
        kind = {"look": "READ", "remembered": "SAME"}.get(action.do, action.do.upper())
    return notes, StepValues(
        frame=sent.word if sent is not None else 0,
        wait_us=int(-(-wait * 1_000_000 // 1)),
        mask=action.mask,
        expect=action.expect or 0,
        kind=kind,
    )


def _step_row(
    sheet: Sheet,
    action: Action,
    frames: dict[str, FrameNames],
    by_setting: dict[str, list[Setting]],
) -> tuple[list[str], str]:
    """A step's comment, and its row of the table."""
    bits = word_bits(sheet)
    notes, value = step_values(sheet, action, by_setting)
    sheet.used.add(value.kind)
    cells = [
        number(value.frame, action.sent.frame.length) if action.sent is not None else "0U",
        count(value.wait_us),
        number(value.mask, bits),
        number(value.expect, bits),
        sheet.names.macro("STEP", value.kind),
    ]
    if len(frames) > 1:
        sent = action.sent
        cells.append(count(frames[sent.frame.name].index if sent is not None else 0))
    return notes, f"    {{{', '.join(cells)}}},"


def _settings_by_register(stage: Stage) -> dict[str, list[Setting]]:
    found: dict[str, list[Setting]] = {}
    for setting in stage.settings:
        if "." in setting.name:
            registers = [setting.name.partition(".")[0]]
        elif setting.name in stage.chip.joined:
            registers = list(dict.fromkeys(r for r, _ in stage.chip.joined[setting.name].fields))
        else:
            continue
        for register in registers:
            found.setdefault(register, []).append(setting)
    return found


def _elsewhere(sheet: Sheet, setting: Setting) -> list[str]:
    """What the setting is at other supplies of the stage, each once; nothing where it is the same."""
    item = find(sheet.chip, setting.name)
    if item is None or sheet.stage is None:
        return []
    found = over_supply(item, setting.name, sheet.stage.bank)
    bands = [r.band for r in found if r.band is not None and r.band != setting.choice.reading.band]
    return list(dict.fromkeys(band_text(b) for b in bands))


def setting_text(setting: Setting, elsewhere: Sequence[str] = ()) -> str:
    """`GATE_HS.SOURCE: wanted 55 mA, chosen 60 mA (48 mA / 60 mA / 72 mA), error +9.1 %, code 5`.

    In brackets min / typ / max by the tolerances of the map; `elsewhere` is what it is at other supplies.
    """
    choice = setting.choice
    reading = choice.reading
    text = f"{setting.name}: wanted {setting.asked}, chosen {reading.label}"
    if reading.band is not None and not reading.band.exact:
        low, typ, high = (
            show(v, reading.band.dim)
            for v in (reading.band.low, reading.band.typ, reading.band.high)
        )
        text += f" ({low} / {typ} / {high})"
    if choice.error is not None:
        text += ", no error" if choice.error == 0 else f", error {float(choice.error) * 100:+.3g} %"
    if choice.why:
        text += f" ({choice.why})"
    if elsewhere:
        text += f" at the typical supply, {' and '.join(elsewhere)} elsewhere in its range"
    return f"{text}, code {choice.code}"


def answerable(sheet: Sheet, actions: list[Action], frames: dict[str, FrameNames]) -> list[Action]:
    """The steps without expectations of chips (or frames) that reply nothing; what is left out is noted."""
    if not sheet.has("frames"):
        return actions
    kept = []
    for action in actions:
        if action.expect is not None and action.sent is not None:
            frame = action.sent.frame.name
            if not frames[frame].reply_data:
                sheet.names.note(
                    f"{action.sequence}: '{action.text}' is left out, because frame {frame} has no reply with data"
                )
                continue
        kept.append(action)
    return kept


def write_status_steps(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    """Reads of the status registers of a configured chip, with the page selections they need."""
    chip = sheet.chip
    wanted = []
    for name in status_registers(chip):
        fields = [f for f in chip.registers[name].fields if _faults_of(chip, f)]
        erased = [
            f
            for f in fields
            if f.access is Access.RC or any("read" in x.cleared_by for x in _faults_of(chip, f))
        ]
        wanted.append((name, sum(f.mask for f in fields), sum(f.mask for f in erased)))
    steps = [
        replace(a, do="look") if a.expect is not None else a
        for a in reads(stage, actions, wanted, "status")
    ]
    if len(answerable(sheet, steps, frames)) < len(steps):
        return
    step_table(
        sheet,
        "status",
        steps,
        frames,
        {},
        "Reads of the status registers, in the order of STATUS_INDEX. The mask has the bits of faults, "
        "`expect` those of them that the read erases.",
    )


def _faults_of(chip: Chip, field: Field) -> list[Fault]:
    return [f for f in chip.faults.values() if f.ref == field.ref]


def configured(stage: Stage, actions: list[Action]) -> Machine:
    """The chip's behaviour after every frame of the plan."""
    wanted = stage.bank
    machine = Machine(stage.chip, supply=wanted.supply, externals=wanted.externals)
    for action in actions:
        if action.sent is not None:
            machine.apply(action.sent)
    return machine


def reads(
    stage: Stage, actions: list[Action], wanted: list[tuple[str, int, int]], sequence: str
) -> list[Action]:
    """Steps that read registers of the configured chip, pages selected on the way.

    `wanted` are (register's name, mask, expected).
    """
    bank = configured(stage, actions).bank
    page = stage.chip.field(stage.chip.page_select)
    if page is not None:  # the program may have read on other pages since
        bank.known[page.register] = bank.known.get(page.register, 0) & ~page.mask
    steps = []
    rest = iter(wanted)
    for planned in plan(stage.chip, [f"read:{name}" for name, _, _ in wanted], bank):
        sent = planned.sent
        if sent.kind == "read" and sent.register is not None and planned.requests:
            _, mask, expect = next(rest)
            steps.append(
                Action(
                    do="verify",
                    sequence=sequence,
                    text=f"read {sent.register.name}",
                    sent=sent,
                    expect=expect,
                    mask=mask,
                )
            )
        else:
            steps.append(Action(do="send", sequence=sequence, text="select the page", sent=sent))
    return steps
