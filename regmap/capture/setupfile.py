"""The set-up of a capture kept beside it: `spi.vcd` has `spi.vcd.setup.yaml`.

    gateword_setup: 1
    channels: {clock: D0, select: D1, command: D2, reply: "-"}
    spi: {mode: 1, select: active_low, bit_order: msb_first, frame_clocks: 24, gap: 2 us}
    thresholds: {low: 0.8 V, high: 2.0 V, lines: {sdo: {low: 0.5 V, high: 1.5 V}}}
    table: {delimiter: ";", decimal: ",", time_unit: us}
    raw: {rate: 24 MHz, sample_bytes: 1, byte_order: little, lines: {D0: 0, D1: 1}}
    frames: {bits: 24, join: packet}
    format: csv

`gateword.setup.yaml` in a folder serves all captures of the folder that have none of their own. Every key may be missing. Problems are located and gathered; nothing is guessed from a broken file.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from regmap.record import dataclass, field, replace

from ..document.reader import BAD, Reader, Rec
from ..document.schema import Int, OneOf, QuantityShape, Record, Table, Text, Word
from ..document.source import Sources, compose_file, read_text
from ..errors import FileError, Problem
from ..files import write_whole
from ..quantity import DIMENSIONS, show
from .formats.bytewise import JOINS
from .formats.opening import FORMATS, OpenOptions
from .formats.tablehead import DELIMITERS
from .lines.channels import ROLES
from .lines.levels import Thresholds
from .spi import SpiSetup

FORMAT = 1
_SIZE_LIMIT = 1 << 16

SELECT = {"active_low": True, "active_high": False}
BIT_ORDER = {"msb_first": "msb", "lsb_first": "lsb"}
SEGMENT = ("auto", "select", "gap")
TIME_UNITS = ("s", "ms", "us", "ns", "ps", "fs")
_DELIMITERS = {{"\t": "tab", " ": "space"}.get(d, d): d for d in DELIMITERS}

_NAME = Word(r"[^\x00-\x1f\x7f]{1,64}", "a channel's name")
_VOLT = QuantityShape("voltage", "any")
_PAIR = {
    "low": (_VOLT, True, "below it a line is 0"),
    "high": (_VOLT, True, "above it a line is 1"),
}


@lru_cache(maxsize=1)
def setup_shape() -> Record:
    """The shape of a whole set-up file."""
    return Record(
        {
            "gateword_setup": (
                Int(FORMAT, FORMAT, f"{FORMAT}, the version of this format"),
                False,
                "version of this format",
            ),
            "format": (OneOf(FORMATS, "format"), False, "format of the file (told by content)"),
            "channels": (
                Record(
                    {r: (Text(200), False, f"the channel that is {r}") for r in ROLES}, "channels"
                ),
                False,
                "channel by line; - for one not captured",
            ),
            "spi": (
                Record(
                    {
                        "mode": (Int(0, 3), False, "clock polarity * 2 + clock phase"),
                        "select": (
                            OneOf(SELECT, "select"),
                            False,
                            "level of chip select during a frame",
                        ),
                        "bit_order": (
                            OneOf(BIT_ORDER, "bit_order"),
                            False,
                            "which bit travels first",
                        ),
                        "frame_clocks": (
                            Int(1, 65536),
                            False,
                            "clocks of a frame, where select is missing",
                        ),
                        "gap": (
                            QuantityShape("time"),
                            False,
                            "pause of the clock that ends a frame where select is missing",
                        ),
                        "runt": (QuantityShape("time"), False, "clock pulses below it are runts"),
                        "segment": (OneOf(SEGMENT), False, "how frames are told apart"),
                    },
                    "SPI of a set-up",
                ),
                False,
                "how the SPI is read, where that is not as in the map",
            ),
            "thresholds": (
                Record(
                    {
                        **{k: (s, False, d) for k, (s, _, d) in _PAIR.items()},
                        "lines": (
                            Table(_NAME, Record(_PAIR, "thresholds of a line"), "lines by name"),
                            False,
                            "thresholds of single lines",
                        ),
                    },
                    "thresholds",
                ),
                False,
                "voltages below and above which analog lines are 0 and 1",
            ),
            "table": (
                Record(
                    {
                        "delimiter": (OneOf(_DELIMITERS, "delimiter"), False, "between columns"),
                        "decimal": (OneOf((".", ",")), False, "decimal sign"),
                        "time_unit": (OneOf(TIME_UNITS), False, "unit of the times"),
                        "rate": (
                            QuantityShape("frequency"),
                            False,
                            "sample rate of a table without times",
                        ),
                    },
                    "a table's reading",
                ),
                False,
                "how a table is read",
            ),
            "raw": (
                Record(
                    {
                        "rate": (QuantityShape("frequency"), False, "sample rate"),
                        "sample_bytes": (OneOf(("1", "2", "4", "8")), False, "bytes of a sample"),
                        "byte_order": (OneOf(("little", "big")), False, "order of its bytes"),
                        "lines": (
                            Table(_NAME, Int(0, 63), "bits by name"),
                            False,
                            "which bit is which channel",
                        ),
                    },
                    "raw samples",
                ),
                False,
                "how raw samples are read",
            ),
            "frames": (
                Record(
                    {
                        "bits": (Int(1, 2048), False, "bits of a frame"),
                        "join": (OneOf(JOINS), False, "what joins the bytes of a table to frames"),
                    },
                    "a list of frames",
                ),
                False,
                "how a list of frames, or a table of bytes, is read",
            ),
        },
        "a set-up",
    )


def json_schema() -> dict[str, object]:
    """The JSON Schema (draft 2020-12) of a set-up file, from the same table that it is read by."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "gateword capture set-up",
        **setup_shape().json(),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureSetup:
    """All that can be said about a capture. `spi` holds only what was written: keys of SpiSetup.

    `notes` are the old names that its file uses.
    """

    format: str | None = None
    channels: dict[str, str] = field(default_factory=dict)
    options: OpenOptions = field(default_factory=OpenOptions)
    spi: dict[str, Any] = field(default_factory=dict)
    notes: tuple[Problem, ...] = field(default=(), compare=False)

    def spi_setup(self, base: SpiSetup | None = None) -> SpiSetup:
        """The SPI set-up: what was written, over `base` (e.g. the map's)."""
        return replace(base or SpiSetup(), **self.spi)


