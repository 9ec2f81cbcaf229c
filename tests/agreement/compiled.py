"""The C headers of many maps in one program, held to the frames and replies that passed between oracle and twin.

Every command that was sent must be sound to the header's `check`, every answer to `reply_errors` and `reply_data`, which must
take the same register word out of it; every one with a flipped bit that check bits cover must not be. The table that brings a chip up is
printed from the compiled program and given to the oracle frame by frame: what it expects to read is what such a chip would
show then, and in the end the settings hold. One program serves many maps, so a compiler run costs little for each.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from regmap.cheader import Options, generate
from regmap.chip.model import Chip, Frame
from regmap.frames.words import inspect
from regmap.stages.load import Stage

#: FRAME_ERROR bits that are no error of the reply itself: a frame before was not accepted, or the chip was reset
NEWS = 0x60

MAIN = """
#include <stdio.h>
static unsigned long wrong;
static void fail(unsigned long seed, unsigned int row)
{
    wrong++;
    if (wrong < 20UL) {
        printf("%lu row %u\\n", seed, row);
    }
}
"""


@dataclass
class Row:
    """One call: which routine of which frame, its words, and what must come of it."""

    routine: str
    frame: str
    sent: int
    word: int
    sound: bool
    data: int | None = None
    mask: int = 0

    def text(self) -> str:
        return f"{self.routine} {self.frame} sent 0x{self.sent:X} word 0x{self.word:X} sound {self.sound} data {self.data}"


@dataclass(frozen=True)
class Step:
    """One row of the compiled table that brings a chip up."""

    frame: int
    mask: int
    expect: int
    kind: str
    #: of the frame, where the chip has frames of several lengths
    bits: int | None


FORMAT = re.compile(r"#define M\d+_FORMAT_\w+\s+(\d+)U\s+/\* (\d+) bits \*/")
#: the kinds of steps by their number in C, as the header's own table has them
STEPS = ("SEND", "EXPECT", "WAIT", "READ", "KEEP", "SAME", "MERGE")
Judge = Callable[[list[Step]], None]


@dataclass
class Batch:
    """Maps and their rows until there are enough for one program."""

    folder: Path
    gcc: str
    maps: dict[int, tuple[str, list[Row]]] = field(default_factory=dict)
    #: by seed: what becomes of the bring-up steps of the compiled table
    judges: dict[int, Judge] = field(default_factory=dict)
    rows: int = 0
    steps: int = 0

    def add(
        self, seed: int, source: Chip | Stage, rows: list[Row], judge: Judge | None = None
    ) -> None:
        sections = ("frames", "init") if judge else ("frames",)
        made = generate(source, Options(prefix=f"m{seed}", sections=sections, crc="loop"))
        self.maps[seed] = made.header, rows
        if judge and f"m{seed}_init_steps[" in made.header:
            self.judges[seed] = judge
        elif judge:
            judge([])  # nothing to do: the settings hold from power-up

    def run(self) -> None:
        """Compile and run what has been gathered. Raises AssertionError with the rows that differ."""
        if not self.maps:
            return
        maps, self.maps = self.maps, {}
        judges, self.judges = self.judges, {}
        text, calls = [], []
        for seed, (header, rows) in maps.items():
            (self.folder / f"m{seed}.h").write_text(header, encoding="utf-8")
            text += [f'#include "m{seed}.h"', f"static void run{seed}(void)", "{"]
            for index, row in enumerate(rows):
                text.append(
                    f"    {{ {self._call(seed, header, row)} {{ fail({seed}UL, {index}U); }} }}"
                )
                self.rows += 1
            if seed in judges:
                stem, upper = f"m{seed}_init_steps[i]", f"M{seed}_INIT_STEPS_COUNT"
                # the bits of the frame's format, where there are several
                bits = [f"{stem}.format == {n} ? {b} :" for n, b in FORMAT.findall(header)]
                text.append(
                    f"    for (unsigned int i = 0; i < {upper}; i++) {{ "
                    f'printf("{seed} step %llu %llu %llu %u %d\\n", (unsigned long long){stem}.frame, '
                    f"(unsigned long long){stem}.mask, (unsigned long long){stem}.expect, {stem}.kind, {' '.join(bits)} 0); }}"
                )
            text.append("}")
            calls.append(f"    run{seed}();")
        source = self.folder / "all.c"
        main = ["int main(void)", "{", *calls, "    return wrong != 0UL;", "}"]
        source.write_text("\n".join([MAIN, *text, *main]) + "\n", encoding="utf-8")
        program = self.folder / "all"
        subprocess.run([self.gcc, "-std=c11", "-O0", "-w", source, "-o", program], check=True)
        done = subprocess.run([program], capture_output=True, text=True, check=False)
        told = []
        tables: dict[int, list[Step]] = {seed: [] for seed in judges}
        for line in done.stdout.splitlines():
            seed, what, *numbers = line.split()
            if what == "row":
                told.append(f"seed {seed}: {maps[int(seed)][1][int(numbers[0])].text()}")
            else:
                frame, mask, expect, kind, length = map(int, numbers)
                tables[int(seed)].append(Step(frame, mask, expect, STEPS[kind], length or None))
        assert done.returncode == 0, told
        for number, steps in tables.items():
            assert steps, number
            self.steps += len(steps)
            try:
                judges[number](steps)
            except Exception as error:
                error.add_note(f"seed {number}, the compiled bring-up")
                raise

    @staticmethod
    def _call(seed: int, header: str, row: Row) -> str:
        stem = f"m{seed}_{row.frame}_"
        if f" {stem}{row.routine}(" not in header:
            stem = f"m{seed}_"
        assert f" {stem}{row.routine}(" in header, (seed, row.routine, row.frame)
        if row.routine == "check":
            call = f"{stem}check(0x{row.word:X}ULL)"
        elif row.routine == "reply_errors":
            call = f"({stem}reply_errors(0x{row.sent:X}ULL, 0x{row.word:X}ULL) & ~0x{NEWS:X}U)"
        else:
            kind = re.search(rf"{stem}reply_data\([^)]*?(\w+) \*data\)", header)
            assert kind
            return (
                f"{kind[1]} data = 0; (void){stem}reply_data(0x{row.sent:X}ULL, 0x{row.word:X}ULL, "
                f"&data); if ((data & 0x{row.mask:X}ULL) != 0x{row.data or 0:X}ULL)"
            )
        return f"if ({call} {'!=' if row.sound else '=='} 0U)"


def command_rows(frame: Frame, word: int, covered: list[int], rng: Random) -> list[Row]:
    """A command as it was sent, and with flipped bits that check bits cover."""
    found = [Row("check", frame.name, 0, word, True)]
    for bit in rng.sample(covered, min(3, len(covered))):
        found.append(Row("check", frame.name, 0, word ^ 1 << bit, False))
    return found


def reply_rows(frame: Frame, sent: int, word: int, rng: Random) -> list[Row]:
    """An answer as it came, and flipped where no layout of the frame's replies takes it any more."""
    found = [Row("reply_errors", frame.name, sent, word, True)]
    for bit in rng.sample(range(frame.length), min(4, frame.length)):
        flipped = word ^ 1 << bit
        if all(inspect(layout, flipped, sent=sent) for layout in frame.replies.values()):
            found.append(Row("reply_errors", frame.name, sent, flipped, False))
    return found
