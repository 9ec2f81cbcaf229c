"""The declarations of a value change dump: time scale, scopes, variables (IEEE 1364-2005, chapter 18).

The header is small and free in form, so it is read token by token. What it yields is a table of
identifier codes: for each one its width, its kind and the first of its channels.
"""

from __future__ import annotations

import re
from fractions import Fraction

from regmap.budgets import limit, over
from regmap.errors import CaptureError
from regmap.record import dataclass, field

from ..lines.signals import Channel, Findings
from .source import CaptureSource

KEYWORDS = frozenset(
    (
        b"$comment",
        b"$end",
        b"$dumpvars",
        b"$dumpall",
        b"$dumpoff",
        b"$dumpon",
        b"$vcdclose",
        b"$date",
        b"$version",
        b"$timescale",
        b"$scope",
        b"$upscope",
        b"$var",
        b"$enddefinitions",
        b"$attrbegin",
        b"$attrend",
        b"$dumpports",
        b"$dumpportsall",
        b"$dumpportsoff",
        b"$dumpportson",
    )
)

#: A bus wider than this is not a line anybody looks at with an SPI capture.
WIDTH_LIMIT = 4096
DEPTH_LIMIT = 4096

_TOKEN = re.compile(rb"[^\x00-\x20]+")
_UNITS = {b"s": 0, b"ms": -3, b"us": -6, b"ns": -9, b"ps": -12, b"fs": -15}
_RANGE = re.compile(r"^(.*?)\s*\[\s*(-?\d{1,9})\s*(?::\s*(-?\d{1,9})\s*)?\]$", re.DOTALL)
_KINDS = frozenset(
    (
        "event",
        "integer",
        "parameter",
        "real",
        "realtime",
        "reg",
        "supply0",
        "supply1",
        "time",
        "tri",
        "triand",
        "trior",
        "trireg",
        "tri0",
        "tri1",
        "wand",
        "wire",
        "wor",
    )
)


@dataclass(slots=True)
class VcdVariable:
    """One identifier code: `first` is its least significant channel's index, -1 when it has none."""

    code: bytes
    width: int
    kind: str
    first: int = -1


@dataclass(slots=True)
class VcdHeader:
    """What the declarations say; `size` bytes and `lines` line ends long."""

    tick: Fraction = Fraction(1, 10**9)
    variables: dict[bytes, VcdVariable] = field(default_factory=dict)
    channels: list[Channel] = field(default_factory=list)
    names: dict[int, list[str]] = field(default_factory=dict)
    lines: int = 0
    size: int = 0


class _ShortError(Exception):
    """The bytes at hand end before the declarations do."""