def setup_path(capture: str | os.PathLike[str]) -> Path:
    """Where the set-up of a capture is kept."""
    return Path(f"{os.fspath(capture)}.setup.yaml")


#: The set-up of a folder, for captures that have none of their own.
FOLDER_SETUP = "gateword.setup.yaml"


def setup_for(capture: str | os.PathLike[str]) -> tuple[CaptureSetup, Path | None]:
    """The set-up kept for a capture, its own before its folder's, and where it stands; an empty one without.

    Raises FileError with every problem and its place.
    """
    own = setup_path(capture)
    for path in (own, own.parent / FOLDER_SETUP):
        if path.is_file():
            return load_setup(path), path
    return CaptureSetup(), None


def load_setup(path: str | os.PathLike[str]) -> CaptureSetup:
    """Read a set-up file. Raises FileError with every problem and its place."""
    setup, problems = read_setup(path)
    if setup is None:
        raise FileError([p for p in problems if p.severity == "error"])
    return setup


def read_setup(
    path: str | os.PathLike[str], *, text: str | None = None
) -> tuple[CaptureSetup | None, list[Problem]]:
    """The set-up, or None, and every problem; `text` stands in for what the file holds."""
    name = os.fspath(path)
    reader = Reader(Sources())
    try:
        text = read_text(Path(path)) if text is None else text
        if len(text) > _SIZE_LIMIT:
            raise FileError.at(
                name, f"a set-up of {len(text)} characters", f"at most {_SIZE_LIMIT}"
            )
        if all(not line.strip() or line.lstrip().startswith("#") for line in text.splitlines()):
            return CaptureSetup(), []
        source = compose_file(Path(path), text)
        reader.sources.add(source)
        rec = setup_shape().read(source.node, reader, "")
        setup = CaptureSetup() if rec is BAD else _built(rec, reader)
    except FileError as error:
        return None, list(error.problems)
    notes = tuple(p for p in reader.problems if p.severity == "note")
    return (None if reader.errors else replace(setup, notes=notes)), reader.problems


