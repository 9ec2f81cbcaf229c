"""Commands and replies of one chip: registers to frames and frames to registers. Pure: no port, no state.

`Codec(chip)` picks the frame in force, encodes requests and tells what a command or a reply says.
What a single word is made of is the business of `regmap.frames.words`, whose functions are at hand here
too. The construct twin is in `regmap.frames.structs`, the numpy twin in `regmap.frames.bulk`; tests hold all
three to the same answers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from ..chip.bank import Bank
from ..chip.model import Chip, Command, Frame, Layout, Register
from ..errors import CallError, FrameError
from ..expr import evaluate
from .words import (
    GUARDS,
    Flaw,
    build,
    bursts,
    counter_flaws,
    from_wire,
    guard_value,
    guards_of,
    inspect,
    join_bursts,
    next_counters,
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
class Sent:
    """A command frame as built or recognised.

    `kind` is "read", "write" or a command's name; `register` is None for commands and for
    addresses that the map does not have; `data` is the data part, if the frame has one.
    """

    word: int
    frame: Frame
    kind: str
    register: Register | None = None
    address: int | None = None
    page: int | None = None
    data: int | None = None
    parts: Mapping[str, int] = field(default_factory=dict)
    flaws: tuple[Flaw, ...] = ()
    command: Command | None = None

    @property
    def bits(self) -> int:
        return self.frame.length


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A reply frame taken apart. `status` maps each status part to whether it is set."""

    word: int
    layout: Layout
    parts: Mapping[str, int]
    data: int | None = None
    status: Mapping[str, bool] = field(default_factory=dict)
    flaws: tuple[Flaw, ...] = ()


