"""The self-test for the target in C++ and Rust, of the same vectors as in C (`cheader.selftest`)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import PurePath

from ...chip.bits import mask_of
from ...chip.model import Chip, Field, Frame, Register
from ...errors import CallError
from ...frames.words import guards_of
from ...stages.load import Stage
from ..chainstream import Stream
from ..names import KEYWORDS, word
from ..selftest import check_include
from ..sheet import Options
from ..text import storage
from ..vectors import (
    COUNTS,
    Check,
    FrameOracle,
    access_vectors,
    by_error,
    byte_vectors,
    counted,
    field_vector,
    frame_vectors,
    free_parts,
    groups,
    of_command,
    of_reply,
    of_sent,
    patterns,
    reply_vectors,
    shown_parts,
    sound_command,
    sound_commands,
    sound_reply,
    stream_vectors,
    taken,
)
from .either import Either
from .generate import written_in
from .language import RUST_WORDS, local
from .registers import OWN, has_registers

GROUP = 96  # lines in a function


def self_test_in(
    language: str,
    source: Stage | Chip,
    options: Options,
    include: str,
    others: Sequence[Stage] = (),
) -> str:
    """Text beside the one that `generate_in` makes of the same, which lies in `include`. Raises CallError."""
    made, sheet, lang = written_in(language, source, options, others)  # refuses what it refuses
    check_include(include)
    name = made.prefix.lower()
    if language == "rust":
        name = PurePath(include).stem
        if not name.isidentifier() or name in RUST_WORDS or name in KEYWORDS:
            raise CallError(
                f"the file's name {include[:40]!r} is no name of a module", "as drive.rs"
            )
    checks: list[Check] = []
    taken_names: set[str] = set()
    for frame in sheet.chip.frames.values():
        path = lang.path(name, "frames", local(frame.name, taken_names))
        if sheet.has("frames"):
            checks += _Frames(lang, sheet.chip, frame, name, path).checks()
    if sheet.chips and sheet.has("frames"):
        checks += _streams(lang, sheet.chip, name, sheet.chips)
    taken_names = set()
    for register in sheet.chip.registers.values():
        inner, place = set(OWN), local(register.name, taken_names)
        for field in register.fields:
            path = lang.path(name, "reg", place, local(field.name, inner))
            if has_registers(sheet):
                checks.append((field.ref, _field(lang, register, field, path)))
    about = [
        f"Self-test of {include} on the target: {len(checks)} checks.",
        "Call self_test() where a failure can be seen: 0 is right, else the number of the first check that failed, as "
        "it stands below. A number means that this compiler, with these options, does not do what the text says.",
    ]
    numbered = [
        (f"{at}. {about}", [lang.turn(), *lines]) for at, (about, lines) in enumerate(checks, 1)
    ]
    parts = groups(numbered, GROUP)
    lines = [*lang.remark(about), *lang.self_test(name, include, made.hash[:8].upper(), parts)]
    return "\n".join(lines) + "\n"


class _Frames:
    """The checks of one frame."""

    def __init__(self, lang: Either, chip: Chip, frame: Frame, name: str, path: str) -> None:
        self.lang, self.chip, self.frame, self.place = lang, chip, frame, path
        self.name, self.judge = name, FrameOracle(chip, frame)
        self.longest = max(f.length for f in chip.frames.values())
        self.kind = lang.path(name, lang.type_name("frame"))

    def call(self, routine: str, *args: str) -> str:
        return f"{self.lang.path(self.place, routine)}({', '.join(args)})"

    def word(self, value: int) -> str:
        return self.lang.number(value, self.frame.length)

    def let(self, name: str, value: int) -> str:
        return self.lang.let_auto(
            name, self.lang.seen(self.word(value), self.lang.uint(self.longest))
        )

    def flips(self, judged: Callable[[int], int]) -> str:
        """What is wrong where `bit` alone is."""
        found = by_error(storage(self.longest), judged)
        pieces = [
            f"wrong(bit, {self.lang.number(mask)}, {self.lang.count(code)})"
            for code, mask in found.items()
        ]
        return (
            f"({' | '.join(pieces)})" if len(pieces) > 1 else "".join(pieces) or self.lang.count(0)
        )

    def checks(self) -> Iterator[Check]:
        yield from self.commands()
        yield from self.bytes()
        for kind in self.frame.replies:
            yield from self.replies(kind)

    def commands(self) -> Iterator[Check]:
        lang, frame, holds = self.lang, self.frame, self.lang.holds
        for one in frame_vectors(self.chip, frame):
            args = [
                lang.seen(lang.number(v, p.width), lang.uint(p.width))
                for v, p in zip(one.values, free_parts(frame), strict=True)
            ]
            errors = lang.count(self.judge.command(one.word))
            yield (
                one.about,
                [
                    self.let("frame", one.word),
                    holds(f"{self.call('pack', *args)} == {self.word(one.word)}"),
                    holds(f"{self.call('check', 'frame')} == {errors}"),
                ],
            )
        for called, given, made in access_vectors(self.chip, frame):
            routine, _, command = called.partition(" ")
            name = f"{routine}_{self.commands_called[command]}" if command else routine
            args = [lang.seen(lang.number(v, p.width), lang.uint(p.width)) for v, p in given]
            yield called, [holds(f"{self.call(name, *args)} == {self.word(made)}")]
        mask = mask_of(tuple(b for g in guards_of(frame.command) for b in g.bits))
        beyond = ((1 << storage(self.longest)) - 1) & ~((1 << frame.length) - 1)
        wrong = lang.flipped("frame", "bit")
        for turn, sound in enumerate(sound_commands(self.judge, patterns(frame.length)[2])):
            errors = self.flips(partial(of_command, self.judge.command, sound))
            lines = [holds(f"{self.call('check', wrong)} == {errors}")]
            if mask and not turn:
                same = f"({self.call('with_check_bits', wrong)} == frame)"
                lines.append(
                    holds(f"{same} == ((bit & {lang.number(mask | beyond)}) != {lang.count(0)})")
                )
            yield (
                f"{frame.name}: one bit wrong, each in turn",
                [self.let("frame", sound), *lang.each_bit(self.kind, lines)],
            )
        if frame.command.of_kind("counter") is not None:
            for turn, n in enumerate(COUNTS):
                sound = sound_command(self.judge, patterns(frame.length)[turn % 2], turn)
                made_of = self.word(counted(frame, sound, n))
                count = lang.seen(lang.number(n, 32), lang.uint(32))
                yield (
                    f"{frame.name}: counter after {n}",
                    [
                        self.let("frame", sound),
                        holds(f"{self.call('with_counter', 'frame', count)} == {made_of}"),
                    ],
                )

    @property
    def commands_called(self) -> dict[str, str]:
        """What the map's commands are called in this frame."""
        names: set[str] = set()
        recogniser = self.judge.recogniser
        return {
            c.name: local(c.name, names)
            for c in self.chip.commands.values()
            if recogniser.carries(self.frame, c)
            and all(
                (p := self.frame.command.named(n)) is not None and not v >> p.width
                for n, v in c.parts.items()
            )
        }

    def bytes(self) -> Iterator[Check]:
        lang, holds = self.lang, self.lang.holds
        for value, out, back in byte_vectors(self.chip.spi, self.frame):
            same = " && ".join(f"(bytes[{i}] == {lang.number(b, 8)})" for i, b in enumerate(out))
            lines = [
                self.let("frame", value),
                lang.let_auto("bytes", self.call("to_bytes", "frame")),
                holds(same),
            ]
            came = "bytes"
            if out != back:
                came = "came"
                row = [lang.seen(lang.number(b, 8), lang.uint(8)) for b in back]
                lines.append(lang.let_row(self.name, "came", lang.uint(8), row))
            taken_back = self.call("from_bytes", lang.borrowed(came))
            yield (
                f"{self.frame.name}: bytes of {self.word(value)}",
                [*lines, holds(f"{taken_back} == {self.word(value)}")],
            )

    def replies(self, kind: str) -> Iterator[Check]:
        lang, holds, judge = self.lang, self.lang.holds, self.judge
        frame, layout = self.frame, self.frame.replies[kind]
        stem = "reply" if kind == "any" else f"{word(kind).lower()}_reply"
        names = {"errors"}
        parts = [(p, local(p.name, names)) for p in shown_parts(layout)]
        data = layout.of_kind("data") if frame.reply_to("read") is layout else None
        unpack = self.call(f"unpack_{stem}", "sent", "frame")
        for one in reply_vectors(self.chip, frame, kind):
            lines = [self.let("sent", one.sent), self.let("frame", one.word)]
            lines += [lang.let_auto("parts", unpack), holds(f"parts.errors == {lang.count(0)}")]
            for part, item in parts:
                value = taken(part, one.word)
                if part.kind == "status" and part.width == 1:
                    no = "" if value == bool(part.active) else "!"
                    lines.append(holds(f"{no}parts.{item}"))
                else:
                    lines.append(holds(f"parts.{item} == {lang.number(value, part.width)}"))
            errors = lang.count(judge.replied(one.sent, one.word))
            lines.append(holds(f"{self.call('reply_errors', 'sent', 'frame')} == {errors}"))
            if data is not None:
                # what carries more than the widest register is cut to that
                widest = storage(max(r.width for r in self.chip.registers.values()))
                value = taken(data, one.word) & (1 << widest) - 1
                shown = lang.number(value, min(data.width, widest))
                lines.append(holds(f"{self.call('read_data', 'frame')} == {shown}"))
            yield one.about, lines

        def unpacked(sent: int, reply: int) -> int:
            return judge.unpacked(layout, sent, reply) | judge.echo(layout, sent, reply)

        pattern = patterns(frame.length)[2]
        for turn, sent in enumerate(sound_commands(self.judge, pattern)):
            reply = sound_reply(frame, kind, sent, pattern)
            calls: list[tuple[str, Callable[[int, int], int]]] = [
                (self.call("reply_errors", "sent", "frame"), judge.replied)
            ]
            if not turn:
                calls.append((f"{unpack}.errors", unpacked))
            about = f"reply of {frame.name}"
            for text, name, other in (
                (f"{about}: one bit wrong, each in turn", "frame", of_reply),
                (f"{about}: to a command of which one bit is another", "sent", of_sent),
            ):
                lines = []
                for call, judged in calls:
                    head, _, args = call.rpartition("(")
                    args = args.replace(name, lang.flipped(name, "bit"))
                    expected = self.flips(partial(other, judged, sent, reply))
                    lines.append(holds(f"{head}({args} == {expected}"))
                yield (
                    text,
                    [
                        self.let("sent", sent),
                        self.let("frame", reply),
                        *lang.each_bit(self.kind, lines),
                    ],
                )


