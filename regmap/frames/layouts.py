"""The layouts that a chip in an unknown state may be using, as banks in which each is in force."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from ..chip.bank import Bank
from ..chip.model import Chip
from .recogniser import Recogniser

MOST = 256


def alternatives(chip: Chip, bank: Bank) -> Iterator[Bank]:
    """Copies of `bank`, one for each set of layouts that can be in force at once; the present one first.

    Which these are the recogniser says (`Recogniser.in_force`) of each value of the fields and
    states that the conditions of frames name.
    """
    names = list(
        dict.fromkeys(n for f in chip.frames.values() if f.when is not None for n in f.when.names())
    )
    fields = [f for n in names if (f := chip.field(n)) is not None and f.width <= 4]
    states = [n for n in names if n in chip.states and chip.states[n].when is None]
    recogniser = Recogniser(chip)

    seen = {recogniser.in_force(bank)}
    yield bank.copy()
    choices = [range(1 << f.width) for f in fields] + [range(2) for _ in states]
    for number, combination in enumerate(product(*choices)):
        if number >= MOST:
            return
        trial = bank.copy()
        for field, code in zip(fields, combination, strict=False):
            trial.put(field, code)
        for state, on in zip(states, combination[len(fields) :], strict=True):
            trial.states[state] = bool(on)
        found = recogniser.in_force(trial)
        if found not in seen:
            seen.add(found)
            yield trial
