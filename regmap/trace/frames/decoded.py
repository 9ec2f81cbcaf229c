"""One pair of words taken apart under the frame in force: what was asked, what was answered, what is wrong."""

from __future__ import annotations

import numpy as np

from regmap.chip.bank import Bank
from regmap.chip.bits import mask_of
from regmap.chip.model import Chain, Chip, Frame, Layout
from regmap.errors import FrameError
from regmap.expr import evaluate
from regmap.frames.bulk import COMMAND, READ, WRITE, BulkCodec, Mask, Words, extract
from regmap.frames.codec import Answer, Codec, Flaw, Sent
from regmap.frames.words import first_of
from regmap.record import dataclass, replace

from ..events import Note
from .pairs import CHANGED, CUT, GIVEN, HEADER, MISCOUNTED, Pair


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """`trouble` is why the chip must reject the command, `reply_trouble` why the reply says nothing; "" if fine.

    `sent` is None where not even the length fits. `cut` marks a frame that the capture shows only in
    part. `late` is True where the reply was not captured. `elsewhere` is a sound frame for another
    chip address on the same select. `given` are the commands of the chain's headers to every chip.
    """

    sent: Sent | None
    answer: Answer | None = None
    trouble: str = ""
    reply_trouble: str = ""
    reply_word: int | None = None
    cut: bool = False
    late: bool = False
    elsewhere: bool = False
    given: tuple[str, ...] = ()

    @property
    def taken(self) -> bool:
        """Whether the chip takes the frame, as far as the frame tells."""
        return self.sent is not None and not self.trouble and not self.cut

    @property
    def believed(self) -> Answer | None:
        """The reply, if it can be believed."""
        return self.answer if self.answer is not None and not self.reply_trouble else None


def known_target(chip: Chip, decoded: Decoded) -> bool:
    """Whether a frame is taken and asks for something the map has, on whatever page."""
    sent = decoded.sent
    if sent is None or not decoded.taken:
        return False
    if sent.command is not None or sent.register is not None:
        return True
    return bool(chip.page_select) and any(
        r.address == sent.address for r in chip.registers.values()
    )


def plausible(decoded: Decoded, chip: Chip | None = None) -> bool:
    """Whether a controller in its right mind sends this: a word that fits by chance seldom passes.

    Reads carry no data, writes go to what can be written and keep reserved bits as they must be.
    """
    sent = decoded.sent
    if sent is None or not decoded.taken:
        return False
    if sent.command is not None:
        return True
    register = sent.register
    if register is None:
        # behind a page that nobody knows, an address is all there is
        return chip is not None and known_target(chip, decoded)
    if sent.kind == "read":
        part = sent.frame.command.of_kind("data")
        return part is None or sent.parts.get(part.name) == part.value
    if not register.takes_writes:
        return False
    return not ((sent.data or 0) ^ register.reserved_write) & register.stated


def plausible_words(bulk: BulkCodec, frame: Frame, words: Words) -> Mask:
    """`plausible` of each word, read as a command of this layout while nothing is known of the chip."""
    chip = bulk.chip
    seen = bulk.read(frame, words)
    register = seen.register
    found: Mask = seen.kind >= COMMAND
    data = frame.command.of_kind("data")
    carried = extract(words, data.bits) if data is not None else np.zeros_like(words)
    found |= (seen.kind == READ) & (register >= 0) & (data is None or carried == data.value)
    takes, held, stated = chip.once("plausible.writes", _writes)
    as_stated = (carried ^ held[register]) & stated[register] == 0
    found |= (seen.kind == WRITE) & takes[register] & as_stated
    address = frame.command.of_kind("address")
    if chip.page_select and address is not None:
        # behind a page that nobody knows, an address is all there is
        known = np.isin(extract(words, address.bits), [r.address for r in chip.registers.values()])
        found |= ((seen.kind == READ) | (seen.kind == WRITE)) & (register < 0) & known
    found &= seen.flaws == 0
    return found


def _writes(chip: Chip) -> tuple[Mask, Words, Words]:
    """For each register: whether it takes writes, and which reserved bits must be written how; last, for none."""
    registers = chip.registers.values()
    return (
        np.array([*(r.takes_writes for r in registers), False]),
        np.array([*(r.reserved_write for r in registers), 0], np.uint64),
        np.array([*(r.stated for r in registers), 0], np.uint64),
    )


def flaw_notes(decoded: Decoded) -> list[Note]:
    """What is wrong with a frame and its reply."""
    if decoded.cut:
        return [Note(kind="wiring", text=decoded.trouble, weight="info")]
    if decoded.elsewhere:
        return [Note(kind="rejected", text=decoded.trouble, weight="info")]
    notes = []
    if decoded.trouble:
        notes.append(
            Note(
                kind="rejected",
                text=f"frame rejected: {decoded.trouble}",
                weight="bad",
            )
        )
    if decoded.reply_trouble:
        notes.append(
            Note(kind="rejected", text=f"reply not believed: {decoded.reply_trouble}", weight="bad")
        )
    return notes


