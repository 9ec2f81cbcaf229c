"""Requests to bytes of one exchange and its replies back, for a chip alone or at a place in a chain."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Protocol

from regmap.record import dataclass, field

from ..behaviour.machine import Machine
from ..chip.bank import Bank
from ..chip.bits import hexword
from ..chip.model import Chip, Command, Frame, Register, Spi
from ..errors import CallError, FrameError, LinkError
from ..frames import chain as chains
from ..frames.codec import (
    Answer,
    Codec,
    Sent,
    bursts,
    command_bytes,
    counter_flaws,
    from_wire,
    join_bursts,
    next_counters,
    wire_bytes,
)
from ..wire.layout import Clocked
from . import rules

MOST_TOLD = 1024  # replies whose meaning is kept


@dataclass(frozen=True, slots=True)
class Ask:
    """One request: read a register, write a word to it, or send a command."""

    kind: str
    register: Register | None = None
    word: int | None = None
    command: Command | None = None

    @property
    def text(self) -> str:
        if self.command is not None:
            return self.command.name
        assert self.register is not None
        if self.kind == "read":
            return f"read {self.register.name}"
        return f"write {self.register.name} = {hexword(self.word or 0, self.register.width)}"


@dataclass(slots=True)
class Trade:
    """One exchange as it went: frames sent, and the reply to each (None where there is none).

    `raw` are the words read during each frame; `damage` says what was wrong, reply by reply; `page`
    is the one that the chip must be on; `counted`, whether replies may carry a counter.
    """

    asks: list[Ask]
    sent: list[Sent]
    raw: list[int] = field(default_factory=list)
    answers: list[Answer | None] = field(default_factory=list)
    damage: list[str] = field(default_factory=list)
    page: int | None = None
    counted: bool = True
    #: replies, at the beginning, to the frames of the exchange before
    early: list[Answer | None] = field(default_factory=list)

    def clean(self, index: int) -> Answer | None:
        """The reply to frame `index` if nothing contradicts it."""
        answer = self.answers[index]
        return answer if answer is not None and not answer.flaws else None

    def part(self, begin: int, end: int) -> Trade:
        """Frames `begin` to `end` as if they had been the whole exchange: those behind only fetched replies."""
        after = max((s.frame.after for s in self.sent), default=0)
        last = end + after
        return Trade(
            asks=self.asks[begin:last],
            sent=self.sent[begin:last],
            raw=self.raw[begin:last],
            answers=[*self.answers[begin:end], *[None] * (len(self.asks[end:last]))],
            damage=self.damage,
            page=self.page,
            counted=self.counted,
        )

    def missed(self) -> str:
        """A counter in the replies that shows a frame not to have been accepted, or "".

        It goes on from the exchange before: else a first frame that was lost, which makes the chip reject the
        second, would show nowhere, and a chip may answer a rejected frame as if address 0 held 0.
        """
        if not self.counted:
            return ""
        answers = [*self.early, *self.answers]
        for before, after in pairwise(answers):
            if before is None or after is None or before.flaws or after.flaws:
                continue
            if before.layout is after.layout:
                flaws = counter_flaws(after.layout, before.parts, after.parts)
                if flaws:
                    return flaws[0].text
        return ""


class Route(Protocol):
    """How a frame's word travels: as bursts of bytes, and back."""

    def out(self, sent: Sent) -> list[Clocked]: ...

    def back(self, frame: Frame, read: Sequence[bytes]) -> int: ...


def clocked(spi: Spi, value: int, bits: int, exact: bool) -> Clocked:
    """A burst for an adapter that clocks as many bits (`exact`), or whole bytes only."""
    if exact and bits % 8:
        return Clocked(wire_bytes(value, bits, msb_first=spi.msb_first), bits % 8)
    return Clocked(command_bytes(spi, value, bits))


def need_whole_bytes(spi: Spi, lengths: Sequence[int]) -> None:
    """Raises LinkError where an adapter that clocks whole bytes cannot talk to this chip."""
    odd = sorted({bits for bits in lengths if bits % 8})
    if odd and spi.extra_clocks not in ("first_count", "last_count"):
        listed = " and ".join(str(bits) for bits in odd)
        raise LinkError(
            f"bursts of {listed} bits: this adapter clocks whole bytes only, and the map does not say that "
            "the chip takes more clocks (spi: extra_clocks: first_count or last_count). Expected an adapter "
            "with the ability of bit counts: bit 6 of its abilities, requests of kind 05 (PROTOCOL.md of "
            "`gateword link kit`)"
        )


class Direct:
    """One chip on its chip select. `exact`: the adapter clocks as many bits as a burst has."""

    def __init__(self, chip: Chip, *, exact: bool = True) -> None:
        self.spi = chip.spi
        self.msb = chip.spi.msb_first
        self.exact = exact
        if not exact:
            need_whole_bytes(chip.spi, [b for f in chip.frames.values() for b in f.bursts])

    def out(self, sent: Sent) -> list[Clocked]:
        return [clocked(self.spi, v, b, self.exact) for v, b in bursts(sent.frame, sent.word)]

    def back(self, frame: Frame, read: Sequence[bytes]) -> int:
        pieces = [
            (from_wire(data, bits, msb_first=self.msb), bits)
            for data, bits in zip(read, frame.bursts, strict=True)
        ]
        return join_bursts(pieces)


