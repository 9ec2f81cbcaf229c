"""What a sound map still owes its reader: known frames proven, and warnings.

`prove` encodes what each known frame says it does and compares with the data sheet's word, then
takes the data sheet's words apart and compares with what they are said to carry.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from regmap.record import replace

from ..behaviour.faults import status_registers, unnamed_flags
from ..chip.bits import extract, hexword, spans
from ..chip.model import Chip, External, Field, Frame, Joined, KnownFrame, Layout, Part
from ..chip.values import Valued
from ..document.doubts import stated_doubts
from ..document.source import display_name, read_text
from ..errors import CallError, FileError, FrameError, Place, Problem
from ..frames.codec import Codec, Flaw
from ..frames.distance import distance
from ..frames.words import GUARDS, clock_of
from ..parameters import REPORT_WORDS
from ..quantity import dimension_name, plural
from .checkbits import Hints, asked_by
from .load import find_document, read_map
from .proof import place_of, prove_whole


def vet(chip: Chip) -> list[Problem]:
    """Every error and warning about a chip whose map has loaded; each with the line it is about."""
    lines: dict[str, list[str]] = {}
    return [_shown(p, lines) for p in (*prove(chip), *untimely(chip), *warnings(chip))]


def check_map(name: str | Path, *, text: str | None = None) -> tuple[Chip | None, list[Problem]]:
    """Load and vet in one go: the chip, or None where it has errors, and every problem."""
    chip, problems = read_map(name, text=text)
    doubts = _doubts(name, text)
    if chip is None:
        return None, [*problems, *doubts]
    own = {str(name): text.splitlines()} if text is not None else {}
    found = (*prove(chip), *untimely(chip), *warnings(chip))
    return chip, [*problems, *(_shown(p, own) for p in found), *doubts]


def _doubts(name: str | Path, text: str | None) -> list[Problem]:
    """A warning for each doubt that stands in the map's own text, worst first; settled ones are deleted there."""
    path = Path(name)
    if text is None:
        try:
            path = find_document(name, "map")
            text = read_text(path)
        except FileError:  # told by the reading of the map
            return []
    lines = text.splitlines()
    found = []
    for doubt in stated_doubts(text):
        line = lines[doubt.line - 1]
        start = len(line) - len(line.lstrip())
        place = Place(display_name(path), doubt.line, start + 1, len(line.strip()), line)
        found.append(
            Problem(
                place,
                f"{doubt.grade} doubt: {doubt.text}",
                "this line deleted once the data sheet has settled it",
                severity="warning",
            )
        )
    return found


def _shown(problem: Problem, lines: dict[str, list[str]]) -> Problem:
    """The problem with its line's text and the column at which the entry starts."""
    place = problem.place
    if not place.line or place.text:
        return problem
    if place.file not in lines:
        try:
            lines[place.file] = read_text(Path(place.file)).splitlines()
        except FileError:
            lines[place.file] = []
    text = lines[place.file][place.line - 1] if place.line <= len(lines[place.file]) else ""
    if not text:
        return problem
    start = len(text) - len(text.lstrip(" -"))
    span = len(text.rstrip()) - start
    return replace(problem, place=Place(place.file, place.line, start + 1, max(1, span), text))


def prove(chip: Chip) -> list[Problem]:
    """An error for each known frame that the map does not reproduce, and for all else that does not hold."""
    problems: list[Problem] = []
    codec, hints = Codec(chip), Hints(chip)
    for known in chip.known_frames:
        problems.extend(_prove_one(chip, codec, known, hints))
    problems.extend(prove_whole(chip))
    return problems


def untimely(chip: Chip) -> Iterator[Problem]:
    """An error for each part of a reply in the same frame that goes out before it can be known.

    A bit is driven before the clock edge that takes the command's bit of the same clock.
    """
    for frame in chip.frames.values():
        if frame.after:
            continue
        clocks = clock_of(frame, msb_first=chip.spi.msb_first)
        for kind, layout in frame.replies.items():
            for part in layout.parts:
                for bit, needed, what in _needs(frame, part):
                    if clocks[bit] <= clocks[needed]:
                        yield Problem(
                            place_of(part.origin),
                            f"bit {bit} of '{part.name}' goes out with clock {clocks[bit]}, and {what} "
                            f"is in with clock {clocks[needed]} only",
                            "a later place in the reply, or after: 1",
                            path=f"frames.{frame.name}.reply ({kind})",
                        )
                        break


