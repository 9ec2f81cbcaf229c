"""Open a capture: tell its format by content, then hand it to the reader that knows it."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Mapping
from fractions import Fraction
from typing import BinaryIO, Literal

from regmap.errors import CallError, CaptureError, closest
from regmap.record import dataclass, field

from ..lines.levels import Levels, Thresholds
from ..lines.signals import Capture
from ..spi import SpiSetup
from . import portvalues
from .blocks import BLOCK
from .bytewise import open_bytes
from .clocktext import LEADING
from .events import open_events
from .framelist import LABEL, FrameListCapture
from .fst import FstCapture, is_fst
from .portvalues import IS_EXTENDED
from .raw import RawCapture
from .source import CaptureSource, text_of
from .table import TableCapture
from .vcd import VcdCapture

FORMATS = ("vcd", "csv", "raw", "frames", "bytes", "fst")
_SNIFF = 1 << 14
_VCD = re.compile(rb"\$(?:date|version|timescale|comment|scope|var|enddefinitions)(?![^\x00-\x20])")
_WORD = re.compile(r"0[xX][0-9a-fA-F]{1,512}|[0-9a-fA-F]{2,512}[hH]?")


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenOptions:
    """What a user knows about a capture; None is "find it".

    thresholds      (low, high) volts of all analog lines; `line_thresholds` by channel name
    delimiter, decimal, time_unit   of a CSV (`,` `;` tab `|` space; `.` or `,`; s ms us ns ps fs)
    rate            samples a second: raw samples, and tables without times
    lines           raw samples: the bit of each channel, {"sclk": 0, ...}
    sample_bytes, byte_order        raw samples: 1, 2, 4, 8; little or big
    frame_bits       list of frames: bits of a word (None: as many as its digits hold)
    join            table of bytes: what joins them to frames: packet, select, pause, none
    setup           list of frames: the SPI set-up they count as read with (bit order)
    block           bytes read at a time
    """

    thresholds: Thresholds | None = None
    line_thresholds: Mapping[str, Thresholds] = field(default_factory=dict)
    delimiter: str | None = None
    decimal: str | None = None
    time_unit: str | None = None
    rate: Fraction | None = None
    lines: Mapping[str, int] = field(default_factory=dict)
    sample_bytes: int = 1
    byte_order: Literal["little", "big"] = "little"
    frame_bits: int | None = None
    join: str | None = None
    setup: SpiSetup | None = None
    block: int = BLOCK


def open_capture(
    what: str | os.PathLike[str] | BinaryIO,
    *,
    format: str | None = None,  # noqa: A002 -- the trade's word, and keyword only
    options: OpenOptions | None = None,
    name: str | None = None,
    lines: bool = False,
) -> Capture:
    """Open a path, `-` (standard input) or a binary stream; gz is unpacked wherever it is met.

    `lines`: lines of it are asked for by name, so that it is no list of frames.

    Without `format` (one of FORMATS) the first bytes tell it. Raises CaptureError if the file cannot
    be opened or understood, CallError for options that cannot be.
    """
    options = options or OpenOptions()
    if format is not None and format not in FORMATS:
        near = closest(format, FORMATS)
        raise CallError(f"no capture format {format!r}", f"one of {', '.join(FORMATS)}", near)
    if what == "-":
        what, name = sys.stdin.buffer, name or "stdin"
    source = CaptureSource.open(what, name)
    try:
        head = source.read(32)
        source.unread(head)
        if format == "fst" or (format is None and is_fst(head)):
            return _waveform(what, source)
        if format != "raw" and not (options.lines and options.rate is not None):
            source.as_text()
        kind = format or sniff(source, options)
        if kind in ("bytes", "csv", "frames") and not lines:
            rows = open_bytes(
                source, join=options.join, time_unit=options.time_unit, setup=options.setup
            )
            if rows is not None:
                return rows
        if kind == "bytes":
            raise CaptureError.at(
                source.name,
                "no table of bytes",
                "a head that names SDI or SDO (mosi, tx ...) and one byte a row",
            )
        if lines and format is None and kind == "frames":
            kind = "csv"
        levels = Levels(options.thresholds, dict(options.line_thresholds))
        if kind == "vcd":
            head = source.read(_SNIFF)
            source.unread(head)
            if IS_EXTENDED.search(head):
                source.by_lines(portvalues.plain)
            return VcdCapture(source, levels=levels, block=options.block)
        if kind == "csv":
            events = open_events(
                source,
                levels=levels,
                decimal=options.decimal,
                time_unit=options.time_unit,
                block=options.block,
            )
            if events is not None:
                return events
            return TableCapture(
                source,
                levels=levels,
                delimiter=options.delimiter,
                decimal=options.decimal,
                time_unit=options.time_unit,
                rate=options.rate,
                block=options.block,
            )
        if kind == "frames":
            return FrameListCapture(
                source, bits=options.frame_bits, time_unit=options.time_unit, setup=options.setup
            )
        if options.rate is None or not options.lines:
            raise CaptureError.at(
                source.name,
                "binary data of no known format",
                "a value change dump, a table, a list of frames, or raw samples with a rate and the bit of each line",
            )
        return RawCapture(
            source,
            rate=options.rate,
            lines=options.lines,
            sample_bytes=options.sample_bytes,
            byte_order=options.byte_order,
            block=options.block,
        )
    except BaseException:
        source.close()
        raise


def _waveform(what: object, source: CaptureSource) -> Capture:
    """A compressed waveform; the library that reads it wants a file by its path."""
    if not isinstance(what, (str, os.PathLike)):
        raise CaptureError.at(
            source.name, "a compressed waveform (FST) from a stream", "its file by name"
        )
    source.close()
    return FstCapture(what)


def sniff(source: CaptureSource, options: OpenOptions | None = None) -> str:
    """The format of what comes next in a source, by content; nothing is consumed. CaptureError if empty."""
    options = options or OpenOptions()
    head = source.read(_SNIFF)
    source.unread(head)
    if not head:
        raise CaptureError.at(source.name, source.trouble or "is empty", "a capture")
    if options.lines and options.rate is not None:
        return "raw"
    bare = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if _VCD.match(bare) or (b"$enddefinitions" in head) or (b"$var" in head and b"$end" in head):
        return "vcd"
    odd = sum(head.count(bytes([c])) for c in (*range(9), *range(14, 27), 127))
    if odd > len(head) // 100 or b"\x00" in head:
        return "raw"
    return "frames" if _is_words(text_of(head), whole=len(head) < _SNIFF) else "csv"


def _is_words(text: str, *, whole: bool) -> bool:
    lines = text.splitlines()
    if not whole and len(lines) > 1:
        lines.pop()
    good = checked = prefixed = lengths = narrow = 0
    sizes: set[int] = set()
    for line in lines[:200]:
        plain = LEADING.sub("0.0 ", line)
        bare = LABEL.sub("", re.sub(r"(?s:(?:#|//|%).*)", "", plain)).strip(" \t,;|")
        if not bare:
            continue
        fields = re.split(r"[\s,;|]+", bare)
        if checked == 0 and not any(re.search(r"\d", f) for f in fields):
            continue
        checked += 1
        timed = (
            len(fields) > 1
            and re.fullmatch(r"[+-]?\d*(?:\.\d*)?(?:[eE][+-]?\d+)?(?:[munp]?s)?", fields[0])
            is not None
        )
        if len(fields) == 3 or (timed and "." in fields[0]) or (timed and fields[0].endswith("s")):
            fields = fields[1:]
        if 1 <= len(fields) <= 2 and all(_WORD.fullmatch(f) for f in fields):
            good += 1
            narrow += timed and len(fields) == 1 and len(fields[0].removeprefix("0x")) <= 2
            prefixed += any(f[:2] in ("0x", "0X") for f in fields)
            lengths += 1
            sizes |= {len(f) for f in fields}
    if good and narrow == good:
        # times and one byte: a column of several lines, not frames
        return False
    # Bare digits are words only if all are equally long; `0x` makes it plain.
    return checked > 0 and good >= 0.8 * checked and (prefixed >= 0.8 * good or len(sizes) <= 2)
