"""Daisy chain: the words of several chips as one stream between two edges of chip select.

The chips are counted from the controller's data output: chip 0 receives first, so its word is sent
last. With headers and frames cut into pieces of `split` bits, three chips a, b, c in that order see

    command   | H0 | H1 | c.0 | b.0 | a.0 | c.1 | b.1 | a.1 |
    reply     | H0 | H1 | c.0 | b.0 | a.0 | c.1 | b.1 | a.1 |     reply_headers: start
    reply     | c.0 | b.0 | a.0 | H0 | H1 | c.1 | b.1 | a.1 |     reply_headers: between
    reply     | c.0 | b.0 | a.0 | c.1 | b.1 | a.1 |  .  |  .  |   reply_headers: none

and without either `| c | b | a |` both ways: the last chip in the line answers first. Words are
(value, bits) pairs; chips of different maps may have different lengths unless frames are cut.
A stream is a (value, bits) pair too, its first bit on the wire the most significant.
"""

from __future__ import annotations

from collections.abc import Sequence

from ..chip.bits import deposit, extract, mask_of
from ..chip.model import Chain, Header
from ..errors import CallError, FrameError
from .codec import join_bursts

Words = Sequence[tuple[int, int]]


def pack(chain: Chain, words: Words, commands: Sequence[str] = ()) -> tuple[int, int]:
    """The command stream for one word for each chip, chip 0 first in `words`, with the `commands` that
    the headers give to all. Raises CallError."""
    rounds = _rounds(chain, words)
    headers = _headers(chain, len(words), commands)
    return _join([*headers, *(p for pieces in rounds for p in pieces)])


def pack_reply(chain: Chain, words: Words) -> tuple[int, int]:
    """The stream that the chain answers with, chip 0 first in `words`. Raises CallError."""
    rounds = _rounds(chain, words)
    headers = _headers(chain, len(words))
    if chain.reply_headers == "none":
        # nothing comes back in the last clocks, as many as the headers take
        rounds.append([(0, bits) for _, bits in headers])
    elif chain.reply_headers == "between":
        rounds.insert(1, headers)
    else:
        rounds.insert(0, headers)
    return _join([p for pieces in rounds for p in pieces])


def unpack(chain: Chain, stream: tuple[int, int], lengths: Sequence[int]) -> list[int]:
    """The word of each chip, chip 0 first, from a command stream; `lengths` are their frames' bits.

    Raises FrameError where the stream's length or a header does not fit.
    """
    return _unpack(chain, stream, lengths, at=0, headers=chain.headers)


def given(chain: Chain, stream: tuple[int, int]) -> tuple[str, ...]:
    """The commands that the headers of a command stream give to every chip."""
    value, left = stream
    found = []
    for header in chain.headers:
        left -= header.length
        found += [n for n, bit in header.commands.items() if value >> (left + bit) & 1]
    return tuple(found)


def unpack_reply(chain: Chain, stream: tuple[int, int], lengths: Sequence[int]) -> list[int]:
    """As `unpack`, from a reply stream."""
    if chain.reply_headers == "none":
        value, bits = stream
        empty = sum(h.length for h in chain.headers)
        return _unpack(chain, (value >> empty, bits - empty), lengths, at=0, headers=())
    at = 1 if chain.reply_headers == "between" else 0
    return _unpack(chain, stream, lengths, at=at, headers=chain.headers)


def chips_in(chain: Chain, bits: int, length: int) -> int:
    """How many chips of frames of `length` bits a stream of `bits` serves. Raises FrameError."""
    left = bits - sum(h.length for h in chain.headers)
    count, rest = divmod(left, length)
    if count < 1 or rest:
        raise FrameError(
            f"{bits} bits between two edges of chip select are no whole number of frames of {length} bits"
            + (f" after {bits - left} bits of headers" if chain.headers else "")
        )
    return count