def _needs(frame: Frame, part: Part) -> Iterator[tuple[int, int, str]]:
    """The bits of a reply's part, each with a bit of the command that must be in before and what that is."""
    if part.kind == "data":
        for source in frame.command.parts:
            if source.kind in ("address", "page"):
                for needed in source.bits:
                    yield from ((bit, needed, f"'{source.name}'") for bit in part.bits)
    elif part.kind == "echo":
        again = frame.command.named(part.of)
        if again is not None:
            for bit, needed in zip(part.bits, again.bits, strict=True):
                yield bit, needed, f"bit {needed} of '{again.name}'"
    for needed in part.over_command:
        yield from ((bit, needed, f"bit {needed} of the command") for bit in part.bits)


def _prove_one(chip: Chip, codec: Codec, known: KnownFrame, hints: Hints) -> Iterator[Problem]:
    def problem(found: str, expected: str = "") -> Problem:
        return Problem(
            place_of(known.origin),
            found,
            expected,
            path=f"known_frames ({known.source or known.does})",
        )

    command_parts = {p.name for f in chip.frames.values() for p in f.command.parts}
    try:
        sent, bank = asked_by(chip, known)
    except CallError as error:
        several = str(error).endswith(" frames")
        shown = "one frame" if known.place[1] == 1 else f"the {known.place[1]} frames shown"
        yield problem(str(error), shown if several else "")
        return
    bits = sent.frame.length
    if known.command is not None:
        if known.command >> sent.frame.length:
            yield problem(f"the command 0x{known.command:X}", f"at most {sent.frame.length} bits")
            return
        if known.command != sent.word:
            yield problem(
                f"'{known.does}' encodes to {hexword(sent.word, bits)}{_difference(hints, sent.frame.command, sent.word, known.command)}",
                f"{hexword(known.command, bits)} as the data sheet shows",
            )
            return
        for flaw in codec.decode_command(known.command, frame=sent.frame).flaws:
            yield problem(
                f"the command {hexword(known.command, bits)}: {flaw.text}", "a frame without errors"
            )
    if known.reply is not None:
        layout = codec.reply_layout(sent, bank=bank)
        if layout is None:
            yield problem(
                "a reply", f"none: frame '{sent.frame.name}' answers nothing to {sent.kind}"
            )
            return
        try:
            answer = codec.decode_reply(known.reply, sent, bank=bank)
        except FrameError as error:
            yield problem(str(error))
            return
        flaws: tuple[Flaw, ...] = answer.flaws
        for flaw in flaws:
            part = answer.layout.named(flaw.part) if flaw.kind == "check_bits" else None
            more = hints.of(answer.layout, part) if part is not None else ""
            yield problem(
                f"the reply {hexword(known.reply, bits)}: {flaw.text}{more}",
                "a frame without errors",
            )
        if answer.flaws:
            return
        if known.data is not None and answer.data != known.data:
            yield problem(
                f"the reply carries 0x{answer.data or 0:X}",
                f"0x{known.data:X} as the data sheet shows",
            )
        for name, value in known.given.items():
            if name in answer.parts and name not in command_parts and answer.parts[name] != value:
                yield problem(f"the reply's '{name}' is {answer.parts[name]:#x}", f"{value:#x}")


def _shadowed(chip: Chip) -> Iterator[Problem]:
    """Commands that cannot be told from another one."""
    seen: dict[tuple[str, tuple[tuple[str, int], ...]], str] = {}
    for command in chip.commands.values():
        key = (command.frame, tuple(sorted(command.parts.items())))
        if key in seen:
            yield _warn(
                command.origin,
                f"command {command.name} has the same parts as {seen[key]}",
                "parts that tell them apart",
                f"commands.{command.name}",
            )
        seen.setdefault(key, command.name)


def _difference(hints: Hints, layout: Layout, ours: int, theirs: int) -> str:
    parts = [p for p in layout.parts if extract(ours, p.bits) != extract(theirs, p.bits)]
    if not parts:
        return ""
    more = hints.of(layout, parts[0]) if len(parts) == 1 and parts[0].kind in GUARDS else ""
    return f" (differs in {', '.join(p.name for p in parts)}){more}"


