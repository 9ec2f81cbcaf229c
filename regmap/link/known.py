"""What a chip is known to hold, what is not known, and how to reach a safe state from there.

Nothing is assumed: a word is known only while it was read in agreement since the last event that
could have changed it, and every reason why it no longer is stands beside it.
"""

from __future__ import annotations

from regmap.record import dataclass, field, replace

from ..chip.model import Chip
from . import rules


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """One register's word as known. `how` says from what; times in seconds of the session.

    `word` None means unknown; then `why` says so and `candidates` are the words that it can hold,
    the last of them (`reset`) if the chip was reset since. `open` tells that it may hold another word
    still, since what it held before is not known.
    """

    register: str
    word: int | None
    how: str
    time: float
    why: str = ""
    candidates: tuple[int, ...] = ()
    reset: int | None = None
    open: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """The honest state of a chip after a session: for the report, in the order of the map."""

    chip: str
    port: str
    held: tuple[Holding, ...]
    unknown: tuple[Holding, ...]
    never_read: tuple[str, ...]
    losses: tuple[str, ...]
    notes: tuple[str, ...]
    safe_state: tuple[str, ...]
    #: whether a reset would have shown by the last exchange; if not, `held` is as of its reading
    watched: bool = False
    digits: dict[str, int] = field(default_factory=dict)

    @property
    def certain(self) -> bool:
        """Whether nothing that was touched is unknown."""
        return not self.unknown

    def lines(self) -> list[str]:
        """Text for people; the way to a safe state last, where something is unknown or was lost."""
        out = []
        if self.held:
            since = (
                "is known to hold:"
                if self.watched
                else "held when last read (a reset since would not have shown: its power-up flag is "
                "not clear, or there is none):"
            )
            out.append(f"{self.chip} {since}")
            for item in self.held:
                out.append(f"  {item.register} = {self._hex(item.register, item.word)}  {item.how}")
        for item in self.unknown:
            out.append(f"UNKNOWN {item.register}: {item.why}{self._also(item)}")
        if self.never_read:
            out.append(f"never read in this session: {', '.join(self.never_read)}")
        out += [f"lost: {text}" for text in self.losses]
        out += [f"note: {text}" for text in self.notes]
        if self.unknown or self.losses:
            out.append("To reach a safe state:")
            out += [f"  {number}. {text}" for number, text in enumerate(self.safe_state, 1)]
        return out

    def _also(self, item: Holding) -> str:
        """What an unknown register may hold, as far as that is known."""
        words = [self._hex(item.register, w) for w in item.candidates if w != item.reset]
        if item.open:
            words.insert(0, "a word that is not known")
        last = ", or " if item.open else " or "
        listed = f"{', '.join(words[:-1])}{last}{words[-1]}" if words[1:] else "".join(words)
        if item.reset is not None:
            lost = f"{self._hex(item.register, item.reset)} if power was lost"
            listed = f"{listed}, or {lost}" if listed else lost
        if not listed:
            return ""
        return f"; {'it holds' if item.how == 'written' else 'last seen'} {listed}"

    def _hex(self, register: str, word: int | None) -> str:
        return f"0x{word or 0:0{self.digits.get(register, 4)}X}"


def safe_state(chip: Chip, port: str, enable_pin: bool) -> tuple[str, ...]:
    """Steps from an unknown state to a safe one; the sure way last."""
    steps = ["Hold the PWM inputs at their inactive level."]
    if enable_pin:
        steps.append(
            f"Drive the enable pin low: gateword link {port} pins --enable low --allow-writes."
        )
    for request in rules.off_request(chip):
        steps.append(
            f'If the chip still answers: gateword link {port} write {chip.name} "{request}" --allow-writes.'
        )
    steps.append(
        "Remove the bridge supply, wait until the DC-link capacitors are discharged, and measure that they are."
    )
    steps.append(
        "Take the supply of the logic away and give it back: only then is every register at its reset "
        "value; then apply the stage from the beginning."
    )
    return tuple(steps)


class Knowledge:
    """Register by register what is known; every event that could have changed it is told here."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.items: dict[str, Holding] = {}
        self._doubted: dict[str, Holding] = {}
        self.losses: list[str] = []
        self.notes: list[str] = []

    def holds(self, register: str, word: int, how: str, time: float) -> None:
        self.items[register] = Holding(register=register, word=word, how=how, time=time)
        self._doubted.pop(register, None)

    def word(self, register: str) -> int | None:
        """The known word, or None."""
        item = self.items.get(register)
        return item.word if item is not None else None

    def unknown(
        self, register: str, why: str, time: float, candidates: tuple[int | None, ...] = ()
    ) -> None:
        """This register's word is not known any more; a reset is always possible.

        `candidates` are words it may hold, None for the one before.
        """
        old = self.items.get(register)
        words: list[int] = []
        opened = False
        for word in candidates or (None,):
            if word is not None:
                words.append(word)
            elif old is None:
                opened = True
            else:
                words += [old.word] if old.word is not None else list(old.candidates)
                opened = opened or old.open
        item = self.chip.registers[register]
        reset = item.reset & item.read_mask & item.mask
        self.items[register] = Holding(
            register=register,
            word=None,
            how="written" if candidates else "seen",
            time=time,
            why=why,
            candidates=tuple(dict.fromkeys([*words, reset])),
            reset=None if reset in words and (old is None or old.reset != reset) else reset,
            open=opened,
        )
        self._doubted.pop(register, None)

    def all_unknown(self, why: str, time: float, *, anything: bool = False) -> None:
        """Something happened after which no word is certain any more; with `anything` it may be any word."""
        self.doubt(why, time)
        for name in self._doubted:
            self.items[name] = replace(self.items[name], why=why)
        if anything:
            self.items = {n: replace(i, open=True) for n, i in self.items.items()}
        self._doubted.clear()
        self.note(why)

    def doubt(self, why: str, time: float) -> None:
        """Power may have gone: no word is certain until it is shown that it did not (`no_reset`)."""
        for name, item in list(self.items.items()):
            if item.word is not None:
                self.unknown(name, why, time)
                self._doubted[name] = item

    def no_reset(self) -> None:
        """Shown: the chip was not reset since what was in doubt was known."""
        self.items.update(self._doubted)
        self._doubted.clear()

    def doubted(self, register: str) -> int | None:
        """The word that this register holds unless the chip was reset, where that is in doubt."""
        item = self._doubted.get(register)
        return item.word if item is not None else None

    def lost(self, text: str) -> None:
        """A value or an effect that cannot be recovered."""
        self.losses.append(text)

    def note(self, text: str) -> None:
        if text not in self.notes:
            self.notes.append(text)

    def account(self, port: str, *, enable_pin: bool = False, watched: bool = False) -> Account:
        """Everything known and unknown now."""
        chip = self.chip
        held, unknown, never = [], [], []
        for name, register in chip.registers.items():
            item = self.items.get(name)
            if not register.holds_settings:
                continue
            if item is None:
                if register.readable:
                    never.append(name)
            elif item.word is None:
                unknown.append(item)
            else:
                held.append(item)
        return Account(
            chip=chip.name,
            port=port,
            held=tuple(held),
            unknown=tuple(unknown),
            never_read=tuple(never),
            losses=tuple(self.losses),
            notes=tuple(self.notes),
            safe_state=safe_state(chip, port, enable_pin),
            watched=watched,
            digits={r.name: (r.width + 3) // 4 for r in chip.registers.values()},
        )
