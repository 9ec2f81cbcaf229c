"""Odd bytes put into the body of a capture, for readers that take a short way only where every byte allows it."""

from __future__ import annotations

from hypothesis import strategies as st

#: where (as a share of the body), how, and which byte
Harm = list[tuple[float, str, int]]


def harms(chars: bytes) -> st.SearchStrategy[Harm]:
    """One to three changes, of these bytes."""
    one = st.tuples(
        st.floats(0, 1), st.sampled_from(["set", "insert", "drop", "swap"]), st.sampled_from(list(chars))
    )  # fmt: skip
    return st.lists(one, min_size=1, max_size=3)


def harmed(data: bytes, start: int, harm: Harm) -> bytes:
    """The data with these changes behind `start`."""
    body = bytearray(data[start:])
    for where, how, byte in harm:
        at = int(where * (len(body) - 1))
        if how == "set":
            body[at] = byte
        elif how == "insert":
            body.insert(at, byte)
        elif how == "drop" and len(body) > 2:
            del body[at]
        elif at + 1 < len(body):
            body[at], body[at + 1] = body[at + 1], body[at]
    return data[:start] + bytes(body)