def warnings(chip: Chip) -> list[Problem]:
    """What is sound but probably not what was meant, or leaves users without help."""
    found: list[Problem] = []
    for frame in chip.frames.values():
        for layout in [frame.command, *frame.replies.values()]:
            found.extend(_weak_guards(layout))
    for item in _valued(chip):
        found.extend(_gaps(item))
        found.extend(_unitless(item))
    found.extend(_shadowed(chip))
    pieces = {f"{r}.{f}" for joined in chip.joined.values() for r, f in joined.fields}
    for register in chip.registers.values():
        for field in register.fields:
            if field.ref not in pieces:
                found.extend(_missing_role(field))
    for name in status_registers(chip):
        found.extend(_nameless(chip, name))
    for fault in chip.faults.values():
        lacking = [
            k for k, v in (("causes", fault.causes), ("check_first", fault.check_first)) if not v
        ]
        if lacking:
            found.append(
                _warn(
                    fault.origin,
                    f"fault {fault.name} has no {' and no '.join(lacking)}",
                    "what a person at the bench should look at",
                    f"faults.{fault.name}",
                )
            )
    found.extend(_silent_modes(chip))
    found.extend(_sides(chip))
    found.extend(_spends(chip))
    found.extend(_odd_lengths(chip))
    if not chip.known_frames:
        found.append(
            _warn(
                next(iter(chip.registers.values())).origin,
                "no known_frames",
                "at least one example of the data sheet, so that the map is proven against it",
                "known_frames",
            )
        )
    return list(dict.fromkeys(found))


def _warn(origin: str, found: str, expected: str, path: str) -> Problem:
    return Problem(place_of(origin), found, expected, path=path, severity="warning")


#: how names tell the sides of a half-bridge, piece by piece of a name
_SIDES = {
    "high": ("HS", "HIGH", "HI", "H", "UH", "VH", "WH", "HA", "HB", "HC"),
    "low": ("LS", "LOW", "LO", "L", "UL", "VL", "WL", "LA", "LB", "LC"),
}


def _sides(chip: Chip) -> Iterator[Problem]:
    """A role of one side on a field that is called after the other: often a copied line."""
    for item in _valued(chip):
        side = item.role.rpartition(".")[2]
        if side not in _SIDES:
            continue
        name = getattr(item, "ref", item.name)
        pieces = set(re.split(r"[._]|(?<=[a-z])(?=[A-Z])", name.upper()))
        other = "low" if side == "high" else "high"
        if pieces & set(_SIDES[other]) and not pieces & set(_SIDES[side]):
            yield _warn(
                item.origin,
                f"{name} has the role {item.role}, and is called after the {other} side",
                f"role: {item.role.removesuffix(side)}{other}, or another name",
                name,
            )


def _spends(chip: Chip) -> Iterator[Problem]:
    """Registers that a bring-up writes by name although that spends write-once fields."""
    for steps in chip.sequences.values():
        for step in steps:
            names = step.targets if step.do == "configure" else ()
            for register in (chip.registers[n] for n in names if n in chip.registers):
                if register.write_once:
                    refs = ", ".join(f.ref for f in register.write_once)
                    yield _warn(
                        step.origin,
                        f"configure writes {register.name}, and {refs} can be written once only: every "
                        f"bring-up spends it, at its reset value where a stage says nothing",
                        f"{register.name} left out, or `all`, which writes it only where a stage sets it",
                        "sequences",
                    )


def _odd_lengths(chip: Chip) -> Iterator[Problem]:
    """Bursts that are no whole bytes, where nothing says what the chip makes of the clocks that fill them up."""
    odd = [(f, n) for f in chip.frames.values() for n in f.bursts if n % 8]
    if odd and not chip.spi.extra_clocks and chip.chain is None:
        frame, bits = odd[0]
        yield _warn(
            frame.origin,
            f"frame '{frame.name}' sends {bits} bits, no whole bytes, and nothing says what the chip does with more clocks",
            "spi.extra_clocks: rejected, last_count or first_count",
            f"frames.{frame.name}",
        )


def _silent_modes(chip: Chip) -> Iterator[Problem]:
    """Modes with an option that only reports, of which no fault says so."""
    told = {
        n
        for f in chip.faults.values()
        if f.reported_only_when
        for n in f.reported_only_when.names()
    }
    for item in _valued(chip):
        name = getattr(item, "ref", item.name)
        if not item.role.endswith(".mode") or name in told:
            continue
        names = [e.name for m in item.meanings for e in m.entries.values()]
        word = next((n for n in names if n.casefold() in REPORT_WORDS), None)
        if word is not None:
            yield _warn(
                item.origin,
                f"{name} can be {word}, and no fault is reported_only_when it is",
                f"reported_only_when: {name} == {word} at the faults on which the chip then does not act",
                name,
            )


