"""The set-up of a capture kept beside it: `spi.vcd` has `spi.vcd.setup.yaml`.

    channels: {clock: D0, select: D1, command: D2, reply: "-"}
    spi: {mode: 1, select: active low, bit order: msb, frame clocks: 24, gap: 2 us}
    thresholds: {low: 0.8 V, high: 2.0 V, lines: {sdo: {low: 0.5 V, high: 1.5 V}}}
    table: {delimiter: ";", decimal: ",", time unit: us}
    raw: {rate: 24 MHz, sample bytes: 1, byte order: little, lines: {D0: 0, D1: 1}}
    words: {bits: 24}
    format: csv

Every key may be missing. Problems are located and gathered; nothing is guessed from a broken file.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from regmap.errors import CallError, FileError, Place, Problem, nearest
from regmap.files import write_whole
from regmap.quantity import DIMENSIONS, parse, show

from .formats.opening import FORMATS, Options
from .formats.tablehead import DELIMITERS
from .lines.channels import ROLES
from .lines.levels import Thresholds
from .spi import SpiSetup

if TYPE_CHECKING:
    import yaml

_SIZE_LIMIT = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureSetup:
    """All that can be said about a capture. `spi` holds only what was written: keys of SpiSetup."""

    format: str | None = None
    channels: dict[str, str] = field(default_factory=dict)
    options: Options = field(default_factory=Options)
    spi: dict[str, Any] = field(default_factory=dict)

    def spi_setup(self, base: SpiSetup | None = None) -> SpiSetup:
        """The SPI set-up: what was written, over `base` (e.g. the map's)."""
        return replace(base or SpiSetup(), **self.spi)


def setup_path(capture: str | os.PathLike[str]) -> Path:
    """Where the set-up of a capture is kept."""
    return Path(f"{os.fspath(capture)}.setup.yaml")


def load_setup(path: str | os.PathLike[str]) -> CaptureSetup:
    """Read a set-up file. Raises FileError with every problem and its place."""
    name = os.fspath(path)
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise FileError.at(name, f"cannot be read: {error.strerror or error}") from None
    if len(data) > _SIZE_LIMIT:
        raise FileError.at(name, f"a set-up of {len(data)} bytes", f"at most {_SIZE_LIMIT}")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise FileError.at(name, f"byte {error.start} is not UTF-8", "UTF-8 text") from None
    return _Reader(name, text).read()


class _Reader:
    def __init__(self, name: str, text: str) -> None:
        self.name = name
        self.text = text
        self.lines = text.splitlines()
        self.problems: list[Problem] = []

    def read(self) -> CaptureSetup:
        import yaml

        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        try:
            depth = 0
            for count, event in enumerate(yaml.parse(self.text, Loader=loader)):
                depth += isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent))
                depth -= isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent))
                if isinstance(event, yaml.AliasEvent) or depth > 8 or count > 10_000:
                    found = (
                        "an alias"
                        if isinstance(event, yaml.AliasEvent)
                        else "a structure too deep or too large"
                    )
                    raise FileError(
                        [Problem(self._place(event.start_mark), found, "plain keys and values")]
                    )
            root = yaml.compose(self.text, Loader=loader)
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            place = self._place(mark) if mark else Place(self.name)
            raise FileError([Problem(place, str(error.problem or "not YAML"), "YAML")]) from None
        except yaml.YAMLError as error:
            raise FileError.at(self.name, f"not YAML: {str(error).splitlines()[0]}") from None
        except (RecursionError, ValueError):
            raise FileError.at(self.name, "not YAML that can be read") from None
        setup = self._root(root) if root is not None else CaptureSetup()
        if self.problems:
            raise FileError(self.problems)
        return setup

    def _place(self, mark: Any) -> Place:
        line = self.lines[mark.line] if mark.line < len(self.lines) else ""
        return Place(self.name, mark.line + 1, mark.column + 1, 1, line)

    def _bad(self, node: yaml.Node, found: str, expected: str, near: str = "") -> None:
        place = self._place(node.start_mark)
        span = (
            max(1, node.end_mark.column - node.start_mark.column)
            if node.end_mark.line == node.start_mark.line
            else 1
        )
        self.problems.append(Problem(replace(place, span=span), found, expected, near))

    def _keys(
        self, node: yaml.Node, what: str, known: tuple[str, ...] | None
    ) -> dict[str, yaml.Node]:
        import yaml

        if not isinstance(node, yaml.MappingNode):
            self._bad(node, f"{what} is not a mapping", "keys and values")
            return {}
        found: dict[str, yaml.Node] = {}
        for key, value in node.value:
            if not isinstance(key, yaml.ScalarNode):
                self._bad(key, "a key that is no word", "a word")
            elif known is not None and key.value not in known:
                near = nearest(key.value, known)
                self._bad(
                    key,
                    f"unknown key {key.value[:40]!r} in {what}",
                    ", ".join(known),
                    near[0] if near else "",
                )
            elif key.value in found:
                self._bad(key, f"key {key.value!r} twice", "each key once")
            else:
                found[key.value] = value
        return found

    def _text(self, node: yaml.Node, what: str) -> str | None:
        import yaml

        if isinstance(node, yaml.ScalarNode):
            return str(node.value)
        self._bad(node, f"{what} is not a single value", "a single value")
        return None

    def _choice(self, node: yaml.Node, what: str, choices: dict[str, Any]) -> Any:
        text = self._text(node, what)
        if text is None:
            return None
        if text in choices:
            return choices[text]
        near = nearest(text, choices)
        self._bad(
            node,
            f"{what} {text[:40]!r}",
            "one of " + ", ".join(repr(c) if not c.strip() else c for c in choices),
            near[0] if near else "",
        )
        return None

    def _whole(self, node: yaml.Node, what: str, low: int, high: int) -> int | None:
        text = self._text(node, what)
        if text is None:
            return None
        if text.isascii() and text.isdigit() and len(text) < 7 and low <= int(text) <= high:
            return int(text)
        self._bad(node, f"{what} {text[:40]!r}", f"a whole number from {low} to {high}")
        return None

    def _quantity(self, node: yaml.Node, what: str, dimension: str) -> Fraction | None:
        text = self._text(node, what)
        if text is None:
            return None
        try:
            value = parse(text, dimension).value
        except CallError as error:
            self._bad(node, f"{what}: {error}", f"a {dimension} with its unit")
            return None
        if value <= 0 and dimension != "voltage":
            self._bad(node, f"{what} {text[:40]!r}", "more than 0")
            return None
        return value

    def _root(self, node: yaml.Node) -> CaptureSetup:
        keys = self._keys(
            node, "the set-up", ("format", "channels", "spi", "thresholds", "table", "raw", "words")
        )
        options: dict[str, Any] = {}
        kind = (
            self._choice(keys["format"], "format", {f: f for f in FORMATS})
            if "format" in keys
            else None
        )
        channels = {}
        if "channels" in keys:
            for role, value in self._keys(keys["channels"], "channels", ROLES).items():
                text = self._text(value, role)
                if text is not None:
                    channels[role] = text
        if "thresholds" in keys:
            self._thresholds(keys["thresholds"], options)
        if "table" in keys:
            table = self._keys(
                keys["table"], "table", ("delimiter", "decimal", "time unit", "rate")
            )
            named: dict[str, Any] = {d: d for d in DELIMITERS} | {"tab": "\t", "space": " "}
            for key, target, choices in (
                ("delimiter", "delimiter", named),
                ("decimal", "decimal", {".": ".", ",": ","}),
                ("time unit", "time_unit", {u: u for u in ("s", "ms", "us", "ns", "ps", "fs")}),
            ):
                if key in table:
                    options[target] = self._choice(table[key], key, choices)
            if "rate" in table:
                options["rate"] = self._quantity(table["rate"], "rate", "frequency")
        if "raw" in keys:
            self._raw(keys["raw"], options)
        if "words" in keys:
            words = self._keys(keys["words"], "words", ("bits",))
            if "bits" in words:
                options["word_bits"] = self._whole(words["bits"], "bits", 1, 2048)
        spi = self._spi(keys["spi"]) if "spi" in keys else {}
        if self.problems:
            return CaptureSetup()
        return CaptureSetup(format=kind, channels=channels, options=Options(**options), spi=spi)

    def _raw(self, node: yaml.Node, options: dict[str, Any]) -> None:
        raw = self._keys(node, "raw", ("rate", "sample bytes", "byte order", "lines"))
        if "rate" in raw:
            options["rate"] = self._quantity(raw["rate"], "rate", "frequency")
        if "sample bytes" in raw:
            options["sample_bytes"] = self._choice(
                raw["sample bytes"], "sample bytes", {"1": 1, "2": 2, "4": 4, "8": 8}
            )
        if "byte order" in raw:
            options["byte_order"] = self._choice(
                raw["byte order"], "byte order", {"little": "little", "big": "big"}
            )
        if "lines" in raw:
            bits = {
                k: self._whole(v, f"bit of {k[:40]}", 0, 63)
                for k, v in self._keys(raw["lines"], "lines", None).items()
            }
            options["lines"] = {k: v for k, v in bits.items() if v is not None}

    def _pair(self, node: yaml.Node, keys: dict[str, yaml.Node], what: str) -> Thresholds | None:
        if "low" not in keys or "high" not in keys:
            if "low" in keys or "high" in keys:
                self._bad(node, f"{what} has one threshold", "low and high")
            return None
        low, high = (self._quantity(keys[k], k, "voltage") for k in ("low", "high"))
        if low is None or high is None:
            return None
        if low > high:
            volt = DIMENSIONS["voltage"][0]
            self._bad(
                keys["low"],
                f"low {show(low, volt)} above high {show(high, volt)}",
                "low below high",
            )
            return None
        return float(low), float(high)

    def _thresholds(self, node: yaml.Node, options: dict[str, Any]) -> None:
        keys = self._keys(node, "thresholds", ("low", "high", "lines"))
        options["thresholds"] = self._pair(node, keys, "thresholds")
        if "lines" in keys:
            lines = {}
            for name, value in self._keys(keys["lines"], "lines", None).items():
                inner = self._keys(value, name[:40], ("low", "high"))
                pair = self._pair(value, inner, name[:40])
                if pair is not None:
                    lines[name] = pair
                elif inner == {}:
                    self._bad(value, f"{name[:40]} has no thresholds", "low and high")
            options["line_thresholds"] = lines

    def _spi(self, node: yaml.Node) -> dict[str, Any]:
        keys = self._keys(
            node, "spi", ("mode", "select", "bit order", "frame clocks", "gap", "runt", "segment")
        )
        found: dict[str, Any] = {}
        if "mode" in keys:
            found["mode"] = self._whole(keys["mode"], "mode", 0, 3)
        if "select" in keys:
            found["select_active_low"] = self._choice(
                keys["select"], "select", {"active low": True, "active high": False}
            )
        if "bit order" in keys:
            found["bit_order"] = self._choice(
                keys["bit order"], "bit order", {"msb": "msb", "lsb": "lsb"}
            )
        if "frame clocks" in keys:
            found["frame_clocks"] = self._whole(keys["frame clocks"], "frame clocks", 1, 65536)
        for name in ("gap", "runt"):
            if name in keys:
                found[name] = self._quantity(keys[name], name, "time")
        if "segment" in keys:
            found["segment"] = self._choice(
                keys["segment"], "segment", {s: s for s in ("auto", "select", "gap")}
            )
        return found


