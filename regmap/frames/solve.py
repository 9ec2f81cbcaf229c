"""Check bits solved from examples: every reading of a parity or checksum that explains them all.

A CRC is linear but for its start value and final xor, which cancel between two frames of one length:
with m the difference of what is fed, c that of the check bits, w their number and f the zeros fed
behind the data, P divides m(x) x^(w+f) + c(x). So P divides the greatest common divisor of these over
all examples, and its factors of degree w are all there is to find: no polynomial is tried in vain and
none is missed (but those divisible by x, which leave the last bit unprotected). Start value and final
xor then follow from any one example; at one length each start value has its xor, so they are named in
the usual ways and are all the same frames. W. W. Peterson and D. T. Brown, "Cyclic codes for error
detection", Proceedings of the IRE, 1961, has the algebra; factors are found by E. R. Berlekamp's
algorithm (1967).

A parity bit is an affine function of the frame; the subsets of bits that explain all examples are the
solutions of a linear system over GF(2).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

from regmap.record import dataclass, replace

from ..chip.bits import extract, hexword, mask_of, spans
from ..chip.guard import Crc, reverse_bits
from ..chip.model import Bits, Layout, Part
from .words import GUARDS, guard_value

#: subsets of parts are tried where so many parts or fewer are not the same in all examples
MOST_PARTS = 10
#: readings that are kept
MOST_READINGS = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """A whole frame as sent; `command` is the frame that it answers, for a reply of which it is known."""

    word: int
    command: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumReading:
    """One way to compute the check bits; `part` does it. `same` are other spellings of the same at
    this length, `dropped` the parts that it does not cover although they differ between examples."""

    part: Part
    same: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()

    def text(self) -> str:
        """As the keys of a map: `polynomial: 0x2F, init: 0xFF, over: 23..8`."""
        return keys_of(self.part)


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """What explains the check bits of one part in all of `examples`, the simplest first.

    `more` is how many further examples, different from these, decide between the readings as a rule (each
    leaves one wrong reading in 2 to the number of check bits; 0: one is left). `open` names the parts that are the same in all examples: whether they are covered, none tells.
    `subsets` is the base-2 logarithm of the number of subsets whose parity explains a single check bit
    (None: there is none, or the part has several bits).
    """

    part: Part
    examples: int
    readings: tuple[ChecksumReading, ...]
    more: int
    open: tuple[str, ...] = ()
    subsets: int | None = None


def keys_of(part: Part) -> str:
    """The keys of a check part that say how it is computed."""
    over = f"over: {_span(part.over)}"
    if part.over_command:
        over += f", over_command: {_span(part.over_command)}"
    if part.kind == "parity":
        return f"parity: {'even' if part.even else 'odd'}, {over}"
    crc = part.crc
    assert crc is not None
    keys = [f"polynomial: {hexword(crc.poly, crc.width)}"]
    keys += [
        f"{name}: {hexword(value, crc.width)}" for name, value in (("init", crc.init), ("xor", crc.xor_out)) if value
    ]  # fmt: skip
    keys += [f"{n}: yes" for n in ("reflect_in", "reflect_out") if getattr(crc, n)]
    if crc.flush:
        keys.append(f"flush: {crc.flush}")
    if part.prefix[1]:
        keys.append(f"prefix: 0b{part.prefix[0]:0{part.prefix[1]}b}")
    return ", ".join([*keys, over])


def _span(bits: Bits) -> str:
    text = spans(bits)
    return f"[{text}]" if "," in text else text


def solve(layout: Layout, part: Part, examples: Sequence[Example]) -> Solution:
    """Every reading of the check part `part` of `layout` that explains all examples."""
    unique = list(dict.fromkeys(examples))
    words = [e.word for e in unique]
    varying = 0
    for word in words:
        varying |= word ^ words[0]
    others = [p for p in layout.parts if p is not part]
    still = tuple(p.name for p in others if not mask_of(p.bits) & varying)
    moving = [p for p in others if mask_of(p.bits) & varying]
    readings: list[ChecksumReading] = []
    seen: set[str] = set()
    for dropped, over in _coverages(part, others, moving):
        found = (
            _parities(part, unique, over)
            if part.width == 1
            else _checksums(part, unique, over, layout.length)
        )
        for reading, same in found:
            key = keys_of(reading)
            if key not in seen and len(readings) < MOST_READINGS:
                seen.add(key)
                names = tuple(p.name for p in dropped)
                readings.append(ChecksumReading(part=reading, same=same, dropped=names))
    subsets = _subsets(part, unique, layout.length) if part.width == 1 else None
    if subsets == 0 and not readings:
        readings = [ChecksumReading(part=_only_subset(part, unique, layout.length))]
    if part.width > 1 and not readings:
        readings = _separate(layout, part, unique)
    right = _explains(part, unique) and bool(varying or part.width == 1)
    if right:
        readings = [_as_stated(r, part) for r in readings]
    readings.sort(
        key=lambda r: (
            not (right and r.part is part), r.part.over != part.over, len(r.dropped), len(r.text())
        )
    )  # fmt: skip
    spare = max(0, len(readings) - 1)
    more = -(-spare.bit_length() // part.width) if spare else 0
    if subsets and not readings:
        more = subsets
    return Solution(
        part=part,
        examples=len(unique),
        readings=tuple(readings),
        more=more,
        open=still,
        subsets=subsets,
    )


def _as_stated(reading: ChecksumReading, part: Part) -> ChecksumReading:
    """The reading in the words of the map, where it is what the map says."""
    ours, stated = reading.part.crc, part.crc
    same = (reading.part.over, reading.part.over_command) == (part.over, part.over_command)
    if not same or part.kind != reading.part.kind:
        return reading
    if ours is None or stated is None:
        return replace(reading, part=part) if reading.part.even == part.even else reading
    linear = [(c.poly, c.reflect_in, c.reflect_out, c.flush) for c in (ours, stated)]
    if linear[0] != linear[1]:
        return reading
    spelt = dict.fromkeys((reading.text(), *reading.same))
    spelt.pop(keys_of(part), None)
    return replace(reading, part=part, same=tuple(spelt))


def _coverages(
    part: Part, others: Sequence[Part], moving: Sequence[Part]
) -> Iterator[tuple[tuple[Part, ...], Bits]]:
    """What may be covered, the likeliest first: (parts that differ between examples and are left out, bits)."""

    def bits(left_out: Sequence[Part]) -> Bits:
        return tuple(sorted((b for p in others if p not in left_out for b in p.bits), reverse=True))

    if part.over:
        covered = set(part.over)
        yield tuple(p for p in moving if not covered & set(p.bits)), part.over
    guards = [p for p in moving if p.kind in GUARDS]
    free = [p for p in moving if p.kind not in GUARDS]
    some = free if len(free) <= MOST_PARTS else []
    for count in range(len(some) + 1):
        for left_out in combinations(some, count):
            if count < len(free) or not free:
                yield tuple(left_out), bits(left_out)
                if guards:
                    yield (*left_out, *guards), bits((*left_out, *guards))


# --- parity ------------------------------------------------------------------------------------------
def _parities(
    part: Part, examples: Sequence[Example], over: Bits
) -> list[tuple[Part, tuple[str, ...]]]:
    found: list[tuple[Part, tuple[str, ...]]] = []
    for even in (True, False):
        made = _with(part, kind="parity", even=even, over=over, crc=None, prefix=(0, 0))
        if _explains(made, examples):
            found.append((made, ()))
    return found


def _rows(part: Part, examples: Sequence[Example], length: int, place: int = 0) -> list[int]:
    """Equations: bits of the frame but for the part's own, a one for the constant, the check bit on top."""
    own = mask_of(part.bits)
    bit = part.bits[-1 - place]
    return [(e.word & ~own) | 1 << length | (e.word >> bit & 1) << (length + 1) for e in examples]