def _streams(lang: Either, chip: Chip, name: str, chips: int) -> Iterator[Check]:
    """A daisy chain."""
    [frame] = chip.frames.values()
    shape = Stream(chip, frame, chips)
    kind, u8, holds = lang.path(name, lang.type_name("frame")), lang.uint(8), lang.holds
    pack, unpack = lang.path(name, "chain_pack"), lang.path(name, "chain_unpack")
    wide = lang.uint(frame.length)
    for index, one in enumerate(stream_vectors(chip, frame, chips)):
        heads = shape.reply_headers() if not index else []
        flags = lang.count(sum(1 << shape.commands.index(n) for n in one.commands))
        words = [lang.seen(lang.number(w, frame.length), wide) for w in one.words]
        lines = [
            lang.let_row(name, "frames", kind, words),
            lang.let_auto("out", f"{pack}({lang.borrowed('frames')}, {flags})"),
            *(holds(f"out[{i}] == {lang.number(b, 8)}") for i, b in enumerate(one.out)),
            lang.let_row(
                name, "stream", u8, [lang.number(b, 8) for b in one.back], mutable=bool(heads)
            ),
            lang.let_row(name, "back", kind, [lang.count(0)] * chips, mutable=True),
        ]
        called = f"{unpack}({lang.borrowed('stream')}, {lang.lent('back')})"
        lines.append(holds(called))
        lines += [
            holds(f"back[{i}] == {lang.number(w, frame.length)}") for i, w in enumerate(one.words)
        ]
        for at, bits, mask, _ in heads:
            for place in range(at, at + bits):
                toggle = lang.toggle("stream", place >> 3, 0x80 >> (place & 7))
                no = "!" if mask >> (at + bits - 1 - place) & 1 else ""
                lines += [toggle, holds(f"{no}{called}"), toggle]
        lines += [holds(called)] if heads else []
        yield f"stream {index} of the chain", lines


def _field(lang: Either, register: Register, field: Field, path: str) -> list[str]:
    whole, small = lang.uint(register.width), lang.uint(field.width)
    one = field_vector(register, field)

    def of_register(value: int) -> str:
        return lang.seen(lang.number(value, register.width), whole)

    get, set_ = lang.path(path, "get"), lang.path(path, "set")
    full = lang.number(one.most, field.width)
    lines = [
        lang.holds(f"{get}({of_register(field.mask)}) == {full}"),
        lang.holds(f"{get}({of_register(one.others)}) == {lang.count(0)}"),
    ]
    if one.put is not None:
        for before, code, put in ((register.mask, one.code, one.put), (0, one.most, field.mask)):
            value = lang.seen(lang.number(code, field.width), small)
            made = lang.number(put, register.width)
            lines.append(lang.holds(f"{set_}({of_register(before)}, {value}) == {made}"))
    return lines