class HeaderReader:
    """Reads the declarations from a source; problems go to `findings`."""

    def __init__(self, source: CaptureSource, findings: Findings) -> None:
        self.source = source
        self.findings = findings
        self.data = b""

    def read(self) -> VcdHeader:
        """The header; the source then stands at the first byte after it. CaptureError if unusable."""
        size = 1 << 16
        while True:
            more = self.source.read(size)
            self.data += more
            most = limit("declarations")
            if more and b"$enddefinitions" not in self.data and len(self.data) <= most:
                # nothing is gained by reading declarations that do not end yet
                size = max(min(len(self.data), most + 1 - len(self.data)), 1 << 16)
                continue
            kept = len(self.findings.problems), len(self.findings.notes), self.findings.uncounted
            try:
                header = self._parse(final=not more)
            except _ShortError:
                if not more or len(self.data) > most:
                    self._fail_short()
                del self.findings.problems[kept[0] :]
                del self.findings.notes[kept[1] :]
                self.findings.uncounted = kept[2]
                size = max(len(self.data), 1 << 16)
                continue
            self.source.unread(self.data[header.size :])
            header.lines = self.data.count(b"\n", 0, header.size)
            return header

    def _fail_short(self) -> None:
        size, line = len(self.data), self.data.count(b"\n") + 1
        if size > limit("declarations"):
            found, expected = over("declarations")
            self.findings.add(f"{found}, and no $enddefinitions", expected, line=line)
            raise self.findings.error()
        if self.source.trouble:
            found = f"the declarations stop at byte {size}, line {line}: {self.source.trouble}"
        else:
            found = f"the file ends in its declarations, at byte {size}, line {line}"
        self.findings.add(found, "a value change dump with $enddefinitions $end", line=line)
        raise self.findings.error()

    def _problem(
        self,
        found: str,
        expected: str,
        at: int,
        *,
        severity: str = "error",
        span: int = 1,
        nearest: str = "",
    ) -> None:
        start = self.data.rfind(b"\n", 0, at) + 1
        stop = self.data.find(b"\n", at)
        text = self.data[start : stop if stop >= 0 else len(self.data)][:400]
        self.findings.add(
            found,
            expected,
            line=self.data.count(b"\n", 0, at) + 1,
            column=at - start + 1,
            text=text.decode("latin-1").rstrip("\r"),
            span=span,
            severity=severity,
            nearest=nearest,
        )

    def _parse(self, *, final: bool) -> VcdHeader:
        header = VcdHeader()
        scopes: list[str] = []
        data = self.data
        tokens = _TOKEN.finditer(data)
        timescale = False
        seen: set[str] = set()

        def section(at: int) -> list[tuple[bytes, int]]:
            inside: list[tuple[bytes, int]] = []
            for match in tokens:
                # A token that touches the end of the bytes at hand may go on.
                if match.end() == len(data) and not final:
                    raise _ShortError
                if match[0] == b"$end":
                    return inside
                if len(inside) < 4096:
                    inside.append((match[0], match.start()))
            if final:
                self._problem("this section has no $end", "$end before the end of the file", at)
            raise _ShortError

        for match in tokens:
            if match.end() == len(data) and not final:
                raise _ShortError
            word, at = match[0], match.start()
            if word == b"$enddefinitions":
                section(at)
                header.size = _after_end(data, at)
                break
            if word[:1] == b"#" and header.variables:
                self._problem(
                    "changes begin without $enddefinitions",
                    "$enddefinitions $end before them",
                    at,
                    severity="warning",
                )
                header.size = at
                break
            if word[:1] != b"$" or word not in KEYWORDS:
                if word[:1] == b"$":
                    self.findings.note(
                        f"section {word[:40].decode('latin-1')} is not known and is passed over"
                    )
                    section(at)
                    continue
                shown = word[:30].decode("latin-1")
                self._problem(
                    f"{shown!r} among the declarations",
                    "a section such as $var",
                    at,
                    span=min(len(word), 80),
                )
                if not header.variables:
                    raise self.findings.error()
                continue
            if word == b"$end":
                continue
            inside = section(at)
            if word == b"$timescale":
                timescale = self._timescale(inside, at, header) or timescale
            elif word == b"$scope":
                scopes.append(inside[1][0].decode("latin-1") if len(inside) > 1 else "?")
                if len(scopes) > DEPTH_LIMIT:
                    self._problem(
                        f"more than {DEPTH_LIMIT} scopes inside each other", "$upscope", at
                    )
                    raise self.findings.error()
            elif word == b"$upscope":
                if scopes:
                    scopes.pop()
                else:
                    self._problem(
                        "$upscope without a $scope",
                        "as many $scope as $upscope",
                        at,
                        severity="warning",
                    )
            elif word == b"$var":
                self._variable(inside, at, scopes, header, seen)
        else:
            raise _ShortError
        if not timescale:
            self.findings.note("no $timescale: 1 ns is assumed")
        header.channels = [_with_names(c, header.names[c.index]) for c in header.channels]
        return header

    def _timescale(self, inside: list[tuple[bytes, int]], at: int, header: VcdHeader) -> bool:
        text = b"".join(t for t, _ in inside)
        match = re.fullmatch(rb"(\d{1,9})([a-z]{1,2})", text)
        if match is None or match[2] not in _UNITS or int(match[1]) == 0:
            shown = text[:30].decode("latin-1")
            self._problem(
                f"time scale {shown!r}", "1, 10 or 100 and s, ms, us, ns, ps or fs", at, span=10
            )
            return False
        if match[1] not in (b"1", b"10", b"100"):
            shown = text.decode("latin-1")
            self._problem(
                f"time scale {shown}", "1, 10 or 100 of a unit", at, severity="warning", span=10
            )
        header.tick = int(match[1]) * Fraction(10) ** _UNITS[match[2]]
        return True

    def _variable(
        self,
        inside: list[tuple[bytes, int]],
        at: int,
        scopes: list[str],
        header: VcdHeader,
        seen: set[str],
    ) -> None:
        if len(inside) < 4:
            self._problem("a $var with too few parts", "$var type width code name $end", at, span=4)
            return
        kind = inside[0][0].decode("latin-1")
        code = inside[2][0]
        name = " ".join(t.decode("utf-8", "replace") for t, _ in inside[3:])
        if kind == "port":
            self._problem(
                "an extended dump (port values)", "a four-state dump", inside[0][1], span=4
            )
            raise self.findings.error()
        if kind not in _KINDS:
            self.findings.note(
                f"variable type {kind[:30]!r} is not in the standard; read by its values"
            )
        try:
            width = int(inside[1][0]) if len(inside[1][0]) < 10 else -1
        except ValueError:
            width = -1
        if width < 0:
            shown = inside[1][0][:20].decode("latin-1")
            self._problem(
                f"width {shown!r}",
                "a number of bits",
                inside[1][1],
                span=min(len(inside[1][0]), 40),
            )
            return
        if code in KEYWORDS:
            self._problem(
                f"the code {code.decode()} is a keyword",
                "any other printable characters",
                inside[2][1],
                span=len(code),
            )
            return
        full = ".".join([*scopes, name])
        if full in seen and code not in header.variables:
            self._problem(
                f"{full[:60]} is declared twice with different codes",
                "one code for a name",
                inside[3][1],
                severity="warning",
            )
        seen.add(full)
        known = header.variables.get(code)
        if known is None:
            known = header.variables[code] = VcdVariable(code, width, kind)
            self._channels(known, scopes, name, header)
        elif known.width != width:
            self._problem(
                f"code {code[:20].decode('latin-1')} has {width} bits here and {known.width} before",
                "one width for a code",
                inside[1][1],
                severity="warning",
            )
        elif known.first >= 0:
            for offset, text in enumerate(_bit_names(scopes, name, width)):
                names = header.names[known.first + offset]
                if text[0] not in names and len(names) < 64:
                    names.append(text[0])

    def _channels(self, var: VcdVariable, scopes: list[str], name: str, header: VcdHeader) -> None:
        if var.kind == "event" or var.width == 0:
            return
        if var.kind in ("real", "realtime", "string"):
            var.width = 1
        if len(header.channels) + min(var.width, WIDTH_LIMIT) > limit("signals"):
            raise CaptureError.at(self.findings.name, *over("signals"))
        if var.width > WIDTH_LIMIT:
            self.findings.note(f"{name[:60]} has {var.width} bits and is left out")
            return
        var.first = len(header.channels)
        bus = ".".join([*scopes, _plain(name)]) if var.width > 1 else ""
        for weight, (text, bit) in enumerate(_bit_names(scopes, name, var.width)):
            index = len(header.channels)
            header.names[index] = [text]
            header.channels.append(
                Channel(index=index, name=text, bus=bus, bit=bit, weight=weight, kind=var.kind)
            )


