"""A chip on a port beside the draft: what it holds is read, and one register at a time is written, once answered yes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from regmap.behaviour.hazards import hazards
from regmap.cautions import FIRST_WRITE
from regmap.draft import Draft, registers_of, write_of
from regmap.errors import CallError, LinkError
from regmap.quantity import many

from ..context import columns, hexword
from .vocabulary import Outcome, Question, Row, Sheet

if TYPE_CHECKING:
    from regmap.link.look import Checked
    from regmap.link.session import Link


class OnChip:
    """`found` are the words last read, register by register: only those of which every setting was seen."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.port = ""
        self.found: dict[str, int] = {}
        self._link: Link | None = None
        #: the write that was asked about: the answer holds for no other
        self._asked: tuple[str, int] | None = None
        self._wrote = False

    # --- the port ---------------------------------------------------------------------------------
    def connect(self, rest: str) -> Outcome:
        """Open a port and find out whether the chip of the map answers there; nothing is written."""
        from regmap.link.look import identify
        from regmap.link.port import AdapterPort
        from regmap.link.session import Link
        from regmap.wire.ports import Reopener

        name = rest.strip()
        if not name:
            raise CallError(
                "connect to what? a serial port, the path that `gateword twin` prints, or socket://HOST:PORT"
            )
        self.close()
        chip, stage = self.draft.chip, self.draft.stage
        port = AdapterPort(Reopener(name), chip.spi, name=name, reconnect=1.0)
        port.open()
        link = Link(chip, port, chips=stage.chain, position=stage.position)
        try:
            who = identify(link)
            if not who.ok:
                raise LinkError(who.text)
        except BaseException:
            port.close()
            raise
        self._link, self.port = link, name
        return Outcome(f"{who.text}; `live` shows what it holds beside the draft", "good")

    def close(self) -> list[str]:
        """Let go of the port; what is known of the chip where something was written to it."""
        if self._link is None:
            return []
        link, self._link, self._asked = self._link, None, None
        told = link.account().lines() if self._wrote else []
        self._wrote = False
        link.port.close()
        return list(told)

    def disconnect(self) -> Outcome:
        if self._link is None:
            raise CallError("no chip is connected")
        lines = self.close()
        rows = tuple(Row(line) for line in lines)
        return Outcome(
            f"{self.port} is let go",
            sheet=Sheet("what is known of the chip", rows) if rows else None,
        )

    @property
    def _there(self) -> Link:
        if self._link is None:
            raise CallError("no chip is connected; `connect PORT` reads one beside the draft")
        return self._link

    # --- looking ----------------------------------------------------------------------------------
    def beside(self, rest: str = "") -> Sheet:
        """Read every register with settings; what differs from the draft, and what cannot be told.

        With `pages` the field that selects a page is written to read those on others, and put back.
        """
        from regmap.link.look import unverifiable, verify

        link = self._there
        if rest not in ("", "pages"):
            raise CallError(f"live {rest[:20]}? expected `live` or `live pages`")
        link.move_pages = rest == "pages"
        try:
            checked = verify(link, self.draft.bank)
        finally:
            link.move_pages = False
        self.found = {}
        for item in checked:
            word = item.reading.word
            if item.reading.good and word is not None and not item.unseen:
                self.found[item.register] = link.chip.registers[item.register].held(word)
        differing = [change for item in checked for change in item.changes]
        table = [["setting", "the chip", "", "draft"]]
        acts = [""]
        for change in differing:
            old = change.old.label if change.old is not None else "not known"
            new = change.new.label if change.new is not None else "not known"
            table.append([change.field.ref, old, "->", new])
            acts.append(f"send {change.field.ref}")
        rows = [Row(t, a, "" if a else "dim") for t, a in zip(columns(table), acts, strict=True)]
        if not differing:
            rows = [Row("No setting that can be read differs.")]
        rows += _not_seen(checked, unverifiable(link.chip))
        away = [item for item in checked if not item.reading.good]
        if any(link.unreachable(link.chip.registers[item.register]) for item in away):
            select = link.chip.page_select
            rows.append(
                Row(f"`live pages` writes {select} to read those, and puts it back", "live pages")
            )
        if differing and self.found:
            rows.append(Row("`accept` puts what the chip holds into the draft", "accept", "mark"))
        same = sum(item.ok for item in checked)
        return Sheet(
            f"{link.chip.name} on {self.port} beside the draft: {len(differing)} differ, "
            f"{many(same, 'register')} as in the draft",
            tuple(rows),
            "asks before it writes that register",
        )

    # --- writing ----------------------------------------------------------------------------------
    def send(self, name: str, *, now: bool) -> Outcome:
        """Ask about writing the register of `name` as the draft has it; with `now` do what was asked about."""
        from regmap.link.look import verify
        from regmap.link.script import words_for

        link = self._there
        names = registers_of(link.chip, name)
        if len(names) != 1:
            raise CallError(
                f"{name} is in {len(names)} registers; choose one of {', '.join(names)}"
                if names
                else f"{name} is in no register; choose one that is"
            )
        register = link.chip.registers[names[0]]
        made = write_of(self.draft, register.name)
        if made.sent is None:
            raise CallError(made.trouble)
        request = f"{register.name} = {hexword(made.word, register.width)}"
        [(_, word)] = [w for w in words_for(link, [request]) if w[0] == register.name]
        if now and self._asked == (register.name, word):
            return self._write(link, register.name, word)
        checked = verify(link, self.draft.bank, [register])
        told = [str(change) for item in checked for change in item.changes]
        told += [f"not known before: {i.reading.why}" for i in checked if not i.reading.good]
        if not told:
            told = ["nothing that can be read changes" if checked else "it cannot be read back"]
        cautions = [f"caution: {text}" for text in hazards(register, word)]
        first = [] if self._wrote else [FIRST_WRITE]
        self._asked = register.name, word
        return Outcome(
            question=Question(
                " ".join(
                    [
                        *first,
                        *(f"{t}." for t in cautions),
                        f"Write {request} to {self.port}?",
                        "; ".join(told),
                    ]
                ),
                (
                    ("y", f"send {register.name} now", "write it, and read it back"),
                    ("n", "", "no; the chip is left as it is"),
                ),
            )
        )

    def _write(self, link: Link, name: str, word: int) -> Outcome:
        self._asked = None
        self._wrote = True
        link.move_pages = True
        done = link.write(name, word)
        link.move_pages = False
        why = f": {done.why}" if done.why else ""
        return Outcome(f"{done.result}: {done.what}{why}", "good" if done.good else "bad")


def _not_seen(checked: tuple[Checked, ...], hidden: list[str]) -> list[Row]:
    """What the chip holds there is not known, and why."""
    rows = [
        Row(f"{item.register}: not known: {item.reading.why}", mark="warn")
        for item in checked
        if not item.reading.good
    ]
    if hidden:
        rows.append(Row(f"cannot be read back: {', '.join(hidden)}", mark="dim"))
    return rows