def _cut(chain: Chain, length: int) -> list[int]:
    """Lengths of the pieces of one frame, first on the wire first."""
    if not chain.split or chain.split >= length:
        return [length]
    whole, rest = divmod(length, chain.split)
    return [chain.split] * whole + ([rest] if rest else [])


def _rounds(chain: Chain, words: Words) -> list[list[tuple[int, int]]]:
    """Piece by piece, the words of all chips, the farthest first."""
    if not words:
        raise CallError("a chain of no chips", "a frame for each chip")
    cuts = []
    for value, bits in words:
        if value < 0 or value >> bits:
            raise CallError(f"0x{value:X} does not fit a frame of {bits} bits")
        cuts.append(_cut(chain, bits))
    if len({len(c) for c in cuts}) > 1:
        raise CallError(
            f"frames of {', '.join(str(b) for _, b in words)} bits cannot share pieces of {chain.split} bits"
        )
    rounds: list[list[tuple[int, int]]] = []
    left = [bits for _, bits in words]
    for index in range(len(cuts[0])):
        pieces = []
        for chip in range(len(words) - 1, -1, -1):
            size = cuts[chip][index]
            left[chip] -= size
            pieces.append(((words[chip][0] >> left[chip]) & ((1 << size) - 1), size))
        rounds.append(pieces)
    return rounds


def _headers(chain: Chain, chips: int, commands: Sequence[str] = ()) -> list[tuple[int, int]]:
    made = []
    known = [n for header in chain.headers for n in header.commands]
    for name in commands:
        if name not in known:
            raise CallError(
                f"no header of the chain gives {name!r}; {', '.join(known) or 'none does'}"
            )
    for header in chain.headers:
        if header.count_bits and chips >> len(header.count_bits):
            raise CallError(
                f"{chips} chips do not fit the {len(header.count_bits)} bits of the header's count"
            )
        value = _header_value(header, chips)
        value |= mask_of(tuple(bit for n, bit in header.commands.items() if n in commands))
        made.append((value, header.length))
    return made


def _header_value(header: Header, chips: int) -> int:
    fixed = header.value & ~mask_of(header.count_bits)
    return fixed | deposit(chips, header.count_bits) if header.count_bits else fixed


def _join(pieces: list[tuple[int, int]]) -> tuple[int, int]:
    return join_bursts(pieces), sum(bits for _, bits in pieces)


def _unpack(
    chain: Chain,
    stream: tuple[int, int],
    lengths: Sequence[int],
    *,
    at: int,
    headers: Sequence[Header],
) -> list[int]:
    value, bits = stream
    wanted = sum(lengths) + sum(h.length for h in headers)
    if bits != wanted or value < 0 or value >> bits:
        raise FrameError(f"a stream of {bits} bits; {len(lengths)} chips make it {wanted}")
    left = bits
    words = [0] * len(lengths)
    cuts = [_cut(chain, length) for length in lengths]

    def take(size: int) -> int:
        nonlocal left
        left -= size
        return (value >> left) & ((1 << size) - 1)

    def check_headers() -> None:
        for number, header in enumerate(headers):
            found = take(header.length) & ~mask_of(tuple(header.commands.values()))
            expected = _header_value(header, len(lengths))
            if found != expected:
                count = extract(found, header.count_bits) if header.count_bits else len(lengths)
                what = (
                    f"a count of {count} chips where there are {len(lengths)}"
                    if count != len(lengths)
                    else f"0x{found:X} where 0x{expected:X} stands"
                )
                raise FrameError(f"header {number + 1} of the chain holds {what}")

    for index in range(max(len(c) for c in cuts)):
        if index == at:
            check_headers()
        for chip in range(len(lengths) - 1, -1, -1):
            if index < len(cuts[chip]):
                size = cuts[chip][index]
                words[chip] = words[chip] << size | take(size)
    if at >= max(len(c) for c in cuts):
        check_headers()
    return words
