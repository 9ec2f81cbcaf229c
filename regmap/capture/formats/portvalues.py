"""Extended value change dumps (port values and strengths) as plain ones, line for line.

    $var port 1 <0 sclk $end        ->  $var wire 1 <0 sclk $end
    pD 6 0 <0                       ->  0<0

States as IEEE 1364-2005, clause 18.4, names them (from memory): input D U N Z d u, output L H X T l h, direction unknown
0 1 ? F A a B b C c f. Strengths are left out. The lines keep their numbers, so problems are found where they are.
"""

from __future__ import annotations

import re

_LOW, _HIGH, _FLOATS = b"DdLl0", b"UuHh1", b"ZTFf"
_STATES = bytes.maketrans(
    bytes(range(256)),
    bytes(
        48 if c in _LOW else 49 if c in _HIGH else 122 if c in _FLOATS else 120 for c in range(256)
    ),
)
_PORT = re.compile(rb"\$var\s+port\s+(\[\s*(\d{1,6})\s*:\s*(\d{1,6})\s*\]|\d{1,6})\s")
_ONE = re.compile(rb"(?<![^\s])p([A-Za-z01?])[ \t]+\d[ \t]+\d[ \t]+(<?\S+)")
_MANY = re.compile(rb"(?<![^\s])p([A-Za-z01?]{2,4096})[ \t]+\d+[ \t]+\d+[ \t]+(<?\S+)")
_DUMP = re.compile(rb"\$dumpports(|all|off|on)(?![^\s])")
_CLOSE = re.compile(rb"\$vcdclose\s+#\d+\s+\$end")
#: A line of this kind shows in the first bytes that a dump is an extended one.
IS_EXTENDED = re.compile(rb"\$var\s+port\s")


def plain(lines: bytes) -> bytes:
    """Whole lines of an extended dump as those of a plain one."""
    lines = _PORT.sub(_declared, lines)
    lines = _ONE.sub(lambda m: m[1].translate(_STATES) + m[2], lines)
    lines = _MANY.sub(lambda m: b"b" + m[1].translate(_STATES) + b" " + m[2], lines)
    lines = _DUMP.sub(lambda m: b"$dump" + (m[1] or b"vars"), lines)
    return _CLOSE.sub(b"", lines)


def _declared(found: re.Match[bytes]) -> bytes:
    width = found[1]
    if found[2] is not None:
        width = str(abs(int(found[2]) - int(found[3])) + 1).encode()
    return b"$var wire " + width + b" "