class Codec:
    """Register-level encoding and decoding for one chip; holds no state of the chip."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self._by_address = {(r.page, r.address): r for r in chip.registers.values()}
        self.usual = next((f for f in chip.frames.values() if f.when is None), None)
        # a command that says more of its word is recognised before one that says less
        self._commands = sorted(chip.commands.values(), key=lambda c: -len(c.parts))
        named = [r.frame for r in chip.registers.values() if r.frame]
        named += [c.frame for c in chip.commands.values()]
        self._named = tuple(chip.frames[n] for n in dict.fromkeys(named))

    # --- which frame -------------------------------------------------------------------------
    def frame_in_force(
        self,
        bank: Bank | None = None,
        register: Register | None = None,
        command: Command | None = None,
    ) -> Frame:
        """The frame a request travels in, given what is known of the chip (reset state where nothing is)."""
        if command is not None:
            return self._alternative(self.chip.frames[command.frame], bank)
        if register is not None and register.frame:
            return self._alternative(self.chip.frames[register.frame], bank)
        return self._alternative(None, bank)

    def _alternative(self, wanted: Frame | None, bank: Bank | None) -> Frame:
        if wanted is not None and wanted.when is None:
            if wanted is not self.usual:
                return wanted
            wanted = None  # the usual frame gives way to one whose condition holds
        if wanted is None and len(self.chip.frames) == 1:
            return next(iter(self.chip.frames.values()))
        bank = bank if bank is not None else Bank.at_reset(self.chip)
        if (
            wanted is not None
            and wanted.when is not None
            and evaluate(wanted.when, bank) is not False
        ):
            return wanted
        fallback: Frame | None = None
        for frame in self.chip.frames.values():
            if frame.when is None:
                fallback = fallback or frame
            elif evaluate(frame.when, bank):
                return frame
        return fallback or wanted or next(iter(self.chip.frames.values()))

    # --- commands ----------------------------------------------------------------------------
    def read(
        self, register: Register, bank: Bank | None = None, given: Mapping[str, int] | None = None
    ) -> Sent:
        """The frame that reads a register."""
        return self._access("read", register, None, bank, given)

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
        return Sent(
            word=word,
            frame=frame,
            kind=command.name,
            data=data,
            parts=split(frame.command, word),
            command=command,
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
        if frame.command.of_kind("operation") is None and kind != self._kind(frame, {}):
            # nothing in the word could tell a read from a write of zero
            raise CallError(f"frame '{frame.name}' cannot {kind}: no part of it says read or write")
        parts = dict(given or {})
        for part in frame.command.parts:
            if part.kind == "operation":
                if kind not in part.codes:
                    raise CallError(
                        f"frame '{frame.name}' cannot {kind}: part '{part.name}' has no code for it"
                    )
                parts[part.name] = part.codes[kind]
            elif part.kind == "address":
                parts[part.name] = register.address
            elif part.kind == "page":
                parts[part.name] = register.page or 0
            elif part.kind == "data" and word is not None:
                parts[part.name] = word
        if word is not None and frame.command.of_kind("data") is None:
            raise CallError(f"frame '{frame.name}' carries no data to write")
        built = build(frame.command, parts)
        return Sent(
            word=built,
            frame=frame,
            kind=kind,
            register=register,
            address=register.address,
            page=register.page,
            data=word,
            parts=split(frame.command, built),
        )

    def frames_possible(self, bank: Bank | None = None) -> list[Frame]:
        """The frames that a command may use now: the usual one first, then those that only some
        registers or commands use."""
        frames = [self._alternative(None, bank)]
        for frame in self._named:
            candidate = self._alternative(frame, bank)
            if candidate not in frames:
                frames.append(candidate)
        return frames

    def decode_command(
        self,
        word: int,
        bank: Bank | None = None,
        frame: Frame | None = None,
        bits: int | None = None,
    ) -> Sent:
        """What a command word says; its flaws are listed, never raised (except a word that is too wide).

        Where `frame` is not given it is recognised among those possible: by the number of `bits`
        seen on the bus if that is known, then as the one that leaves the fewest flaws.
        """
        if frame is not None:
            return self._decode_as(word, bank, frame)
        frames = self.frames_possible(bank)
        if len(frames) > 1:
            fitting = [f for f in frames if not word >> f.length and bits in (None, f.length)]
            frames = fitting or frames[:1]
        found = [self._decode_as(word, bank, f) for f in frames]
        return min(found, key=lambda s: (len(s.flaws), not self._belongs(s, bank)))

    def _belongs(self, sent: Sent, bank: Bank | None) -> bool:
        """Whether what was recognised really travels in this frame."""
        if sent.command is not None:
            return True
        if sent.register is None:
            return False
        return self.frame_in_force(bank, sent.register) is sent.frame

    def _decode_as(self, word: int, bank: Bank | None, frame: Frame) -> Sent:
        parts = split(frame.command, word)
        flaws = inspect(frame.command, word)
        for command in self._commands:
            if not all(parts.get(n) == v for n, v in command.parts.items()):
                continue
            same_layout = (
                command.frame == frame.name
                or self._alternative(self.chip.frames[command.frame], bank) is frame
            )
            if same_layout:
                data = self._data(frame.command, parts) if command.takes_data else None
                flaws = [f for f in flaws if f.kind != "operation" or f.part not in command.parts]
                return Sent(
                    word=word,
                    frame=frame,
                    kind=command.name,
                    data=data,
                    parts=parts,
                    flaws=tuple(flaws),
                    command=command,
                )
        kind = self._kind(frame, parts)
        if kind not in ("read", "write"):
            if kind != "unknown":
                flaws.append(Flaw("operation", kind, f"no command of the map is this '{kind}'"))
            return Sent(word=word, frame=frame, kind=kind, parts=parts, flaws=tuple(flaws))
        address_part, page_part = frame.command.of_kind("address"), frame.command.of_kind("page")
        address = parts[address_part.name] if address_part else None
        page = parts[page_part.name] if page_part else self._page(bank)
        register = self.register_at(address, page)
        data = self._data(frame.command, parts) if kind == "write" else None
        if register is not None and data is not None and data >> register.width:
            flaws.append(
                Flaw(
                    "fixed",
                    "data",
                    f"0x{data:X} is wider than the {register.width} bits of {register.name}",
                )
            )
        return Sent(
            word=word,
            frame=frame,
            kind=kind,
            register=register,
            address=address,
            page=page,
            data=data,
            parts=parts,
            flaws=tuple(flaws),
        )

    def _kind(self, frame: Frame, parts: Mapping[str, int]) -> str:
        operation = frame.command.of_kind("operation")
        if operation is None:
            return "write" if frame.command.of_kind("data") else "read"
        for name, code in operation.codes.items():
            if parts[operation.name] == code:
                return name
        return "unknown"

    def _page(self, bank: Bank | None) -> int | None:
        if not self.chip.page_select:
            return None
        return (bank or Bank.at_reset(self.chip)).code(self.chip.page_select)

    def register_at(self, address: int | None, page: int | None = None) -> Register | None:
        """The register at an address; one without a page is on every page."""
        if address is None:
            return None
        return self._by_address.get((page, address)) or self._by_address.get((None, address))

    @staticmethod
    def _data(layout: Layout, parts: Mapping[str, int]) -> int | None:
        part = layout.of_kind("data")
        return parts[part.name] if part else None

    # --- replies -----------------------------------------------------------------------------
    def reply_layout(self, sent: Sent, within: Frame | None = None) -> Layout | None:
        """How the answer to `sent` is laid out; None where the chip answers nothing.

        `within` is the frame whose clocks carry the answer: where a layout has come into force in
        between (a checksum switched on), a reply of the next frame is already of that length.
        """
        if within is not None and within.length != sent.frame.length:
            return within.reply_to(sent.kind)
        return sent.frame.reply_to(sent.kind)

    def build_reply(
        self,
        sent: Sent,
        data: int = 0,
        status: Mapping[str, bool] | None = None,
        given: Mapping[str, int] | None = None,
        within: Frame | None = None,
    ) -> int:
        """The word a chip answers to `sent`; echoes and guards are filled in."""
        layout = self.reply_layout(sent, within)
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
        return build(layout, parts)

    def decode_reply(self, word: int, sent: Sent, within: Frame | None = None) -> Answer:
        """A reply to `sent` taken apart; echoes are compared with what was sent."""
        layout = self.reply_layout(sent, within)
        if layout is None:
            raise FrameError(f"frame '{sent.frame.name}' has no reply to {sent.kind}")
        parts = split(layout, word)
        flaws = inspect(layout, word)
        status = {}
        for part in layout.parts:
            if part.kind == "echo" and parts[part.name] != sent.parts.get(part.of):
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
        data = self._data(layout, parts)
        if data is not None and sent.register is not None:
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
            word=word, layout=layout, parts=parts, data=data, status=status, flaws=tuple(flaws)
        )