def _reduced(rows: list[int], columns: int) -> dict[int, int] | None:
    """Gauss-Jordan over GF(2): pivot column -> row; None where the equations contradict each other."""
    pivots: dict[int, int] = {}
    for row in rows:
        for column, own in pivots.items():
            if row >> column & 1:
                row ^= own
        left = row & ((1 << columns) - 1)
        if not left:
            if row:
                return None
            continue
        column = left.bit_length() - 1
        for other in [c for c, r in pivots.items() if r >> column & 1]:
            pivots[other] ^= row
        pivots[column] = row
    return pivots


def _subsets(part: Part, examples: Sequence[Example], length: int) -> int | None:
    """The dimension of the subsets of bits, with even or odd, whose parity explains all examples."""
    pivots = _reduced(_rows(part, examples, length), length + 1)
    return None if pivots is None else length - part.width + 1 - len(pivots)


def _only_subset(part: Part, examples: Sequence[Example], length: int, place: int = 0) -> Part:
    """The parity over the one subset that explains all examples, of check bit `place` from the right."""
    pivots = _reduced(_rows(part, examples, length, place), length + 1) or {}
    over = tuple(b for b in range(length - 1, -1, -1) if pivots.get(b, 0) >> (length + 1) & 1)
    odd = pivots.get(length, 0) >> (length + 1) & 1
    return _with(
        part,
        kind="parity",
        bits=(part.bits[-1 - place],),
        even=not odd,
        over=over,
        crc=None,
        prefix=(0, 0),
    )


