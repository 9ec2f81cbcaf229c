"""Raw words taken apart, and the words a draft comes to, as values for any program to show."""

from __future__ import annotations

from collections.abc import Mapping

from regmap.record import dataclass

from ..behaviour.effects import Change, compare, effects
from ..behaviour.faults import Explanation, explain, status_registers
from ..behaviour.hazards import hazards_of, warned
from ..behaviour.machine import Machine
from ..behaviour.plan import word_to_write
from ..behaviour.settings import Action
from ..chip.bank import Bank, need_register
from ..chip.bank import registers_of as registers_of
from ..chip.bits import hexword
from ..chip.model import Chip, Register
from ..chip.values import Reading, read
from ..document.schema import read_int
from ..errors import CallError
from ..frames.codec import Answer, Codec, Sent
from .state import Draft


@dataclass(frozen=True, slots=True)
class Apart:
    """A pasted word: what it says, what it would change in the draft, what of it can be taken over."""

    word: int
    sent: Sent | None
    answer: Answer | None
    register: Register | None
    data: int | None
    fields: tuple[tuple[str, Reading], ...]
    changes: tuple[Change, ...]
    flaws: tuple[str, ...]

    @property
    def takeable(self) -> Mapping[str, int]:
        """Register words to take over; empty where the word is flawed or changes no setting."""
        if self.flaws or self.register is None or self.data is None:
            return {}
        if not any(c.field.setting for c in self.changes):
            return {}
        return {self.register.name: self.data}


def parse_raw(text: str) -> int:
    """A word as people paste it: 0x21DF, 21DF, 21 DF, 0b1010. Raises CallError."""
    cleaned = text.strip().replace(" ", "").replace("_", "").removesuffix("h")
    prefixed = cleaned[:2].lower() in ("0x", "0b")
    value = read_int(cleaned) if prefixed else None
    if value is None and not prefixed and cleaned and len(cleaned) <= 64:
        try:
            value = int(cleaned, 16)
        except ValueError:
            value = None
    if value is None or value < 0:
        raise CallError(f"{text[:40]!r} is not a word", "hex such as 0x21DF")
    return value


def take_apart(draft: Draft, text: str, *, reply_to: str | None = None) -> Apart:
    """A command frame (or the reply to a read of `reply_to`) taken apart against the draft.

    Raises CallError for what is no word or too wide for every frame.
    """
    chip, codec, bank = draft.chip, Codec(draft.chip), draft.bank
    word = parse_raw(text)
    longest = max(f.length for f in chip.frames.values())
    if word >> longest:
        raise CallError(
            f"{text[:40]} has {word.bit_length()} bits; frames of {chip.name} have at most {longest}"
        )
    sent: Sent | None = None
    answer: Answer | None = None
    if reply_to is not None:
        register: Register | None = need_register(chip, reply_to)
        assert register is not None
        answer = codec.decode_reply(word, codec.read(register, bank))
        data, flaws = answer.data, answer.flaws
    else:
        sent = codec.decode_command(word, bank)
        register, data, flaws = sent.register, sent.data, sent.flaws
    texts = tuple(f.text for f in flaws)
    if register is None or data is None:
        return Apart(word, sent, answer, register, data, (), (), texts)
    data &= register.mask
    env = bank.copy()
    if answer is None:
        env.learn(register.name, data)
    else:
        env.learn_read(register.name, data)
    fields = tuple((f.ref, read(f, env.field_code(f) or 0, env)) for f in register.fields)
    if sent is not None:
        changes = effects(Machine(chip, bank.copy()), sent).changes
    else:
        changes = tuple(compare(chip, bank, env))
    return Apart(word, sent, answer, register, data, fields, changes, texts)


@dataclass(frozen=True, slots=True)
class Frames:
    """The write of one register: its word, and the frame that carries it at its place in the sequence.

    `trouble` says why there is no such sequence; then the frame is that of a chip as the draft has it.
    """

    register: Register
    word: int
    sent: Sent | None
    trouble: str = ""


def write_of(draft: Draft, register: str, bank: Bank | None = None) -> Frames:
    """How a register is written at these settings."""
    bank = bank or draft.bank
    item = draft.chip.registers[register]
    word = word_to_write(draft.chip, register, bank)
    trouble = ""
    try:
        for action in draft.plan(bank):
            if action.do == "write" and action.sent is not None and action.sent.register is item:
                return Frames(item, word, action.sent)
    except CallError as error:
        trouble = str(error)
    try:
        return Frames(item, word, Codec(draft.chip).write(item, word, bank), trouble)
    except CallError as error:
        return Frames(item, word, None, trouble or str(error))


def sequence_lines(chip: Chip, actions: list[Action]) -> list[str]:
    """The whole write sequence as text: a word and what it is, one a line; waits as comments.
    What its frames do that can hurt stands first."""
    lines = [f"# {chip.name}{' (invented)' if chip.invented else ''}"]
    lines += [f"# caution: {text}" for text in warned(hazards_of(actions))]
    sequence = ""
    for action in actions:
        if action.sequence != sequence:
            sequence = action.sequence
            lines.append(f"# {sequence}")
        why = f"  ({action.why})" if action.why else ""
        if action.sent is None:
            lines.append(f"# {action.text}{why}")
            continue
        text = f"{hexword(action.sent.word, action.sent.frame.length)}  {action.text}"
        if action.expect is not None:
            register = action.sent.register
            wide = register.width if register is not None else 1
            text += (
                f", expect {hexword(action.expect, wide)} under mask {hexword(action.mask, wide)}"
            )
        lines.append(text + why)
    return lines


def explain_words(draft: Draft, words: Mapping[str, int]) -> Explanation:
    """Status words explained with the draft's settings as the chip's configuration. Raises CallError."""
    bank = draft.bank.copy()
    for name in status_registers(draft.chip):
        bank.forget(name)
    return explain(draft.chip, words, bank)
