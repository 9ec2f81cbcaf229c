"""Other ways in which commands may travel: bits or bytes turned round, inverted, late or early by clocks.

Whether it is so is tried by sending what such a way turns into the right question. A word that any of the ways, or none,
would turn into one that the chip takes for more than a harmless read is not sent.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from regmap.quantity import many
from regmap.record import dataclass, replace

from ..chip.bank import Bank
from ..chip.bits import turned
from ..chip.model import Frame
from ..errors import LinkError
from ..frames.codec import Codec, Sent
from ..frames.words import guards_of
from ..wire.layout import Clocked
from . import rules
from .trade import Direct


@dataclass(frozen=True, slots=True, kw_only=True)
class Detour:
    """`does` says what becomes of a word of so many bits, `undo` what to send so that the word arrives (None: nothing does)."""

    name: str
    does: Callable[[int, Frame], int]
    undo: Callable[[int, Frame], int | None]


def _bits(word: int, frame: Frame) -> int:
    return turned(word, frame.length)


def _bytes(word: int, frame: Frame) -> int:
    if frame.length % 8:
        return word
    return int.from_bytes(word.to_bytes(frame.length // 8, "big"), "little")


def _inverted(word: int, frame: Frame) -> int:
    return word ^ ((1 << frame.length) - 1)


def _sealed(word: int, frame: Frame) -> int:
    for part in guards_of(frame.command):
        for bit in part.bits:
            word ^= 1 << bit
    return word


def _late(clocks: int) -> Detour:
    """What comes late pushes the last bits out; in front stands what the line rests at, low."""

    def does(word: int, frame: Frame) -> int:
        del frame
        return word >> clocks

    def undo(word: int, frame: Frame) -> int | None:
        return None if word >> (frame.length - clocks) else word << clocks

    return Detour(name=f"commands {many(clocks, 'clock')} late", does=does, undo=undo)


def _early(clocks: int) -> Detour:
    def does(word: int, frame: Frame) -> int:
        return word << clocks & ((1 << frame.length) - 1)

    def undo(word: int, frame: Frame) -> int | None:
        del frame
        return None if word & ((1 << clocks) - 1) else word >> clocks

    return Detour(name=f"commands {many(clocks, 'clock')} early", does=does, undo=undo)


def _twice(name: str, change: Callable[[int, Frame], int]) -> Detour:
    """A change that undoes itself."""
    return Detour(name=name, does=change, undo=change)


DETOURS = (
    _twice("the bits of commands in the other order", _bits),
    _twice("the bytes of commands in the other order", _bytes),
    _twice("commands inverted", _inverted),
    _twice("the check bits of commands complemented", _sealed),
    *(_late(n) for n in (1, 2, 3)),
    *(_early(n) for n in (1, 2, 3)),
)


class By:
    """The route of a chip alone, for words sent so that they arrive right by a detour."""

    def __init__(self, route: Direct, codec: Codec, bank: Bank, detour: Detour) -> None:
        self._route, self._codec, self._bank, self._detour = route, codec, bank, detour

    def out(self, sent: Sent) -> list[Clocked]:
        """Raises LinkError where nothing arrives right, or what is sent might be taken for more than a read."""
        word = self._detour.undo(sent.word, sent.frame)
        if word is None or len(sent.frame.bursts) > 1 or not self._harmless(word, sent.frame):
            raise LinkError(f"{sent.kind} cannot be sent by this detour")
        return self._route.out(replace(sent, word=word))

    def back(self, frame: Frame, read: Sequence[bytes]) -> int:
        return self._route.back(frame, read)

    def _harmless(self, word: int, frame: Frame) -> bool:
        chip = self._codec.chip
        for seen in {word, *(d.does(word, frame) for d in DETOURS)}:
            for layout in chip.frames.values():
                if layout.length != frame.length:
                    continue
                found = self._codec.decode_command(seen, self._bank, layout)
                if found.flaws:
                    continue
                meant = [r for r in (found.register, *found.maybe) if r is not None]
                if found.kind != "read" or any(rules.read_hazards(chip, r) for r in meant):
                    return False
        return True
