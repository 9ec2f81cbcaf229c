"""What names say of commands: whole ones, and where their parts lie."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from regmap.record import dataclass

from ..chip.bits import mask_of
from ..chip.model import Chip, Command, Frame, Register
from ..errors import CallError
from ..frames.codec import Codec
from ..frames.words import GUARDS
from .defines import Define
from .names import Names, flat, kind_of, pieces_of

_ACCESS = {"WRITE": "write", "WR": "write", "READ": "read", "RD": "read"}
#: what may stand beside a name and says that it is a whole command
_WHOLE = {"FRAME", "CMD", "COMMAND", "FRM", "TX", "MSG", "WORD"}
_PARTS: Mapping[str, tuple[str, ...]] = {
    "address": ("ADDR", "ADDRESS", "ADR"),
    "data": ("DATA", "PAYLOAD"),
    "operation": ("RW", "OP", "OPCODE", "OPERATION"),
    "parity": ("PARITY", "PAR"),
    "crc": ("CRC",),
}
#: with these words it is about frames, but none itself
_NO_FRAME = {"ERR", "ERROR", "FAIL", "BAD", "STATUS", "COUNT", "MAX", "MIN", "RX", "REPLY", "LEN", "SIZE", "TIME", "E"}  # fmt: skip
#: with these it is about an access, but no command
_ABOUT = {"TIMEOUT", "DELAY", "RETRIES", "PERIOD", "INTERVAL", "COUNT", "NS", "US", "MS"}
#: kinds of words behind a register that say what is written to it
_HOLDS = ("reset", "word")
#: what is told of a frame's shape
SHAPE: Mapping[str, Callable[[Frame], int]] = {
    "BITS": lambda frame: frame.length,
    "BYTES": lambda frame: sum((b + 7) // 8 for b in frame.bursts),
    "BURSTS": lambda frame: len(frame.bursts),
    "REPLYAFTER": lambda frame: frame.after,
}
MOST_BEFORE = 3  # words before what a name is about


@dataclass(frozen=True, slots=True)
class CommandMeant:
    """What a constant is in a command: `kind` read, write, command, frame, part or code."""

    kind: str
    register: Register | None = None
    command: Command | None = None
    #: the words of the name behind the register
    behind: str = ""
    part: str = ""
    of_part: str = ""


class Commands:
    """What names of a header say of commands, by how the header writes them."""

    def __init__(self, chip: Chip, names: Names) -> None:
        self.chip, self.names, self.codec = chip, names, Codec(chip)
        #: parts of which a shift stands in the header
        self.shifted: set[str] = set()
        #: frames of which at least two numbers of their shape stand in the header
        self.shaped: set[str] = set()
        #: whether numbers that are called after an access are whole commands in this header, also small ones
        self.framed = False
        #: numbers that lack their check bits, while no number of the header has some
        self.bare: list[str] = []
        self.commands = {flat(c.name): c for c in chip.commands.values()}
        self.longest = max(f.length for f in chip.frames.values())
        self.shortest = min(f.length for f in chip.frames.values())

    def learn(self, items: Sequence[Define]) -> None:
        """How the header writes commands: whole, or without what the firmware adds when it sends them."""
        named = [
            (item, found)
            for item in items
            if item.value is not None and (found := self.accessed(item.name)) is not None
        ]
        large = sum(bool((i.value or 0) >> r.width) for i, (_, r, _) in named)
        self.framed = large > 1 and 2 * large > len(named)
        bare = []
        for item in items:
            meant = self.meaning(item)
            frame = self._frame_of(meant) if meant is not None else None
            if frame is None or item.value is None or item.value >> frame.length:
                continue
            if item.value & checks_of(frame):
                return
            if self._lacks(item, frame):
                bare.append(item.name)
        self.bare = bare

    def _frame_of(self, meant: CommandMeant) -> Frame | None:
        """The frame that a register or command travels in after a reset, or at all."""
        try:
            return self.codec.frame_in_force(None, meant.register, meant.command) if meant.register or meant.command else None  # fmt: skip
        except CallError:
            return self.only_layout(meant.command) if meant.command is not None else None

    def _lacks(self, item: Define, frame: Frame) -> bool:
        """Whether it has no check bits, and should."""
        value = item.value or 0
        flaws = self.codec.decode_command(value, frame=frame).flaws
        return not value & checks_of(frame) and any(f.kind == "check_bits" for f in flaws)

    def accessed(self, name: str) -> tuple[str, Register, str] | None:
        """(read or write, the register, the words behind it) of a name that tells them."""
        pieces = [p.upper() for p in pieces_of(name)]
        for at, piece in enumerate(pieces[: MOST_BEFORE + 1]):
            kind = _ACCESS.get(piece)
            found = self._register(pieces[at + 1 :]) if kind is not None else None
            if kind is not None and found is not None and not _ABOUT & set(pieces):
                return kind, *found
        for at in range(1, len(pieces)):
            kind = _ACCESS.get(pieces[at])
            behind = [p for p in pieces[at + 1 :] if p not in _WHOLE]
            if kind is not None and all(kind_of(p) in _HOLDS for p in behind):
                for cut in range(min(at, MOST_BEFORE)):
                    register = self.names.registers.get(flat("".join(pieces[cut:at])))
                    if register is not None:
                        return kind, register, flat("".join(behind))
        return None

    def meaning(self, item: Define) -> CommandMeant | None:
        """What a name says of a command; None where it says nothing, or the number is too small to be one."""
        value = item.value
        if value is None:
            return None
        pieces = [p.upper() for p in pieces_of(item.name)]
        access = self.accessed(item.name)
        if access is not None:
            kind, register, behind = access
            told = not behind or behind in _WHOLE or kind_of(behind) in _HOLDS
            if value >> register.width or (told and (self.framed or calls_itself_frame(pieces))):
                return CommandMeant(kind, register, behind="" if behind in _WHOLE else behind)
        for at, piece in enumerate(pieces[1 : MOST_BEFORE + 1], 1):
            rest = set(pieces[at + 1 :]) - _WHOLE - {"BIT", "FLAG", "MASK", "OP"}
            if piece in _ACCESS and not rest and value >> 4:
                return CommandMeant("code", part="operation", of_part=_ACCESS[piece])
        return self._other(pieces, value)

    def _other(self, pieces: list[str], value: int) -> CommandMeant | None:
        bare = [p for p in pieces if p not in _WHOLE]
        for cut in range(min(len(bare), MOST_BEFORE + 1)):
            command = self.commands.get(flat("".join(bare[cut:])))
            if command is not None and value >> (self.shortest - 8):
                return CommandMeant("command", command=command)
        if (
            pieces[-1:]
            and pieces[-1] in ("FRAME", "FRM")
            and not _NO_FRAME & set(pieces)
            and value >> (self.shortest - 8)
        ):
            return CommandMeant("frame")
        if 2 <= len(pieces) <= 4 and kind_of(pieces[-1]) in ("mask", "shift"):
            named = [k for k, words in _PARTS.items() if pieces[-2] in words]
            if named and len(pieces) - 2 <= 1 + (pieces[0] not in _WHOLE):
                return CommandMeant("part", part=named[0], of_part=kind_of(pieces[-1]))
        return None

    def _register(self, words: list[str]) -> tuple[Register, str] | None:
        for end in range(len(words), 0, -1):
            register = self.names.registers.get(flat("".join(words[:end])))
            if register is not None:
                return register, flat("".join(words[end:]))
        return None

    def shape(self, name: str) -> CommandMeant | None:
        """What a name says of a frame: its length, bytes, bursts, when its reply comes, a code of its operation."""
        pieces = [p.upper() for p in pieces_of(name)]
        for at in range(min(len(pieces), MOST_BEFORE + 1)):
            for frame in self.chip.frames.values():
                whole = flat("".join(pieces[at:]))
                # of the only frame the name need not stand there
                called = (
                    "FRAME" if len(self.chip.frames) == 1 and whole[:5] == "FRAME" else frame.name
                )
                rest = whole.removeprefix(flat(called))
                if rest == whole:
                    continue
                if rest in SHAPE:
                    return CommandMeant("shape", part=frame.name, of_part=rest)
                for part in frame.command.parts:
                    if part.kind == "chip" and rest == f"{flat(part.name)}DEFAULT":
                        return CommandMeant("device", part=frame.name)
                    for code in part.codes if part.kind == "operation" else ():
                        if rest == flat(part.name) + flat(code):
                            return CommandMeant("named code", part=frame.name, of_part=code)
        for joined in self.chip.joined.values():
            if kind_of(pieces[-1]) == "width" and flat("".join(pieces)).endswith(
                flat(joined.name) + pieces[-1]
            ):
                return CommandMeant("joined", part=joined.name)
        return None

    def shaped_as(self, item: Define) -> CommandMeant | None:
        """As `shape`, where more than one number of that frame's shape stands in the header: alone it may be of anything."""
        found = self.shape(item.name) if item.value is not None else None
        if found is not None and found.kind == "shape" and found.part not in self.shaped:
            return None
        return found

    def only_layout(self, command: Command) -> Frame | None:
        found = [f for f in self.chip.frames.values() if self.codec.recogniser.carries(f, command)]
        return found[0] if len(found) == 1 else None


def calls_itself_frame(pieces: list[str]) -> bool:
    return any(p.upper() in ("FRAME", "FRM") for p in pieces)


def checks_of(frame: Frame, *others: str) -> int:
    """The check bits of a command."""
    return mask_of(tuple(b for p in frame.command.parts if p.kind in (*GUARDS, *others) for b in p.bits))  # fmt: skip
