"""The arrays that carry captures: times int64[n] in ticks, values uint8[n], one byte a value."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

_Number = TypeVar("_Number", bound=np.generic)

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.uint8]
Indices = npt.NDArray[np.intp]
#: Changes of some channels: (times, values) by channel index.
Changes = dict[int, tuple[Times, Values]]

#: What a value byte says: 0, 1, unknown, high impedance.
LOW, HIGH, X, Z = 0, 1, 2, 3

NO_TIMES: Times = np.empty(0, np.int64)
NO_VALUES: Values = np.empty(0, np.uint8)


def distinct(values: npt.NDArray[_Number]) -> npt.NDArray[_Number]:
    """Each value once, in order. `np.unique` alone loads masked arrays first: a sixteenth of a small capture's time."""
    ordered = np.sort(values, axis=None)
    new = np.ones(len(ordered), np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=new[1:])
    return ordered[new]


def lower_quartile(values: npt.NDArray[_Number]) -> float:
    """The value that a quarter of them do not exceed; of equal pulses with pauses between them a pulse. 0 for none."""
    if not len(values):
        return 0.0
    # numpy's partition takes thirty times as long as its sort where most values are equal, as pulses are
    return float(np.sort(values)[(len(values) - 1) // 4])


def middle(values: npt.NDArray[_Number]) -> float:
    """The median; 0 for none."""
    if not len(values):
        return 0.0
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)