class InChain:
    """One chip of several on a chip select; the others are sent a harmless read meanwhile.

    `chips` in order from the controller's data output; raises CallError where one of them has
    nothing harmless to read.
    """

    def __init__(self, chips: Sequence[Chip], position: int, *, exact: bool = True) -> None:
        if not 0 <= position < len(chips):
            raise CallError(f"position {position} in a chain of {len(chips)} chips")
        chain = chips[position].chain
        if chain is None:
            raise CallError(f"the map of {chips[position].name} says nothing of chains")
        self.chain = chain
        self.position = position
        self.spi = chips[position].spi
        self.msb = self.spi.msb_first
        self.asked: list[str] = []
        self.idle: list[tuple[int, int]] = []
        for chip in chips:
            register = rules.filler(chip)
            if register is None:
                raise CallError(f"{chip.name} has no register that can be read without effect")
            sent = Codec(chip).read(register)
            self.asked.append(register.name)
            self.idle.append((sent.word, sent.frame.length))
        self.exact = exact
        self.clocks = 0  # of the last stream sent
        if not exact:
            need_whole_bytes(self.spi, [self.stream(sent)[1]])

    def stream(self, sent: Sent, commands: Sequence[str] = ()) -> tuple[int, int]:
        """What passes in one chip select, (value, bits), with `commands` in the headers. Raises CallError."""
        words = list(self.idle)
        words[self.position] = (sent.word, sent.frame.length)
        return chains.pack(self.chain, words, commands)

    def out(self, sent: Sent) -> list[Clocked]:
        made = clocked(self.spi, *self.stream(sent), self.exact)
        self.clocks = 8 * (len(made.data) - 1) + made.last
        return [made]

    def back(self, frame: Frame, read: Sequence[bytes]) -> int:
        lengths = [bits for _, bits in self.idle]
        lengths[self.position] = frame.length
        value = from_wire(read[0], self.clocks, msb_first=self.msb)
        return chains.unpack_reply(self.chain, (value, self.clocks), lengths)[self.position]


class Composer:
    """Builds the frames of an exchange; keeps the counters that commands carry."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.codec = Codec(chip)
        self.counters: dict[str, int] = {}
        self.conditional = any(f.when is not None for f in chip.frames.values())
        self.counting = any(
            y.of_kind("counter") for f in chip.frames.values() for y in f.replies.values()
        )
        self._acting: dict[str, bool] = {}
        self._cases = any(f.cases for f in chip.frames.values())
        self._told: dict[tuple[str, str, int, int], Answer] = {}
        #: the last frames sent, whose replies the next exchange begins with
        self._last: list[Sent] = []

    def build(self, asks: Sequence[Ask], machine: Machine) -> list[Sent]:
        """The frames, each in the layout that is in force once those before it have acted."""
        if self.conditional:
            machine = Machine(self.chip, machine.bank.copy())
        sent = []
        again: dict[str, Sent] = {}  # reads since the last frame that may have changed anything
        for ask in asks:
            asked = ask.register.name if ask.kind == "read" and ask.register is not None else ""
            if asked in again:
                sent.append(again[asked])
                continue
            frame = self.codec.frame_in_force(machine.bank, ask.register, ask.command)
            given = {n: v for n, v in self.counters.items() if frame.command.named(n) is not None}
            if ask.command is not None:
                made = self.codec.command(ask.command, ask.word, machine.bank, given)
            elif ask.register is not None and ask.kind == "read":
                made = self.codec.read(ask.register, machine.bank, given)
            elif ask.register is not None:
                made = self.codec.write(ask.register, ask.word or 0, machine.bank, given)
            else:
                raise CallError("a request of nothing")
            self.counters.update(next_counters(made.frame.command, made.parts))
            sent.append(made)
            if self.conditional:
                machine.apply(made)
            if ask.register is None or not asked or self.acts(ask.register):
                again.clear()
            elif made.frame.command.of_kind("counter") is None:
                again[asked] = made
        return sent

    def acts(self, register: Register) -> bool:
        """Whether a read of it changes the chip."""
        if register.name not in self._acting:
            self._acting[register.name] = bool(rules.read_hazards(self.chip, register))
        return self._acting[register.name]

    def decode(self, trade: Trade, bank: Bank | None = None) -> None:
        """Fill in the answers and what is wrong with them; `bank` is what is known of the chip.

        Where replies are counted, those to the last frames of the exchange before are read too (`early`).
        """
        before = self._last if trade.counted else []
        for place, sent in enumerate([*before, *trade.sent], -len(before)):
            carrier = place + sent.frame.after
            late = place >= 0
            answer: Answer | None = None
            if 0 <= carrier < len(trade.sent):
                within = trade.sent[carrier].frame
                if self.codec.reply_layout(sent, within, bank) is not None:
                    try:
                        answer = self._answer(trade.raw[carrier], sent, within, bank)
                    except FrameError as error:
                        if late:
                            trade.damage.append(f"{trade.asks[place].text}: {error}")
                    if late and answer is not None and answer.flaws:
                        trade.damage.append(f"{trade.asks[place].text}: {answer.flaws[0].text}")
            (trade.answers if late else trade.early).append(answer)
        most = max((f.after for f in self.chip.frames.values()), default=0)
        self._last = trade.sent[-most:] if most and trade.counted else []

    def lost_track(self) -> None:
        """Nobody knows which frames the chip saw last."""
        self._last = []

    def _answer(self, word: int, sent: Sent, within: Frame, bank: Bank | None) -> Answer:
        """The reply taken apart. Where nothing but the two words decides, the same again is not worked out anew."""
        if self._cases or sent.kind != "read":
            return self.codec.decode_reply(word, sent, within, bank)
        key = sent.frame.name, within.name, sent.word, word
        answer = self._told.get(key)
        if answer is None:
            if len(self._told) >= MOST_TOLD:
                self._told.clear()
            answer = self._told[key] = self.codec.decode_reply(word, sent, within, bank)
        return answer
