"""Macros and functions that place a code, take it out of a word or change it there: called, and compared with the map."""

from __future__ import annotations

from collections.abc import Iterator

from ..chip.bits import deposit, spans
from ..chip.model import Field
from ..quantity import plural
from .defines import Define
from .expressions import Evaluator
from .integers import CNumber, IntKind, Unreadable
from .judge import Disagreement
from .names import Meant, pieces_of
from .tables import unit_of_name


def takes_bits(item: Define, meant: Meant | None) -> bool:
    if meant is None or meant.field is None or meant.kind not in ("get", "set", "field"):
        return False
    return any(x in item.body for x in ("&", "<<", ">>"))


def judge_call(
    item: Define, meant: Meant, field: Field, evaluator: Evaluator
) -> Iterator[Disagreement]:
    """A macro that places a code, takes one out of a word, or changes it there. Raises Unreadable."""
    most, mask, full = (1 << field.width) - 1, field.mask, (1 << 64) - 1
    # a driver hands words and codes over without sign
    kind = IntKind(64 if meant.register.width > 32 else 32, False)
    assert item.params is not None
    if field.bits != tuple(range(field.bits[0], field.bits[-1] - 1, -1)):
        raise Unreadable("its field has scattered bits")
    if any(unit_of_name(p) for p in item.params):
        raise Unreadable("its argument is a quantity, not a code")
    asks = {"IS", "HAS"} & {p.upper() for p in pieces_of(item.name)}
    if asks and field.width > 1:
        raise Unreadable("it asks whether some bit is set")
    codes = sorted({0, 1, most, most >> 1, *(1 << i for i in range(field.width))})
    where = f"{plural('bit', field.width)} {spans(field.bits)} of {field.register}"

    def call(*values: int) -> int:
        found = evaluator.call(item.name, [CNumber(v & (1 << kind.bits) - 1, kind) for v in values])
        return found.value & (full if found.value >= 0 else (1 << found.kind.bits) - 1)

    if len(item.params) == 1:
        puts = all(call(c) == deposit(c, field.bits) for c in codes)
        gets = all(call(deposit(c, field.bits)) == c for c in codes)
        # what a getter sees of the other bits must not come through
        gets = gets and all(call(1 << b) == 0 for b in range(32) if not mask >> b & 1)
        if puts and meant.kind != "get":
            # a code that is too large is cut to the field, or not at all; casts cut at a byte's end
            spilt = call((1 << 32) - 1)
            cut = spilt.bit_length() not in (
                m for n in (8, 16, 32, 64) for m in (n, n + min(field.bits))
            )
            puts = spilt | mask == mask or not cut
        wanted = {"get": gets, "set": puts}.get(meant.kind, puts or gets)
        if not wanted:
            took = meant.kind == "get"
            right = all(call(c) == deposit(c, field.bits) for c in codes)
            too_much = (1 << 32) - 1 if right else most
            yield Disagreement(
                f"{item.name}({'all ones' if took else hex(too_much)}) = 0x{call(mask if took else too_much):X}",
                f"{most if took else f'0x{mask:X}'}, {where}",
            )
    elif len(item.params) == 2:

        def changes(word: int, code: int) -> bool:
            right = word & ~mask | deposit(code, field.bits)
            return right in (call(word, code), call(code, word))

        words = (0, meant.register.mask)
        if not all(changes(w, c) for w in words for c in codes):
            yield Disagreement(
                f"{item.name}, which puts {most} into 0 as 0x{call(0, most):X}",
                f"0x{mask:X}, {where}, and the other bits as they were",
            )
    else:
        raise Unreadable(f"it takes {len(item.params)} arguments")
