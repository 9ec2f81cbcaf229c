"""Numbers of a header that are whole commands, or say where the parts of a command lie."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence

from regmap.record import dataclass, replace

from ..chip.bits import deposit, extract, hexword, mask_of, spans
from ..chip.model import Chip, Command, Frame, Part, Register
from ..errors import CallError
from ..frames.codec import Codec, Sent
from ..frames.words import GUARDS, build, split
from ..quantity import many, plural
from .defines import Define
from .judge import Disagreement, HeaderStyle, judge
from .names import Meant, Names, flat, kind_of, pieces_of

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
    """What names say of commands, and whether the numbers are those that the chip takes."""

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
            if item.value & _checks(frame):
                return
            if self._lacks(item, frame):
                bare.append(item.name)
        self.bare = bare

    def _frame_of(self, meant: CommandMeant) -> Frame | None:
        """The frame that a register or command travels in after a reset, or at all."""
        try:
            return self.codec.frame_in_force(None, meant.register, meant.command) if meant.register or meant.command else None  # fmt: skip
        except CallError:
            return self._only_layout(meant.command) if meant.command is not None else None

    def _lacks(self, item: Define, frame: Frame) -> bool:
        """Whether it has no check bits, and should."""
        value = item.value or 0
        flaws = self.codec.decode_command(value, frame=frame).flaws
        return not value & _checks(frame) and any(f.kind == "check_bits" for f in flaws)

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
            if value >> register.width or (told and (self.framed or _calls_itself_frame(pieces))):
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
                rest = flat("".join(pieces[at:])).removeprefix(flat(frame.name))
                if rest == flat("".join(pieces[at:])):
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

    def judge(self, item: Define, meaning: CommandMeant) -> list[Disagreement] | None:
        """What is wrong with it; None where the chip takes such a command only in another state than after reset."""
        try:
            return list(self._judge(item, meaning))
        except CallError:
            return None

    def _judge(self, item: Define, meaning: CommandMeant) -> Iterator[Disagreement]:
        value = item.value
        assert value is not None
        if meaning.register is not None:
            yield from self._access(item, meaning.kind, meaning.register, meaning.behind)
        elif meaning.command is not None:
            yield from self._command(item, meaning.command)
        elif meaning.kind == "frame":
            yield from self._whole(value)
        elif meaning.kind in ("shape", "named code", "device", "joined"):
            yield from self._shape(value, meaning)
        else:
            yield from self._part(value, meaning)

    def _access(
        self, item: Define, kind: str, register: Register, behind: str
    ) -> Iterator[Disagreement]:
        """A whole command: its operation, register, data and check bits; without data and check bits it is a beginning."""
        value = item.value
        assert value is not None
        frame = self.codec.frame_in_force(None, register)
        wanted = f"a command that {kind}s {register.name}"
        if value >> frame.length:
            if value >> self.longest:
                yield Disagreement(f"0x{value:X}", f"{wanted}, a word of {frame.length} bits")
            else:
                yield from self._whole(value)
            return
        right = self.codec.read(register) if kind == "read" else self.codec.write(register, 0)
        head = mask_of(tuple(b for p in _heads(frame) for b in p.bits))
        if (value ^ right.word) & head:
            sent = self.codec.decode_command(value)
            of = f" {sent.register.name}" if sent.register is not None else ""
            said = f"{sent.kind}{of}" if sent.kind else "no access"
            yield Disagreement(f"{hexword(value, frame.length)}: {said}", f"{wanted}, {hexword(right.word, frame.length)}", right=right.word if kind == "read" else None)  # fmt: skip
            return
        flaws = self.codec.decode_command(value, frame=frame).flaws
        if item.name in self.bare and not _calls_itself_frame(pieces_of(item.name)):
            yield from self._without_checks(item, frame)
            flaws = ()
        sure = right.word if kind == "read" else None
        for flaw in flaws:
            told = f"{wanted}, {hexword(right.word, frame.length)}" if sure is not None else wanted
            yield Disagreement(f"{hexword(value, frame.length)}, whose part '{flaw.part}' is wrong", told, right=sure)  # fmt: skip
        if kind == "write" and not flaws:
            yield from self._data(item, value, frame, register, behind)

    def _without_checks(self, item: Define, frame: Frame) -> Iterator[Disagreement]:
        """Told once: a header in which no command has check bits may be right, where the firmware adds them."""
        value = item.value or 0
        if item.name != self.bare[0]:
            return
        more = f", as {many(len(self.bare) - 1, 'more command')}" if len(self.bare) > 1 else ""
        whole = hexword(_with_checks(value, frame), frame.length)
        yield Disagreement(f"{hexword(value, frame.length)} without its check bits{more}", f"{whole} with them, unless the firmware adds them", doubt=True)  # fmt: skip

    def _data(
        self, item: Define, value: int, frame: Frame, register: Register, behind: str
    ) -> Iterator[Disagreement]:
        """The data of a write: what the name says behind the register, a comment, and the reserved bits."""
        part = frame.command.of_kind("data")
        if part is None:
            return
        data = extract(value, part.bits) & register.mask
        from_name = self.names.meaning(flat(register.name) + behind, "") if behind else None
        if behind and kind_of(behind) == "reset" and data != register.reset:
            yield Disagreement(f"data {hexword(data, register.width)}", f"{hexword(register.reset, register.width)}, the reset word of {register.name}")  # fmt: skip
        if from_name is not None and from_name.option is not None and from_name.field is not None:
            of = from_name.field
            code = extract(data, of.bits)
            if code != from_name.option:
                yield Disagreement(
                    f"code {code} for '{from_name.option_name}' in {of.ref}",
                    f"code {from_name.option} of {of.ref}",
                )
        said = re.search(rf"\b{register.name}\s*=\s*(0[xX][0-9a-fA-F]+)", item.comment)
        if said is not None and int(said[1], 16) != data:
            yield Disagreement(f"data {hexword(data, register.width)}", f"{said[1]} as the comment says, for {register.name}")  # fmt: skip
        word = replace(item, value=data, comment="")
        for found in judge(self.chip, word, Meant("word", register), HeaderStyle()):
            yield found._replace(right=None)

    def _command(self, item: Define, command: Command) -> Iterator[Disagreement]:
        value = item.value
        assert value is not None
        try:
            right = self.codec.command(command)
        except CallError:
            if (layout := self._only_layout(command)) is None:
                raise
            # another state of the chip is needed for it
            word = build(layout.command, command.parts)
            right = Sent(word=word, frame=layout, kind=command.name, command=command, parts=split(layout.command, word))  # fmt: skip
        if value != right.word and self._elsewhere(value, command, right.frame):
            return
        data = right.frame.command.of_kind("data")
        open_bits = mask_of(data.bits) if command.takes_data and data is not None else 0
        told = f"{hexword(value, right.frame.length)}"
        expected = f"{hexword(right.word, right.frame.length)}, the command {command.name}"
        sure = None if open_bits else right.word
        if (value ^ right.word) & ~open_bits & ~_checks(right.frame, "counter"):
            yield Disagreement(told, expected, right=sure)
        elif item.name in self.bare and not _calls_itself_frame(pieces_of(item.name)):
            yield from self._without_checks(item, right.frame)
        else:
            for flaw in self.codec.decode_command(value, frame=right.frame).flaws:
                yield Disagreement(f"{told}, whose part '{flaw.part}' is wrong", expected, right=sure)  # fmt: skip

    def _only_layout(self, command: Command) -> Frame | None:
        found = [f for f in self.chip.frames.values() if self.codec.recogniser.carries(f, command)]
        return found[0] if len(found) == 1 else None

    def _elsewhere(self, value: int, command: Command, usual: Frame) -> bool:
        """Whether it is that command in another frame of the chip."""
        for frame in self.chip.frames.values():
            if frame is not usual and not value >> frame.length:
                sent = self.codec.decode_command(value, frame=frame)
                if sent.command is command and not sent.flaws:
                    return True
        return False

    def _whole(self, value: int) -> Iterator[Disagreement]:
        """A number that calls itself a frame: its fixed and check bits."""
        if value >> self.longest:
            yield Disagreement(f"0x{value:X}", f"a frame of at most {self.longest} bits")
            return
        sent = self.codec.decode_command(value)
        for flaw in sent.flaws:
            of = f" of {sent.register.name}" if sent.register is not None else ""
            yield Disagreement(f"{hexword(value, sent.frame.length)}, whose part '{flaw.part}' is wrong", f"a {sent.kind or 'command'}{of} that {self.chip.name} takes")  # fmt: skip

    def _shape(self, value: int, meaning: CommandMeant) -> Iterator[Disagreement]:
        if meaning.kind == "joined":
            joined = self.chip.joined[meaning.part]
            if value != joined.width:
                yield Disagreement(f"width {value}", f"{joined.width}, of {joined.name}", right=joined.width)  # fmt: skip
            return
        frame = self.chip.frames[meaning.part]
        if meaning.kind == "device":
            right = next(p.value for p in frame.command.parts if p.kind == "chip")
            if value != right:
                yield Disagreement(f"device address {value}", f"{right}, as the map has it", right=right)  # fmt: skip
            return
        if meaning.kind == "named code":
            part = next(p for p in frame.command.parts if meaning.of_part in p.codes)
            right = part.codes[meaning.of_part]
            if value not in (right, deposit(right, part.bits)):
                yield Disagreement(f"0x{value:X}", f"0x{right:X}, the operation {meaning.of_part} of {frame.name}", right=right)  # fmt: skip
            return
        right = SHAPE[meaning.of_part](frame)
        if value != right:
            yield Disagreement(f"{value}", f"{right}, as frame {frame.name} has it", right=right)

    def sound(self, value: int) -> Sent | None:
        """A number as a command that the chip knows, without flaws, in any of its layouts; None where it is none."""
        for frame in self.chip.frames.values():
            if value >> frame.length:
                continue
            try:
                sent = self.codec.decode_command(value, frame=frame)
            except CallError:
                continue
            known = sent.register is not None or sent.command is not None
            if known and not sent.flaws:
                return sent
        return None

    def _masks(self, part: Part) -> list[int]:
        """Its mask in place; where a shift stands beside it, or none is needed, the one before the shift too."""
        low = part.kind in self.shifted or part.kind == "address" or not min(part.bits)
        before = [(1 << len(part.bits)) - 1] if low else []
        return [mask_of(part.bits), *before]

    def _part(self, value: int, meaning: CommandMeant) -> Iterator[Disagreement]:
        frames = self.chip.frames.values()
        layouts = [x for f in frames for x in (f.command, *f.replies.values())]
        parts = [p for x in layouts for p in x.parts if p.kind == meaning.part]
        own = [p for f in frames for p in f.command.parts if p.kind == meaning.part]
        if not own:
            return
        first = own[0]
        where = f"{plural('bit', len(first.bits))} {spans(first.bits)} of the command"
        if meaning.kind == "code":
            codes = {deposit(p.codes[meaning.of_part], p.bits) for p in own if meaning.of_part in p.codes}  # fmt: skip
            right, accepted = min(codes, default=0), codes | {mask_of(p.bits) for p in own if len(p.bits) == 1}  # fmt: skip
            if codes and value not in accepted:
                yield Disagreement(f"0x{value:X}", f"0x{right:X}, the operation {meaning.of_part}: {where}", right=right)  # fmt: skip
        elif meaning.of_part == "shift":
            if value not in {min(p.bits) for p in parts}:
                yield Disagreement(f"shift {value}", f"{min(first.bits)}, {where}", right=min(first.bits))  # fmt: skip
        elif value not in {m for p in parts for m in self._masks(p)}:
            yield Disagreement(f"mask 0x{value:X}", f"0x{mask_of(first.bits):X}, {where}", right=mask_of(first.bits))  # fmt: skip


def _calls_itself_frame(pieces: list[str]) -> bool:
    return any(p.upper() in ("FRAME", "FRM") for p in pieces)


def _checks(frame: Frame, *others: str) -> int:
    """The check bits of a command."""
    return mask_of(tuple(b for p in frame.command.parts if p.kind in (*GUARDS, *others) for b in p.bits))  # fmt: skip


def _with_checks(value: int, frame: Frame) -> int:
    """The same command, its check bits right."""
    guards = {p.name for p in frame.command.parts if p.kind in GUARDS}
    return build(frame.command, {n: v for n, v in split(frame.command, value).items() if n not in guards})  # fmt: skip


def _heads(frame: Frame) -> list[Part]:
    """The parts that say what is asked of which register."""
    return [p for p in frame.command.parts if p.kind in ("operation", "address", "page")]
