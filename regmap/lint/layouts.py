"""Structures of bit fields: where each member lies, and where the map has it."""

from __future__ import annotations

from ..chip.bits import spans
from ..errors import Problem
from ..quantity import plural
from .account import problem_of
from .declared import BitFields
from .names import Names, flat


def judge_layout(layout: BitFields, names: Names, prefix: str) -> tuple[list[Problem], int]:
    """Members against the register that the structure is named after; from either end, as compilers do."""
    register = next(
        (r for n in layout.names if (r := names.register_of(n, prefix)) is not None), None
    )
    if register is None:
        return [], 0
    fields = {flat(f.name): f for f in register.fields}
    known = [(m, fields[flat(m.name)]) for m in layout.members if flat(m.name) in fields]

    most = max(layout.bits, register.width)

    def wrong(msb_first: bool) -> list[Problem]:
        found = []
        for member, item in known:
            low = most - member.low - member.width if msb_first else member.low
            bits = tuple(range(low + member.width - 1, low - 1, -1))
            if bits != item.bits:
                found.append(
                    problem_of(
                        member.item,
                        f"'{member.name}' at {plural('bit', len(bits))} {spans(bits)}",
                        f"{plural('bit', item.width)} {spans(item.bits)} of {register.name}",
                        at_value=False,
                    )
                )
        return found

    return min(wrong(False), wrong(True), key=len), len(known)
