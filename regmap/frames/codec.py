"""Commands and replies of one chip: registers to frames and frames to registers. Pure: no port, no state.

`Codec(chip)` encodes requests and tells what a reply says; what a command says is told by its
`recogniser` (`regmap.frames.recogniser`).
What a single word is made of is the business of `regmap.frames.words`, whose functions are at hand here
too. The construct twin is in `regmap.frames.structs`, the numpy twin in `regmap.frames.bulk`; tests hold all
three to the same answers.
"""

from __future__ import annotations

from collections.abc import Mapping

from regmap.record import dataclass, field, replace

from ..chip.bank import Bank
from ..chip.model import Chip, Command, Frame, Layout, Register
from ..errors import CallError, FrameError
from ..expr import evaluate
from .recogniser import Recogniser, Sent
from .words import (
    GUARDS,
    Flaw,
    build,
    bursts,
    command_bytes,
    counter_flaws,
    first_of,
    from_wire,
    guard_value,
    guards_of,
    inspect,
    join_bursts,
    next_counters,
    passed,
    split,
    wire_bytes,
)

__all__ = [
    "GUARDS",
    "Answer",
    "Codec",
    "Flaw",
    "Sent",
    "build",
    "bursts",
    "command_bytes",
    "counter_flaws",
    "from_wire",
    "guard_value",
    "guards_of",
    "inspect",
    "join_bursts",
    "next_counters",
    "readdress",
    "split",
    "wire_bytes",
]


