"""A newer revision of a sheet against a map that a person has edited: what changed, and a merge of three texts.

The base is the map as the older revision gives it. Where only the sheet changed, the map follows; where only
the person did, their text stays; where both did, theirs stays under a serious doubt that tells the sheet's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher

from ..document.doubts import doubt_line
from .found import FoundField, FoundRegister, FoundSheet

_ORIGIN = re.compile(r"\s+# (?!doubt, ).*$")


def _key(line: str) -> str:
    """A line without its comment of origin, which every revision moves."""
    return line.strip() if line.lstrip().startswith("#") else _ORIGIN.sub("", line).rstrip()


def merged(base: str, own: str, newer: str) -> tuple[str, int]:
    """(the merged map, how many places both sides changed). Lines are compared without their origins."""
    old, mine, theirs = base.splitlines(), own.splitlines(), newer.splitlines()
    left, right = _kept(old, mine), _kept(old, theirs)
    both = sorted(set(left) & set(right))
    out: list[str] = []
    clashes = 0
    at = (0, 0, 0)
    for index in [*both, len(old)]:
        end = (index, left.get(index, len(mine)), right.get(index, len(theirs)))
        was, is_own, is_new = (t[a:b] for t, a, b in zip((old, mine, theirs), at, end, strict=True))
        keys = [[_key(line) for line in t] for t in (was, is_own, is_new)]
        if keys[1] == keys[0] or keys[1] == keys[2]:
            out += is_new
        elif keys[2] == keys[0]:
            out += is_own
        else:
            clashes += 1
            out += _clash(was, is_own, is_new)
        if index < len(old):
            own_line, new_line = mine[end[1]], theirs[end[2]]
            out.append(new_line if own_line == old[index] else own_line)
        at = (index + 1, end[1] + 1, end[2] + 1)
    return "\n".join(out) + "\n", clashes


def _kept(old: Sequence[str], other: Sequence[str]) -> dict[int, int]:
    """Lines of the base that stand in the other text: their index there."""
    matcher = SequenceMatcher(
        None, [_key(n) for n in old], [_key(n) for n in other], autojunk=False
    )
    return {b.a + n: b.b + n for b in matcher.get_matching_blocks() for n in range(b.size)}


def _clash(was: list[str], own: list[str], new: list[str]) -> Iterator[str]:
    """The person's lines, below what the newer sheet says there."""
    known = {_key(line) for line in was}
    indent = re.match(r" *", (own or new)[0])
    lead = indent[0] if indent else ""
    said = [line.strip() for line in new if _key(line) not in known and line.strip()]
    gone = [
        line.strip() for line in was if _key(line) not in {_key(n) for n in new} and line.strip()
    ]
    for line in said:
        if not line.startswith("# doubt, "):
            yield lead + doubt_line("serious", f"the newer sheet says: {line}")
        else:
            yield lead + line
    if gone and not said:
        yield lead + doubt_line("serious", f"the newer sheet no longer says: {gone[0]}")
    yield from own


def changes(old: FoundSheet, new: FoundSheet) -> list[str]:
    """What a newer revision says otherwise, in the order of the newer one: one line for each thing."""
    found: list[str] = []
    for register in new.registers:
        before = old.named(register.name)
        if before is None:
            found.append(f"{register.name}: new")
            continue
        found += _differ(register.name, before, register, ("address", "page", "access", "reset"))
        for field in register.fields:
            was = before.named(field.name) if field.name else None
            name = f"{register.name}.{field.name}"
            if was is None:
                found += [f"{name}: new"] if field.name else []
            else:
                found += _differ(
                    name, was, field, ("bits", "access", "reset", "options", "scale", "values")
                )
        found += [
            f"{register.name}.{f.name}: gone"
            for f in before.fields
            if f.name and register.named(f.name) is None
        ]
    found += [f"{r.name}: gone" for r in old.registers if new.named(r.name) is None]
    return found


def _differ(
    name: str,
    was: FoundField | FoundRegister,
    now: FoundField | FoundRegister,
    what: tuple[str, ...],
) -> Iterator[str]:
    for key in what:
        one, other = getattr(was, key), getattr(now, key)
        if one != other:
            yield f"{name}: {key} was {_said(one)}, is {_said(other)}"


def _said(value: object) -> str:
    if value is None or value == "" or value == {}:
        return "not stated"
    if isinstance(value, tuple) and all(isinstance(v, int) for v in value):
        return f"{value[0]}..{value[-1]}" if len(value) > 1 else str(value[0])
    if isinstance(value, dict):
        return ", ".join(f"{c} = {t}" for c, t in value.items())
    return f"0x{value:X}" if isinstance(value, int) else str(value)
