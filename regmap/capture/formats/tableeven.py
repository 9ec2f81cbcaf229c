"""Blocks of a table in which every row ends alike: a time, then one character in each further column.

    6.000000,0,1,0,0
    6.000200,1,1,0,0

So exporters write lines of two levels. Only the line ends have to be looked for: the columns stand at one distance
before them. That is proven, not supposed: a block with a row of another shape, with quotes, blanks or comments, is given
to the general reader.
"""

from __future__ import annotations

import numpy as np

from ..arrays import Indices
from .tablehead import COMMENTS
from .tokens import ByteBlock, Bytes

_LINE, _RETURN, _BLANK, _QUOTE = ord("\n"), ord("\r"), ord(" "), ord('"')


def even_fields(
    block: ByteBlock, stop: int, delimiter: int, columns: int
) -> tuple[Indices, Indices] | None:
    """(starts, ends) of shape (rows, columns) of the rows before `stop`; None where a row is of another shape."""
    view = block.view[:stop]
    lines = np.flatnonzero(view == _LINE)
    rows, further = len(lines), columns - 1
    if not rows or not further:
        return None
    starts, ends = np.empty((columns, rows), np.intp), np.empty((columns, rows), np.intp)
    starts[0, 0] = 0
    np.add(lines[:-1], 1, out=starts[0, 1:])
    close = lines
    if view[lines[0] - 1] == _RETURN:
        close = lines - 1
        if np.count_nonzero(view.take(close) == _RETURN) != rows:
            return None
    np.subtract(close, 2 * further, out=ends[0])
    if int((ends[0] - starts[0]).min()) < 1:
        return None
    # as many delimiters as there are places for them, and one in each: there is none elsewhere
    if np.count_nonzero(view == delimiter) != further * rows:
        return None
    for column in range(1, columns):
        np.subtract(close, 2 * (columns - column) - 1, out=starts[column])
        np.subtract(close, 2 * (columns - column) - 2, out=ends[column])
        if np.count_nonzero(view.take(starts[column] - 1) == delimiter) != rows:
            return None
        if not _bare(view.take(starts[column])):
            return None
    first = view.take(starts[0])
    if not _bare(first) or remarks(first) or int(view.take(ends[0] - 1).min()) <= _BLANK:
        return None
    return starts.T, ends.T


def remarks(first: Bytes) -> bool:
    """Whether a row may begin as a remark does."""
    return any(bool((first == ord(mark[0])).any()) for mark in COMMENTS)


def _bare(chars: Bytes) -> bool:
    """Neither blanks nor quotes."""
    return int(chars.min()) > _BLANK and not (chars == _QUOTE).any()