def readdress(chip: Chip, address: int) -> Chip:
    """The same chip strapped to another chip address (parts that hold `chip`). Raises CallError."""

    def moved(layout: Layout) -> Layout:
        parts = []
        for part in layout.parts:
            if part.kind == "chip":
                if address >> part.width or address < 0:
                    raise CallError(
                        f"chip address {address} does not fit '{part.name}' of {part.width} bits"
                    )
                parts.append(replace(part, value=address))
            else:
                parts.append(part)
        return replace(layout, parts=tuple(parts))

    if not any(f.command.of_kind("chip") for f in chip.frames.values()):
        raise CallError(f"{chip.name} has no chip address in its frames")
    frames = {
        name: replace(
            frame,
            command=moved(frame.command),
            replies={k: moved(v) for k, v in frame.replies.items()},
        )
        for name, frame in chip.frames.items()
    }
    return replace(chip, frames=frames)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A reply frame taken apart. `status` maps each status part to whether it is set, `fields` each
    field (REG.FIELD) that a part of the reply shows to its code."""

    word: int
    layout: Layout
    parts: Mapping[str, int]
    data: int | None = None
    status: Mapping[str, bool] = field(default_factory=dict)
    fields: Mapping[str, int] = field(default_factory=dict)
    flaws: tuple[Flaw, ...] = ()


class Codec:
    """Register-level encoding and decoding for one chip; holds no state of the chip."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.recogniser = Recogniser(chip)
        self._reads: dict[
            tuple[str, str], Sent
        ] = {}  # frame, register -> the one word that reads it

    # --- what the recogniser tells -------------------------------------------------------------
    def frame_in_force(
        self,
        bank: Bank | None = None,
        register: Register | None = None,
        command: Command | None = None,
    ) -> Frame:
        """The frame a request travels in, given what is known of the chip (reset state where nothing is).

        Raises CallError where no frame that carries it is in force.
        """
        return self.recogniser.frame_in_force(bank, register, command)

    def decode_command(
        self,
        word: int,
        bank: Bank | None = None,
        frame: Frame | None = None,
        bits: int | None = None,
    ) -> Sent:
        """The likeliest reading of a command word; its flaws are listed, never raised.

        `bits` are those seen on the SPI, if known; with `frame` the word is read as that one. Raises
        FrameError for a word that is wider than every frame.
        """
        return self.recogniser.command(word, bank, frame, bits)

    # --- commands ----------------------------------------------------------------------------
    def read(
        self, register: Register, bank: Bank | None = None, given: Mapping[str, int] | None = None
    ) -> Sent:
        """The frame that reads a register."""
        if given:
            return self._access("read", register, None, bank, given)
        key = self.frame_in_force(bank, register).name, register.name
        made = self._reads.get(key)
        if made is None or made.register is not register:
            made = self._reads[key] = self._access("read", register, None, bank, given)
        return made

    def write(
        self,
        register: Register,
        word: int,
        bank: Bank | None = None,
        given: Mapping[str, int] | None = None,
    ) -> Sent:
        """The frame that writes a register's whole word. Raises CallError where it does not fit."""
        if word < 0 or word >> register.width:
            raise CallError(f"0x{word:X} does not fit the {register.width} bits of {register.name}")
        return self._access("write", register, word, bank, given)

    def command(
        self,
        command: Command,
        data: int | None = None,
        bank: Bank | None = None,
        given: Mapping[str, int] | None = None,
    ) -> Sent:
        """The frame of a command that is no register access."""
        frame = self.frame_in_force(bank, command=command)
        parts = {**(given or {}), **command.parts}
        part = frame.command.of_kind("data")
        if data is not None:
            if not command.takes_data or part is None:
                raise CallError(f"{command.name} takes no data")
            parts[part.name] = data
        word = build(frame.command, parts)
        parts = split(frame.command, word)
        return Sent(
            word=word,
            frame=frame,
            kind=command.name,
            data=data,
            parts=parts,
            command=command,
            operation=self.recogniser.code_of(frame, parts),
        )

    def _access(
        self,
        kind: str,
        register: Register,
        word: int | None,
        bank: Bank | None,
        given: Mapping[str, int] | None,
    ) -> Sent:
        frame = self.frame_in_force(bank, register)
        carrier = frame.command.of_kind("data")
        if word is not None and carrier is not None and register.width > carrier.width:
            room = (1 << carrier.width) - 1
            # what only reports may stand above what a write carries, a setting may not
            if not any(f.writable and f.mask & ~room for f in register.fields):
                word &= room
        if (
            frame.command.of_kind("operation") is None
            and kind != self.recogniser.operation_of(frame, {})[1]
        ):
            # nothing in the word could tell a read from a write of zero
            raise CallError(f"frame '{frame.name}' cannot {kind}: no part of it says read or write")
        parts = dict(given or {})
        code = ""
        for part in frame.command.parts:
            if part.kind == "operation":
                code = register.operations.get(kind, "" if register.operations else kind)
                if code not in part.codes:
                    raise CallError(
                        f"frame '{frame.name}' cannot {kind} {register.name}: part '{part.name}' has no code for it"
                    )
                parts[part.name] = part.codes[code]
            elif part.kind == "address":
                parts[part.name] = register.address
            elif part.kind == "page":
                parts[part.name] = register.page or 0
            elif part.kind == "data" and word is not None:
                parts[part.name] = word
        if word is not None and frame.command.of_kind("data") is None:
            raise CallError(f"frame '{frame.name}' carries no data to write")
        self._reaches(frame, kind, register, code)
        built = build(frame.command, parts)
        return Sent(
            word=built,
            frame=frame,
            kind=kind,
            register=register,
            address=register.address,
            page=register.page,
            data=word,
            operation=code,
            parts=split(frame.command, built),
        )

    def _reaches(self, frame: Frame, kind: str, register: Register, code: str) -> None:
        """Raise CallError where this access reaches another register at the same place."""
        told = code if frame.command.of_kind("operation") is not None else None
        address = register.address if frame.command.of_kind("address") is not None else None
        found = self.recogniser.register_at(frame, told, address, register.page)
        if found is not None and found.name != register.name:
            raise CallError(f"cannot {kind} {register.name}: a {kind} there reaches {found.name}")

    # --- replies -----------------------------------------------------------------------------
    def reply_layout(
        self, sent: Sent, within: Frame | None = None, bank: Bank | None = None
    ) -> Layout | None:
        """How the answer to `sent` is laid out; None where the chip answers nothing.

        `within` is the frame whose clocks carry the answer, `bank` what is known of the chip by then.
        """
        found = self.recogniser.reply_layouts(sent, within, bank)
        return found[0] if found else None

    def build_reply(
        self,
        sent: Sent,
        data: int = 0,
        status: Mapping[str, bool] | None = None,
        given: Mapping[str, int] | None = None,
        within: Frame | None = None,
        bank: Bank | None = None,
    ) -> int:
        """The word a chip answers to `sent`; echoes and guards are filled in. What passes of it in the
        clocks of `within`, where that is given."""
        layout = self.reply_layout(sent, within, bank)
        if layout is None:
            return 0
        parts: dict[str, int] = dict(given or {})
        for part in layout.parts:
            if part.kind == "data":
                parts.setdefault(part.name, data & ((1 << part.width) - 1))
            elif part.kind == "echo":
                parts.setdefault(part.name, sent.parts.get(part.of, 0))
            elif part.kind == "status" and status is not None and part.name in status:
                raised = (1 << part.width) - 1
                parts.setdefault(part.name, raised if status[part.name] == bool(part.active) else 0)
        word = build(layout, parts, sent.word)
        if within is None or within.length == layout.length:
            return word
        return passed(word, layout.length, within.length, msb_first=self.chip.spi.msb_first)

    def decode_reply(
        self,
        word: int,
        sent: Sent,
        within: Frame | None = None,
        bank: Bank | None = None,
        *,
        beyond: bool = False,
    ) -> Answer:
        """A reply to `sent`, as it passed in the clocks of `within`, taken apart; echoes are compared with
        what was sent.

        Of several layouts that it can have, the first that it fits without a flaw, else the likeliest
        (`Recogniser.reply_layouts` has `bank` and `beyond`). Raises FrameError where no reply comes,
        or not the whole of it.
        """
        layouts = self.recogniser.reply_layouts(sent, within, bank, beyond=beyond)
        if not layouts:
            raise FrameError(f"frame '{sent.frame.name}' has no reply to {sent.kind}")
        bits = layouts[0].length
        if within is not None and within.length < bits:
            raise FrameError(f"the reply of {bits} bits is cut off by a frame of {within.length}")
        if within is not None and within.length > bits:
            word = first_of(word, within.length, bits, msb_first=self.chip.spi.msb_first)
        found = [self._answer(word, sent, layout) for layout in layouts]
        return next((a for a in found if not a.flaws), found[0])

    def bare_reply(self, word: int, bank: Bank | None = None) -> Answer:
        """A reply of which nobody knows what it answers, in the layout that it fits best: echoes and check
        bits over the command are compared with nothing. Layouts in force come before others.

        Raises FrameError where the chip answers nothing, or nothing of this length.
        """
        bank = bank if bank is not None else Bank.at_reset(self.chip)
        found: list[tuple[tuple[bool, bool, int, bool], Answer]] = []
        near = {f.name for f in self.recogniser.frames_possible(bank)}
        for frame in self.chip.frames.values():
            for name, layout in frame.replies.items():
                case, _, kind = name.rpartition(".")
                held = evaluate(frame.cases[case], bank) if case else True
                if not word >> layout.length:
                    answer = self._answer(word, None, layout)
                    away = frame.name not in near or held is False
                    usual = kind not in ("read", "any")
                    found.append(((bool(answer.flaws), away, len(answer.flaws), usual), answer))
        if not found:
            longest = max(
                (y.length for f in self.chip.frames.values() for y in f.replies.values()), default=0
            )
            if not longest:
                raise FrameError(f"{self.chip.name} answers nothing")
            raise FrameError(f"0x{word:X} does not fit a reply of {longest} bits")
        return min(found, key=lambda item: item[0])[1]

    def _answer(self, word: int, sent: Sent | None, layout: Layout) -> Answer:
        parts = split(layout, word)
        flaws = inspect(layout, word, sent=sent.word if sent is not None else None)
        status: dict[str, bool] = {}
        fields: dict[str, int] = {}
        for part in layout.parts:
            if part.kind == "echo":
                if sent is None or parts[part.name] == sent.parts.get(part.of):
                    continue
                flaws.append(
                    Flaw(
                        "echo",
                        part.name,
                        f"'{part.name}' repeats {parts[part.name]:#x}; sent was {sent.parts.get(part.of, 0):#x}",
                    )
                )
            elif part.kind == "status":
                idle = 0 if part.active else (1 << part.width) - 1
                status[part.name] = parts[part.name] != idle
            elif part.kind == "field":
                fields[part.field] = parts[part.name]
        carrier = layout.of_kind("data")
        data = parts[carrier.name] if carrier else None
        if data is not None and sent is not None and sent.register is not None:
            wide = data >> sent.register.width
            if wide and sent.kind == "read":
                flaws.append(
                    Flaw(
                        "fixed",
                        "data",
                        f"0x{data:X} is wider than the {sent.register.width} bits of {sent.register.name}",
                    )
                )
            data &= sent.register.mask
        return Answer(
            word=word,
            layout=layout,
            parts=parts,
            data=data,
            status=status,
            fields=fields,
            flaws=tuple(flaws),
        )
