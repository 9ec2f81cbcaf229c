"""Reading with evidence: which replies are believed, and why not.

A reply in good form proves little: a command damaged on its way is answered in good form too, with
another register's word, and a chip in another layout, or a stuck line, answers everything alike. So
a read is asked several times in one exchange, with a read whose answer is known between them, and
counts only if all of it fits together (`rules.repeats`, `rules.witness`) and the answer depends on the
question: the reply names its address, or another register reads otherwise. Evidence proves only what
was read around it: a line that is stuck over every repeat and comes back for the proof behind them
shows a false word in good form beside an intact proof.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import pairwise

from regmap.record import dataclass

from ..behaviour.effects import codes_shown
from ..behaviour.machine import Machine
from ..chip.bank import need_register
from ..chip.bits import deposit, extract, mask_of
from ..chip.model import Layout, Register
from ..errors import CallError
from ..frames.layouts import alternatives
from . import rules
from .exchange import NOISE_LASTS, Exchange
from .port import TransferLostError
from .trade import Ask, Trade

MOST_CONTRASTS = 8
MOST_BETWEEN = 16  # contrasts in one exchange


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterReading:
    """What a register was read as.

    grade   good    enough replies agree, in good form, with proof that the right chip answered
            single  one reply in good form; it cannot be read again without changing the chip
            lost    no word that could be believed; `why` says it, `seen` are the words that came
    """

    register: str
    word: int | None
    grade: str
    why: str = ""
    attempts: int = 1
    seen: tuple[int, ...] = ()

    @property
    def good(self) -> bool:
        return self.grade == "good"


class RegisterReader:
    """Reads registers through one exchange after another, until what comes back can be believed."""

    def __init__(self, exchange: Exchange) -> None:
        self.exchange = exchange
        self.chip, self.known = exchange.chip, exchange.known

    @property
    def machine(self) -> Machine:
        """What is believed of the chip; a new one after it was reset."""
        return self.exchange.machine

    def read(self, name: str) -> RegisterReading:
        """Read a register. Where reading it changes the chip it is read once and no more."""
        register = need_register(self.chip, name)
        if register.in_replies:
            return self._from_replies(register)
        if not register.readable:
            return RegisterReading(register=name, word=None, grade="lost", why="it is write-only")
        closed = rules.closed(self.chip, register, self.machine.bank)
        if closed:
            return RegisterReading(
                register=name, word=None, grade="lost", why=f"it can be reached only while {closed}"
            )
        dangers = rules.read_hazards(self.chip, register)
        elsewhere = self.unreachable(register)
        if elsewhere:
            return RegisterReading(register=name, word=None, grade="lost", why=elsewhere)
        tries = 1 if dangers else self.exchange.attempts
        if dangers and self.exchange.composer.conditional:
            self.find_layout()  # what reading changes is asked once, so in the layout that answers
        why, asked = "", False
        seen: list[int] = []
        reading: RegisterReading | None = None
        for attempt in range(1, tries + 1):
            if attempt > 1 and self.exchange.composer.conditional:
                self.find_layout()
            try:
                self.exchange.step_in()
                reading = self._read_once(register, attempt, once=bool(dangers))
                asked = True
            except TransferLostError as lost:
                why, asked = str(lost), asked or lost.may_have_run
                if dangers and lost.may_have_run:
                    break
                continue
            if reading.grade != "lost":
                break
            why = reading.why
            seen += reading.seen
        if reading is None or reading.grade == "lost":
            why = why or "no reply that could be believed"
            if dangers and asked:
                why += f"; not repeated, for {dangers[0]}"
                self.known.lost(f"what {name} held when it was read: {why}")
            reading = RegisterReading(
                register=name, word=None, grade="lost", why=why, attempts=tries, seen=tuple(seen)
            )
        self._take(register, reading)
        return reading

    def read_all(self, names: Sequence[str]) -> dict[str, RegisterReading]:
        """Read several registers, in one exchange as far as each may be read again and stands on this page.

        Each is believed by what stands around its own reads, as if it had been asked alone; whatever that
        exchange leaves in doubt is asked anew, register by register.
        """
        together = [r for r in map(partial(need_register, self.chip), names) if self._joins(r)]
        found = self._read_together(together) if len(together) > 1 else {}
        for register in together:
            if register.name in found:
                self._take(register, found[register.name])
        return {n: found[n] if n in found else self.read(n) for n in names}

    def _joins(self, register: Register) -> bool:
        """Whether reading it takes frames of this layout and page only, and changes nothing."""
        return (
            register.readable
            and not register.in_replies
            and not self.exchange.composer.acts(register)
            and not rules.closed(self.chip, register, self.machine.bank)
            and (
                not self.chip.page_select  # frames carry the page
                or register.page is None
                or self._page() == register.page
            )
        )

    def _read_together(self, registers: Sequence[Register]) -> dict[str, RegisterReading]:
        """The readings that one exchange of all these reads proves; none where anything in it was odd."""
        asks: list[Ask] = []
        parts: list[tuple[Register, int, int, list[int]]] = []
        page = next((r.page for r in registers if r.page is not None), None)
        for register in registers:
            layout = self._layout(register)
            if layout is None:
                continue
            begin = len(asks)
            looks, places = self.looks(register, self.exchange.repeats(layout), (), 0)
            asks += [*looks, *self.turn(register)[1]]
            parts.append((register, begin, len(asks), places))
        before = self.machine, self.exchange.port.generation
        try:
            self.exchange.step_in()
            trade = self.exchange.trade(asks, page)
        except TransferLostError:
            return {}
        # what was read before a reset or a restart is not what is held after it
        if trade.damage or self.exchange.mixed:
            return {}
        if before != (self.machine, self.exchange.port.generation):
            return {}
        found: dict[str, RegisterReading] = {}
        for register, begin, end, places in parts:
            part = trade.part(begin, end)
            reading = self.judge(part, register, places, 1, once=False)
            if not reading.good:
                return {}
            if self.depends(part, places):
                found[register.name] = reading
        return found

    def _from_replies(self, register: Register) -> RegisterReading:
        """A register that no command reads, as the replies to reads without effect show it."""

        def lost(why: str, seen: Sequence[int] = ()) -> RegisterReading:
            return RegisterReading(
                register=register.name, word=None, grade="lost", why=why, seen=tuple(seen)
            )

        if self.exchange.filler is None:
            return lost("replies show it, and no register can be read without effect")
        try:
            self.exchange.step_in()
            trade = self.exchange.trade([Ask("read", self.exchange.filler)] * 3)
        except TransferLostError as error:
            return lost(str(error))
        seen = []
        for index in range(3):
            answer = trade.clean(index)
            if answer is not None:
                codes = codes_shown(self.chip, answer)
                shown = [(f, codes[f.ref]) for f in register.fields if f.ref in codes]
                seen.append(sum(deposit(code, f.bits) for f, code in shown))
        if len(seen) < 3 or len(set(seen)) > 1:
            return lost("replies were damaged, or differ", seen)
        self.machine.bank.learn(register.name, seen[0], register.shows)
        return RegisterReading(register=register.name, word=seen[0], grade="good", seen=tuple(seen))

    def _take(self, register: Register, reading: RegisterReading) -> None:
        """Put a reading into what is known."""
        self.exchange.log(
            "reading",
            register=register.name,
            grade=reading.grade,
            word=None if reading.word is None else f"0x{reading.word:X}",
            **({"why": reading.why} if reading.why else {}),
        )
        if reading.word is None or reading.grade == "lost":
            return
        if not register.shows:
            return
        word = register.held(reading.word)
        self.machine.bank.learn_read(register.name, reading.word)
        if reading.grade == "good":
            self._kept(register, word)
            self.hold(register, "read")
        self._reset_shown(register, word)
        if self.exchange.composer.acts(register):
            self.machine.read(register)

    def hold(self, register: Register, how: str) -> None:
        """Note what a register is known to hold; a setting that no read shows is told as such."""
        bank = self.machine.bank
        known = bank.known.get(register.name, 0)
        for field in register.fields:
            if field.setting and field.mask & ~register.shows:
                seen = "as last written" if not field.mask & ~known else "not known"
                how += f"; {field.name} cannot be read: {seen}"
        self.known.holds(
            register.name, bank.words.get(register.name, 0) & known, how, self.exchange.time
        )

    def _reset_shown(self, register: Register, word: int) -> None:
        """A power-on flag in the register itself, for chips that show none in every reply."""
        flags = [
            f
            for f in self.chip.faults.values()
            if f.name in self.exchange.flags and f.register == register.name
        ]
        for fault in flags:
            field = register.field(fault.field)
            if field is not None:
                self.exchange.flag_is(extract(word, field.bits) == fault.code)

    def _page(self) -> int | None:
        """The page that the chip is on; its register is read where that is not known."""
        select = self.chip.page_select
        pager = self.chip.registers[select.partition(".")[0]]
        if self.machine.bank.code(select) is None and pager.readable:
            self.read(pager.name)
        return self.machine.bank.code(select)

    def unreachable(self, register: Register) -> str:
        """Why this register cannot be read without a write of the page select, where that is not allowed."""
        select = self.chip.page_select
        if not select or register.page is None or self.exchange.move_pages:
            return ""
        page = self._page()
        if page == register.page:
            return ""
        on = "an unknown page" if page is None else f"page {page}"
        return (
            f"it is on page {register.page} and the chip on {on}: {select} would have to be written"
        )

    def turn(self, register: Register, *, always: bool = False) -> tuple[list[Ask], list[Ask]]:
        """What goes before and after a frame to a register on a page: the page selected, confirmed, put back.

        Where the chip is on that page already nothing is written; what confirms it comes after.
        """
        select = self.chip.page_select
        if not select or register.page is None:
            return [], []
        field = self.chip.field(select)
        assert field is not None
        pager = self.chip.registers[field.register]
        confirm = [Ask("read", pager)] if pager.readable else []
        page = self._page()
        if page == register.page or not (always or self.exchange.move_pages):
            return [], confirm
        others = mask_of(
            tuple(b for f in pager.fields if f is not field and f.setting for b in f.bits)
        )
        if others & ~self.machine.bank.known.get(pager.name, 0):
            self.read(pager.name)  # so that its other settings are written back as they are
            unread = others & ~self.machine.bank.known.get(pager.name, 0) & ~pager.shows
            if unread:
                names = ", ".join(f.ref for f in pager.fields if f.mask & unread)
                raise CallError(
                    f"selecting the page writes {pager.name} as a whole, and what {names} holds "
                    f"cannot be read; write {pager.name} once with all its fields"
                )
        base = self.machine.bank.words.get(pager.name, pager.reset)
        there = [Ask("write", pager, rules.merge(base, field, register.page))]
        if page is None:
            self.known.note(
                f"{select} could not be read, so it was left as the last read needed it"
            )
            return there, confirm
        back = Ask("write", pager, rules.merge(base, field, page))
        return there, [*confirm, back, *confirm]

    def _read_once(self, register: Register, attempt: int, *, once: bool) -> RegisterReading:
        before, after = self.turn(register)
        layout = self._layout(register)
        if layout is None:
            return RegisterReading(
                register=register.name, word=None, grade="lost", why="the chip answers no reads"
            )
        count = 1 if once else self.exchange.repeats(layout)
        reading: RegisterReading | None = None
        # what reads like everything else that was asked is asked beside more questions
        plain = () if self._alone(register, layout) else (0,)
        for most in (2,) if once else (*plain, MOST_CONTRASTS):
            contrasts = [Ask("read", other) for other in self._contrasts(register, most)]
            if reading is not None and not contrasts:
                break
            first = [*before, *(self.exchange.proof() if once else [])]
            looks, places = self.looks(register, count, contrasts, len(first))
            trade = self.exchange.trade([*first, *looks, *after], register.page)
            reading = self.judge(trade, register, places, attempt, once=once)
            if reading.grade != "good" or once or self.depends(trade, places):
                return reading
        assert reading is not None
        return RegisterReading(
            register=register.name,
            word=None,
            grade="lost",
            why=f"whatever is asked reads 0x{reading.word or 0:X}: the answer does not depend on the question",
            attempts=attempt,
            seen=reading.seen,
        )

    def _alone(self, register: Register, layout: Layout) -> bool:
        """Whether nothing that is read beside it anyway could show that its answer depends on the question."""
        named = rules.names_address(layout, self.chip)
        return (
            register is self.exchange.filler
            and self.exchange.witness is None
            and not (named and rules.telling_address(layout, self.chip, register.address))
            and self.exchange.sentry is None
        )

    def _layout(self, register: Register) -> Layout | None:
        """How the chip's answer to a read is laid out; None where it shows no word."""
        layout = self.exchange.composer.codec.reply_layout(
            self.exchange.composer.codec.read(register, self.machine.bank)
        )
        return layout if layout is not None and layout.of_kind("data") is not None else None

    def looks(
        self, register: Register, count: int, contrasts: Sequence[Ask], at: int
    ) -> tuple[list[Ask], list[int]]:
        """Reads of a register with evidence between each and the next; and where, from `at`, it is read.

        What shows a reset comes last, so that one in between is seen too.
        """
        read = Ask("read", register)
        gaps = max(1, count - 1)
        between = [*self.exchange.evidence(), *contrasts[: max(3, MOST_BETWEEN // gaps)]]
        asks, places = [read], [at]
        if count == 1:
            asks += between
        for _ in range(count - 1):
            asks += [*between, read]
            places.append(at + len(asks) - 1)
        if self.exchange.sentry is not None and self.exchange.configured:
            asks.append(Ask("read", self.exchange.sentry))
        return asks, places

    def _contrasts(self, register: Register, most: int) -> list[Register]:
        """Other registers that may be read at any time, those first that are likely to read otherwise."""
        if not most:
            return []
        word = self.machine.bank.words.get(register.name, register.reset)
        usable = [
            r
            for r in rules.quiet(self.chip, self.machine.bank)
            if r not in (register, self.exchange.filler, self.exchange.sentry)
            and (r.page in (None, register.page) or rules.harmless_on_any_page(self.chip, r))
        ]
        usable.sort(key=lambda r: self.machine.bank.words.get(r.name, r.reset) == word)
        return usable[:most]

    def _beside(self, trade: Trade, places: Sequence[int]) -> list[int]:
        """The frames that say something of what was read at `places`: those between, if it was read again."""
        if len(places) > 1:
            return [i for i in range(places[0], places[-1]) if i not in places]
        return [i for i in range(len(trade.asks)) if i not in places]

    def depends(self, trade: Trade, places: Sequence[int]) -> bool:
        """Whether the answer at `places` depends on the question, or is the declared identity."""
        answer, asked = trade.clean(places[0]), trade.asks[places[0]].register
        if answer is None or asked is None:
            return False
        named = rules.names_address(answer.layout, self.chip)
        if named and rules.telling_address(answer.layout, self.chip, asked.address):
            return True
        if self.exchange.witness is not None and asked is self.exchange.witness[0]:
            return answer.data == self.exchange.witness[1]

        def tells(index: int) -> bool:
            other, about = trade.clean(index), trade.asks[index]
            if about.kind != "read" or about.register is None or other is None:
                return False
            # a constant reply may fit one address, and never two
            if named and about.register.address != asked.address:
                return True
            return about.register is not asked and other.data != answer.data

        # between each reading and the next, else two troubles with a pause for the evidence would do
        if len(places) > 1:
            return all(any(map(tells, range(a + 1, b))) for a, b in pairwise(places))
        return any(map(tells, self._beside(trade, places)))

    def judge(
        self, trade: Trade, register: Register, places: Sequence[int], attempt: int, *, once: bool
    ) -> RegisterReading:
        """Whether the replies to the frames at `places` can be believed."""

        def lost(why: str, seen: Sequence[int] = ()) -> RegisterReading:
            return RegisterReading(
                register=register.name,
                word=None,
                grade="lost",
                why=why,
                attempts=attempt,
                seen=tuple(seen),
            )

        answers = [trade.clean(i) for i in places]
        words = [a.data for a in answers if a is not None and a.data is not None]
        if trade.missed():
            return lost(trade.missed(), words)
        if len(words) < len(places):
            return lost(trade.damage[0] if trade.damage else "no reply", words)
        if len(set(words)) > 1:
            self.exchange.noise = NOISE_LASTS
            shown = ", ".join(f"0x{w:X}" for w in words)
            return lost(f"replies to the same read differ: {shown}", words)
        for index, ask in enumerate(trade.asks):
            if index in places or ask.kind != "read" or ask.register is None:
                continue
            fault = self.disproof(trade, index)
            if fault:
                return lost(fault, words)
        word = words[0]
        if once and not self.depends(trade, places):
            return lost(
                "whatever is asked reads the same: the answer does not depend on the question",
                words,
            )
        proven = self.exchange.witness is not None and any(
            trade.asks[i].kind == "read"
            and trade.asks[i].register is self.exchange.witness[0]
            and trade.clean(i) is not None
            for i in [*places, *self._beside(trade, places)]
        )
        raw = {w for w, s in zip(trade.raw, trade.sent, strict=True) if s.kind == "read"}
        if not proven and len(raw) == 1 and raw <= {0, (1 << trade.sent[0].bits) - 1}:
            return lost("every reply is the same, as from a line that nobody drives", words)
        layout = answers[0].layout if answers[0] is not None else None
        strong = layout is not None and rules.repeats(layout, self.chip) == 2
        if once and not (strong and proven):
            return RegisterReading(
                register=register.name,
                word=word,
                grade="single",
                why="read once only, because " + rules.read_hazards(self.chip, register)[0],
                attempts=attempt,
                seen=tuple(words),
            )
        return RegisterReading(
            register=register.name, word=word, grade="good", attempts=attempt, seen=tuple(words)
        )

    def disproof(self, trade: Trade, index: int) -> str:
        """Why a read beside the one in question speaks against it, or ""."""
        ask = trade.asks[index]
        assert ask.register is not None
        if index + trade.sent[index].frame.after >= len(trade.sent):
            return ""
        answer = trade.clean(index)
        if answer is None:
            return f"the read of {ask.register.name} beside it came back damaged"
        if (
            self.exchange.witness is not None
            and ask.register is self.exchange.witness[0]
            and answer.data != self.exchange.witness[1]
        ):
            return (
                f"{ask.register.name} reads 0x{answer.data or 0:X}, which is always "
                f"0x{self.exchange.witness[1]:X} in {self.chip.name}"
            )
        written = [
            a.word for a in trade.asks[:index] if a.kind == "write" and a.register is ask.register
        ]
        if ask.register is self.exchange.filler and answer.data is not None and not written:
            why = self._filler_changed(ask.register, answer.data)
            if why:
                return why
        if self.exchange.is_pager(ask.register) and answer.data is not None:
            return self._wrong_page(trade, ask.register, answer.data, written)
        return ""

    def _filler_changed(self, register: Register, read: int) -> str:
        """What the register read beside everything else says of a reset, or "" where nothing is wrong."""
        if self._kept(register, read):
            return ""
        held = self.known.word(register.name)
        if held is None or not (read ^ held) & register.read_back:
            return ""
        why = f"{register.name} reads 0x{read:X} but was known to hold 0x{held:X}"
        self.known.all_unknown(
            f"{why}: the chip was reset, or something else writes to it", self.exchange.time
        )
        return why

    def _kept(self, register: Register, word: int) -> bool:
        """Whether a register in doubt still holds what a reset would have taken away."""
        doubted, mask = self.known.doubted(register.name), register.read_back
        if (
            self.exchange.mixed
            or doubted is None
            or not (doubted ^ register.reset) & mask
            or (doubted ^ word) & mask
        ):
            return False
        self.known.no_reset()
        return True

    def _wrong_page(
        self, trade: Trade, pager: Register, read: int, written: list[int | None]
    ) -> str:
        """Whether the page register reads another page than this exchange needs."""
        if written:
            if read == written[-1]:
                return ""
            return f"{pager.name} refused the page word 0x{written[-1] or 0:X}"
        field = self.chip.field(self.chip.page_select)
        assert field is not None
        code = extract(read, field.bits)
        if trade.page in (None, code):
            return ""
        # one reply proves nothing: it is read as any other register before it is needed again
        self.machine.bank.forget(pager.name)
        why = "it read as another page than was believed"
        self.known.unknown(pager.name, why, self.exchange.time, (None, read))
        return f"the chip is on page {code}"

    def find_layout(self) -> bool:
        """Try the other frame layouts of the map with a harmless read; keep the one that answers."""
        probe = self.exchange.filler
        if probe is None:
            return False
        kept = self.machine.bank
        for bank in alternatives(self.chip, kept):
            self.machine.bank = bank
            self.exchange.in_step = False
            try:
                self.exchange.step_in()
                if self._read_once(probe, 1, once=False).good:
                    self.exchange.log(
                        "layout", frame=self.exchange.composer.codec.frame_in_force(bank).name
                    )
                    return True
            except TransferLostError:
                continue
        self.machine.bank = kept
        return False
