"""Compressed waveforms of simulators (FST), read by the general waveform library pywellen where it is installed.

    pip install "gateword[waves]"

The library hands over one change after the other; they are gathered to blocks, so memory stays bounded. Values are what
nine-value logic says: weak levels count, anything unknown is X.
"""

from __future__ import annotations

import os
import queue
import threading
from array import array
from collections.abc import Callable, Generator, Iterator
from contextlib import closing, suppress
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from regmap.errors import CaptureError

from ..arrays import Times, Values, X, Z, distinct
from ..lines.signals import Capture, Channel, Findings

#: Changes that make one block, and lines of a vector that are still looked at.
_BLOCK = 1 << 20
_WIDEST = 64
_Part = tuple[Times, "np.ndarray[Any, Any]", list[str]]
_LEVEL = {"0": 0, "l": 0, "1": 1, "h": 1, "z": Z}
_UNITS = {"s": 0, "ms": -3, "us": -6, "ns": -9, "ps": -12, "fs": -15, "zs": -21, "as": -18}


def is_fst(head: bytes) -> bool:
    """Whether a file begins as such a waveform does: a header block of 329 bytes, or a packed whole."""
    return head[:9] == b"\0\0\0\0\0\0\0\x01\x49" or (
        head[:1] == b"\xfe" and head[1:9] != b"" and head[17:20] == b"\x1f\x8b\x08"
    )


class FstCapture(Capture):
    """A waveform file. CaptureError where the library is missing or cannot read it."""

    format = "fst"

    def __init__(self, path: str | os.PathLike[str], name: str | None = None) -> None:
        self._path = os.fspath(path)
        shown = name or self._path
        try:
            import pywellen
        except ImportError:
            raise CaptureError.at(
                shown,
                "a compressed waveform (FST), and the library that reads it is not installed",
                'pip install "gateword[waves]", or a value change dump',
            ) from None
        self._size = Path(self._path).stat().st_size
        self._done = 0
        wave: Any = self._guarded(
            lambda: pywellen.Waveform(self._path, stream_only=True, multi_threaded=False), shown
        )
        self._wave = wave
        scale = wave.timescale
        power = _UNITS.get(str(getattr(scale, "unit", "")).rpartition(".")[2].casefold())
        if power is None:
            raise CaptureError.at(shown, "a waveform without a time scale", "a time scale as 1 ns")
        tick = Fraction(int(scale.factor)) * Fraction(10) ** power
        self._vars: list[Any] = []
        self._places: list[tuple[int, int]] = []
        channels: list[Channel] = []
        for variable in wave.all_vars():
            width = variable.bitwidth
            if width is None or not 1 <= width <= _WIDEST or variable.is_real or variable.is_string:
                continue
            full = str(variable.full_name)
            self._vars.append(variable)
            self._places.append((len(channels), width))
            kind = "integer" if "int" in str(variable.var_type).casefold() else "wire"
            for bit in range(width):
                channels.append(
                    Channel(index=len(channels), name=full, kind=kind)
                    if width == 1
                    else Channel(index=len(channels), name=f"{full}[{bit}]", bus=full, bit=bit, weight=bit, kind=kind)
                )  # fmt: skip
        if not channels:
            raise CaptureError.at(shown, "a waveform without a line", "lines of 1 to 64 bits")
        super().__init__(Findings(shown), tick, tuple(channels))

    @staticmethod
    def _guarded(work: Callable[[], Any], name: str) -> Any:
        """The library panics on damaged files: one clear error instead."""
        try:
            return work()
        except (KeyboardInterrupt, SystemExit, GeneratorExit, _StoppedError):
            raise
        except BaseException as error:
            text = str(error).split("\n")[0][:200] or type(error).__name__
            raise CaptureError.at(name, f"cannot be read: {text}", "a whole waveform") from None

    @property
    def position(self) -> tuple[int, int]:
        """(bytes, bytes): how far a packed file was read is not known before its end."""
        return self._done, self._size

    def _raw(self) -> Iterator[tuple[dict[int, tuple[Times, Values]], int, int]]:
        until: int | None = None
        with closing(self._streamed()) as parts:
            for part in parts:
                changes, first, last = self._changes(*part)
                yield changes, first if until is None else until, last + 1
                until = last + 1
        self._done = self._size

    def _streamed(self) -> Generator[_Part, None, None]:
        """Blocks of whole instants. The library calls back, in a thread of its own, and waits for us."""
        ready: queue.Queue[_Part | BaseException | None] = queue.Queue(2)
        stop = threading.Event()

        def put(item: _Part | BaseException | None) -> None:
            while not stop.is_set():
                try:
                    ready.put(item, timeout=0.1)
                except queue.Full:
                    continue
                return
            raise _StoppedError

        def work() -> None:
            try:
                self._guarded(lambda: self._stream(put), self.name)
                put(None)
            except _StoppedError:
                return
            except BaseException as error:  # handed over, not hidden: it is raised in the reader
                with suppress(_StoppedError):
                    put(error)

        thread = threading.Thread(target=work, name="fst", daemon=True)
        thread.start()
        try:
            while (item := ready.get()) is not None:
                if isinstance(item, BaseException):
                    raise item
                yield item
        finally:
            stop.set()
            thread.join()

    def _stream(self, put: Callable[[_Part], None]) -> None:
        place_of: dict[str, int] = {}
        for place, variable in enumerate(self._vars):
            place_of.setdefault(str(variable.signal_id), place)
        times, places, words = array("q"), array("q"), []  # type: array[int], array[int], list[str]

        def take(time: int, signal: Any, value: Any) -> None:
            place = place_of.get(str(signal))
            if place is None:
                return
            if len(times) >= _BLOCK and time > times[-1]:
                put((np.array(times), np.array(places), words.copy()))
                del times[:], places[:], words[:]
            times.append(time)
            places.append(place)
            width = self._places[place][1]
            words.append(value if isinstance(value, str) else format(value, f"0{width}b"))

        self._wave.stream_changes(take, self._vars)
        if len(times):
            put((np.array(times), np.array(places), words))

    def _changes(
        self, times: Times, places: np.ndarray[Any, Any], words: list[str]
    ) -> tuple[dict[int, tuple[Times, Values]], int, int]:
        order = np.argsort(times, kind="stable")
        times, places = times[order], places[order]
        changes: dict[int, tuple[Times, Values]] = {}
        for place in distinct(places).tolist():
            rows = np.flatnonzero(places == place)
            first, width = self._places[place]
            mine = [words[i].casefold().rjust(width, "0") for i in order[rows].tolist()]
            for bit in range(width):
                values = np.array([_LEVEL.get(w[width - 1 - bit], X) for w in mine], np.uint8)
                changes[first + bit] = times[rows], values
        return changes, int(times[0]), int(times[-1])


class _StoppedError(Exception):
    """Not an error: whoever reads has had enough."""
