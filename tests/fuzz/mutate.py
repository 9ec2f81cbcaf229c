"""Mutations that bytes alone do not come to: lines moved, pieces repeated a thousandfold, nesting, words put in."""

from __future__ import annotations

import random
from collections.abc import Sequence

HOSTILE = (
    b"\x1b[2J", "\u202e".encode(), b"\xc2\x9b", b"\0", b"\xff\xfe", b"\r", "\ud800".encode("utf-8", "surrogatepass"),
    b"9" * 400, b"1e999", b"0x" + b"F" * 70, b"-1", b"[" * 200, b"{" * 200, b"(" * 200, b"nan", b"inf", b"0", b"1e-320",
    "\uff11".encode(), "\u00b5".encode(), "\u0661".encode(), b"\xb5", b"'", b'"', b"\\", b"%s", b"${x}", b"../", b"/dev/zero",
)  # fmt: skip


def mutated(data: bytes, others: Sequence[bytes], words: Sequence[bytes], rng: random.Random, most: int) -> bytes:  # fmt: skip
    """One change of `data`; never more than `most` bytes."""
    way = rng.randrange(9)
    at = rng.randrange(len(data) + 1)
    end = min(len(data), at + rng.choice((1, 4, 16, 64, 256)))
    if way == 0:
        data = data[:at] + rng.choice(HOSTILE) + data[at:]
    elif way == 1 and words:
        data = data[:at] + rng.choice(words) + data[end if rng.random() < 0.5 else at :]
    elif way == 2:
        piece = data[at:end] or b" "
        data = data[:at] + piece * rng.choice((2, 10, 100, 1000, 10_000)) + data[end:]
    elif way == 3:
        lines = data.split(b"\n")
        a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
        lines[a], lines[b] = lines[b], lines[a]
        data = b"\n".join(lines)
    elif way == 4:
        lines = data.split(b"\n")
        at = rng.randrange(len(lines))
        del lines[at : at + rng.choice((1, 2, 8))]
        data = b"\n".join(lines)
    elif way == 5 and others:
        other = rng.choice(others).split(b"\n")
        lines = data.split(b"\n")
        cut, from_ = rng.randrange(len(lines) + 1), rng.randrange(len(other))
        lines[cut:cut] = other[from_ : from_ + rng.choice((1, 3, 10, 40))]
        data = b"\n".join(lines)
    elif way == 6:
        data = data[:at] + data[end:]
    elif way == 7:
        data = data[:at]
    elif data:
        at = min(at, len(data) - 1)
        data = data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]
    return data[:most]