def _after_end(data: bytes, at: int) -> int:
    match = re.compile(rb"(?<![^\x00-\x20])\$end(?![^\x00-\x20])").search(data, at + 1)
    return match.end() if match else len(data)


def _plain(name: str) -> str:
    match = _RANGE.match(name)
    return match[1] if match and match[1] else name


def _bit_names(scopes: list[str], name: str, width: int) -> list[tuple[str, int]]:
    """(full name, bit index) from the least significant bit up; a single bit keeps its name."""
    match = _RANGE.match(name)
    path = "".join(s + "." for s in scopes)
    if width == 1:
        # `d [3]` and `d[3]` are the same bit of the same bus; `d[0:0]` is the whole of a narrow one.
        single = f"{match[1]}[{match[2]}]" if match and match[1] else name
        return [(path + single, int(match[2]) if match else 0)]
    base = match[1] if match and match[1] else name
    left, right = width - 1, 0
    if match and match[3] is not None and abs(int(match[2]) - int(match[3])) == width - 1:
        left, right = int(match[2]), int(match[3])
    step = 1 if left > right else -1
    return [(f"{path}{base}[{right + step * k}]", right + step * k) for k in range(width)]


def _with_names(channel: Channel, names: list[str]) -> Channel:
    if len(names) == 1:
        return channel
    return Channel(
        index=channel.index,
        name=names[0],
        aliases=tuple(names[1:]),
        bus=channel.bus,
        bit=channel.bit,
        weight=channel.weight,
        kind=channel.kind,
    )
