"""What a self-test tries the routines of a header with, in every language, and what each of them must answer.

Words are patterns in which every two bits of a frame differ at least once, so that a bit which is taken from,
or put to, another place is noticed; and sound frames of which each bit in turn is wrong. What is wrong with a word is
worked out from the map by `regmap.frames`, not by the routines that are tried.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping, Sequence

from regmap.record import dataclass

from ..chip.bits import deposit, mask_of
from ..chip.model import Chip, Field, Frame, Layout, Part, Register, Spi
from ..frames import chain as chains
from ..frames.codec import Codec
from ..frames.words import (
    build,
    bursts,
    command_bytes,
    guard_value,
    guards_of,
    split,
    wire_bytes,
)
from .framebase import FRAME_ERRORS, FREE, accesses_of, known_codes
from .replies import UNSHOWN, status_error, told_apart

#: what a check is about, and its lines
Check = tuple[str, list[str]]
CHECK_BITS, FIXED, OPERATION, ECHO, _, REJECTED, RESET = (code for _, code, _ in FRAME_ERRORS)
#: what is news and no fault does not make another layout fit better
FAULTS = 0x3F
EXAMPLES = 3  # of the map, for each direction of a frame
#: numbers of frames sent, for counters: each bit of them both ways, and what wraps
COUNTS = (0, 1, 2, 3, 0x55555555, 0xAAAAAAAA, 0xFFFFFFFF)


def patterns(length: int) -> list[int]:
    """Words of which every two bits differ in one at least, and every bit from a constant."""
    found = [0, (1 << length) - 1]
    for digit in range((length - 1).bit_length()):
        found.append(sum(1 << bit for bit in range(length) if bit >> digit & 1))
    return found


def taken(part: Part, word: int) -> int:
    value = 0
    for bit in part.bits:
        value = value << 1 | word >> bit & 1
    return value


def free_parts(frame: Frame) -> list[Part]:
    """What `pack` takes, in its order."""
    return [p for p in frame.command.parts if p.kind in FREE]


def shown_parts(layout: Layout) -> list[Part]:
    """What the structure of a reply shows, in its order."""
    return [p for p in layout.parts if p.kind not in UNSHOWN]


# --- what is wrong with a word ----------------------------------------------------------------------
class FrameOracle:
    """What the routines of a frame must say of a word (FRAME_ERROR bits), by the map."""

    def __init__(self, chip: Chip, frame: Frame) -> None:
        self.chip, self.frame = chip, frame
        self.recogniser = Codec(chip).recogniser
        self.codes = {
            p.name: known_codes(chip, self.recogniser, frame, p)
            for p in frame.command.parts
            if p.kind == "operation"
        }
        self.told = told_apart(frame, self.recogniser.kinds)

    def _wrong(self, layout: Layout, word: int, sent: int) -> int:
        errors = 0
        guards = guards_of(layout)
        cut = word & (1 << layout.length) - 1
        if guards:
            whole = cut & ~mask_of(tuple(b for g in guards for b in g.bits))
            for guard in guards:
                whole |= deposit(guard_value(guard, whole, sent), guard.bits)
            errors |= CHECK_BITS if whole != word else 0
        for part in layout.parts:
            fixed = part.kind in ("fixed", "chip") or part.shared
            if fixed and taken(part, cut) not in (part.value, *part.shared):
                errors |= FIXED
        return errors | (FIXED if cut != word else 0)

    def command(self, word: int) -> int:
        """`check`."""
        errors = self._wrong(self.frame.command, word, 0)
        for part in self.frame.command.parts:
            if part.kind == "operation" and taken(part, word) not in self.codes[part.name]:
                errors |= OPERATION
        return errors

    def unpacked(self, layout: Layout, sent: int, word: int) -> int:
        """`unpack` of a reply, echoes not compared."""
        return self._wrong(layout, word, sent)

    def echo(self, layout: Layout, sent: int, word: int) -> int:
        for part in layout.parts:
            source = self.frame.command.named(part.of) if part.kind == "echo" else None
            if source is not None and taken(part, word) != taken(source, sent):
                return ECHO
        return 0

    def _judged(self, layout: Layout, sent: int, word: int) -> int:
        errors = self.unpacked(layout, sent, word) | self.echo(layout, sent, word)
        for part in layout.parts:
            error = status_error(self.chip, part)
            if error and taken(part, word) == bool(part.active):
                errors |= REJECTED if error == "REJECTED" else RESET
        return errors

    def replied(self, sent: int, word: int) -> int:
        """`reply_errors`: of the reply to whatever was sent."""
        for part in self.frame.command.parts:
            if part.shared and taken(part, sent) in part.shared:
                return 0
        operation = self.frame.command.of_kind("operation")
        if operation is not None and self.told is not None:
            code = taken(operation, sent)
            key = self.told.get(code, "any")
            layout = self.frame.replies.get(key)
            return 0 if layout is None else self._judged(layout, sent, word)
        first, *others = self.frame.replies.values()
        errors = self._judged(first, sent, word)
        for layout in others:
            if errors & FAULTS:
                other = self._judged(layout, sent, word)
                errors = other if other & FAULTS < errors & FAULTS else errors
        return errors


def by_error(size: int, judged: Callable[[int], int]) -> dict[int, int]:
    """For each kind of error the bits, of `size`, that make it where they alone are wrong."""
    found: dict[int, int] = {}
    for bit in range(size):
        errors = judged(1 << bit)
        for _, code, _ in FRAME_ERRORS:
            if errors & code:
                found[code] = found.get(code, 0) | 1 << bit
    return found


def of_command(judged: Callable[[int], int], sound: int, bit: int) -> int:
    """What is wrong with a sound command of which this bit is another."""
    return judged(sound ^ bit)


def of_reply(judged: Callable[[int, int], int], sent: int, reply: int, bit: int) -> int:
    """What is wrong with a sound reply of which this bit is another."""
    return judged(sent, reply ^ bit)


def of_sent(judged: Callable[[int, int], int], sent: int, reply: int, bit: int) -> int:
    """What is wrong with a sound reply to a command of which this bit is another."""
    return judged(sent ^ bit, reply)


# --- commands ---------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class FrameVector:
    """A command of one frame: the values of its free parts in order, and the word."""

    about: str
    values: tuple[int, ...]
    word: int


def frame_vectors(chip: Chip, frame: Frame) -> Iterator[FrameVector]:
    """Examples of the map first, then every pattern."""
    layout, free, codec = frame.command, free_parts(frame), Codec(chip)
    known = [
        command
        for k in chip.known_frames
        if (command := k.command) is not None
        and not command >> frame.length
        and not codec.decode_command(command, frame=frame).flaws
    ]
    words = [("example of the map", w) for w in dict.fromkeys(known)][:EXAMPLES]
    for index, pattern in enumerate(patterns(frame.length)):
        words.append((f"pattern {index}", build(layout, {p.name: taken(p, pattern) for p in free})))
    for about, value in words:
        yield FrameVector(f"{frame.name}: {about}", tuple(taken(p, value) for p in free), value)


def sound_command(judge: FrameOracle, pattern: int, turn: int = 0) -> int:
    """A command without a fault whose free values come from a pattern; its operation is the one whose turn it is."""
    frame, values = judge.frame, {}
    for part in free_parts(frame):
        if part.kind == "operation":
            codes = judge.codes[part.name]
            values[part.name] = codes[turn % len(codes)]
        elif part.kind == "chip":
            values[part.name] = part.value
        else:
            values[part.name] = taken(part, pattern)
    return build(frame.command, values)


def sound_commands(judge: FrameOracle, pattern: int) -> list[int]:
    """One for each code of the operation."""
    turns = max(map(len, judge.codes.values()), default=1)
    return [sound_command(judge, pattern, turn) for turn in range(turns)]


def byte_vectors(spi: Spi, frame: Frame) -> Iterator[tuple[int, bytes, bytes]]:
    """(word, its bytes as a command, the same as a reply)."""
    for word in patterns(frame.length):
        pieces = bursts(frame, word)
        yield (
            word,
            b"".join(command_bytes(spi, v, b) for v, b in pieces),
            b"".join(wire_bytes(v, b, msb_first=spi.msb_first) for v, b in pieces),
        )


def counted(frame: Frame, word: int, sent: int) -> int:
    """The command with its counters for the frame number `sent`."""
    values = split(frame.command, word)
    for part in frame.command.parts:
        if part.kind == "counter":
            count = (sent * part.step + part.start) & 0xFFFFFFFF
            values[part.name] = count & (1 << part.width) - 1
        elif part in guards_of(frame.command):
            del values[part.name]
    return build(frame.command, values)


def access_vectors(
    chip: Chip, frame: Frame
) -> Iterator[tuple[str, tuple[tuple[int, Part], ...], int]]:
    """Each routine that makes a read, a write or a command: (its end, what it is given, the word)."""
    recogniser = Codec(chip).recogniser
    wanted: list[tuple[str, Mapping[str, int], str]] = []
    for kind in accesses_of(frame):
        fixed = {}
        for part in free_parts(frame):
            if part.kind == "operation":
                fixed[part.name] = part.codes.get(kind, 0)
            elif part.kind == "chip":
                fixed[part.name] = part.value
            elif part.kind == "data" and kind == "read":
                fixed[part.name] = 0
        wanted.append((f"make_{kind}", fixed, ""))
    for command in chip.commands.values():
        data = frame.command.of_kind("data")
        if command.takes_data and data is not None and recogniser.carries(frame, command):
            others = {
                p.name: p.start if p.kind == "counter" else command.parts.get(p.name, p.value)
                for p in free_parts(frame)
                if p is not data
            }
            if all(not v >> p.width for p in free_parts(frame) if (v := others.get(p.name, 0))):
                wanted.append(("make_command", others, command.name))
    for routine, stated, name in wanted:
        for pattern in patterns(frame.length)[1:4:2]:
            open_parts = [p for p in free_parts(frame) if p.name not in stated]
            given = {p.name: taken(p, pattern) for p in open_parts}
            arguments = tuple((given[p.name], p) for p in open_parts)
            called = f"{routine} {name}".strip()
            yield called, arguments, build(frame.command, {**stated, **given})


# --- replies ----------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class ReplyVector:
    """A reply in one layout to the command `sent`."""

    about: str
    sent: int
    word: int


def reply_vectors(chip: Chip, frame: Frame, kind: str) -> Iterator[ReplyVector]:
    """Examples of the map first, then every pattern; all of them sound."""
    layout = frame.replies[kind]
    judge = FrameOracle(chip, frame)
    known = [
        (k.command, k.reply)
        for k in chip.known_frames
        if k.command is not None
        and k.reply is not None
        and not k.command >> frame.length
        and not k.reply >> layout.length
        and not judge.command(k.command)
        and not judge.unpacked(layout, k.command, k.reply)
        and not judge.echo(layout, k.command, k.reply)
    ]
    for sent, word in list(dict.fromkeys(known))[:EXAMPLES]:
        yield ReplyVector(f"reply of {frame.name}: example of the map", sent, word)
    for index, pattern in enumerate(patterns(frame.length)):
        # an echo would else be like what stands beside it
        sent = sound_command(judge, pattern ^ (1 << frame.length) - 1, index)
        yield ReplyVector(
            f"reply of {frame.name}: pattern {index}", sent, sound_reply(frame, kind, sent, pattern)
        )


def sound_reply(frame: Frame, kind: str, sent: int, pattern: int) -> int:
    """A reply to `sent` in which all is as it must be, values and flags from a pattern."""
    values = {}
    for part in shown_parts(frame.replies[kind]):
        source = frame.command.named(part.of) if part.kind == "echo" else None
        values[part.name] = taken(part, pattern) if source is None else taken(source, sent)
    return build(frame.replies[kind], values, sent)


# --- a daisy chain ----------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class StreamVector:
    """A stream of commands, with the names of the commands in its headers, and one of replies of the same words."""

    words: tuple[int, ...]
    commands: tuple[str, ...]
    out: bytes
    back: bytes


def stream_vectors(chip: Chip, frame: Frame, chips: int) -> Iterator[StreamVector]:
    """Streams of a chain of `chips` chips; the words of no two positions are alike."""
    chain = chip.chain
    assert chain is not None
    rng = random.Random(f"{chip.name} {chips}")
    first = [rng.getrandbits(frame.length) for _ in range(chips)]
    full = (1 << frame.length) - 1
    names = list(dict.fromkeys(n for h in chain.headers for n in h.commands))
    for words, commands in ((first, []), ([full & ~w for w in first], names[:1]), (first[::-1], names[1:])):  # fmt: skip
        pairs = [(w, frame.length) for w in words]
        yield StreamVector(
            tuple(words),
            tuple(commands),
            _as_bytes(chip.spi, chains.pack(chain, pairs, commands), command=True),
            _as_bytes(chip.spi, chains.pack_reply(chain, pairs), command=False),
        )


def _as_bytes(spi: Spi, stream: tuple[int, int], *, command: bool) -> bytes:
    return command_bytes(spi, *stream) if command else wire_bytes(*stream)


# --- fields -----------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class FieldVector:
    """What a field's routines are tried with: its highest code and another one, and words of its register.

    `others` has every bit but the field's, `put` is the word of ones into which `code` was put; None where the
    field cannot be set.
    """

    most: int
    code: int
    others: int
    put: int | None


def field_vector(register: Register, field: Field) -> FieldVector:
    most = (1 << field.width) - 1
    code = 0x5A5A5A5A5A5A5A5A & most or 1
    others = register.mask & ~field.mask
    settable = field.writable and not field.access.clears
    return FieldVector(most, code, others, others | deposit(code, field.bits) if settable else None)


def groups(checks: Sequence[Check], most: int) -> list[list[Check]]:
    """Checks in functions of at most so many lines: compilers for small parts do not take endless ones."""
    found: list[list[Check]] = []
    calls = most
    for about, lines in checks:
        size = sum(line.endswith(";") for line in lines)
        if calls + size > most:
            found.append([])
            calls = 0
        found[-1].append((about, lines))
        calls += size
    return found
