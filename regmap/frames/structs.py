"""Frame layouts as construct declarations: the bytes of the chip-select bursts to parts and back.

    declared = frame_struct(frame.command, frame.bursts, msb_first=chip.spi.msb_first)
    declared.parse(b"\\x22\\xad")            Container(rw=0, address=4, data=342, parity=1)
    declared.build({"rw": 0, ...})          b"\\x22\\xad"

A declaration lists the bits in the order in which they pass on the wire, each run that belongs to
one part as an integer; a part whose bits are not adjacent is put together from its pieces. It says
nothing of guards: those are numbers like the others here. Slower than `regmap.frames.codec`, which shifts
integers, and independent of it: tests hold both to the same answers.

A burst that is no whole number of bytes is filled up with zero bits, as a byte-wide controller sends
it: at its end, a command to a chip of which the last bits count at its beginning.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import construct

from regmap.record import dataclass

from ..chip.model import Chip, Frame, Layout
from ..errors import CallError, FrameError


@dataclass(frozen=True, slots=True)
class _Piece:
    """`size` bits of a part on the wire; they stand `shift` above the part's least significant bit."""

    name: str
    part: str
    size: int
    shift: int


class _Parts(construct.Adapter):  # type: ignore[misc]
    """Pieces of several bursts to one mapping of parts."""

    def __init__(self, subcon: Any, pieces: Sequence[_Piece], widths: Mapping[str, int]) -> None:
        super().__init__(subcon)
        self.pieces = tuple(pieces)
        self.widths = dict(widths)

    def _decode(self, obj: Any, context: Any, path: Any) -> Any:  # noqa: ARG002
        parts = construct.Container(dict.fromkeys(self.widths, 0))
        for piece in self.pieces:
            burst, _, name = piece.name.partition("/")
            parts[piece.part] |= obj[burst][name] << piece.shift
        return parts

    def _encode(self, obj: Any, context: Any, path: Any) -> Any:  # noqa: ARG002
        bursts: dict[str, dict[str, int]] = {}
        for piece in self.pieces:
            burst, _, name = piece.name.partition("/")
            value = obj[piece.part] >> piece.shift & ((1 << piece.size) - 1)
            bursts.setdefault(burst, {})[name] = value
        return bursts


def frame_struct(
    layout: Layout, bursts: Sequence[int] = (), *, msb_first: bool = True, lead: bool = False
) -> Any:
    """The declaration of a layout that travels in `bursts` of so many bits (one where not given).

    With `lead` what fills a burst up to whole bytes comes before it.
    """
    lengths = tuple(bursts) or (layout.length,)
    if sum(lengths) != layout.length:
        raise CallError(f"bursts of {sum(lengths)} bits for a frame of {layout.length}")
    owner = {
        bit: (part.name, part.width - 1 - index)
        for part in layout.parts
        for index, bit in enumerate(part.bits)
    }
    pieces: list[_Piece] = []
    declared = []
    top = layout.length
    for number, length in enumerate(lengths):
        bits = list(range(top - 1, top - length - 1, -1))
        top -= length
        if not msb_first:
            bits.reverse()
        fields = []
        for run in _runs([owner[b] for b in bits]):
            name = f"p{len(pieces)}"
            part, shift = run[-1]
            pieces.append(_Piece(f"burst{number}/{name}", part, len(run), shift))
            fields.append(name / construct.BitsInteger(len(run)))
        fill = -length % 8
        if fill:
            fields.insert(0 if lead else len(fields), construct.Padding(fill))
        declared.append(f"burst{number}" / construct.BitStruct(*fields))
    widths = {part.name: part.width for part in layout.parts}
    return _Parts(construct.Struct(*declared), pieces, widths)


def _runs(bits: list[tuple[str, int]]) -> list[list[tuple[str, int]]]:
    """Neighbours on the wire that are neighbours in one part, more significant first."""
    runs: list[list[tuple[str, int]]] = []
    for part, index in bits:
        if runs and runs[-1][-1] == (part, index + 1):
            runs[-1].append((part, index))
        else:
            runs.append([(part, index)])
    return runs


def _declared(chip: Chip, frame: Frame, layout: Layout) -> Any:
    lead = layout is frame.command and chip.spi.extra_clocks == "last_count"
    return frame_struct(layout, frame.bursts, msb_first=chip.spi.msb_first, lead=lead)


def parse_parts(chip: Chip, frame: Frame, layout: Layout, data: bytes) -> dict[str, int]:
    """Every part of a word from the bytes of its bursts. Raises FrameError on a wrong length."""
    declared = _declared(chip, frame, layout)
    if len(data) != declared.sizeof():
        raise FrameError(f"{len(data)} bytes for a frame of {declared.sizeof()}")
    parsed = declared.parse(data)
    return {part.name: int(parsed[part.name]) for part in layout.parts}


def build_parts(chip: Chip, frame: Frame, layout: Layout, parts: Mapping[str, int]) -> bytes:
    """The bytes of the bursts from every part, guards included. Raises CallError."""
    for part in layout.parts:
        value = parts.get(part.name)
        if value is None or value < 0 or value >> part.width:
            raise CallError(f"part '{part.name}' of {part.width} bits cannot hold {value}")
    declared = _declared(chip, frame, layout)
    return bytes(declared.build(dict(parts)))
