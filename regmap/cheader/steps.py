"""Steps as tables: what configures the chip, frame by frame, with the values behind each."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from regmap.record import dataclass, replace

from ..behaviour.faults import status_registers
from ..behaviour.settings import BRING_UP, Action, bring_up_sequence
from ..chip.bank import find
from ..chip.model import Access, Chip, Fault, Field
from ..chip.supply import over_supply
from ..errors import CallError
from ..quantity import plural, show
from .careful import answerable, careful, watched
from .frames import FrameNames, frame_type, word_bits, word_type
from .names import word
from .options import band_text
from .plans import configured, reads
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

OUR_TABLES = (
    "init",
    "readback",
    "locked",
    "status",
    "warm",
    "monitor_test",
    "clear_rejected",
    "clear_rejected_at_power_up",
    "not_reset",
    "forget_reset",
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
