"""A port whose wires have a mistake: the link's bits go through the edges of tests/trace/edgelevel.py to a chip and back."""

from __future__ import annotations

import importlib.util
import random
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

from regmap.chip.bank import Bank
from regmap.wire.layout import Capability, Clocked, Identity

TRACE = Path(__file__).parents[1] / "trace"


def beside(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, TRACE / f"{name}.py")
        assert spec
        assert spec.loader
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


edgelevel = beside("edgelevel")


class WiredPort:
    """What a `Link` needs of an adapter. `wrong` is the mistake; `chip` is what really stands at the wires' end.

    A wrong SPI mode is one of the set-up: that of another mode, once it is tried, is off by as much.
    """

    def __init__(self, chip: Any, wrong: Any) -> None:
        self.chip, self.wrong = chip, wrong
        self.name, self.generation, self.clock_hz = "wires", 1, 1_000_000
        self.identity = Identity(
            name="wires", protocol=1, firmware=0x100, capabilities=Capability(0), max_bytes=4096,
            max_bursts=64, min_clock_hz=1, max_clock_hz=10_000_000,
        )  # fmt: skip
        self.has_enable_pin = False
        self.clocks_bits = True
        self.until = None
        self.off = wrong.mode(chip.spi.mode) ^ chip.spi.mode if wrong.mode is not None else 0
        self.spi: Any = None
        self.model = edgelevel.Model(chip)
        self.model.words = dict(Bank.at_reset(chip).words)  # just powered up, with what that sets
        #: what each register has held: a disturbed read may arrive as a write
        self.held: dict[str, set[int]] = {n: {w} for n, w in self.model.words.items()}
        self.draw = random.Random(1)
        self.number = 0
        self.now = 0.0

    def clock(self) -> float:
        self.now += 1e-4
        return self.now

    def try_spi(self, spi: Any) -> None:
        self.spi = spi

    def transfer(self, bursts: Sequence[bytes | Clocked]) -> list[bytes]:
        """Frames of one burst, or of as many as the chip's frames have."""
        pattern = len(self.chip.default_frame().bursts or (0,))
        pieces = [b if isinstance(b, Clocked) else Clocked(b) for b in bursts]
        out: list[bytes] = []
        for place in range(0, len(pieces), pattern):
            out += self._frame(pieces[place : place + pattern])
        return out

    def _frame(self, pieces: Sequence[Clocked]) -> list[bytes]:
        chip, wrong = self.chip, self.wrong
        set_up = self.spi if self.spi is not None else None
        mode = (set_up.mode if set_up is not None else chip.spi.mode) ^ self.off
        level = set_up.select_active_low if set_up is not None else chip.spi.select_active_low
        parts = []
        for data, last in pieces:
            # a byte's high bit goes first: the bytes for a chip that takes low bits first are turned round already
            bits = [b >> (7 - i) & 1 for b in data for i in range(8)]
            bits = bits[: 8 * (len(data) - 1) + last]
            # what firmware does wrong to a word, an adapter's may do as well
            parts.append(
                wrong.firmware(bits, self.number, self.draw) if wrong.firmware is not None else bits
            )
        if wrong.bursts is not None:
            parts = [wrong.bursts([p])[0] for p in parts]
        selected = level == chip.spi.select_active_low and wrong.select not in ("inverted", "high")
        seen: list[int] = []
        for part in parts:
            taken = edgelevel._clocked(part, mode, chip.spi.mode, None, wrong, self.number, self.draw, chip)[0]  # fmt: skip
            seen += taken if chip.spi.msb_first else taken[::-1]
        answer: list[int] = []
        if selected:
            reply, _ = self.model.answer(seen)
            for name, word in self.model.words.items():
                self.held.setdefault(name, set()).add(word)
            self.model.pending.append(reply)
            after = self.model.frame.after
            answer = self.model.pending.pop(0) if after else self.model.pending.pop()
        got: list[bytes] = []
        used = 0
        for part in parts:
            piece = answer[used : used + len(part)]
            used += len(part)
            waves = [edgelevel.Wave(mode >> 1), edgelevel.Wave(1), edgelevel.Wave(0), edgelevel.Wave(2)]  # fmt: skip
            _, read, _ = edgelevel._drive(
                part, piece if chip.spi.msb_first else piece[::-1], mode, chip.spi.mode, wrong, self.number,
                self.draw, chip, *waves, 10_000, 0 if chip.spi.select_active_low else 1,
            )  # fmt: skip
            read += [0] * (-len(read) % 8)
            step = range(0, len(read), 8)
            got.append(bytes(edgelevel.word_of(read[i : i + 8]) for i in step))
        self.number += 1
        return [g[: len(data)].ljust(len(data), b"\0") for g, (data, _) in zip(got, pieces, strict=True)]  # fmt: skip