def dump_setup(setup: CaptureSetup) -> str:
    """The set-up as YAML text that `load_setup` reads back to the same."""
    import yaml

    volt, hertz, second = (DIMENSIONS[d][0] for d in ("voltage", "frequency", "time"))
    o, tree = setup.options, {}  # type: Options, dict[str, Any]
    if setup.format:
        tree["format"] = setup.format
    if setup.channels:
        tree["channels"] = dict(setup.channels)
    if setup.spi:
        spi: dict[str, Any] = {}
        for key, value in setup.spi.items():
            if key == "select_active_low":
                spi["select"] = "active low" if value else "active high"
            elif key in ("gap", "runt"):
                spi[key] = show(value, second, digits=15)
            else:
                spi[key.replace("_", " ")] = value
        tree["spi"] = spi
    pairs = {
        name: {"low": show(low, volt, digits=15), "high": show(high, volt, digits=15)}
        for name, (low, high) in [("", o.thresholds or (0.0, 0.0)), *o.line_thresholds.items()]
    }
    common = pairs.pop("") if o.thresholds else pairs.pop("") and {}
    if common or pairs:
        tree["thresholds"] = {**common, **({"lines": pairs} if pairs else {})}
    table = {"delimiter": o.delimiter, "decimal": o.decimal, "time unit": o.time_unit}
    table = {k: v for k, v in table.items() if v is not None}
    rate = None if o.rate is None else show(o.rate, hertz, digits=15)
    if o.lines:
        tree["raw"] = {
            **({"rate": rate} if rate else {}),
            "sample bytes": o.sample_bytes,
            "byte order": o.byte_order,
            "lines": dict(o.lines),
        }
    elif rate:
        table["rate"] = rate
    if table:
        tree["table"] = table
    if o.word_bits is not None:
        tree["words"] = {"bits": o.word_bits}
    return str(yaml.safe_dump(tree, sort_keys=False, allow_unicode=True)) if tree else "{}\n"


def save_setup(setup: CaptureSetup, path: str | os.PathLike[str]) -> None:
    """Write a set-up, whole or not at all (`files.write_whole`). FileError if that fails."""
    try:
        write_whole(Path(path), dump_setup(setup))
    except OSError as error:
        raise FileError.at(
            os.fspath(path), f"cannot be written: {error.strerror or error}"
        ) from None
