"""What a typed line means, and what it could become: asked at every key, changes nothing."""

from __future__ import annotations

import re
import shlex

from regmap import formerly
from regmap.behaviour.faults import status_registers
from regmap.calc.verdict import WORDS as VERDICTS
from regmap.chip.bank import find, full_name, register_word, unknown
from regmap.draft import Draft, Hit, Index, Preview, label_of, parse_raw
from regmap.errors import CallError, GatewordError, closest
from regmap.record import replace

from ..completing.files import CAPTURES, entries
from ..context import hexword
from . import opened, sheets
from .vocabulary import FOLLOWS, LEAVES, MODE_WORDS, TAKES_NAME, WORDS, Meant, Offer

_ASSIGN = re.compile(r"([A-Za-z_][\w]*(?:\.[A-Za-z_]\w*)*)\s*=(?!=)\s*(.*)", re.DOTALL)
_NUMBERLIKE = re.compile(r"[\d+\-.<>]|at (least|most)\b")
_OFFERS = 40
_DOES = {
    "go": "goes to",
    "sweep": "sweeps every option of",
    "options": "lists the options of",
    "reset": "drops from the stage, back to its reset value,",
    "send": "asks, before it writes the register of",
}


class Meaning:
    """Reads lines against a draft. `at` is the name chosen: a register, a field or a value."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.chip = draft.chip
        self.index = Index(self.chip)
        #: the modes of the stage, by name
        self.modes: tuple[str, ...] = ()
        self.can_accept = False
        #: the verdict that was opened last, whose margin a change is told by
        self.opened_verdict = ""
        #: how one gets at what else fits
        self.chooses = "Down chooses"
        names = draft.names()
        self.at = names[0] if names else next(iter(self.chip.registers))

    # --- names --------------------------------------------------------------------------------
    def resolve(self, text: str) -> str:
        """The full name of a register, field, value or fault. Raises CallError with the nearest."""
        chip = self.chip
        here = self.at.partition(".")[0]
        beside = full_name(chip, f"{here}.{text}")
        # a field beside what is chosen before one of that name elsewhere
        whole = text in chip.registers or find(chip, text) is not None
        meant = beside if not whole and find(chip, beside) is not None else full_name(chip, text)
        if meant in chip.registers or find(chip, meant) is not None:
            return meant
        if text in chip.faults:
            return chip.faults[text].ref
        raise unknown(chip, text)

    def resolve_loosely(self, text: str) -> str:
        """As `resolve`; a part of a name will do where only one setting has it."""
        try:
            return self.resolve(text)
        except CallError as error:
            near = [h.target for h in self.index.find(text) if h.kind == "setting" and h.rank <= 2]
            if len(near) == 1:
                return near[0]
            if near:
                raise CallError(
                    f"{text!r} could be {', '.join(near[:4])}{', ...' if len(near) > 4 else ''}"
                ) from None
            raise error from None

    def expand(self, line: str) -> str:
        """The line with its first word written out, where two letters or more leave only one word."""
        word, space, rest = line.partition(" ")
        if word in LEAVES:
            return "leave" + space + rest
        if word in formerly.COMPOSER:
            return formerly.COMPOSER[word] + space + rest
        if len(word) < 2 or word in WORDS or not word.isalpha():
            return line
        found = [w for w in WORDS if w.startswith(word) and (self.modes or w not in MODE_WORDS)]
        if (
            len(found) != 1
            or any(h.rank <= 1 for h in self.index.find(word))
            or self._is_option(word)
        ):
            return line
        return found[0] + space + rest

    def settable(self, name: str) -> bool:
        return sheets.settable(self.chip, name)

    def need_setting(self, text: str) -> str:
        name = self.resolve_loosely(text) if text else self.at
        if not self.settable(name):
            raise CallError(f"{name} holds no setting; choose a field that does, or name one")
        return name

    # --- what a line means ----------------------------------------------------------------------
    def mean(self, text: str) -> Meant:
        """What entering this line would do; cheap enough to ask at every key. Never raises."""
        line = text.strip()
        if not line:
            return Meant("nothing")
        try:
            return self._mean(self.expand(line))
        except GatewordError as error:
            return Meant("refused", str(error))

    def _mean(self, line: str) -> Meant:
        word, _, rest = line.partition(" ")
        if line == "?":
            return Meant("word", "enter tells where you are and what can be done", value="help")
        if word in WORDS and word != "set":
            return self._mean_word(word, rest.strip())
        if word == "set":
            name, _, value = rest.strip().partition(" ")
            if not value.strip() and "." in name and self.draft.is_input(name):
                return self._mean_input(name, "")
            if not value.strip():
                return Meant("refused", f"{WORDS['set'].usage}: {WORDS['set'].text}")
            value = value.strip().removeprefix("=").strip()
            if self.draft.is_input(name):
                return self._mean_input(name, value)
            return self._mean_set(self.need_setting(name), value)
        if line.startswith("="):
            return self._mean_set(self.need_setting(""), line[1:].strip())
        assigned = _ASSIGN.fullmatch(line)
        if assigned:
            return self._mean_assigned(line, assigned[1], assigned[2].strip())
        pair = self._named(word, rest.strip())
        if pair is not None:
            return pair
        return self._mean_bare(line)

    def _mean_word(self, word: str, rest: str) -> Meant:
        known = WORDS[word]
        if word == "why" and rest:
            verdict = opened.verdict_named(self.draft, rest)
            return Meant("word", f"enter opens {verdict.check}: {verdict.title}", value=word)
        if word in ("go", "reset") and rest and self.draft.is_input(rest):
            value = self.draft.input_name(rest)
            if word == "go":
                return Meant(
                    "word", f"enter shows {value} of the stage", value="inputs", name=value
                )
            return Meant("word", f"enter puts {value} back to what the stage file says", value=word)
        if word in TAKES_NAME and rest:
            name = self.resolve_loosely(rest.removesuffix(" now") if word == "send" else rest)
            return Meant("word", f"enter {_DOES[word]} {name}", name=name, value=word)
        if word == "accept" and not self.can_accept:
            return Meant(
                "refused",
                "there is nothing to accept; paste, compare and propose show something first",
            )
        if word == "in" and rest:
            mode, _, line = rest.partition(" ")
            if mode not in (*self.modes, "next"):
                near = closest(mode, self.modes)
                raise CallError(f"no mode {mode[:40]!r}", ", ".join(self.modes), nearest=near)
            told = f"does `{line.strip()}` in" if line.strip() else "edits"
            return Meant("word", f"enter {told} mode {mode}", value=word)
        if word == "find" and rest:
            return self._mean_find(rest)
        extra = (
            f" ({', '.join(n for n, _ in FOLLOWS[word])})" if word in FOLLOWS and not rest else ""
        )
        return Meant("word", f"enter: {known.usage} - {known.text}{extra}", value=word)

    def _mean_assigned(self, line: str, left: str, value: str) -> Meant:
        if self.draft.is_input(left):
            return self._mean_input(left, value)
        name = self.resolve(left)
        if name in self.chip.registers:
            words = self.words_of([line])
            if name in status_registers(self.chip):
                return Meant(
                    "explain", f"enter explains what {name} = {value} says", name=name, value=line
                )
            return Meant(
                "paste",
                f"enter shows what {name} = {hexword(words[name], self.chip.registers[name].width)} would change",
                name=name,
                value=line,
            )
        if not value:
            return Meant("refused", f"{name} = what? {self.chooses}", name=name)
        return self._mean_set(self.need_setting(name), value)

    def _named(self, word: str, rest: str) -> Meant | None:
        """`NAME` alone, or `NAME VALUE`."""
        if "." in word and self.draft.is_input(word):
            if rest:
                return self._mean_input(word, rest)
            name = self.draft.input_name(word)
            return Meant("word", f"enter shows {name} of the stage", value="inputs", name=name)
        try:
            name = self.resolve(word) if not word[0].isdigit() else ""
        except CallError:
            return None
        if not name:
            return None
        if not rest:
            if self._is_option(word):
                return None
            return Meant("go", f"enter goes to {name}", name=name)
        return self._mean_set(name, rest) if self.settable(name) else None

    def _is_option(self, text: str) -> bool:
        if not self.settable(self.at):
            return False
        try:
            self.draft.choose(self.at, text)
        except CallError:
            return False
        return True

    def _mean_input(self, name: str, value: str) -> Meant:
        if not value:
            name = self.draft.input_name(name)
            return Meant(
                "refused",
                f"set {name} to what? it is {self.draft.value_text(name)}; type the new value, its effect is shown before Enter accepts it",
            )
        seen = self.draft.consider_input(name, value)
        return Meant("set", opened.describe_input(seen, self.opened_verdict), name, value)

    def _mean_set(self, name: str, value: str) -> Meant:
        seen = self.draft.consider(name, value)
        return Meant("set", self.describe(seen), name, value, seen)

    def describe(self, seen: Preview) -> str:
        """A considered value in a sentence: what, its code, what was asked, what turns."""
        text = f"enter sets {seen.name} to {label_of(seen.reading)}, code {seen.choice.code}"
        if seen.choice.told:
            text += f" ({seen.choice.told})"
        if not seen.reading.defined:
            text += ", which the map does not define"
        text += opened.turning(seen.effects, self.opened_verdict)
        if seen.broken:
            already = seen.broken[0] in self.draft.broken_rules()
            text += f"; rule {seen.broken[0].name} {'stays' if already else 'is then'} BROKEN: {seen.broken[0].because}"
        return "; ".join((text, *seen.notes))

    def _mean_bare(self, line: str) -> Meant:
        reason = ""
        numeric = bool(_NUMBERLIKE.match(line))
        if self.settable(self.at):
            try:
                return self._mean_set(self.at, line)
            except CallError as error:
                reason = str(error)
        elif numeric and self.status_here():
            return Meant(
                "explain",
                f"enter explains what {self.status_here()} = {line} says",
                self.status_here(),
                f"{self.status_here()}={line}",
            )
        if numeric:
            raw = self._mean_raw(line)
            return raw or Meant(
                "refused", reason or f"{line!r} is no name, and {self.at} holds no setting"
            )
        found = self._mean_find(line)
        near = closest(line.split()[0], WORDS) if len(line.split()[0]) > 2 else ""
        if found.kind == "find":
            only_meant = near and found.hits[0].rank > 2
            return (
                replace(found, text=f"{found.text}; or did you mean the word `{near}`?")
                if only_meant
                else found
            )
        tail = f"; did you mean the word `{near}`?" if near else ""
        return Meant("refused", (reason or found.text) + tail)

    def status_here(self) -> str:
        """The status register that the chosen name is in, or nothing."""
        register = self.at.partition(".")[0]
        return register if register in status_registers(self.chip) else ""

    def _mean_raw(self, line: str) -> Meant | None:
        """A frame pasted without a word before it, when it is too long for the chosen field."""
        item = find(self.chip, self.at)
        several = line.split()
        if len(several) > 1 and all(t[:2].lower() == "0x" for t in several):
            try:
                for text in several:
                    parse_raw(text)
            except CallError as error:
                return Meant("refused", str(error))
            return Meant(
                "paste", f"enter takes {len(several)} frames apart; nothing changes yet", value=line
            )
        try:
            word = parse_raw(line) if line[:2].lower() in ("0x", "0b") else -1
        except CallError:
            return None
        if (
            word < 0
            or (item is not None and not word >> item.width)
            or word >> max(f.length for f in self.chip.frames.values())
        ):
            return None
        return Meant(
            "paste", f"enter takes the frame {line} apart; nothing changes yet", value=line
        )

    def _mean_find(self, text: str) -> Meant:
        hits = tuple(self.index.find(text))
        if not hits:
            return Meant("refused", f"nothing is called {text!r} or speaks of it")
        first = hits[0]
        more = f"; {len(hits) - 1} more: {self.chooses}" if len(hits) > 1 else ""
        return Meant(
            "find",
            f"enter goes to {first.target} ({first.text or first.kind}){more}",
            first.target,
            text,
            hits=hits,
        )

    # --- what could be typed --------------------------------------------------------------------
    def offers(self, text: str) -> list[Offer]:
        """What a line may become, best first, with meanings and physical values."""
        line = text.lstrip()
        word, space, rest = line.partition(" ")
        found: list[Offer] = []
        if space and word == "compare":
            found += [
                Offer(path, "a file", f"compare {shlex.quote(path)}")
                for path in entries(rest.strip(), (*CAPTURES, ".yaml", ".json"))
                if not path.endswith("/")
            ]
        if space and word in FOLLOWS:
            found += [
                Offer(n, t, f"{word} {n}") for n, t in FOLLOWS[word] if n.startswith(rest.strip())
            ]
        if space and word == "in" and " " not in rest:
            found += [
                Offer(n, "a mode of the stage", f"in {n}") for n in self.modes if n.startswith(rest)
            ]
        if space and word == "why":
            return self._verdict_offers(rest)
        if space and word == "inputs":
            return self._input_offers(rest, "type set {} ")
        if space and word in TAKES_NAME:
            name, inner, value = rest.partition(" ")
            if word == "set" and inner:
                return self._option_offers(name, value)
            if word == "set" and self.draft.is_input(name.partition(".")[0] + "."):
                found += self._input_offers(name, "type set {} ")
            return found + [
                Offer(h.target, h.text, f"{word} {h.target}", h.target)
                for h in self._settings_like(rest)
            ]
        if space and word in WORDS:
            return found[:_OFFERS]
        assigned = _ASSIGN.fullmatch(line)
        if assigned and "." in assigned[1]:
            return self._option_offers(assigned[1], assigned[2])
        if space:
            options = self._option_offers(word, rest)
            if options:
                return options
        if self.settable(self.at) and line:
            found += self._option_offers(self.at, line)
        found += [
            Offer(w.usage, w.text, w.name)
            for w in WORDS.values()
            if line and w.name.startswith(line) and (self.modes or w.name not in MODE_WORDS)
        ]
        found += [
            Offer(
                h.name,
                h.text if h.kind == "setting" else f"{h.kind}: {h.text}",
                f"go {h.target}",
                h.target,
            )
            for h in self.index.find(line)[:_OFFERS]
        ]
        return found[:_OFFERS]

    def _verdict_offers(self, text: str) -> list[Offer]:
        wanted = text.strip().casefold()
        return [
            Offer(v.check, f"{VERDICTS[v.status]} {sheets.share(v)}  {v.title}", f"why {v.check}")
            for v in self.draft.assess().verdicts
            if wanted in v.check.casefold() or wanted in v.title.casefold()
        ][:_OFFERS]

    def _input_offers(self, text: str, action: str) -> list[Offer]:
        wanted = text.strip().casefold()
        return [
            Offer(n, self.draft.value_text(n), action.format(n))
            for n in self.draft.stage.params
            if wanted in n.casefold()
        ][:_OFFERS]

    def _settings_like(self, text: str) -> list[Hit]:
        hits = self.index.find(text) if text.strip() else []
        if not text.strip():
            return [
                Hit("setting", n, str(getattr(find(self.chip, n), "summary", "")), n)
                for n in self.draft.names()[:_OFFERS]
            ]
        return [h for h in hits if h.kind in ("setting", "register")][:_OFFERS]

    def _option_offers(self, name: str, text: str) -> list[Offer]:
        try:
            full = self.resolve(name)
        except CallError:
            return []
        if not self.settable(full):
            return []
        wanted = text.strip().casefold().replace(" ", "")
        found = []
        for reading in self.draft.options(full, 1024):
            label = label_of(reading)
            if wanted in label.casefold().replace(" ", "") or (
                reading.name and wanted in reading.name.casefold()
            ):
                meaning = "  ".join(
                    t for t in (sheets.band_text(reading), sheets.note_text(reading)) if t
                )
                found.append(
                    (
                        not label.casefold().replace(" ", "").startswith(wanted),
                        Offer(
                            label,
                            meaning or f"code {reading.code}",
                            f"set {full} 0x{reading.code:X}",
                            full,
                        ),
                    )
                )
        return [offer for _, offer in sorted(found, key=lambda f: f[0])][:_OFFERS]

    def frames_in(self, texts: list[str]) -> list[str]:
        """The frames that were pasted: each with 0x, or hex of a frame's digits; else all of it is one."""
        if all(t[:2].lower() == "0x" for t in texts):
            return texts
        digits = {(f.length + 3) // 4 for f in self.chip.frames.values()}
        if len(texts) > 1 and all(len(t.removeprefix("0x")) in digits for t in texts):
            return texts
        return [" ".join(texts)]

    def words_of(self, texts: list[str]) -> dict[str, int]:
        """REG=WORD texts as register words. Raises CallError."""
        words: dict[str, int] = {}
        for text in texts:
            left, equals, right = text.replace(" ", "").partition("=")
            full = f"{self.resolve(left)}={right}" if equals and right else text
            words.update([register_word(self.chip, full)])
        return words
