"""The checks of a frame's routines in C, for the self-test: commands, replies, bytes, counters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
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
    FrameOracle,
    access_vectors,
    by_error,
    byte_vectors,
    counted,
    frame_vectors,
    free_parts,
    of_command,
    of_reply,
    of_sent,
    patterns,
    reply_vectors,
    shown_parts,
    sound_command,
    sound_commands,
    sound_reply,
    taken,
)


class FrameChecks:
    """The checks of one frame in C; a routine that the header has not is left alone.

    `sent`, `frame` and `bit` are objects of the file, for parts whose stack holds few words.
    """

    def __init__(self, chip: Chip, frame: Frame, names: Namer, defined: str) -> None:
        self.chip, self.frame, self.names, self.defined = chip, frame, names, defined
        self.own = word(frame.name).lower()
        self.stem = f"{names.lower_prefix}_{self.own}"
        self.kind, self.bits = utype(frame.length), frame.length
        self.helpers: list[str] = []
        self.judge = FrameOracle(chip, frame)
        self.words = {
            "sent": f"({self.kind})sent",
            "frame": f"({self.kind})frame",
            "bit": f"({self.kind})bit",
        }
        self.wrong = {**self.words, "frame": f"({self.kind})(frame ^ bit)"}
        self.other = {**self.words, "sent": f"({self.kind})(sent ^ bit)"}

    def has(self, name: str) -> bool:
        return f" {self.stem}_{name}(" in self.defined

    def flips(self, judged: Callable[[int], int]) -> str:
        """What is wrong where `bit` alone is."""
        pieces = [
            f"wrong({number(mask)}, {code}U)"
            for code, mask in by_error(storage(self.bits), judged).items()
        ]
        return f"({' | '.join(pieces)})" if len(pieces) > 1 else "".join(pieces) or "0U"

    def set(self, **values: int) -> list[str]:
        return [f"{name} = {number(value, self.bits)};" for name, value in values.items()]

    def each_bit(self, lines: Sequence[str]) -> list[str]:
        return [
            "bit = 1U;",
            f"while ({self.words['bit']} != 0U) {{",
            *(f"    {line}" for line in lines),
            "    bit <<= 1U;",
            "}",
        ]

    def checks(self) -> Iterator[Check]:
        yield from self.commands()
        for kind in self.frame.replies:
            yield from self.replies(kind)

    def helper(self, name: str, params: Sequence[str], lines: Sequence[str]) -> str:
        """A function of the self-test alone, which many checks call; its name."""
        called = f"{self.own}_{name}"
        signature = f"static void {called}({', '.join(params)})"
        self.helpers += ["", signature, "{", *(f"    {line}" for line in lines), "}"]
        return called

    def commands(self) -> Iterator[Check]:
        stem, free, frame = self.stem, free_parts(self.frame), self.words["frame"]
        params = [f"{utype(p.width)} part_{i}" for i, p in enumerate(free)]
        packed = f"{stem}_pack({', '.join(f'part_{i}' for i in range(len(free)))})"
        call = self.helper(
            "command",
            [*params, "uint8_t errors"],
            [f"check({packed} == {frame});", f"check({stem}_check({frame}) == errors);"],
        )
        for one in frame_vectors(self.chip, self.frame):
            given = [number(v, p.width) for v, p in zip(one.values, free, strict=True)]
            given.append(f"{self.judge.command(one.word)}U")
            yield one.about, [*self.set(frame=one.word), f"{call}({', '.join(given)});"]
        yield from self.accesses()
        mask = mask_of(tuple(b for g in guards_of(self.frame.command) for b in g.bits))
        # what is no bit of the frame is cut off as well
        mask |= ((1 << storage(self.bits)) - 1) & ~((1 << self.bits) - 1)
        wrong = self.wrong["frame"]
        for turn, sound in enumerate(sound_commands(self.judge, patterns(self.bits)[2])):
            errors = self.flips(partial(of_command, self.judge.command, sound))
            lines = [f"check({stem}_check({wrong}) == {errors});"]
            if not turn and self.has("with_check_bits"):
                completed = f"{stem}_with_check_bits({wrong}) == {frame}"
                lines.append(f"check(({completed}) == ((bit & {number(mask)}) != 0U));")
            about = f"{self.frame.name}: one bit wrong, each in turn"
            yield about, [*self.set(frame=sound), *self.each_bit(lines)]
        if self.has("with_counter"):
            for turn, n in enumerate(COUNTS):
                sound = sound_command(self.judge, patterns(self.bits)[turn % 2], turn)
                made = number(counted(self.frame, sound, n), self.bits)
                line = f"check({stem}_with_counter({frame}, 0x{n:X}UL) == {made});"
                yield f"{self.frame.name}: counter after {n}", [*self.set(frame=sound), line]
        yield from self.bytes()

    def bytes(self) -> Iterator[Check]:
        vectors = list(byte_vectors(self.chip.spi, self.frame))
        size = len(vectors[0][1])
        params = [f"uint8_t b{i}" for i in range(size)]
        self.helpers += ["", f"static uint8_t {self.own}_bytes[{size}];"]
        row, frame = f"{self.own}_bytes", self.words["frame"]
        out = [f"{self.stem}_to_bytes({frame}, {row});"]
        out += [f"check({row}[{i}] == b{i});" for i in range(size)]
        back = [f"check({self.stem}_from_bytes({row}) == {frame});"]
        if all(o == b for _, o, b in vectors):
            calls = [self.helper("both_ways", params, [*out, *back])] * 2
        else:
            put = [f"{row}[{i}] = b{i};" for i in range(size)]
            calls = [
                self.helper("as_bytes", params, out),
                self.helper("of_bytes", params, [*put, *back]),
            ]
        for value, sent, got in vectors:
            about = f"{self.frame.name}: bytes of {number(value, self.bits)}"
            for call, data in dict(zip(calls, (sent, got), strict=True)).items():
                given = ", ".join(number(b, 8) for b in data)
                yield about, [*self.set(frame=value), f"{call}({given});"]

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
        data = layout.of_kind("data") if self.frame.reply_to("read") is layout else None
        name = self.own if kind == "any" else f"{self.own}_{word(kind).lower()}"
        calls = {"replied": f"{self.stem}_reply_errors({{sent}}, {{frame}})"}
        given = ["{sent}"] if asks(layout) else []
        shown = [f"&{name}_parts"] if parts else []
        calls["unpacked"] = f"{stem}_unpack({', '.join([*given, '{frame}', *shown])})"
        if f" {stem}_echo(" in self.defined:
            calls["echo"] = f"{stem}_echo({{sent}}, {{frame}})"
        if parts:
            self.helpers += ["", f"static {stem}_t {name}_parts;"]
        if data is not None and self.has("reply_data"):
            calls["read"] = f"{self.stem}_reply_data({{sent}}, {{frame}}, &{name}_data)"
            self.helpers += ["", f"static {self.names.lower('word_t')} {name}_data;"]
        lines = [f"check({calls['unpacked'].format(**self.words)} == 0U);"]
        params = []
        for index, (part, item) in enumerate(parts):
            params.append(f"{'bool' if _flag(part) else utype(part.width)} part_{index}")
            lines.append(f"check({name}_parts.{item} == part_{index});")
        lines += [
            f"check({calls[c].format(**self.words)} == 0U);" for c in ("echo", "read") if c in calls
        ]
        if "read" in calls:
            at = next(i for i, (p, _) in enumerate(parts) if p is data)
            lines.append(f"check({name}_data == ({self.names.lower('word_t')})part_{at});")
        lines.append(f"check({calls['replied'].format(**self.words)} == errors);")
        piece = "reply" if kind == "any" else f"{word(kind).lower()}_reply"
        call = self.helper(piece, [*params, "uint8_t errors"], lines)
        for one in reply_vectors(self.chip, self.frame, kind):
            values = []
            for part, _ in parts:
                value = taken(part, one.word)
                if _flag(part):
                    values.append("true" if value == bool(part.active) else "false")
                else:
                    values.append(number(value, part.width))
            values.append(f"{judge.replied(one.sent, one.word)}U")
            words = self.set(sent=one.sent, frame=one.word)
            yield one.about, [*words, f"{call}({', '.join(values)});"]
        yield from self.damaged(kind, calls)

    def damaged(self, kind: str, calls: Mapping[str, str]) -> Iterator[Check]:
        """A sound reply to each operation with one bit wrong; and the same reply to a command of which one bit is another."""
        layout, judge = self.frame.replies[kind], self.judge
        pattern = patterns(self.bits)[2]

        def unpacked(s: int, r: int) -> int:
            return judge.unpacked(layout, s, r)

        def echo(s: int, r: int) -> int:
            return judge.echo(layout, s, r)

        def read(s: int, r: int) -> int:
            return judge.unpacked(layout, s, r) | judge.echo(layout, s, r)

        told: dict[str, Callable[[int, int], int]]
        told = {"replied": judge.replied, "unpacked": unpacked, "echo": echo, "read": read}
        for turn, sent in enumerate(sound_commands(self.judge, pattern)):
            reply = sound_reply(self.frame, kind, sent, pattern)
            about = f"reply of {self.frame.name}"
            for text, words, of in (
                (f"{about}: one bit wrong, each in turn", self.wrong, of_reply),
                (f"{about}: to a command of which one bit is another", self.other, of_sent),
            ):
                lines = [
                    f"check({call.format(**words)} == {self.flips(partial(of, told[name], sent, reply))});"
                    for name, call in calls.items()
                    # what hangs on the reply's layout alone is tried once, and what is not asked of the command never
                    if name == "replied" or (not turn and (of is of_reply or "{sent}" in call))
                ]
                yield text, [*self.set(sent=sent, frame=reply), *self.each_bit(lines)]


def _flag(part: Part) -> bool:
    return part.kind == "status" and part.width == 1
