"""Commands with the replies that answer them, as people paste them: judged as a capture of words is."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence

from regmap.capture.formats.opening import open_capture
from regmap.chip.bits import hexword, turned
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.record import dataclass, replace

from ..belief.walker import Walker
from ..tracer import trace_capture
from .replies import Mistake, told_rejected
from .wiring import Diagnosis, diagnose


def diagnose_frames(
    chip: Chip,
    frames: Sequence[tuple[int, int]],
    others: Callable[[], Iterable[Chip]] | None = None,
) -> Diagnosis:
    """What is wrong with frames in the order in which they were sent: (command, the word read meanwhile)."""
    length = chip.default_frame().length
    text = "".join(f"{hexword(c, length)} {hexword(r, length)}\n" for c, r in frames)
    with open_capture(io.BytesIO(text.encode()), format="frames", name="frames") as capture:
        trace = trace_capture(capture, [chip])
    return diagnose(trace, None, others)


def diagnose_pairs(
    chip: Chip,
    pairs: Sequence[tuple[int, int]],
    others: Callable[[], Iterable[Chip]] | None = None,
) -> Diagnosis:
    """What is wrong with pairs of words (command, the reply that answers it), tested against both lines.

    One or two pairs prove little: then only what no chance explains is found.
    """
    length = chip.default_frame().length
    text = "".join(f"{hexword(c, length)} {hexword(r, length)}\n" for c, r in pairs)

    def at_once(some: Chip) -> Chip:
        """The reply stands beside its command, whenever it travelled."""
        return replace(some, frames={n: replace(f, after=0) for n, f in some.frames.items()})

    source = io.BytesIO(text.encode())
    with open_capture(source, format="frames", name="pairs") as capture:
        trace = trace_capture(capture, [at_once(chip)])
    around = (lambda: map(at_once, others())) if others is not None else None
    found = diagnose(trace, None, around)
    said, able = told_rejected(trace.walkers[0])
    taken = bool((trace.walkers[0].log.sorter.kind[trace.walkers[0].log.idents()] > 0).all())
    if said and taken and not found.mistakes:
        # a capture tells of this as a fault with its frame; pasted pairs have no story
        text = f"{said} of {able} replies say that the chip rejected a frame, and the commands given are right: SDI or the clock is disturbed at the chip, or a frame that is not among these was wrong"
        return replace(found, mistakes=(Mistake(name="rejected", text=text, grave=False),))
    against = _contradictions(trace.walkers[0])
    if against and taken and not found.mistakes:
        text = f"taken in this order, the pairs contradict each other in {len(against)} of {len(pairs)} places; the first: {against[0]} (a frame that the chip rejected or a write that it refused, SDI disturbed, or pairs of different times)"
        return replace(found, mistakes=(Mistake(name="contradiction", text=text, grave=False),))
    return found


def _contradictions(walker: Walker) -> list[str]:
    """What replies say against the frames and replies before them."""
    return [
        f"{n.register} {n.text}" if n.register else n.text
        for _, notes in walker.notes(confirmed=False)
        for n in notes
        if n.kind in ("refused", "impossible", "reset") and n.weight == "bad"
    ]


@dataclass(frozen=True, slots=True)
class _Change:
    """What may have happened to a word between writing and reading it.

    `does` gives the word read for (word, width); `lost` the bits of which nothing is known then, by width;
    `bytewise` changes need whole bytes, and more than one.
    """

    text: str
    does: Callable[[int, int], int]
    lost: Callable[[int], int] = lambda _width: 0
    bytewise: bool = False


_CHANGES = (
    _Change("read one clock early, every bit one place up (SPI mode, or a shifted frame)",
            lambda v, _w: v << 1, lambda _w: 1),
    _Change("read one clock late, every bit one place down (SPI mode, or a shifted frame)",
            lambda v, _w: v >> 1, lambda w: 1 << (w - 1)),
    _Change("read two clocks early, every bit two places up", lambda v, _w: v << 2, lambda _w: 3),
    _Change("read two clocks late, every bit two places down", lambda v, _w: v >> 2, lambda w: 3 << (w - 2)),
    _Change("bits in reverse order (bit order)", turned),
    _Change("bytes in reverse order (byte order)",
            lambda v, w: int.from_bytes(v.to_bytes(w // 8, "big"), "little"), bytewise=True),
    _Change("bits in reverse order within each byte",
            lambda v, w: sum(turned(v >> 8 * i & 0xFF, 8) << 8 * i for i in range(w // 8)), bytewise=True),
    _Change("every bit inverted", lambda v, _w: ~v),
    _Change("all zeros: SDO stuck low, or a register that does not show what is written",
            lambda _v, _w: 0),
    _Change("all ones: SDO stuck high", lambda _v, _w: -1),
)  # fmt: skip


def value_readings(pairs: Sequence[tuple[int, int]], width: int) -> list[str]:
    """What explains all pairs of (word written, word read back); empty where nothing does or all agree.

    `width` are the bits of the register. Raises CallError for a word that does not fit them.
    """
    mask = (1 << width) - 1
    for word in (w for pair in pairs for w in pair):
        if word & ~mask:
            raise CallError(f"0x{word:X} does not fit the {width} bits of a register")
    if all(a == b for a, b in pairs):
        return []
    return [
        c.text
        for c in _CHANGES
        if not (c.bytewise and (width % 8 or width < 16))
        and all(not (c.does(a, width) ^ b) & mask & ~c.lost(width) for a, b in pairs)
    ]
