"""How many frames fit the map, of transfers that are read in many ways at once.

A word fits as a command when its length, fixed bits and guards are right and its address or command is one
the map has; as a reply when fixed bits, guards and the echoes of its command are right.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from regmap.capture.arrays import Times, distinct
from regmap.capture.spi import Transfers, Words
from regmap.chip.model import Chain, Chip
from regmap.frames.bulk import BulkCodec, flawless
from regmap.record import dataclass

from ..frames.decoded import plausible_words
from ..frames.framer import Framer
from ..frames.pairs import CUT, PairTable

Places = npt.NDArray[np.intp]
#: more bits than a word has
_NEVER = 65


@dataclass(frozen=True, slots=True)
class Counted:
    """For each way: how many of `of` frames fit, and how many different words there are among those that do."""

    good: Times
    of: Times
    different: Times


def counted(
    role: str, read: Transfers, lacking: Sequence[int], chips: Sequence[Chip], chain: Chain | None
) -> Counted:
    """How well transfers fit the map as commands or replies.

    The number of a transfer is that of its way, -1 of one that is no frame. `lacking` says for each way how
    many unknown bits of a word may have been anything.
    """
    ways = len(lacking)
    allowed = np.array(lacking)
    framer = Framer(chips, chain)
    batches = [*framer.feed(read), *framer.finish()]
    good, total = np.zeros(ways, np.int64), np.zeros(ways, np.int64)
    whose: list[Times] = []
    words: list[Words] = []
    for batch in batches:
        table = framer.tables[batch.chip]
        if role == "command":
            needs = _commands_fit(chips[batch.chip], table, max(lacking))
        else:
            needs = _replies_fit(chips[batch.chip], table, max(lacking))
        mine = batch.transfer >= 0
        way, idents = batch.transfer[mine], batch.idents[mine]
        whole = (table.column(3)[idents] & np.uint64(CUT)) == 0
        fits = whole & (needs[idents] <= allowed[way])
        total += np.bincount(way[whole], minlength=ways)
        good += np.bincount(way[fits], minlength=ways)
        whose.append(way[fits])
        words.append(table.column(0 if role == "command" else 4)[idents[fits]])
    return Counted(good, total, _different(np.concatenate(whose), np.concatenate(words), ways))


def _different(whose: Times, words: Words, ways: int) -> Times:
    """How many different words each way has."""
    kinds, which = np.unique(words, return_inverse=True)
    pairs = distinct(whose * max(len(kinds), 1) + which.reshape(-1))
    return np.bincount(pairs // max(len(kinds), 1), minlength=ways).astype(np.int64)


def _commands_fit(chip: Chip, table: PairTable, lacking: int) -> Places:
    """For each pair, how many bits must be guessed for its command to make sense, in whatever layout."""
    bulk: BulkCodec = chip.once("fitting.bulk", BulkCodec)
    word, unknown, bits = (table.column(k) for k in range(3))
    needs = np.full(len(table), _NEVER)
    place, words, guessed = _fillings(word, unknown, lacking)
    for frame in chip.frames.values():
        some = bits[place] == np.uint64(frame.length)
        here, filled = place[some], words[some]
        sound = flawless(frame.command, filled)
        different, which = np.unique(filled[sound], return_inverse=True)
        if len(different):
            fits = plausible_words(bulk, frame, different)[which.reshape(-1)]
            needs[here[sound][fits]] = guessed[some][sound][fits]
    return needs


def _replies_fit(chip: Chip, table: PairTable, lacking: int) -> Places:
    """For each pair, how many bits must be guessed for its reply to fit any layout, whatever was asked."""
    needs = np.full(len(table), _NEVER)
    for number, after in enumerate(table.after):
        word, hidden, bits = (table.column(4 + 3 * number + k) for k in range(3))
        place, words, guessed = _fillings(word, hidden, lacking)
        for frame in chip.frames.values():
            for layout in frame.replies.values() if frame.after == after else ():
                full = np.uint64((1 << layout.length) - 1)
                some = bits[place] == np.uint64(layout.length)
                # a word that rests at one level tells nothing
                some &= (words != 0) & (words != full)
                sound = flawless(layout, words[some])
                here = place[some][sound]
                needs[here] = np.minimum(needs[here], guessed[some][sound])
    return needs


def _fillings(word: Words, hidden: Words, lacking: int) -> tuple[Places, Words, Places]:
    """(place, word, bits guessed) of all that each word may be: up to `lacking` bits may have been anything."""
    none = np.flatnonzero(hidden == 0)
    found = [(none, word[none], np.zeros(len(none), np.intp))]
    for mask in distinct(hidden[hidden != 0]).tolist() if lacking else []:
        if mask.bit_count() <= lacking:
            here = np.flatnonzero(hidden == np.uint64(mask))
            guessed = np.full(len(here), mask.bit_count())
            found += [(here, word[here] | np.uint64(value), guessed) for value in _filled(mask)]
    places, words, guesses = zip(*found, strict=True)
    return np.concatenate(places), np.concatenate(words), np.concatenate(guesses)


def _filled(unknown: int) -> list[int]:
    words = [0]
    for place in range(unknown.bit_length()):
        if unknown >> place & 1:
            words = [w | bit << place for w in words for bit in (0, 1)]
    return words