def _separate(layout: Layout, part: Part, examples: Sequence[Example]) -> list[ChecksumReading]:
    """Each check bit as the parity over the one subset of bits that explains it, where there is one."""
    found = []
    for place in reversed(range(part.width)):
        pivots = _reduced(_rows(part, examples, layout.length, place), layout.length + 1)
        if pivots is None or len(pivots) < layout.length - part.width + 1:
            return []
        found.append(ChecksumReading(part=_only_subset(part, examples, layout.length, place)))
    return found


# --- checksums ------------------------------------------------------------------------------------------
def _checksums(
    part: Part, examples: Sequence[Example], over: Bits, length: int
) -> Iterator[tuple[Part, tuple[str, ...]]]:
    width = part.width
    if not 3 <= width <= 32 or not over:
        return
    commands = [e.command for e in examples]
    with_command: list[Bits] = [()]
    if all(c is not None for c in commands):
        with_command.append(part.over_command or tuple(range(length - 1, -1, -1)))
    for over_command in with_command:
        for listed in (over, over[::-1]):
            for reflect_in in (False, True):
                fed = (*(b + length for b in over_command), *listed)
                if reflect_in:
                    fed = tuple(b for i in range(0, len(fed), 8) for b in fed[i : i + 8][::-1])
                messages = [
                    extract((e.command or 0) << length | e.word, fed) if fed else 0
                    for e in examples
                ]
                for reflect_out in (False, True):
                    sums = [extract(e.word, part.bits) for e in examples]
                    if reflect_out:
                        sums = [reverse_bits(s, width) for s in sums]
                    for flush in (0, width):
                        for poly in _polynomials(messages, sums, width, flush):
                            made = _spelt(
                                part, examples, listed, over_command, poly,
                                (reflect_in, reflect_out, flush), messages[0], sums[0], len(fed),
                            )  # fmt: skip
                            if made is not None:
                                yield made


def _polynomials(messages: Sequence[int], sums: Sequence[int], width: int, flush: int) -> list[int]:
    """Polynomials, without their top bit, for which all differences are code words."""
    common = 0
    for message, found in zip(messages[1:], sums[1:], strict=True):
        word = (message ^ messages[0]) << (width + flush) ^ found ^ sums[0]
        common = _gcd(common, word)
        if common and _degree(common) < width:
            return []
    if not common:
        return []  # nothing differs: any would do
    return sorted({p ^ 1 << width for p in _divisors(common, width) if p & 1})


def _spelt(
    part: Part,
    examples: Sequence[Example],
    over: Bits,
    over_command: Bits,
    poly: int,
    how: tuple[bool, bool, int],
    message: int,
    found: int,
    fed: int,
) -> tuple[Part, tuple[str, ...]] | None:
    """The reading with its usual spelling of start value and final xor, and the other spellings."""
    width = part.width
    reflect_in, reflect_out, flush = how
    full, ones = poly | 1 << width, (1 << width) - 1
    # what the start value and the xor leave together
    rest = found ^ _mod(message << (width + flush), full)

    def start_for(left: int) -> int:
        value = left
        for _ in range(fed + flush):
            value = (value ^ (full if value & 1 else 0)) >> 1
        return value

    def outer(value: int) -> int:
        return reverse_bits(value, width) if reflect_out else value

    spellings: list[tuple[int, int, tuple[int, int]]] = [
        (start_for(rest), 0, (0, 0)),
        (0, outer(rest), (0, 0)),
        (start_for(rest ^ ones), ones, (0, 0)),
        (ones, outer(rest ^ _mod(ones << (fed + flush), full)), (0, 0)),
    ]
    if not over_command and fed + width <= 64:
        seed = start_for(rest)
        for _ in range(width):
            seed = (seed ^ (full if seed & 1 else 0)) >> 1
        if reflect_in and width % 8 == 0:
            groups = [seed >> shift & 0xFF for shift in range(width - 8, -1, -8)]
            seed = int.from_bytes([reverse_bits(g, 8) for g in groups], "big")
        if not reflect_in or width % 8 == 0:
            spellings.append((0, 0, (seed, width)))
    made: dict[str, Part] = {}
    for init, xor, prefix in spellings:
        crc = Crc(width, poly, init, reflect_in, reflect_out, xor, flush)
        reading = _with(
            part,
            kind="crc",
            crc=crc,
            prefix=prefix if prefix[0] else (0, 0),
            over=over,
            over_command=over_command,
            even=True,
        )
        if _explains(reading, examples):
            made.setdefault(keys_of(reading), reading)
    if not made:
        return None
    usual = {0, ones}

    def strange(item: Part) -> tuple[int, int]:
        assert item.crc is not None
        odd = (item.crc.init not in usual) + (item.crc.xor_out not in usual)
        return odd + 2 * bool(item.prefix[1]), len(keys_of(item))

    ordered = sorted(made.values(), key=strange)
    return ordered[0], tuple(keys_of(p) for p in ordered[1:])