def _built(rec: Rec, reader: Reader) -> CaptureSetup:
    none = Rec(rec.node, "")
    spi = dict(rec.get("spi", none))
    if "select" in spi:
        spi["select_active_low"] = SELECT[spi.pop("select")]
    if "bit_order" in spi:
        spi["bit_order"] = BIT_ORDER[spi["bit_order"]]
    given: dict[str, Any] = {}
    table = rec.get("table", none)
    if "delimiter" in table:
        given["delimiter"] = _DELIMITERS[table["delimiter"]]
    raw = rec.get("raw", none)
    for part, keys in (
        (table, ("decimal", "time_unit", "rate")),
        (raw, ("rate", "byte_order")),
    ):
        given |= {k: part[k] for k in keys if k in part}
    if "sample_bytes" in raw:
        given["sample_bytes"] = int(raw["sample_bytes"])
    if "lines" in raw:
        given["lines"] = dict(raw["lines"])
    frames = rec.get("frames", none)
    if "bits" in frames:
        given["frame_bits"] = frames["bits"]
    if "join" in frames:
        given["join"] = frames["join"]
    levels = rec.get("thresholds", none)
    if "low" in levels.key_nodes or "high" in levels.key_nodes:
        given["thresholds"] = _pair(levels, reader)
    if "lines" in levels:
        pairs = {n: _pair(item, reader) for n, item in levels["lines"].items()}
        given["line_thresholds"] = {n: p for n, p in pairs.items() if p is not None}
    return CaptureSetup(
        format=rec.get("format"),
        channels=dict(rec.get("channels", none)),
        options=OpenOptions(**given),
        spi=spi,
    )


def _pair(rec: Rec, reader: Reader) -> Thresholds | None:
    """Two thresholds in volts, the lower one first."""
    if "low" not in rec.key_nodes or "high" not in rec.key_nodes:
        reader.complain(rec.node, "thresholds", "one threshold", "low and high")
    if "low" not in rec or "high" not in rec:
        return None
    low, high = rec["low"], rec["high"]
    if low > high:
        volt = DIMENSIONS["voltage"][0]
        reader.complain(
            rec.value_nodes["low"],
            "thresholds",
            f"low {show(low, volt)} above high {show(high, volt)}",
            "low below high",
        )
        return None
    return float(low), float(high)


def dump_setup(setup: CaptureSetup) -> str:
    """The set-up as YAML text that `load_setup` reads back to the same."""
    import yaml

    volt, hertz, second = (DIMENSIONS[d][0] for d in ("voltage", "frequency", "time"))
    o = setup.options
    tree: dict[str, Any] = {"gateword_setup": FORMAT}
    if setup.format:
        tree["format"] = setup.format
    if setup.channels:
        tree["channels"] = dict(setup.channels)
    if setup.spi:
        spi: dict[str, Any] = {}
        for key, value in setup.spi.items():
            if key == "select_active_low":
                spi["select"] = _word(SELECT, value)
            elif key == "bit_order":
                spi[key] = _word(BIT_ORDER, value)
            elif key in ("gap", "runt"):
                spi[key] = show(value, second, digits=15)
            else:
                spi[key] = value
        tree["spi"] = spi
    pairs = {
        name: {"low": show(low, volt, digits=15), "high": show(high, volt, digits=15)}
        for name, (low, high) in [("", o.thresholds or (0.0, 0.0)), *o.line_thresholds.items()]
    }
    common = pairs.pop("") if o.thresholds else pairs.pop("") and {}
    if common or pairs:
        tree["thresholds"] = {**common, **({"lines": pairs} if pairs else {})}
    table = {
        "delimiter": _word(_DELIMITERS, o.delimiter),
        "decimal": o.decimal,
        "time_unit": o.time_unit,
    }
    table = {k: v for k, v in table.items() if v is not None}
    rate = None if o.rate is None else show(o.rate, hertz, digits=15)
    if o.lines:
        tree["raw"] = {
            **({"rate": rate} if rate else {}),
            "sample_bytes": o.sample_bytes,
            "byte_order": o.byte_order,
            "lines": dict(o.lines),
        }
    elif rate:
        table["rate"] = rate
    if table:
        tree["table"] = table
    frames = {"bits": o.frame_bits, "join": o.join}
    if any(v is not None for v in frames.values()):
        tree["frames"] = {k: v for k, v in frames.items() if v is not None}
    return str(yaml.safe_dump(tree, sort_keys=False, allow_unicode=True))


def _word(words: Mapping[str, Any], value: Any) -> str | None:
    """The word that stands for a value."""
    return next((w for w, v in words.items() if v == value), None)


def save_setup(setup: CaptureSetup, path: str | os.PathLike[str]) -> None:
    """Write a set-up, whole or not at all (`files.write_whole`). FileError if that fails."""
    try:
        write_whole(Path(path), dump_setup(setup))
    except OSError as error:
        raise FileError.at(
            os.fspath(path), f"cannot be written: {error.strerror or error}"
        ) from None