class Judge:
    """Decodes pairs for one chip; `bank` is what is believed of it, for frames that depend on state."""

    def __init__(
        self, chip: Chip, chips: int = 1, total: int = 0, chain: Chain | None = None
    ) -> None:
        self.chip = chip
        self.chain = chain
        self.codec = Codec(chip)
        self.chips = chips
        self.total = total
        self.plain = (
            len(chip.frames) == 1
            and next(iter(chip.frames.values())).when is None
            and not chip.page_select
            and not any(
                f.cases
                or any(
                    p.shared or p.over_command
                    for g in (f.command, *f.replies.values())
                    for p in g.parts
                )
                for f in chip.frames.values()
            )
        )
        self._cache: dict[tuple[Pair, object], Decoded] = {}

    def key(self, bank: Bank) -> object:
        """What of the bank decides how words are read."""
        if self.plain:
            return None
        page = bank.code(self.chip.page_select) if self.chip.page_select else None
        cases = [evaluate(w, bank) for f in self.chip.frames.values() for w in f.cases.values()]
        frames = [f.name for f in self.codec.recogniser.frames_possible(bank)]
        return tuple(frames), tuple(cases), page

    def decode(self, pair: Pair, bank: Bank) -> Decoded:
        """The pair taken apart; the same answer for the same pair and frames in force."""
        key = (pair, self.key(bank))
        found = self._cache.get(key)
        if found is None:
            found = self._cache[key] = self._decode(pair, bank)
        return found

    def _decode(self, pair: Pair, bank: Bank) -> Decoded:
        found = self._alone(pair, bank)
        if not pair.flags & ~(GIVEN - 1) and not pair.flags & (HEADER | MISCOUNTED | CHANGED):
            return found
        trouble = found.trouble
        if pair.flags & MISCOUNTED:
            trouble = f"a header of the chain counts another number than {self.chips} chips"
        elif pair.flags & HEADER:
            trouble = "a header of the chain holds other bits than the map says"
        changed = "the headers of the chain came back changed" if pair.flags & CHANGED else ""
        names = [n for h in self.chain.headers for n in h.commands] if self.chain else []
        given = tuple(n for place, n in enumerate(names) if pair.flags & GIVEN << place)
        return replace(
            found,
            trouble=trouble,
            reply_trouble=found.reply_trouble or changed,
            given=() if trouble else given,
        )

    def _alone(self, pair: Pair, bank: Bank) -> Decoded:
        if pair.flags & CUT:
            return Decoded(sent=None, cut=True, trouble="the capture shows only a part of it")
        if pair.bits < 0:
            return Decoded(sent=None, trouble=self._clocks(-pair.bits))
        sent = self._recognised(pair, bank)
        if sent is None:
            return Decoded(sent=None, trouble=self._clocks(pair.bits))
        trouble = "; ".join(f.text for f in sent.flaws)
        part = sent.elsewhere
        if part is not None and not pair.unknown:
            text = (
                f"it is for the chip at address {sent.parts[part.name]}; this one has {part.value}"
            )
            return Decoded(sent=sent, trouble=text, elsewhere=True)
        unknown = pair.unknown & ((1 << pair.bits) - 1)
        if unknown:
            trouble = f"{unknown.bit_count()} bits of SDI are unknown"
        word, hidden, bits = pair.reply(sent.frame.after)
        if bits <= 0 or hidden >> 63:
            return Decoded(sent=sent, trouble=trouble, late=True)
        return self._reply(sent, trouble, word, hidden, bits, bank)

    def _recognised(self, pair: Pair, bank: Bank) -> Sent | None:
        """The likeliest reading, of layouts that are believed not to be in force only a flawless one.

        None where no frame of the chip has this length, or only ones not in force that do not fit.
        """
        found = self.codec.recogniser.readings(pair.word, bank, pair.bits, beyond=True)
        if not found or (
            found[0].flaws and found[0].frame not in self.codec.recogniser.frames_possible(bank)
        ):
            return None
        return found[0]

    def _reply(
        self, sent: Sent, trouble: str, word: int, hidden: int, bits: int, bank: Bank
    ) -> Decoded:
        within = self.codec.recogniser.carrier(sent, bits) if bits != sent.frame.length else None
        layout = self.codec.reply_layout(sent, within, bank)
        if layout is None:
            return Decoded(sent=sent, trouble=trouble, reply_word=word)
        if within is not None and bits < layout.length:
            # cut off by a shorter frame: what it says was not seen
            return Decoded(sent=sent, trouble=trouble, late=True)
        if within is None and bits != layout.length:
            text = f"the reply has {bits} bits; {layout.length} expected"
            return Decoded(sent=sent, trouble=trouble, reply_trouble=text, reply_word=word)
        try:
            answer = self.codec.decode_reply(word, sent, within, bank, beyond=True)
        except FrameError as error:
            return Decoded(sent=sent, trouble=trouble, reply_trouble=str(error), reply_word=word)
        flaws: list[Flaw] = list(answer.flaws)
        if bits > layout.length:
            order = self.chip.spi.msb_first
            word, hidden = (
                first_of(v, bits, layout.length, msb_first=order) for v in (word, hidden)
            )
            bits = layout.length
        telling = hidden & _telling(answer.layout)
        if telling:
            text = f"{telling.bit_count()} of {bits} bits of SDO are unknown or floating"
        elif flaws and word == (1 << bits) - 1:
            text = "every bit of the reply is 1"
        elif flaws and word == 0:
            text = "every bit of the reply is 0"
        else:
            text = "; ".join(f.text for f in flaws)
        return Decoded(
            sent=sent, answer=answer, trouble=trouble, reply_trouble=text, reply_word=word
        )

    def _clocks(self, clocks: int) -> str:
        lengths = sorted({f.length for f in self.chip.frames.values()})
        if self.total:
            return f"{clocks} clocks; {self.chips} chips in a chain take {self.total}"
        wanted = " or ".join(map(str, lengths))
        for length in lengths:
            if clocks > length and clocks % length == 0:
                return (
                    f"{clocks} clocks are {clocks // length} frames of {length} in one select: "
                    "frames merged, or a chain of chips"
                )
        return f"{clocks} clocks; a frame has {wanted}"


def _telling(layout: Layout) -> int:
    """The bits of a reply that mean something."""
    mask = 0
    for part in layout.parts:
        if part.kind != "ignored":
            mask |= mask_of(part.bits)
    return mask
