"""Check bits of a map solved from its own known frames: what explains all that the data sheet shows."""

from __future__ import annotations

from collections.abc import Iterator

from regmap.record import dataclass

from ..behaviour.machine import Machine
from ..behaviour.plan import plan
from ..chip.bank import Bank
from ..chip.model import Chip, KnownFrame, Layout, Part
from ..errors import CallError
from ..frames.codec import Codec, Sent
from ..frames.solve import Example, Solution, solve
from ..frames.words import GUARDS
from ..quantity import many


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """One check part and what explains it; `path` is its place in the map, `right` whether the map's own
    way of computing it does."""

    path: str
    part: Part
    solution: Solution
    right: bool

    def lines(self) -> Iterator[str]:
        """The finding first, then what else explains the examples and what they leave open."""
        found, count = self.solution, self.solution.examples
        of = many(count, "example")
        if count < 2 and self.part.width > 1:
            yield f"{self.path}: one example alone decides nothing: at least one more that differs is needed"
            return
        if not found.readings:
            yield f"{self.path}: no parity or checksum explains all {of}; one of them may be misprinted"
            return
        apart = all(len(r.part.bits) < self.part.width for r in found.readings)
        if apart:
            yield f"{self.path}: {of}: each check bit is a parity of its own"
            for reading in found.readings:
                yield f"bit {reading.part.bits[0]}: {reading.text()}"
            return
        said = " (as the map says)" if self.right else ""
        yield f"{self.path}: {of}: {found.readings[0].text()}{said}"
        for text in found.readings[0].same:
            yield f"the same at this length: {text}"
        if len(found.readings) > 1:
            others = found.readings[1:]
            tail = f", and {len(others) - SHOWN} more" if len(others) > SHOWN else ""
            yield f"also: {'; '.join(r.text() for r in others[:SHOWN])}{tail}"
        if found.subsets:
            more_sets = f"{found.subsets} more that do not follow from these"
            yield f"other subsets of bits explain them too, 2^{found.subsets} in all; {more_sets} would leave one"
        if found.more:
            yield f"{many(found.more, 'more example')} would decide between these as a rule"
        if found.open:
            yield f"the same in all examples, so that none tells whether it is covered: {', '.join(found.open)}"


#: readings that are written out beside the first
SHOWN = 4


def asked_by(chip: Chip, known: KnownFrame) -> tuple[Sent, Bank]:
    """The frame that does what a known frame says, and what is known of the chip once it has.

    Raises CallError for what the chip cannot do, or cannot do in one frame.
    """
    command_parts = {p.name for f in chip.frames.values() for p in f.command.parts}
    machine = Machine(chip)
    for text in known.after:
        for piece in chip.keys[text].steps if text in chip.keys else (text,):
            for before in plan(chip, [piece], machine.bank):
                machine.apply(before.sent)
    given = {k: v for k, v in known.given.items() if k in command_parts}
    # what only selects the page comes before, and is no part of the example
    planned = plan(chip, [known.does], machine.bank, given=given)
    frames = [f for f in planned if f.requests]
    index, count = known.place
    if len(frames) != count:
        raise CallError(f"'{known.does}' takes {len(frames)} frames", part=known.does)
    for each in planned:
        machine.apply(each.sent)
        if each is frames[index]:
            break
    return frames[index].sent, machine.bank


def examples_of(chip: Chip) -> dict[str, tuple[Layout, list[Example]]]:
    """The words of the known frames by the layout they are in, whose place in the map is the key."""
    codec = Codec(chip)
    found: dict[str, tuple[Layout, list[Example]]] = {}
    for known in chip.known_frames:
        try:
            sent, bank = asked_by(chip, known)
        except CallError:
            continue
        frame = sent.frame
        if known.command is not None and not known.command >> frame.length:
            row = found.setdefault(f"frames.{frame.name}.command", (frame.command, []))
            row[1].append(Example(word=known.command))
        layout = codec.reply_layout(sent, bank=bank)
        if known.reply is not None and layout is not None and not known.reply >> layout.length:
            kind = next(n for n, item in frame.replies.items() if item is layout)
            row = found.setdefault(f"frames.{frame.name}.reply ({kind})", (layout, []))
            asked = sent.word if known.command is None else known.command
            row[1].append(Example(word=known.reply, command=asked))
    return found


def solve_checks(chip: Chip) -> list[Solved]:
    """Every check part of which the map has examples, with all that explains them."""
    found = []
    for path, (layout, examples) in examples_of(chip).items():
        for part in layout.parts:
            if part.kind in GUARDS:
                solution = solve(layout, part, examples)
                right = any(r.part is part for r in solution.readings)
                found.append(
                    Solved(path=f"{path}.{part.name}", part=part, solution=solution, right=right)
                )
    return found


class Hints:
    """What explains the check parts that a map computes wrongly, each solved once."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self._examples: dict[str, tuple[Layout, list[Example]]] | None = None
        self._told: dict[str, str] = {}

    def of(self, layout: Layout, part: Part) -> str:
        """The end of a message about a wrong check part of a layout, or ""."""
        if self._examples is None:
            self._examples = examples_of(self.chip)
        for path, (own, examples) in self._examples.items():
            if own is layout:
                key = f"{path}.{part.name}"
                if key not in self._told:
                    self._told[key] = self._hint(path, solve(layout, part, examples))
                return self._told[key]
        return ""

    @staticmethod
    def _hint(path: str, found: Solution) -> str:
        if not found.readings or found.examples < 2:
            return ""
        first = found.readings[0].text()
        if len(found.readings) == 1 and not found.more:
            return f"; all {found.examples} examples of {path} fit {first}"
        return (
            f"; {len(found.readings)} readings fit all {found.examples} examples of {path}, such as "
            f"{first}; `gateword vet --solve` lists them"
        )
