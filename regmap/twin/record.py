"""What passes on the simulated SPI as a value change dump (IEEE 1364) that captures are read from.

One-bit variables select, clock, command, reply and fault (the fault pin, low while a fault stops
the chip); time unit 1 ns. The text depends on nothing but what is recorded.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from ..closing import Closing
from ..errors import CallError
from ..files import WholeFile, reason, written_into
from ..holding import Hold, hold

if TYPE_CHECKING:
    from ..chip.model import Chip

NAMES = ("select", "clock", "command", "reply", "fault")
CODES = '!"#$%'
Change = tuple[int, int, str]


class Recorder(Closing):
    """Gathers changes of the five lines and writes them in order of time.

    `target` is a text stream, or a path (written as `files.WholeFile` says: in place when closed,
    into a pipe or a device as it comes). `note` goes into the dump's comment. Raises CallError
    where the path cannot be written, exists already, or is being recorded to by somebody else.
    """

    def __init__(
        self, target: TextIO | str | Path, *, note: str = "", scope: str = "bench"
    ) -> None:
        self._file: WholeFile | None = None
        #: what runs that were killed left of their dumps of this name
        self.left_behind: tuple[Path, ...] = ()
        self._hold = Hold()
        if isinstance(target, (str, Path)):
            self._file = self._opened(Path(target))
            self.left_behind = self._file.left_behind
            self._out: TextIO = self._file.out
        else:
            self._out = target
        self._waiting: list[Change] = []
        self._levels: dict[int, str] = {}
        self._time = -1
        self._out.write(f"$comment {note.replace('$', '') or 'gateword twin'} $end\n")
        self._out.write("$timescale 1 ns $end\n$scope module " + scope + " $end\n")
        for name, code in zip(NAMES, CODES, strict=True):
            self._out.write(f"$var wire 1 {code} {name} $end\n")
        self._out.write("$upscope $end\n$enddefinitions $end\n")

    def _opened(self, path: Path) -> WholeFile:
        try:
            if not written_into(path):
                self._hold = hold(path, "records it")
                if path.exists():
                    raise CallError(
                        f"{path} exists, and a recording is never overwritten; give another name"
                    )
            return WholeFile(path, encoding="ascii")
        except OSError as error:
            self._hold.close()
            raise CallError(reason(path, error)) from None
        except CallError:
            self._hold.close()
            raise

    def change(self, ns: int, line: str, level: str) -> None:
        """A line's level (0, 1, x, z) from `ns` on; to be written by the next `flush`."""
        self._waiting.append((ns, NAMES.index(line), level))

    def flush(self, until: int) -> None:
        """Write everything before `until`; nothing earlier may come after this."""
        self._waiting.sort(key=lambda c: c[:2])
        count = 0
        for ns, line, level in self._waiting:
            if ns >= until:
                break
            count += 1
            if self._levels.get(line) == level:
                continue
            self._levels[line] = level
            if ns > self._time:
                self._out.write(f"#{ns}\n")
                self._time = ns
            self._out.write(f"{level}{CODES[line]}\n")
        del self._waiting[:count]
        if count and self._file is not None and self._file.live:
            self._out.flush()  # somebody may be reading along

    def close(self, ns: int | None = None) -> None:
        """Write what waits and the last time, and put the file in place."""
        if self._out.closed:
            return
        try:
            self.flush(1 << 62)
            if ns is not None and ns > self._time:
                self._out.write(f"#{ns}\n")
            self._out.flush()
            if self._file is not None:
                self._file.finish()
        except OSError as error:
            if self._file is None:
                raise
            with contextlib.suppress(OSError):
                self._file.abandon()
            left = "" if self._file.live else f"; what was recorded is in {self._file.growing}"
            raise CallError(reason(self._file.path, error) + left) from None
        finally:
            self._hold.close()

    def ended(self, error: BaseException | None) -> None:
        """In place, or left beside it where the body raised: a good dump is not written over by half of one."""
        if error is None or self._file is None:
            self.close()
        elif not self._out.closed:
            try:
                self.flush(1 << 62)
                self._file.abandon()
            finally:
                self._hold.close()


def recorder_of(
    vcd: Recorder | TextIO | str | Path | None, note: str, chips: Sequence[Chip]
) -> Recorder | None:
    """A recorder for a stream or a path, which says what was simulated; one that is given as it is."""
    if vcd is None or isinstance(vcd, Recorder):
        return vcd
    invented = any(chip.invented for chip in chips)
    said = ", an invented chip" if len(chips) == 1 and invented else ""
    scope = "invented_bench" if invented else "bench"
    return Recorder(vcd, note=f"{note}{said}; no real signal", scope=scope)


def sampled(controller: int, chip: int, bits: Sequence[str], idle: str) -> list[str]:
    """The command bits as the chip samples them when the two use these SPI modes.

    A line that changes at the very edge that samples it is seen as it was before, which is what
    hold times of real parts amount to: the controller's phase 1 changes at the leading edge.
    """
    leading = _samples_rising(chip) == (controller < 2)
    if controller & 1 and leading:
        return [idle, *bits[:-1]]
    return list(bits)


def returned(controller: int, chip: int, bits: Sequence[str], after: str) -> list[str]:
    """The reply bits as the controller samples them; `after` follows the last bit."""
    count = len(bits)
    shift_leading = _samples_rising(chip) != (controller < 2)
    offset = 0
    if controller & 1:  # samples at the trailing edge
        offset = (1 if shift_leading else 0) - (1 if chip & 1 else 0)
    elif chip & 1:
        offset = -1
    shifted = [after if i + offset >= count else bits[i + offset] for i in range(count)]
    if offset < 0:
        shifted[0] = "0"
    return shifted


def _samples_rising(mode: int) -> bool:
    return mode in (0, 3)


def draw(
    recorder: Recorder,
    start: int,
    command: Sequence[str],
    reply: Sequence[str],
    *,
    controller: int,
    chip: int,
    half: int,
    lead: int,
    lag: int,
    active_low: bool,
    undriven: str,
    flag: str = "",
) -> int:
    """Draw one burst from `start`; the time at which select is inactive again.

    `command` and `reply` are the bits in order of time; `flag` is the reply's level between select
    and the first clock edge, where the chip shows one.
    """
    active = "0" if active_low else "1"
    rest = "0" if controller < 2 else "1"
    other = "1" if rest == "0" else "0"
    recorder.change(start, "select", active)
    recorder.change(start, "clock", rest)
    first = start + lead
    edges = [first + i * half for i in range(2 * len(command))]
    for index, at in enumerate(edges):
        recorder.change(at, "clock", other if index % 2 == 0 else rest)
    end = (edges[-1] if edges else start) + lag
    for index, bit in enumerate(command):
        # phase 0 changes at the trailing edge before, its first bit with select
        change = 2 * index if controller & 1 else 2 * index - 1
        at = edges[change] if change >= 0 else start
        recorder.change(at, "command", bit)
    shift_leading = _samples_rising(chip) != (controller < 2)
    shifts = edges[0 if shift_leading else 1 :: 2]
    recorder.change(start, "reply", flag or (reply[0] if reply and not chip & 1 else "0"))
    for index, bit in enumerate(reply):
        if chip & 1:
            recorder.change(shifts[index], "reply", bit)
        elif index:
            recorder.change(shifts[index - 1], "reply", bit)
        elif flag:
            recorder.change(first - half // 2, "reply", bit)
    recorder.change(end, "select", "1" if active_low else "0")
    recorder.change(end, "reply", undriven)
    return end