def _weak_guards(layout: Layout) -> Iterator[Problem]:
    for part in layout.parts:
        if part.kind != "crc" or part.crc is None:
            continue
        least = distance(layout)
        if least < 4:
            missed = "2" if least < 3 else "3"
            flush = f" and {part.crc.flush} zeros" if part.crc.flush else ""
            yield _warn(
                part.origin,
                f"CRC polynomial 0x{part.crc.poly:X} over {len(part.over)} bits{flush} guarantees Hamming distance {least} only",
                f"to know that some frames with {missed} flipped bits pass unseen",
                part.name,
            )
        guarded = set(part.over) | set(part.bits)
        outside = [
            b
            for b in range(layout.length)
            if b not in guarded and not _in_other_guard(layout, part, b)
        ]
        if outside:
            yield _warn(
                part.origin,
                f"bits outside the CRC: {', '.join(map(str, sorted(outside, reverse=True)))}",
                "every bit of the frame under check bits",
                part.name,
            )


def _in_other_guard(layout: Layout, part: Part, bit: int) -> bool:
    return any(
        bit in p.over or bit in p.bits
        for p in layout.parts
        if p is not part and p.kind in ("parity", "crc")
    )


def _valued(chip: Chip) -> Iterator[Field | Joined | External]:
    for register in chip.registers.values():
        yield from register.fields
    yield from chip.joined.values()
    yield from chip.externals.values()


def _gaps(item: Valued) -> Iterator[Problem]:
    """Codes that mean nothing, and meanings that no code or condition reaches."""
    origin = getattr(item, "origin", "")
    name = getattr(item, "ref", item.name)
    seen: list[str] = []
    for meaning in item.meanings:
        if meaning.when is not None and str(meaning.when) in seen:
            yield _warn(
                origin,
                f"{name} has a second case for `{meaning.when}`, which is never reached",
                "each condition once",
                name,
            )
        seen.append(str(meaning.when))
        if item.width > 12 or (isinstance(item, Field) and not item.setting and meaning.scale):
            continue
        reached = set(meaning.entries)
        if meaning.scale is not None:
            numbers = range(meaning.scale.first, meaning.scale.last + 1)
            reached |= {number % (1 << item.width) for number in numbers}
        missing = [c for c in range((1 << item.width) - 1, -1, -1) if c not in reached]
        few = meaning.scale is not None or len(missing) <= (1 << item.width) // 2
        if reached and missing and few:
            yield _warn(
                origin,
                f"{name} says nothing of {plural('code', len(missing))} {spans(missing)}",
                "an option for every code, if only `reserved`",
                name,
            )
    # a reset that no option names cannot be explained to anyone
    if isinstance(item, Field) and item.meanings and item.setting:
        last = item.meanings[-1]
        if (
            last.when is None
            and last.scale is None
            and last.entries
            and item.reset not in last.entries
        ):
            yield _warn(
                origin,
                f"{name} resets to code {item.reset}, which no option names",
                "an option for it",
                name,
            )


_LOOKS_LIKE = (
    (("DEAD",), "deadtime"),
    (("SOURCE",), "gate.source"),
    (("SINK",), "gate.sink"),
    (("BLANK",), "vds.blanking"),
    (("GAIN",), "sense.gain"),
    (("LOCK", "KEY"), "lock"),
    (("WDT", "WATCHDOG"), "watchdog.window"),
)


def _nameless(chip: Chip, name: str) -> Iterator[Problem]:
    """Flags beside faults that no fault names: `explain` could say nothing of them."""
    flags = unnamed_flags(chip, name)
    if flags:
        several = len(flags) > 1
        yield _warn(
            flags[0].origin,
            f"{', '.join(f.ref for f in flags)} {'are flags' if several else 'is a flag'} that no fault names",
            f"{'faults' if several else 'a fault'} with `at`, or `shows`, or options that say what it means",
            name,
        )


_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d+)?|\.\d+)([eE][+-]?\d+)?")


def _unitless(item: Valued) -> Iterator[Problem]:
    """A bare number among values with units: it is read as a name, and carries no value."""
    name = getattr(item, "ref", item.name)
    for meaning in item.meanings:
        bare = [
            e.name for e in meaning.entries.values() if e.band is None and _NUMBER.fullmatch(e.name)
        ]
        if bare and meaning.dim is not None:
            yield _warn(
                getattr(item, "origin", ""),
                f"{name} has the {plural('option', len(bare))} {', '.join(bare)} without a unit, which {'are names' if len(bare) > 1 else 'is a name'} and no value",
                f"a {dimension_name(meaning.dim)} with its unit",
                name,
            )


def _missing_role(field: Field) -> Iterator[Problem]:
    if field.role or not field.setting:
        return
    name = field.name.upper()
    for words, role in _LOOKS_LIKE:
        if any(w in name for w in words):
            yield _warn(
                field.origin,
                f"{field.ref} has no role but looks like {role}",
                f"role: {role}, or another name",
                field.ref,
            )
            return
