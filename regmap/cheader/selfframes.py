"""The checks of a frame's routines in C, for the self-test: commands, replies, bytes, counters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial

from ..chip.bits import mask_of
from ..chip.model import Chip, Frame, Part
from ..frames.words import guards_of
from .framebase import asks
from .names import Namer, word
from .text import number, storage, utype
from .vectors import (
    COUNTS,
    Check,
    Judge,
    access_vectors,
    by_error,
    byte_vectors,
    counted,
    frame_vectors,
    free_parts,
    patterns,
    reply_vectors,
    shown_parts,
    sound_command,
    sound_commands,
    sound_reply,
    taken,
)


class FrameChecks:
    """The checks of one frame in C; a routine that the header has not is left alone."""

    def __init__(self, chip: Chip, frame: Frame, names: Namer, defined: str) -> None:
        self.chip, self.frame, self.names, self.defined = chip, frame, names, defined
        self.stem = f"{names.lower_prefix}_{word(frame.name).lower()}"
        self.kind, self.bits = utype(frame.length), frame.length
        self.helpers: list[str] = []
        self.judge = Judge(chip, frame)

    def has(self, name: str) -> bool:
        return f" {self.stem}_{name}(" in self.defined

    def flips(self, judged: Callable[[int], int]) -> str:
        """What is wrong where `bit` alone is."""
        pieces = [
            f"wrong(bit, {number(mask)}, {code}U)"
            for code, mask in by_error(storage(self.bits), judged).items()
        ]
        return f"({' | '.join(pieces)})" if len(pieces) > 1 else "".join(pieces) or "0U"

    def seen(self, value: int) -> str:
        return f"({self.kind})seen({number(value, self.bits)})"

    def each_bit(self, declared: Sequence[str], lines: Sequence[str]) -> list[str]:
        return [
            "{",
            *(f"    {line}" for line in declared),
            f"    {self.kind} bit = ({self.kind})seen(1U);",
            "    while (bit != 0U) {",
            *(f"        {line}" for line in lines),
            f"        bit = ({self.kind})(bit << 1U);",
            "    }",
            "}",
        ]

    def checks(self) -> Iterator[Check]:
        yield from self.commands()
        for kind in self.frame.replies:
            yield from self.replies(kind)

    def helper(self, name: str, params: Sequence[str], lines: Sequence[str]) -> str:
        """A function of the self-test alone, which many checks call; its name."""
        called = f"{word(self.frame.name).lower()}_{name}"
        signature = f"static void {called}({', '.join(params)})"
        self.helpers += ["", signature, "{", *(f"    {line}" for line in lines), "}"]
        return called

    def commands(self) -> Iterator[Check]:
        stem, free = self.stem, free_parts(self.frame)
        params = [f"{utype(p.width)} part_{i}" for i, p in enumerate(free)]
        args = [f"part_{i}" for i in range(len(free))]
        if args:
            args[0] = f"({utype(free[0].width)})seen(part_0)"
        packed = f"check({stem}_pack({', '.join(args)}) == frame);"
        call = self.helper(
            "command",
            [*params, f"{self.kind} frame", "uint8_t errors"],
            [packed, f"check({stem}_check(frame) == errors);"],
        )
        for one in frame_vectors(self.chip, self.frame):
            given = [number(v, p.width) for v, p in zip(one.values, free, strict=True)]
            given += [number(one.word, self.bits), f"{self.judge.command(one.word)}U"]
            yield one.about, [f"{call}({', '.join(given)});"]
        yield from self.accesses()
        pattern = patterns(self.bits)[2]
        wrong = f"({self.kind})(frame ^ bit)"
        mask = mask_of(tuple(b for g in guards_of(self.frame.command) for b in g.bits))
        # what is no bit of the frame is cut off as well
        mask |= ((1 << storage(self.bits)) - 1) & ~((1 << self.bits) - 1)
        for turn, sound in enumerate(sound_commands(self.judge, pattern)):
            declared = [f"const {self.kind} frame = {self.seen(sound)};"]
            errors = self.flips(partial(_of_command, self.judge.command, sound))
            lines = [f"check({stem}_check({wrong}) == {errors});"]
            if not turn and self.has("with_check_bits"):
                completed = f"{stem}_with_check_bits({wrong}) == frame"
                lines.append(f"check(({completed}) == ((bit & {number(mask)}) != 0U));")
            yield f"{self.frame.name}: one bit wrong, each in turn", self.each_bit(declared, lines)
        if self.has("with_counter"):
            frame = f"{stem}_with_counter((" + f"{self.kind})seen(frame), sent)"
            call = self.helper(
                "counter",
                [f"{self.kind} frame", "uint32_t sent", f"{self.kind} counted"],
                [f"check({frame} == counted);"],
            )
            for turn, n in enumerate(COUNTS):
                sound = sound_command(self.judge, patterns(self.bits)[turn % 2], turn)
                made = number(counted(self.frame, sound, n), self.bits)
                yield (
                    f"{self.frame.name}: counter after {n}",
                    [f"{call}({number(sound, self.bits)}, 0x{n:X}UL, {made});"],
                )
        yield from self.bytes()

    def bytes(self) -> Iterator[Check]:
        vectors = list(byte_vectors(self.chip.spi, self.frame))
        size = len(vectors[0][1])
        params = [f"{self.kind} frame", *(f"uint8_t b{i}" for i in range(size))]
        out = [f"{self.stem}_to_bytes(({self.kind})seen(frame), bytes);"]
        out += [f"check(bytes[{i}] == b{i});" for i in range(size)]
        back = [f"check({self.stem}_from_bytes(bytes) == frame);"]
        row = f"uint8_t bytes[{size}];"
        if all(o == b for _, o, b in vectors):
            calls = [self.helper("bytes", params, [row, *out, *back])] * 2
        else:
            put = [f"bytes[{i}] = b{i};" for i in range(size)]
            calls = [
                self.helper("to_bytes", params, [row, *out]),
                self.helper("from_bytes", params, [row, *put, *back]),
            ]
        for value, sent, got in vectors:
            text = number(value, self.bits)
            for call, data in dict(zip(calls, (sent, got), strict=True)).items():
                row = ", ".join(number(b, 8) for b in data)
                yield f"{self.frame.name}: bytes of {text}", [f"{call}({text}, {row});"]

    def accesses(self) -> Iterator[Check]:
        for called, given, made in access_vectors(self.chip, self.frame):
            name = "_".join(word(piece).lower() for piece in called.split())
            if self.has(name):
                args = ", ".join(number(v, p.width) for v, p in given)
                yield called, [f"check({self.stem}_{name}({args}) == {number(made, self.bits)});"]

    def replies(self, kind: str) -> Iterator[Check]:
        layout, judge = self.frame.replies[kind], self.judge
        stem = f"{self.stem}_reply" if kind == "any" else f"{self.stem}_{word(kind).lower()}_reply"
        if f" {stem}_unpack(" not in self.defined:
            return
        own: set[str] = set()
        parts = [(p, self.names.member(p.name, own)) for p in shown_parts(layout)]
        declared = [f"{stem}_t parts;"] if parts else []
        target = ", &parts" if parts else ""
        both = "sent, " if asks(layout) else ""
        echoes = f" {stem}_echo(" in self.defined
        data = layout.of_kind("data")
        answers = data is not None and self.frame.reply_to("read") is layout
        answers = answers and self.has("reply_data")
        if answers:
            declared.append(f"{self.names.lower('word_t')} data = 0U;")
        params = [f"{self.kind} sent", f"{self.kind} frame"]
        lines = [*declared, f"frame = ({self.kind})seen(frame);"]
        lines.append(f"check({stem}_unpack({both}frame{target}) == 0U);")
        for index, (part, item) in enumerate(parts):
            params.append(f"{'bool' if _flag(part) else utype(part.width)} part_{index}")
            lines.append(f"check(parts.{item} == part_{index});")
        if echoes:
            lines.append(f"check({stem}_echo(sent, frame) == 0U);")
        lines.append(f"check({self.stem}_reply_errors(sent, frame) == errors);")
        if answers:
            lines.append(f"check({self.stem}_reply_data(sent, frame, &data) == 0U);")
            lines.append(
                f"check(data == part_{next(i for i, (p, _) in enumerate(parts) if p is data)});"
            )
        call = self.helper(
            "reply" if kind == "any" else f"{word(kind).lower()}_reply",
            [*params, "uint8_t errors"],
            lines,
        )
        for one in reply_vectors(self.chip, self.frame, kind):
            given = [number(one.sent, self.bits), number(one.word, self.bits)]
            for part, _ in parts:
                value = taken(part, one.word)
                if _flag(part):
                    given.append("true" if value == bool(part.active) else "false")
                else:
                    given.append(number(value, part.width))
            given.append(f"{judge.replied(one.sent, one.word)}U")
            yield one.about, [f"{call}({', '.join(given)});"]
        yield from self.damaged(kind, stem, declared, echoes=echoes, answers=answers)

    def damaged(
        self, kind: str, stem: str, declared: list[str], *, echoes: bool, answers: bool
    ) -> Iterator[Check]:
        """A sound reply to each operation with one bit wrong; and the same reply to a command of which one bit is another."""
        layout, judge = self.frame.replies[kind], self.judge
        both = "sent, " if asks(layout) else ""
        target = ", &parts" if any(d.endswith(" parts;") for d in declared) else ""
        pattern = patterns(self.bits)[2]
        wrong, other = f"({self.kind})(frame ^ bit)", f"({self.kind})(sent ^ bit)"

        def unpacked(s: int, r: int) -> int:
            return judge.unpacked(layout, s, r)

        def echo(s: int, r: int) -> int:
            return judge.echo(layout, s, r)

        def read(s: int, r: int) -> int:
            return judge.unpacked(layout, s, r) | judge.echo(layout, s, r)

        for turn, sent in enumerate(sound_commands(self.judge, pattern)):
            reply = sound_reply(self.frame, kind, sent, pattern)
            calls: list[tuple[str, Callable[[int, int], int], bool]] = [
                (f"{self.stem}_reply_errors(sent, frame)", judge.replied, True)
            ]
            if not turn:
                calls.append((f"{stem}_unpack({both}frame{target})", unpacked, bool(both)))
                if echoes:
                    calls.append((f"{stem}_echo(sent, frame)", echo, True))
                if answers:
                    calls.append(
                        (f"{self.stem}_reply_data(sent, frame, &data)", read, bool(both or echoes))
                    )
            of_frame = [
                f"check({c.replace('frame', wrong)} == {self.flips(partial(_of_reply, judged, sent, reply))});"
                for c, judged, _ in calls
            ]
            of_sent = [
                f"check({c.replace('sent', other)} == {self.flips(partial(_of_sent, judged, sent, reply))});"
                for c, judged, asked in calls
                if asked
            ]
            about = f"reply of {self.frame.name}"
            for text, lines in (
                (f"{about}: one bit wrong, each in turn", of_frame),
                (f"{about}: to a command of which one bit is another", of_sent),
            ):
                used = [
                    d for d in declared if any(f"&{d.split()[1].rstrip(';')}" in x for x in lines)
                ]
                words = [("sent", sent), ("frame", reply)]
                used += [f"const {self.kind} {n} = {self.seen(v)};" for n, v in words]
                yield text, self.each_bit(used, lines)


def _of_command(judged: Callable[[int], int], sound: int, bit: int) -> int:
    return judged(sound ^ bit)


def _of_reply(judged: Callable[[int, int], int], sent: int, reply: int, bit: int) -> int:
    return judged(sent, reply ^ bit)


def _of_sent(judged: Callable[[int, int], int], sent: int, reply: int, bit: int) -> int:
    return judged(sent ^ bit, reply)


def _flag(part: Part) -> bool:
    return part.kind == "status" and part.width == 1
