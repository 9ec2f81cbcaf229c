"""Commands in C: packed from parts, with check bits and counters, checked; the two accesses and the map's own commands."""

from __future__ import annotations

from ..chip.bits import deposit, mask_of
from ..chip.model import Command
from ..errors import CallError
from ..frames.words import build, guards_of
from .bitcode import put
from .framebase import FrameWriter, accesses_of
from .names import word
from .text import count, defines, number, utype, wtype


class CommandWriter(FrameWriter):
    """Everything that makes or checks a command."""

    def complete(self) -> str:
        """`with_check_bits(frame)`, or `with_counter(frame, sent)`: `sent` is the number of frames sent before."""
        guard = self.guarded(
            self.frame.command,
            self.name("with_check_bits"),
            "The frame with its check bits computed anew.",
            hidden=False,
        )
        if not self.counters:
            return guard
        name = self.name("with_counter")
        mask = mask_of(tuple(b for p in self.counters for b in p.bits))
        full = (1 << self.bits) - 1
        lines = [f"{self.wide} counted = ({self.wide})frame & {number(full & ~mask, self.bits)};"]
        for part in self.counters:
            if part.width > 32:
                raise CallError(
                    f"counter '{part.name}' of frame {self.frame.name} has {part.width} bits; in C at most 32 are "
                    "supported. Leave out the section 'frames'"
                )
            value = "sent"
            if part.step != 1:
                value = f"((uint32_t)sent * {number(part.step)})"
            if part.start:
                value = f"((uint32_t){value} + {number(part.start)})"
            value = (
                f"({wtype(max(self.bits, part.width))})({value} & {number((1 << part.width) - 1)})"
            )
            lines.append(f"counted |= {put(value, part.bits, self.bits)};")
        last = f"({self.kind})counted"
        lines.append(f"return {guard}({last});" if guard else f"return {last};")
        self.sheet.function(
            f"{self.kind} {name}({self.kind} frame, uint32_t sent)",
            lines,
            "The frame with its counter for the frame number `sent`, counted from 0 after a reset, and its check bits.",
        )
        return name

    def params(self, skip: tuple[str, ...] = ()) -> str:
        return (
            ", ".join(
                f"{utype(p.width)} {self.members[p.name]}" for p in self.free if p.kind not in skip
            )
            or "void"
        )

    def constant(self) -> int:
        value = 0
        for part in self.frame.command.parts:
            if part.kind in ("fixed", "ignored"):
                value |= deposit(part.value, part.bits)
        return value

    def pack(self) -> None:
        whole = [put(self.members[part.name], part.bits, self.bits) for part in self.free]
        constant = self.constant()
        if constant:
            whole.append(number(constant, self.bits))
        guard = self.name("with_check_bits") if guards_of(self.frame.command) else ""
        expr = " |\n    ".join(whole) or "0U"
        lines = [
            f"const {self.wide} frame =",
            *f"    {expr};".split("\n"),
            f"return {guard}(({self.kind})frame);" if guard else f"return ({self.kind})frame;",
        ]
        self.sheet.function(
            f"{self.kind} {self.name('pack')}({self.params()})",
            lines,
            f"A command of frame {self.frame.name} from all its parts, check bits included.",
        )

    def accesses(self) -> None:
        command = self.frame.command
        for kind in accesses_of(self.frame):
            args, params = [], []
            for part in self.free:
                if part.kind == "operation":
                    args.append(self.macro(word(part.name), word(kind)))
                elif part.kind == "chip":
                    args.append(self.macro(word(part.name), "DEFAULT"))
                elif part.kind == "data" and kind == "read":
                    args.append("0U")
                else:
                    args.append(self.members[part.name])
                    params.append(f"{utype(part.width)} {self.members[part.name]}")
            target = "a register" if command.of_kind("address") else "the register"
            self.sheet.inline(
                f"{self.kind} {self.name(f'make_{kind}')}({', '.join(params) or 'void'})",
                [f"return {self.name('pack')}({', '.join(args)});"],
                f"The frame that {kind}s {target}.",
            )

    def commands(self) -> None:
        rows = []
        for command in self.sheet.chip.commands.values():
            if not self._fits(command):
                continue
            data = self.frame.command.of_kind("data") if command.takes_data else None
            base = build(self.frame.command, command.parts)
            if data is None:
                note = command.summary + (
                    " (counter at its start: set it)" if self.counters else ""
                )
                rows.append(
                    (self.macro("COMMAND", word(command.name)), number(base, self.bits), note)
                )
                continue
            value = self.members[data.name]
            args = []
            for part in self.free:
                if part is data:
                    args.append(value)
                elif part.kind == "counter":
                    args.append(count(part.start))
                else:
                    args.append(number(command.parts.get(part.name, part.value), part.width))
            self.sheet.inline(
                f"{self.kind} {self.name('make_command', word(command.name))}({utype(data.width)} {value})",
                [f"return {self.name('pack')}({', '.join(args)});"],
                f"Command {command.name}. {command.summary}".strip(),
            )
        if rows:
            self.sheet.lines(
                "",
                f"/* commands of frame {word(self.frame.name).lower()}, ready to send */",
                *defines(rows),
            )

    def _fits(self, command: Command) -> bool:
        """Whether the command can travel in this layout, in whatever state of the chip."""
        return self.sheet.recogniser.carries(self.frame, command) and all(
            (p := self.frame.command.named(n)) is not None and not v >> p.width
            for n, v in command.parts.items()
        )

    def check(self) -> None:
        layout = self.frame.command
        guard = self.name("with_check_bits") if guards_of(layout) else ""
        operations = tuple(p for p in layout.parts if p.kind == "operation")
        lines = self.errors(layout, guard, operations)
        if len(lines) == 1:
            lines = ["(void)frame;", "return 0U;"]
        else:
            lines.append("return errors;")
        self.sheet.function(
            f"uint8_t {self.name('check')}({self.kind} frame)",
            lines,
            "What is wrong with a command (FRAME_ERROR bits); 0: nothing.",
        )
