"""Frames: packed, checked, taken apart, as bytes of the SPI; a module each."""

from __future__ import annotations

from ...chip.bits import deposit, mask_of, spans
from ...chip.model import Command
from ...errors import CallError
from ...frames.words import build, guards_of
from ..framebase import accesses_of
from ..names import word
from ..replies import byte_orders
from .language import named
from .module import FrameModule
from .replies import TypedReplyWriter


class TypedFrameWriter(TypedReplyWriter):
    """One frame of the map in one language."""

    # --- the module ------------------------------------------------------------------------------
    def write(self) -> tuple[list[str], FrameModule]:
        frame, lang = self.frame, self.lang
        u8 = lang.uint(8)
        lines = lang.const("bits", u8, lang.count(frame.length), "bits of one frame")
        size = sum((b + 7) // 8 for b in frame.bursts)
        lines += lang.const("bytes", lang.size(), lang.plain(size), "bytes on the SPI")
        lines += lang.const("bursts", u8, lang.count(len(frame.bursts)), "chip-select bursts")
        about = "frames until the reply comes; 0: in the same"
        lines += lang.const("reply_after", u8, lang.count(frame.after), about)
        for part in self.free:
            for code_name, code in part.codes.items():
                name = f"{self.names[part.name]}_{word(code_name).lower()}"
                lines += lang.const(name, lang.uint(part.width), lang.count(code))
            if part.kind == "chip":
                name = self.names[part.name]
                kind = lang.uint(part.width)
                lines += lang.const(
                    f"{name}_default", kind, lang.count(part.value), "the device address"
                )
                for at, address in enumerate(part.shared):
                    about = "every chip takes it, none replies"
                    lines += lang.const(f"{name}_shared_{at}", kind, lang.count(address), about)
        lines += self.command()
        lines += self.replies()
        counter = self.reply_counter()
        answer = frame.reply_to("read")
        data = answer is not None and answer.of_kind("data") is not None
        lines += self.bytes()
        shape = ", ".join(f"{p.name} {spans(p.bits)} ({p.kind})" for p in frame.command.parts)
        module = FrameModule(
            frame=frame,
            index=self.index,
            path=self.path,
            counters=bool(self.counters),
            checked=bool(guards_of(frame.command)),
            reply_data=data,
            reply_errors=bool(frame.replies),
            counter=counter,
        )
        return lang.module(self.path, lines, f"Frame {frame.name}: {shape}."), module

    def command(self) -> list[str]:
        lang, frame = self.lang, self.frame
        layout = frame.command
        lines: list[str] = []
        if guards_of(layout):
            body = [lang.let("whole", lang.widen("frame")), *self.completed(layout)]
            about = "The frame with its check bits computed anew."
            lines += ["", *lang.function("with_check_bits", [("frame", self.kind)], self.kind, [*body, lang.give(self.frame_of("complete"))], about)]  # fmt: skip
        if self.counters:
            lines += self.with_counter()
        params = [(self.names[p.name], lang.uint(p.width)) for p in self.free]
        body = [
            lang.let(f"wide_{self.names[p.name]}", lang.widen(self.names[p.name]))
            for p in self.free
        ]
        terms = [lang.put(f"wide_{self.names[p.name]}", p.bits) for p in self.free]
        constant = 0
        for part in layout.parts:
            if part.kind in ("fixed", "ignored"):
                constant |= deposit(part.value, part.bits)
        if constant or not terms:
            terms.append(lang.number(constant, self.bits))
        made = self.frame_of(" | ".join(terms))
        body.append(lang.give(f"with_check_bits({made})" if guards_of(layout) else made))
        about = "A command from all its parts, check bits included."
        lines += ["", *lang.function("pack", params, self.kind, body, about)]
        lines += self.accesses()
        lines += self.commands()
        body = [lang.let_small("errors", mutable=True), lang.let("whole", lang.widen("frame"))]
        tests = self.sound(layout, sent=False)
        body = [*body, *tests, lang.give("errors")] if tests else [lang.unused("frame"), lang.give(lang.count(0))]  # fmt: skip
        if tests and not any("whole" in t for t in tests):
            body.remove(lang.let("whole", lang.widen("frame")))
        about = "What is wrong with a command (bits of `error`); 0: nothing."
        return [
            *lines,
            "",
            *lang.function("check", [("frame", self.kind)], lang.uint(8), body, about),
        ]

    def with_counter(self) -> list[str]:
        lang = self.lang
        mask = mask_of(tuple(b for p in self.counters for b in p.bits))
        full = (1 << self.frame.length) - 1
        lines = [lang.let("counted", f"{lang.widen('frame')} & {lang.number(full & ~mask, self.bits)}", mutable=True)]  # fmt: skip
        for part in self.counters:
            if part.width > 32:
                raise CallError(
                    f"counter '{part.name}' of frame {self.frame.name} has {part.width} bits; at most 32 are supported"
                )
            value = lang.wrapping(part.step, part.start)
            lines += [
                lang.let(f"count_{part.bits[0]}", value),
                f"counted |= {lang.put(f'count_{part.bits[0]}', part.bits)};",
            ]
        made = self.frame_of("counted")
        lines.append(
            lang.give(f"with_check_bits({made})" if guards_of(self.frame.command) else made)
        )
        about = "The frame with its counter for frame number `sent`, counted from 0 after a reset, and its check bits."
        params = [("frame", self.kind), ("sent", lang.uint(32))]
        return ["", *lang.function("with_counter", params, self.kind, lines, about)]

    def accesses(self) -> list[str]:
        lang = self.lang
        lines: list[str] = []
        for kind in accesses_of(self.frame):
            args, params = [], []
            for part in self.free:
                name = self.names[part.name]
                if part.kind == "operation":
                    args.append(lang.constant(f"{name}_{kind}"))
                elif part.kind == "chip":
                    args.append(lang.constant(f"{name}_default"))
                elif part.kind == "data" and kind == "read":
                    args.append(lang.count(0))
                else:
                    args.append(name)
                    params.append((name, lang.uint(part.width)))
            body = [lang.give(f"pack({', '.join(args)})")]
            lines += ["", *lang.function(f"make_{kind}", params, self.kind, body, f"The frame that {kind}s a register.")]  # fmt: skip
        return lines

    def commands(self) -> list[str]:
        lang, lines = self.lang, []
        taken: set[str] = set()
        for command in self.sheet.chip.commands.values():
            if not self._fits(command):
                continue
            name = named(self.sheet, f"command {command.name}", command.name, taken)
            data = self.frame.command.of_kind("data") if command.takes_data else None
            if data is None:
                base = build(self.frame.command, command.parts)
                note = command.summary + (
                    " (counter at its start: set it)" if self.counters else ""
                )
                lines += lang.const(
                    f"command_{name}", self.kind, lang.number(base, self.bits), note
                )
                continue
            value = self.names[data.name]
            args = []
            for part in self.free:
                if part is data:
                    args.append(value)
                elif part.kind == "counter":
                    args.append(lang.count(part.start))
                else:
                    args.append(lang.number(command.parts.get(part.name, part.value), part.width))
            body = [lang.give(f"pack({', '.join(args)})")]
            about = f"Command {command.name}. {command.summary}".strip()
            lines += ["", *lang.function(f"make_command_{name}", [(value, lang.uint(data.width))], self.kind, body, about)]  # fmt: skip
        return lines

    def _fits(self, command: Command) -> bool:
        return self.sheet.recogniser.carries(self.frame, command) and all(
            (p := self.frame.command.named(n)) is not None and not v >> p.width
            for n, v in command.parts.items()
        )

    def bytes(self) -> list[str]:
        lang, frame = self.lang, self.frame
        orders = byte_orders(self.sheet.chip.spi, frame.bursts, frame.length)
        out, back = [], []
        for at, (order, pad, back_order, back_pad) in enumerate(orders):
            value = lang.take("whole", order) or lang.count(0)
            out.append(lang.narrow(f"({value}) << {lang.count(pad)}" if pad else value, 8))
            if back_order:
                back.append(lang.let(f"byte_{at}", f"{lang.widen(f'data[{at}]')} >> {lang.count(back_pad)}"))  # fmt: skip
        terms = [lang.put(f"byte_{at}", o[2]) for at, o in enumerate(orders) if o[2]]
        body = [lang.let("whole", lang.widen("frame")), lang.give(lang.row(out))]
        kind = lang.row_type(8, "bytes")
        bursts = f"; bursts of {', '.join(map(str, frame.bursts))} bits" if len(frame.bursts) > 1 else ""  # fmt: skip
        lines = ["", *lang.function("to_bytes", [("frame", self.kind)], kind, body, f"The frame as the bytes of the SPI, first bit in bit 7 of the first{bursts}.")]  # fmt: skip
        body = [*back, lang.give(self.frame_of(" | ".join(terms)))]
        lines += ["", *lang.function("from_bytes", [("data", lang.by_reference(kind))], self.kind, body, "The frame of the bytes of the SPI.")]  # fmt: skip
        if len(frame.bursts) > 1:
            sizes = [lang.count((b + 7) // 8) for b in frame.bursts]
            lines += ["", *lang.table(lang.uint(8), "burst_bytes", len(sizes), [f"{', '.join(sizes)},"], "Bytes of each chip-select burst.")]  # fmt: skip
        return lines
