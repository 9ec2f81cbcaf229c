"""Raw packed samples: every sample is 1, 2, 4 or 8 bytes, every line one bit of it.

Nothing in such a file tells the rate or the lines; both must be given. Bit 0 is the least
significant bit of a sample. One tick is one sample.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Literal

import numpy as np

from regmap.errors import CallError

from ..arrays import Times, Values
from ..lines.signals import Capture, Channel, Findings
from .source import CaptureSource, FromSource

_BLOCK = 1 << 20


class RawCapture(FromSource, Capture):
    """Packed samples. `lines` maps a channel's name to its bit; `rate` is in samples a second."""

    format = "raw"

    def __init__(
        self,
        source: CaptureSource,
        *,
        rate: Fraction,
        lines: Mapping[str, int],
        sample_bytes: int = 1,
        byte_order: Literal["little", "big"] = "little",
        block: int = _BLOCK,
    ) -> None:
        if rate <= 0:
            raise CallError(f"sample rate {float(rate):g} Hz", "more than 0")
        if sample_bytes not in (1, 2, 4, 8):
            raise CallError(f"samples of {sample_bytes} bytes", "1, 2, 4 or 8")
        if byte_order not in ("little", "big"):
            raise CallError(f"byte order {byte_order!r}", "little or big")
        if not lines:
            raise CallError("raw samples need a channel map: the bit of each line, as clock=0")
        bits: dict[int, str] = {}
        for name, bit in lines.items():
            if not 0 <= bit < 8 * sample_bytes:
                raise CallError(
                    f"{name} is bit {bit}",
                    f"0 to {8 * sample_bytes - 1} for samples of {sample_bytes} bytes",
                )
            if bit in bits:
                raise CallError(f"{name} and {bits[bit]} are both bit {bit}")
            bits[bit] = name
        channels = tuple(Channel(index=i, name=name) for i, name in enumerate(lines))
        super().__init__(Findings(source.name), 1 / Fraction(rate), channels)
        self._file = source
        self._bits = list(lines.values())
        self._type = np.dtype(f"{'<' if byte_order == 'little' else '>'}u{sample_bytes}")
        self._chunk = max(1, block // sample_bytes) * sample_bytes
        self._resolution = 1

    def _raw(self) -> Iterator[tuple[dict[int, tuple[Times, Values]], int, int]]:
        size, done, last = self._type.itemsize, 0, -1
        while True:
            data = self._file.read(self._chunk)
            count = len(data) // size
            if len(data) % size:
                self.findings.add(
                    f"the capture ends in the middle of a sample, at byte {done * size + len(data)}",
                    f"a multiple of {size} bytes",
                    severity="warning",
                )
            if not count:
                break
            samples = np.frombuffer(data, self._type, count)
            # Only samples that differ from the one before can hold an edge.
            moved = np.flatnonzero(samples[1:] != samples[:-1]) + 1
            if last < 0 or samples[0] != last:
                moved = np.concatenate(([0], moved))
            last = int(samples[-1])
            kept = samples[moved].astype(np.uint64)
            times = moved.astype(np.int64) + done
            changes = (
                {
                    index: (times, ((kept >> np.uint64(bit)) & np.uint64(1)).astype(np.uint8))
                    for index, bit in enumerate(self._bits)
                }
                if len(moved)
                else {}
            )
            yield changes, done, done + count
            done += count
        if self._file.trouble:
            self.findings.add(
                f"the capture ends at byte {done * size}, sample {done}: {self._file.trouble}",
                "a complete file",
            )
        if not done:
            self.findings.add("the file holds no sample", severity="warning")