def _with(part: Part, **changes: object) -> Part:
    return replace(part, **changes)  # type: ignore[arg-type]


def _explains(part: Part, examples: Sequence[Example]) -> bool:
    own = ~mask_of(part.bits)
    return all(
        guard_value(part, e.word & own, e.command or 0) == extract(e.word, part.bits)
        for e in examples
    )


# --- polynomials over GF(2), bit i the coefficient of x^i ---------------------------------------------------
def _degree(a: int) -> int:
    return a.bit_length() - 1


def _mod(a: int, b: int) -> int:
    size = b.bit_length()
    while a.bit_length() >= size:
        a ^= b << (a.bit_length() - size)
    return a


def _div(a: int, b: int) -> int:
    quotient, size = 0, b.bit_length()
    while a.bit_length() >= size:
        shift = a.bit_length() - size
        quotient |= 1 << shift
        a ^= b << shift
    return quotient


def _mul(a: int, b: int) -> int:
    product = 0
    while b:
        if b & 1:
            product ^= a
        a <<= 1
        b >>= 1
    return product


def _gcd(a: int, b: int) -> int:
    while b:
        a, b = b, _mod(a, b)
    return a


def factors(a: int) -> list[int]:
    """The irreducible factors of a polynomial over GF(2), each as often as it divides it."""
    found: list[int] = []
    left = [a]
    while left:
        g = left.pop()
        if _degree(g) < 1:
            continue
        if not g & 1:
            found.append(2)
            left.append(g >> 1)
            continue
        odd = int("01" * (g.bit_length() // 2 + 1), 2) << 1
        derivative = (g & odd) >> 1
        if not derivative:  # a square: (sum of x^i)^2 is the sum of x^2i
            root = int(f"{g:b}"[::-1][::2][::-1], 2)
            left += [root, root]
            continue
        common = _gcd(g, derivative)
        if common != 1:
            left += [common, _div(g, common)]
            continue
        split = _berlekamp(g)
        if split is None:
            found.append(g)
        else:
            left += [split, _div(g, split)]
    return sorted(found)


def _berlekamp(g: int) -> int | None:
    """A proper factor of a polynomial without repeated factors, None where it is irreducible."""
    size = _degree(g)
    # v with v^2 = v modulo g: rows are x^2i + x^i with the unit vector behind
    rows: list[tuple[int, int]] = []
    for i in range(size):
        value, unit = _mod(1 << 2 * i, g) ^ 1 << i, 1 << i
        for pivot, own in rows:
            if value >> _degree(pivot) & 1:
                value, unit = value ^ pivot, unit ^ own
        if value:
            rows.append((value, unit))
        elif unit != 1:
            part = _gcd(g, unit)
            return part if 0 < _degree(part) < size else _gcd(g, unit ^ 1)
    return None


def _divisors(a: int, degree: int) -> set[int]:
    """The divisors of this degree."""
    reached: set[int] = {1}
    for factor in factors(a):
        reached |= {_mul(r, factor) for r in reached if _degree(r) + _degree(factor) <= degree}
    return {r for r in reached if _degree(r) == degree}


__all__ = ["ChecksumReading", "Example", "Solution", "factors", "keys_of", "solve"]
