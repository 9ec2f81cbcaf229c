"""Numbers of a header that are commands, or parts of them, against the frames of the map."""

from __future__ import annotations

import re
from collections.abc import Iterator

from regmap.record import replace

from ..chip.bits import deposit, extract, hexword, mask_of, spans
from ..chip.model import Chip, Command, Frame, Part, Register
from ..errors import CallError
from ..frames.codec import Sent
from ..frames.words import GUARDS, build, split
from ..quantity import many, plural
from .commands import SHAPE, CommandMeant, Commands, calls_itself_frame, checks_of
from .defines import Define
from .judge import Disagreement, HeaderStyle, judge
from .names import Meant, flat, kind_of, pieces_of


class CommandJudge:
    """Whether numbers are those that the chip takes; what they are about is told by `commands`."""

    def __init__(self, chip: Chip, commands: Commands) -> None:
        self.chip, self.commands = chip, commands

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
        frame = self.commands.codec.frame_in_force(None, register)
        wanted = f"a command that {kind}s {register.name}"
        if value >> frame.length:
            if value >> self.commands.longest:
                yield Disagreement(f"0x{value:X}", f"{wanted}, a word of {frame.length} bits")
            else:
                yield from self._whole(value)
            return
        right = (
            self.commands.codec.read(register)
            if kind == "read"
            else self.commands.codec.write(register, 0)
        )
        head = mask_of(tuple(b for p in _heads(frame) for b in p.bits))
        if (value ^ right.word) & head:
            sent = self.commands.codec.decode_command(value)
            of = f" {sent.register.name}" if sent.register is not None else ""
            said = f"{sent.kind}{of}" if sent.kind else "no access"
            yield Disagreement(f"{hexword(value, frame.length)}: {said}", f"{wanted}, {hexword(right.word, frame.length)}", right=right.word if kind == "read" else None)  # fmt: skip
            return
        flaws = self.commands.codec.decode_command(value, frame=frame).flaws
        if item.name in self.commands.bare and not calls_itself_frame(pieces_of(item.name)):
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
        if item.name != self.commands.bare[0]:
            return
        more = (
            f", as {many(len(self.commands.bare) - 1, 'more command')}"
            if len(self.commands.bare) > 1
            else ""
        )
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
        from_name = (
            self.commands.names.meaning(flat(register.name) + behind, "") if behind else None
        )
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
            right = self.commands.codec.command(command)
        except CallError:
            if (layout := self.commands.only_layout(command)) is None:
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
        if (value ^ right.word) & ~open_bits & ~checks_of(right.frame, "counter"):
            yield Disagreement(told, expected, right=sure)
        elif item.name in self.commands.bare and not calls_itself_frame(pieces_of(item.name)):
            yield from self._without_checks(item, right.frame)
        else:
            for flaw in self.commands.codec.decode_command(value, frame=right.frame).flaws:
                yield Disagreement(f"{told}, whose part '{flaw.part}' is wrong", expected, right=sure)  # fmt: skip

    def _elsewhere(self, value: int, command: Command, usual: Frame) -> bool:
        """Whether it is that command in another frame of the chip."""
        for frame in self.chip.frames.values():
            if frame is not usual and not value >> frame.length:
                sent = self.commands.codec.decode_command(value, frame=frame)
                if sent.command is command and not sent.flaws:
                    return True
        return False

    def _whole(self, value: int) -> Iterator[Disagreement]:
        """A number that calls itself a frame: its fixed and check bits."""
        if value >> self.commands.longest:
            yield Disagreement(f"0x{value:X}", f"a frame of at most {self.commands.longest} bits")
            return
        sent = self.commands.codec.decode_command(value)
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
                sent = self.commands.codec.decode_command(value, frame=frame)
            except CallError:
                continue
            known = sent.register is not None or sent.command is not None
            if known and not sent.flaws:
                return sent
        return None

    def _masks(self, part: Part) -> list[int]:
        """Its mask in place; where a shift stands beside it, or none is needed, the one before the shift too."""
        low = part.kind in self.commands.shifted or part.kind == "address" or not min(part.bits)
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


def _with_checks(value: int, frame: Frame) -> int:
    """The same command, its check bits right."""
    guards = {p.name for p in frame.command.parts if p.kind in GUARDS}
    return build(frame.command, {n: v for n, v in split(frame.command, value).items() if n not in guards})  # fmt: skip


def _heads(frame: Frame) -> list[Part]:
    """The parts that say what is asked of which register."""
    return [p for p in frame.command.parts if p.kind in ("operation", "address", "page")]
