"""Random valid maps, as YAML text, for the property tests of this folder."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
import yaml
from hypothesis import strategies as st

Draw = Callable[[st.SearchStrategy[Any]], Any]


def _bits(bits: list[int]) -> Any:
    """Bit numbers as people write them: one number, a range, or a list of both."""
    runs: list[list[int]] = []
    for bit in bits:
        if runs and runs[-1][-1] == bit + 1:
            runs[-1].append(bit)
        else:
            runs.append([bit])
    texts: list[Any] = [r[0] if len(r) == 1 else f"{r[0]}..{r[-1]}" for r in runs]
    return texts[0] if len(texts) == 1 else texts


def _guards(draw: Draw, room: int) -> list[dict[str, Any]]:
    """No guard, one to three parity bits, or a checksum (and perhaps a parity bit beside it)."""
    guards: list[dict[str, Any]] = []
    width = draw(st.integers(3, min(16, room))) if room >= 3 and draw(st.booleans()) else 0
    if width:
        top = (1 << width) - 1
        guards.append(
            {
                "width": width,
                "holds": "crc",
                "polynomial": draw(st.integers(1, top)),
                "init": draw(st.integers(0, top)),
                "xor": draw(st.integers(0, top)),
                "reflect_in": draw(st.booleans()),
                "reflect_out": draw(st.booleans()),
                "flush": draw(st.sampled_from([0, 0, 8, width])),
            }
        )
        if draw(st.booleans()):
            count = draw(st.integers(1, 12))
            guards[0]["prefix"] = "0b" + "".join(str(draw(st.integers(0, 1))) for _ in range(count))
    for _ in range(draw(st.integers(0, min(3, room - width)))):
        guards.append(
            {"width": 1, "holds": "parity", "parity": draw(st.sampled_from(["even", "odd"]))}
        )
    return guards


def _place(draw: Draw, length: int, widths: dict[str, int]) -> dict[str, list[int]]:
    """Every bit of a word to a part: parts in a random order, sometimes with their bits scattered."""
    free = list(range(length - 1, -1, -1))
    if draw(st.booleans()):
        free = draw(st.permutations(free))
    places: dict[str, list[int]] = {}
    for name in draw(st.permutations(list(widths))):
        places[name], free = free[: widths[name]], free[widths[name] :]
    return places


def _finish(
    draw: Draw, parts: dict[str, dict[str, Any]], guards: list[dict[str, Any]], length: int
) -> dict[str, Any]:
    """Parts with widths to parts with bits; guards cover everything, or a part of it in any order."""
    for index, guard in enumerate(guards):
        parts[f"guard{index}"] = guard
    places = _place(draw, length, {n: p["width"] for n, p in parts.items()})
    guard_bits: set[int] = set()
    for name, part in parts.items():
        if part["holds"] in ("crc", "parity"):
            rest = [b for n in parts for b in places[n] if b not in guard_bits and n != name]
            # a guard that stands later may cover an earlier one, never the other way round
            later = {f"guard{i}" for i in range(int(name[5:]) + 1, len(guards))}
            over = [b for b in rest if not any(b in places[n] for n in later)]
            if over and draw(st.integers(0, 2)) == 0:
                part["over"] = _bits(draw(st.permutations(over))[: draw(st.integers(1, len(over)))])
            else:
                part["over"] = _bits(over)
    return {
        name: {"bits": _bits(places[name]), **{k: v for k, v in part.items() if k != "width"}}
        for name, part in parts.items()
    }


def _value_meaning(draw: Draw, width: int) -> dict[str, Any]:
    kind = draw(st.sampled_from(["none", "options", "table", "scale", "signed"]))
    codes = 1 << width
    if kind == "options" and codes <= 16:
        if draw(st.booleans()):
            return {"options": {c: f"opt{c}" for c in range(codes)}}
        return {"options": {c: f"{(c + 1) * 25} mA" for c in range(codes)}, "tolerance": "10 %"}
    if kind == "table" and codes <= 16:
        typ = [100 + 10 * c for c in range(codes)]
        return {
            "table": {
                "unit": "ns",
                "min": [t - 5 for t in typ],
                "typ": typ,
                "max": [t + 7 for t in typ],
            }
        }
    if kind == "scale":
        return {"scale": {"step": "20 ns", "offset": "40 ns", "tolerance": "12 %"}}
    if kind == "signed" and width > 1:
        return {"scale": {"step": "-0.5 degC", "signed": True}}
    return {}


def _register(draw: Draw, address: int, page: int | None, data_width: int) -> dict[str, Any]:
    width = draw(st.integers(1, data_width))
    free = list(range(width))
    if draw(st.booleans()):
        free = draw(st.permutations(free))
    fields: dict[str, Any] = {}
    while free:
        size = draw(st.integers(1, min(12, len(free))))
        bits, free = free[:size], free[size:]
        if fields and draw(st.integers(0, 4)) == 0:
            continue  # reserved
        fields[f"F{len(fields)}"] = {
            "bits": _bits(sorted(bits, reverse=True) if draw(st.booleans()) else bits),
            "access": draw(
                st.sampled_from(["rw", "rw", "ro", "wo", "w1c", "w0c", "rc", "once", "sc"])
            ),
            **_value_meaning(draw, size),
        }
    register: dict[str, Any] = {
        "address": address,
        "reset": draw(st.integers(0, (1 << width) - 1)),
        "fields": fields,
    }
    if width != data_width or draw(st.booleans()):
        register["width"] = width
    if page is not None:
        register["page"] = page
    return register


@st.composite
def map_texts(draw: Draw, length: int | None = None) -> str:
    """The text of a valid map with one frame and a few registers."""
    length = length if length is not None else draw(st.integers(8, 64))
    operation = draw(st.integers(1, 2))
    address = draw(st.integers(1, max(1, min(6, (length - 4) // 3))))
    room = length - operation - address - 1
    guards = _guards(draw, max(0, room - 1))
    used = operation + address + sum(g["width"] for g in guards)
    parts: dict[str, dict[str, Any]] = {
        "op": {
            "width": operation,
            "holds": "operation",
            "codes": dict(zip(["read", "write"], draw(st.permutations([0, 1])), strict=True)),
        },
        "address": {"width": address, "holds": "address"},
    }
    extras = {
        "page": {"width": draw(st.integers(1, 2)), "holds": "page"},
        "count": {
            "width": draw(st.integers(1, 3)),
            "holds": "counter",
            "start": draw(st.integers(0, 1)),
        },
        "chip": {"width": 2, "holds": "chip", "value": draw(st.integers(0, 3))},
        "mark": {"width": 2, "holds": "fixed", "value": draw(st.integers(0, 3))},
        "free": {"width": 1, "holds": "ignored", "value": draw(st.integers(0, 1))},
    }
    for name, part in extras.items():
        if draw(st.booleans()) and used + part["width"] < length:
            parts[name] = part
            used += part["width"]
    data = length - used
    parts["data"] = {"width": data, "holds": "data"}
    command = _finish(draw, parts, guards, length)

    back_guards = _guards(draw, max(0, length - data - 1))
    back: dict[str, dict[str, Any]] = {"data": {"width": data, "holds": "data"}}
    left = length - data - sum(g["width"] for g in back_guards)
    if left >= address and draw(st.booleans()):
        back["again"] = {"width": address, "holds": "echo", "of": "address"}
        left -= address
    for index in range(min(left, draw(st.integers(0, 3)))):
        back[f"status{index}"] = {"width": 1, "holds": "status", "active": draw(st.integers(0, 1))}
        left -= 1
    if left:
        kind = draw(st.sampled_from(["fixed", "ignored"]))
        back["rest"] = {
            "width": left,
            "holds": kind,
            "value": draw(st.integers(0, (1 << left) - 1)),
        }
    reply = _finish(draw, back, back_guards, length)

    frame: dict[str, Any] = {
        "length": length,
        "command": command,
        "reply": {"after": draw(st.integers(0, 3)), "parts": reply},
    }
    if draw(st.integers(0, 3)) == 0:
        first = draw(st.integers(1, length - 1))
        frame["bursts"] = [first, length - first]
    pages = parts["page"]["width"] if "page" in parts else 0
    places = draw(
        st.lists(
            st.tuples(st.integers(0, (1 << pages) - 1), st.integers(0, (1 << address) - 1)),
            min_size=1,
            max_size=5,
            unique=True,
        )
    )
    registers = {
        f"R{i}": _register(draw, a, p if pages else None, data) for i, (p, a) in enumerate(places)
    }
    document = {
        "gateword_map": 1,
        "chip": {"name": "random1", "invented": True},
        "spi": {
            "mode": draw(st.integers(0, 3)),
            "bit_order": draw(st.sampled_from(["msb_first", "lsb_first"])),
        },
        "frames": {"word": frame},
        "registers": registers,
    }
    text: str = yaml.safe_dump(document, sort_keys=False)
    return text


@pytest.fixture(scope="session")
def random_maps() -> Callable[..., st.SearchStrategy[str]]:
    """The strategy of map texts; test modules cannot import this file."""
    return map_texts
