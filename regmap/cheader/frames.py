"""Frames in C: pack a command, take a reply apart, check both, turn a frame into bytes of the SPI.

For every frame of the map:

    pack(parts...)      a command from all its free parts, check bits included
    make_read, make_write  the two commands that every register needs
    with_check_bits(frame), with_counter(frame, sent)  computed anew: for frames kept ready in tables
    check(frame)        what is wrong with a command: 0 where nothing is
    reply_unpack        the parts of a reply, and what is wrong with it
    to_bytes, from_bytes  the bytes a byte-wide SPI controller sends and gets
"""

from __future__ import annotations

from collections.abc import Iterator

from regmap.record import dataclass

from ..chip.bits import spans
from ..chip.model import Frame, Layout
from ..frames.words import guards_of
from .commands import CommandWriter
from .framebase import FRAME_ERRORS, FrameWriter, frame_type, word_bits, word_type
from .guards import Guards
from .names import word
from .replies import ByteWriter, ReplyWriter
from .sheet import Sheet
from .text import block, count, defines


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameNames:
    """What the other sections call."""

    frame: Frame
    stem: str
    index: int
    kind: str
    complete: str
    counters: bool
    reply_data: str
    errors: str
    counter: tuple[str, int, int]
    check_bits: str


def write_frames(sheet: Sheet) -> dict[str, FrameNames]:
    """Every frame's routines; returns their names by frame."""
    chip = sheet.chip
    if chip.chain is not None and not sheet.chained:
        sheet.names.note(
            "frames are those of a chip that is alone on its chip select, not of a daisy chain"
        )
    sheet.section(
        "frames",
        [
            f"SPI mode {chip.spi.mode}, {'most' if chip.spi.msb_first else 'least'} significant bit first, "
            f"select active {'low' if chip.spi.select_active_low else 'high'}.",
            *_when_text(sheet),
        ],
    )
    rows = []
    for error, code, note in FRAME_ERRORS:
        rows.append((sheet.names.macro("FRAME_ERROR", error), count(code), note))
    if len(chip.frames) > 1:
        for index, frame in enumerate(chip.frames.values()):
            rows.append((format_macro(sheet, frame), count(index), f"{frame.length} bits"))
    sheet.lines(*defines(rows))
    guards = Guards(sheet)
    return {
        f.name: _Writer(sheet, guards, f, i).write() for i, f in enumerate(chip.frames.values())
    }


def format_macro(sheet: Sheet, frame: Frame) -> str:
    return sheet.names.macro("FORMAT", word(frame.name), of=f"format of frame {frame.name}")


def _when_text(sheet: Sheet) -> Iterator[str]:
    if len(sheet.chip.frames) > 1:
        for frame in sheet.chip.frames.values():
            if frame.when is not None:
                yield f"Frame {frame.name} is in force while {frame.when}; the caller chooses."
            else:
                yield f"Frame {frame.name} is in force otherwise, or where a register names it."


class _Writer(CommandWriter, ReplyWriter, ByteWriter):
    """All routines of one frame, in the order of the file."""

    def write(self) -> FrameNames:
        sheet, frame = self.sheet, self.frame
        rows = [
            (self.macro("BITS"), count(frame.length), "bits of one frame"),
            (
                self.macro("BYTES"),
                count(sum((b + 7) // 8 for b in frame.bursts)),
                "bytes on the SPI",
            ),
            (self.macro("BURSTS"), count(len(frame.bursts)), "chip-select bursts"),
            (
                self.macro("REPLY_AFTER"),
                count(frame.after),
                "frames until the reply comes; 0: in the same",
            ),
        ]
        for part in frame.command.parts:
            piece = word(part.name)
            for code_name, code in part.codes.items():
                rows.append((self.macro(piece, word(code_name)), count(code), ""))
            if part.kind == "chip":
                rows.append((self.macro(piece, "DEFAULT"), count(part.value), "the device address"))
                for at, address in enumerate(part.shared):
                    name = self.macro(piece, "SHARED", str(at) if at else "")
                    rows.append((name, count(address), "every chip takes it, none replies"))
        sheet.lines("", *defines(rows))
        sheet.check(
            f"sizeof({self.kind}) * 8U >= {self.macro('BITS')}",
            f"frame {frame.name} does not fit its type",
        )
        self.shape(frame.command)
        taken: set[str] = {"frame", "out", "in"}
        for part in self.free:
            self.members[part.name] = sheet.names.member(part.name, taken)
        complete = self.complete()
        self.pack()
        self.accesses()
        self.commands()
        self.check()
        reply_data = self.replies()
        errors = self.reply_errors()
        self.bytes()
        return FrameNames(
            frame=frame,
            stem=word(frame.name),
            index=self.index,
            kind=self.kind,
            complete=complete,
            counters=bool(self.counters),
            reply_data=reply_data,
            errors=errors,
            counter=self.reply_counter(),
            check_bits=self.name("with_check_bits") if guards_of(frame.command) else "",
        )

    def shape(self, layout: Layout) -> None:
        text = ", ".join(f"{p.name} {spans(p.bits)} ({p.kind})" for p in layout.parts)
        self.sheet.lines("", *block(f"command of frame {self.frame.name}: {text}"))


__all__ = [
    "FrameNames",
    "FrameWriter",
    "format_macro",
    "frame_type",
    "word_bits",
    "word_type",
    "write_frames",
]
