"""Frames that told nothing when all stood as it stands now are passed over, however often it was otherwise between.

A drive goes to and fro between a few settings and polls its status all the while. Each change makes every poll worth a
look; but a poll that was looked at under the same setting before, and told nothing then, tells nothing now. What stands
is everything that a look at a frame asks for and leaves behind; where an instant counts as well (a captured fault pin, a
line found dead), nothing is passed over.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import Protocol

from ..faults.log import FaultLog
from ..faults.pins import PinTrace
from .registers import Belief

#: So many ways for things to stand are kept.
_MOST = 256
#: After so many looks it is decided whether looking is of use: in one of `_WORTH` looks, or never again.
_LOOKS, _WORTH = 512, 4


class Standing(Protocol):
    """What the walker of a chip knows when a frame comes."""

    pins: PinTrace
    belief: Belief
    faults: FaultLog
    seen: dict[str, int]
    configured: bool


class Silences:
    """Which frames told nothing, for each way in which everything stood then."""

    def __init__(self, walker: Standing) -> None:
        self._walker = walker
        self._silent: dict[Hashable, set[int]] = {}
        self._stood: Hashable | None = None
        self._looks = self._met = 0

    def met(self, canon: int) -> bool:
        """Whether a frame like this (`canon`) told nothing when all stood as now."""
        self._stood = None
        if self._looks >= _LOOKS and self._met * _WORTH < self._looks:
            return False
        self._looks += 1
        self._stood = self._key()
        if self._stood is None:
            return False
        found = canon in self._silent.get(self._stood, ())
        self._met += found
        return found

    def keep(self, canon: int) -> None:
        """The frame last asked for was looked at, and told nothing: it is kept if it left all as it stood."""
        if self._stood is None or self._key() != self._stood:
            return
        if len(self._silent) >= _MOST:
            self._silent.clear()
        self._silent.setdefault(self._stood, set()).add(canon)

    def _key(self) -> Hashable | None:
        walker = self._walker
        if walker.pins.fault is not None:
            return None
        seen = frozenset(walker.seen.items())
        return walker.belief.standing(), walker.faults.standing(), seen, walker.configured
