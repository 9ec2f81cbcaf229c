"""Replies: taken apart, compared with the command that they answer, and judged."""

from __future__ import annotations

from ...chip.model import Layout
from ...frames.words import guards_of
from ..names import word
from ..replies import UNSHOWN, counter_of, status_error, told_apart
from .language import local, named
from .pieces import Pieces


class TypedReplyWriter(Pieces):
    """Everything that takes a reply apart."""

    def replies(self) -> list[str]:
        lang, lines = self.lang, []
        word_bits = max(r.width for r in self.sheet.chip.registers.values())
        u8 = lang.uint(8)
        for index, (kind, layout) in enumerate(self.frame.replies.items()):
            stem = "reply" if kind == "any" else f"{word(kind).lower()}_reply"
            sent = any(p.kind == "echo" or p.over_command for p in layout.parts)
            if guards_of(layout):
                body = [lang.let("command", lang.widen("sent")), lang.let("whole", lang.widen("frame")), *self.completed(layout)]  # fmt: skip
                if not any("command" in line for line in body[1:]):
                    body[0] = lang.unused("sent")
                about = "The reply with its check bits computed anew."
                lines += ["", *lang.function(f"complete_reply_{index}", [("sent", self.kind), ("frame", self.kind)], self.kind, [*body, lang.give(self.frame_of("complete"))], about)]  # fmt: skip
            parts = [p for p in layout.parts if p.kind not in UNSHOWN]
            taken = {"errors"}
            members, values = [], []
            for part in parts:
                item = named(
                    self.sheet,
                    f"part {part.name} of the reply of {self.frame.name}",
                    part.name,
                    taken,
                )
                flag = part.kind == "status" and part.width == 1
                about = part.summary or {"data": "the register's word", "echo": f"repeats {part.of}"}.get(part.kind, "")  # fmt: skip
                members.append((item, lang.flag() if flag else lang.uint(part.width), about))
                value = lang.take("whole", part.bits)
                if flag:
                    values.append(
                        (item, f"{value} {'!=' if part.active else '=='} {lang.count(0)}")
                    )
                else:
                    values.append((item, lang.narrow(value, part.width)))
            members.append(("errors", u8, "bits of `error`; 0: nothing is wrong"))
            kind_name = lang.type_name(stem)
            lines += ["", *lang.struct(kind_name, members)]
            body = [lang.let("whole", lang.widen("frame")), lang.let_small("errors", mutable=True)]
            body += self.sound(layout, sent=True)
            for part in layout.parts:
                if part.kind != "echo":
                    continue
                source = self.frame.command.named(part.of)
                assert source is not None  # the loader has seen to it
                body += lang.when(
                    f"({lang.take(lang.widen('sent'), source.bits)}) != ({lang.take('whole', part.bits)})",
                    [f"errors |= {lang.error('echo')};"],
                )
            text = "\n".join(body[1:])
            if "errors |=" not in text:
                body[1] = lang.let_small("errors", mutable=False)
            if "sent" not in text and not sent:
                body.insert(0, lang.unused("sent"))
            body.append(lang.give(lang.make(kind_name, [*values, ("errors", "errors")])))
            if "whole" not in "\n".join(body[1:]):
                body = [lang.unused("frame"), *(b for b in body if not b.startswith(lang.let("whole", "")[:12]))]  # fmt: skip
            what = "any command" if kind == "any" else kind
            about = f"The parts of a reply to {what} `sent`, and what is wrong with it."
            lines += ["", *lang.function(f"unpack_{stem}", [("sent", self.kind), ("frame", self.kind)], kind_name, body, about)]  # fmt: skip
        if self.frame.replies:
            lines += self.reply_errors()
        answer = self.frame.reply_to("read")
        if answer is not None and (data := answer.of_kind("data")) is not None:
            kind = next(k for k, x in self.frame.replies.items() if x is answer)
            stem = "reply" if kind == "any" else f"{word(kind).lower()}_reply"
            body = [lang.let("whole", lang.widen("frame")), lang.give(lang.narrow(lang.take("whole", data.bits), word_bits))]  # fmt: skip
            lines += ["", *lang.function("read_data", [("frame", self.kind)], lang.type_name("word"), body, "The register word in the reply to a read.")]  # fmt: skip
        return lines

    def reply_errors(self) -> list[str]:
        """`reply_errors(sent, frame)`: of the reply to whatever was sent."""
        lang, layouts = self.lang, self.frame.replies
        operation = self.frame.command.of_kind("operation")
        told = told_apart(self.frame, self.sheet.recogniser.kinds)
        nobody: list[str] = []  # replies to a command to an address that every chip takes
        for part in self.frame.command.parts:
            for address in part.shared:
                code = f"({lang.take(lang.widen('sent'), part.bits)})"
                nobody += lang.when(
                    f"{code} == {lang.count(address)}", [f"errors &= {lang.count(0)};"]
                )
        lines = [lang.let_small("errors", mutable=True)]
        if operation is not None and told is not None:
            code = f"({lang.take(lang.widen('sent'), operation.bits)})"
            for given, key in told.items():
                lines += lang.when(f"{code} == {lang.count(given)}", self._judge(key, layouts[key]))
            if "any" in layouts:
                others = " && ".join(f"({code} != {lang.count(given)})" for given in told)
                lines += lang.when(others, self._judge("any", layouts["any"]))
        else:
            # several that only the chip's state tells apart: one of them must fit
            items = list(layouts.items())
            first, *rest = items
            lines = [*self._judge(*first, declare="errors"), *([lang.let_small("other", mutable=True)] if rest else [])]  # fmt: skip
            for key, layout in rest:
                body = [*self._judge(key, layout, target="other")]
                body += lang.when(f"(other & {lang.number(0x3F, 8)}) < (errors & {lang.number(0x3F, 8)})", ["errors = other;"])  # fmt: skip
                lines += lang.when(f"(errors & {lang.number(0x3F, 8)}) != {lang.count(0)}", body)
            if not rest and not any(
                "errors |=" in x or "errors &=" in x for x in (*lines, *nobody)
            ):
                lines = [x.replace("let mut ", "let ") for x in lines]
        about = "What is wrong with the reply to a command (bits of `error`), as far as the map tells; RESET is none, but news."  # fmt: skip
        params = [("sent", self.kind), ("frame", self.kind)]
        return ["", *lang.function("reply_errors", params, lang.uint(8), [*lines, *nobody, lang.give("errors")], about)]  # fmt: skip

    def _judge(
        self, key: str, layout: Layout, target: str = "errors", declare: str = ""
    ) -> list[str]:
        lang = self.lang
        stem = "reply" if key == "any" else f"{word(key).lower()}_reply"
        lines = [
            f"{lang.let_any('parts_' + stem, lang.type_name(stem))} = unpack_{stem}(sent, frame);"
        ]
        first = f"parts_{stem}.errors"
        lines.append(lang.let_as(declare, first) if declare else f"{target} = {first};")
        taken = {"errors"}
        for part in layout.parts:
            if part.kind in UNSHOWN:
                continue
            item = local(part.name, taken)
            error = status_error(self.sheet.chip, part).lower()
            if error:
                lines += lang.when(f"parts_{stem}.{item}", [f"{declare or target} |= {lang.error(error)};"])  # fmt: skip
        return lines

    def reply_counter(self) -> tuple[str, int, int]:
        """An expression for the counter of the wide `whole`, its step and width; "" where not every reply has it."""
        bits, step = counter_of(self.frame)
        if not bits:
            return "", 0, 0
        return self.lang.take("whole", bits), step, len(bits)
