"""Logs of frames: what was sent and what came back, to words of registers, by what is different in them.

Only believed answers of reads count, at the instant at which they were asked for, as in a capture. A write is no
proof of what a register holds, so it tells nothing here; nor do status bits of replies.
"""

from __future__ import annotations

import numpy as np

from regmap.chip.model import Chip
from regmap.errors import CallError, FrameError
from regmap.frames.codec import Codec

from .intervals import Flags, LoggedWords, Numbers, Places

SENT, REPLY = "sent", "reply"


def frame_width(chip: Chip) -> int:
    """Bits of a frame. Raises CallError where frames, or what they mean, hang on the state of the chip."""
    widths = {f.length for f in chip.frames.values()}
    if (
        len(widths) != 1
        or chip.page_select
        or any(f.when is not None for f in chip.frames.values())
    ):
        raise CallError(
            f"frames of {chip.name} mean what its state makes of them", "its registers' words in the log, or captures"
        )  # fmt: skip
    (width,) = widths
    if width > 64:
        raise CallError(f"frames of {chip.name} have {width} bits", "at most 64 in a log")
    return width


def words_of_frames(chip: Chip, log: LoggedWords) -> LoggedWords:
    """The registers that ordered rows of frames (words `sent` and `reply`) have read, as rows of words."""
    sent, reply = log.words[SENT], log.words[REPLY]
    codec = Codec(chip)
    found: dict[str, tuple[list[Places], list[Numbers]]] = {}
    for after in sorted({f.after for f in chip.frames.values()}):
        # the frame that a reply answers stands `after` rows before it, of the same unit since its last reset
        rows = np.flatnonzero(log.valid[REPLY])
        asked = rows - after
        good = asked >= 0
        asked = np.maximum(asked, 0)
        resets = np.cumsum(log.reset)
        good &= (
            (log.unit[asked] == log.unit[rows])
            & (resets[asked] == resets[rows])
            & log.valid[SENT][asked]
        )
        rows, asked = rows[good], asked[good]
        for register, places, words in _different(codec, after, sent[asked], reply[rows]):
            told = found.setdefault(register, ([], []))
            told[0].append(asked[places])  # the word is of when it was asked, as in a capture
            told[1].append(words)
    read: dict[str, Numbers] = {}
    valid: dict[str, Flags] = {}
    for name in (n for n in chip.registers if n in found):
        read[name], valid[name] = np.zeros(len(log), np.uint64), np.zeros(len(log), np.bool_)
        for places, words in zip(*found[name], strict=True):
            read[name][places], valid[name][places] = words, True
    return LoggedWords(log.unit, log.time, read, valid, log.reset, log.file)


def _different(
    codec: Codec, after: int, sent: Numbers, reply: Numbers
) -> list[tuple[str, Places, Numbers]]:
    """(register, places, words) of the believed answers to reads; each different pair is looked at once."""
    commands, which = np.unique(sent, return_inverse=True)
    out: list[tuple[str, Places, Numbers]] = []
    order = np.argsort(which.reshape(-1), kind="stable")
    bounds = np.searchsorted(which.reshape(-1)[order], np.arange(len(commands) + 1))
    for number, word in enumerate(commands.tolist()):
        asked = codec.decode_command(word)
        if asked.flaws or asked.kind != "read" or asked.register is None:
            continue
        if asked.frame.after != after:
            continue
        places = order[bounds[number] : bounds[number + 1]]
        answers, back = np.unique(reply[places], return_inverse=True)
        data = np.zeros(len(answers), np.uint64)
        sound = np.zeros(len(answers), np.bool_)
        for place, answer in enumerate(answers.tolist()):
            try:
                told = codec.decode_reply(answer, asked)
            except FrameError:
                continue
            if told.data is not None and not told.flaws:
                data[place], sound[place] = told.data, True
        kept = sound[back.reshape(-1)]
        out.append((asked.register.name, places[kept], data[back.reshape(-1)][kept]))
    return out
