"""The simulated chip against the text of the bundled maps: what YAML says is turned into tables here, with
nothing of the library that behaves (`regmap.behaviour`); frames are made and read by the codec, which
`tests/frames` judges.

Each table row is one assertion: a word that is asked for over the SPI and what the map's text says that it
must be. What the twin does not show because only prose says it stands in `NOT_MODELLED`, with the reason.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

import regmap
from regmap.frames.codec import Codec, Sent, bursts, next_counters
from regmap.frames.words import build
from regmap.maps.load import load_map
from regmap.twin import Twin, gaps

DEVICES = Path(regmap.__file__).parents[1] / "devices"
#: map -> assertions that its text gives at least
LEAST = {
    "quoll16": 560,
    "quokka16": 490,
    "kowari16": 520,
    "numbat24": 1400,
    "bilby32": 455,
    "potoroo40": 380,
    "wombat24": 180,
}
#: (map, register or fault): why the twin does not show what the map says
NOT_MODELLED = {
    ("potoroo40", "LAST"): "what the last frame asked for is prose (summary:)",
    (
        "bilby32",
        "LIMIT",
    ): "that it takes effect once LIMIT_N holds the complement is prose (summary:)",
}
#: writes that open the configuration registers, read from `keys:` and `states:` by hand
OPENING = {
    "numbat24": [("KEY", 0x5A), ("KEY", 0xA5)],
    "bilby32": [("KEY", 0x3A), ("KEY", 0xC5), ("KEY", 0x77)],
}
CLOSING = {
    "numbat24": [("KEY", 0)],
    "bilby32": [("KEY", 0)],
    "quoll16": [("LOCK", 0x4B)],
    "quokka16": [("LOCK", 0x4B)],
    "kowari16": [("LOCK", 0x4B)],
    "wombat24": [("CONTROL", 0x8000)],
}
Row = tuple[str, int, int]  # what, as the map says, as the twin shows


# --- the map's text ------------------------------------------------------------------------------
def bit_list(given: Any) -> list[int]:
    if isinstance(given, list):
        return [b for item in given for b in bit_list(item)]
    if isinstance(given, int):
        return [given]
    high, _, low = str(given).partition("..")
    return list(range(int(high), int(low or high) - 1, -1))


def merged(base: Any, over: Any) -> Any:
    if isinstance(base, dict) and isinstance(over, dict):
        return {**base, **{k: merged(base.get(k), v) for k, v in over.items()}}
    return over


def text_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load((DEVICES / f"{name}.yaml").read_text(encoding="utf-8"))
    if "extends" in found:
        base = text_of(found["extends"].removesuffix(".yaml"))
        for path in found.get("without", []):
            keys = path.split(".")
            if len(keys) == 1 and keys[0] in base["registers"]:
                del base["registers"][keys[0]]
            elif len(keys) == 1:
                base.pop(keys[0], None)
            elif keys[0] in base["registers"]:
                del base["registers"][keys[0]]["fields"][keys[1]]
            else:
                del base[keys[0]][keys[1]]
        found = merged(base, found)
    return found


class Item:
    """A field as the text has it."""

    def __init__(self, name: str, register: dict[str, Any], text: dict[str, Any]) -> None:
        self.name = name
        self.bits = bit_list(text["bits"])
        self.access = text.get("access", register.get("access", "rw"))
        self.shows = "shows" in text
        self.options = text.get("options", {})
        self.power_up = text.get("power_up")
        self.mask = sum(1 << b for b in self.bits)

    def of(self, word: int) -> int:
        return int("".join(str(word >> b & 1) for b in self.bits), 2)

    def put(self, word: int, code: int) -> int:
        digits = f"{code:0{len(self.bits)}b}"
        return word & ~self.mask | sum(int(d) << b for d, b in zip(digits, self.bits, strict=True))

    def codes(self) -> list[int]:
        """All of a few, else what reaches every bit both ways."""
        count = len(self.bits)
        if count <= 3:
            return list(range(1 << count))
        top = (1 << count) - 1
        return [0, top, *(1 << n for n in range(count)), *(top ^ 1 << n for n in range(count))]

    def code(self, option: str) -> int:
        for codes, value in self.options.items():
            name = value.get("name", "") if isinstance(value, dict) else value
            if str(name) == option:
                return int(re.split(r"[,.]+", str(codes))[0])
        raise KeyError(option)

    def others(self, option: str) -> int:
        """A code that is not this option's."""
        return next(c for c in self.codes() if c != self.code(option))


class Text:
    def __init__(self, name: str) -> None:
        self.name = name
        self.text = text_of(name)
        self.registers: dict[str, dict[str, Any]] = self.text["registers"]
        self.fields = {
            r: [Item(n, register, f) for n, f in register["fields"].items()]
            for r, register in self.registers.items()
        }
        self.faults: dict[str, dict[str, Any]] = self.text["faults"]

    def item(self, ref: str) -> Item:
        register, _, name = ref.partition(".")
        return next(f for f in self.fields[register] if f.name == name)

    def mask(self, name: str, key: str) -> int:
        return int(self.registers[name].get(key, -1))

    def starts(self, name: str) -> int:
        """The word after power-up, before anything was read."""
        word = int(self.registers[name]["reset"])
        for item in self.fields[name]:
            if item.power_up is not None:
                word = item.put(word, item.power_up)
        return word

    def written(self, name: str, old: int, word: int, spent: set[str]) -> int:
        """What the register holds once `word` was written and took; one row a kind of access."""
        new = old
        for item in self.fields[name]:
            bits = item.mask & self.mask(name, "write_mask")
            if item.access in ("rw", "wo") or (item.access == "once" and item.name not in spent):
                new = new & ~bits | word & bits
            elif item.access == "w1c":
                new &= ~(word & bits)
            elif item.access == "w0c":
                new &= ~(bits & ~word)
            elif item.access == "sc":
                new &= ~bits
        return new

    def seen(self, name: str, words: dict[str, int]) -> int:
        """What a read shows."""
        register = self.registers[name]
        way = register.get("reads_as", "written")
        word = words[way] if way in self.registers else words[name]
        word = {"zero": 0, "inverted": ~word}.get(way, word)
        return word & self.mask(name, "read_mask")


# --- over the SPI ---------------------------------------------------------------------------------
class Asked:
    """A twin asked in whole frames, on the page that a register needs."""

    def __init__(self, text: Text, **options: Any) -> None:
        self.text = text
        self.chip = load_map(text.name)
        self.twin = Twin(self.chip, **options)
        self.codec = Codec(self.chip)
        self.counters: dict[str, dict[str, int]] = {}
        self.fetch = next(n for n in ("ID", "GATE", "PAGE") if n in self.chip.registers)

    def _send(self, sent: Sent) -> int:
        reply = 0
        for value, bits in bursts(sent.frame, sent.word):
            reply = reply << bits | self.twin.transfer([(value, bits)])[0]
        counters = next_counters(sent.frame.command, sent.parts)
        if counters:
            self.counters[sent.frame.name] = counters
        return reply

    def _make(self, name: str, word: int | None = None) -> Sent:
        bank, register = self.twin.machine.bank, self.chip.registers[name]
        given = self.counters.get(self.codec.frame_in_force(bank, register).name)
        if word is None:
            return self.codec.read(register, bank, given)
        return self.codec.write(register, word, bank, given)

    def _page(self, name: str) -> None:
        select = self.text.text.get("page_select", "")
        if select and "page" in self.text.registers[name]:
            self._send(self._make(select.partition(".")[0], self.text.registers[name]["page"]))

    def write(self, name: str, word: int) -> None:
        self._page(name)
        self._send(self._make(name, word))

    def read(self, name: str) -> int:
        self._page(name)
        sent = self._make(name)
        reply = self._send(sent)
        for _ in range(sent.frame.after):
            # what the answer comes with must change nothing: another register, read where that is harmless
            again = self._make(self.fetch) if sent.frame.name != "diag" else self._make("SUPPLY")
            reply = self._send(again)
        answer = self.codec.decode_reply(reply, sent, bank=self.twin.machine.bank)
        assert not answer.flaws, (name, answer.flaws)
        self.status = dict(answer.status)
        return answer.data or 0

    def field(self, ref: str) -> int:
        return self.text.item(ref).of(self.read(ref.partition(".")[0]))

    def command(self, name: str) -> None:
        self._send(self.codec.command(self.chip.commands[name], bank=self.twin.machine.bank))

    def open(self) -> None:
        for name, word in OPENING.get(self.text.name, ()):
            self.write(name, word)

    def close(self) -> None:
        for name, word in CLOSING.get(self.text.name, ()):
            self.write(name, word)

    def put(self, ref: str, code: int) -> None:
        """A field set, the rest of its register as it reads."""
        name = ref.partition(".")[0]
        self.write(name, self.text.item(ref).put(self.read(name), code))


def readable(text: Text, name: str) -> bool:
    """Whether it can be read at any time with nothing but frames of the usual layout."""
    return "frame" not in text.registers[name] and text.registers[name].get("access") != "wo"


# --- tables ----------------------------------------------------------------------------------------
def after_power_up(text: Text) -> Iterator[Row]:
    asked = Asked(text)
    words = {n: text.starts(n) for n in text.registers}
    for name in text.registers:
        if "frame" in text.registers[name]:
            continue
        shown = asked.read(name)
        for item in text.fields[name]:
            wanted = 0 if item.access == "wo" else item.of(text.seen(name, words))
            yield f"{name}.{item.name} after power-up", wanted, item.of(shown)


def measured(text: Text) -> Iterator[Row]:
    """Registers with a layout of their own, which a command opens."""
    names = [n for n, r in text.registers.items() if "frame" in r]
    if names:
        asked = Asked(text)
        asked.command("DIAG_ON")
        for name in names:
            for item in text.fields[name]:
                yield (
                    f"{name}.{item.name} in its layout",
                    item.of(text.starts(name)),
                    item.of(asked.read(name)),
                )
        asked.command("DIAG_OFF")
        for item in text.fields["GATE"]:
            yield (
                f"GATE.{item.name} in the layout before",
                item.of(text.starts("GATE")),
                item.of(asked.read("GATE")),
            )


def taken(text: Text, *, opened: bool) -> Iterator[Row]:
    """Each field written with codes that reach every bit both ways; what is shut away keeps its word."""
    asked = Asked(text)
    for fault in text.faults.values():
        if fault.get("normal_at_power_up"):
            asked.read(fault["at"].partition(".")[0])
    words = {n: asked.twin.machine.bank.words[n] for n in text.registers}
    if not opened:
        asked.close()
        for name, word in CLOSING.get(text.name, ()):
            words[name] = text.written(name, words[name], word, set())
    else:
        asked.open()
        for name, word in OPENING.get(text.name, ()):
            words[name] = text.written(name, words[name], word, set())
    moving = {f["at"].partition(".")[0] for f in text.faults.values()}
    select = text.text.get("page_select", "").partition(".")[0]
    for name, register in text.registers.items():
        shut = "writable" in register and not opened
        special = name in (
            select,
            *[n for n, _ in (*OPENING.get(text.name, ()), *CLOSING.get(text.name, ()))],
        )
        if not readable(text, name) or special or name in moving or name == "SAFETY":
            continue
        spent: set[str] = set()
        for item in text.fields[name]:
            for code in item.codes()[:: 1 if opened else 5]:
                word = item.put(words[name], code) & (1 << register.get("width", 64)) - 1
                asked.write(name, word)
                if not shut:
                    words[name] = text.written(name, words[name], word, spent)
                    spent |= {f.name for f in text.fields[name] if f.access == "once"}
                wanted = item.of(text.seen(name, words))
                yield (
                    f"{name}.{item.name} written {code:#x}{'' if opened else ', shut'}",
                    wanted,
                    item.of(asked.read(name)),
                )


def lost_with_power(text: Text) -> Iterator[Row]:
    asked = Asked(text)
    asked.open()
    for name, register in text.registers.items():
        if (
            readable(text, name)
            and name not in ("SAFETY", "PAGE", "LOCK")
            and register.get("access", "rw") == "rw"
        ):
            full = (1 << max(b for f in text.fields[name] for b in f.bits) + 1) - 1
            asked.write(name, ~text.starts(name) & full & sum(f.mask for f in text.fields[name]))
    asked.twin.disturb("no_power for 1 ms")
    asked.twin.wait(0.05)
    asked.counters.clear()
    words = {n: text.starts(n) for n in text.registers}
    for name in text.registers:
        if readable(text, name):
            shown = asked.read(name)
            for item in text.fields[name]:
                wanted = 0 if item.access == "wo" else item.of(text.seen(name, words))
                yield f"{name}.{item.name} after power was lost", wanted, item.of(shown)


def code_of(text: Text, fault: dict[str, Any]) -> int:
    return (
        text.item(fault["at"]).code(fault["is"])
        if isinstance(fault.get("is"), str)
        else int(fault.get("is", 1))
    )


def sums(text: Text, name: str) -> set[str]:
    """The faults that sum this one up, and those above."""
    found = {n for n, f in text.faults.items() if name in f.get("summary_of", [])}
    return found | {m for n in found for m in sums(text, n)}


def conditions(fault: dict[str, Any]) -> list[tuple[str, str]]:
    """(field, option): any of these masks the fault."""
    found = []
    for part in str(fault.get("masked_when", "")).split(" or "):
        if part:
            ref, _, option = part.partition(" == ")
            found.append((ref.strip(), option.strip()))
    return found


def clear(asked: Asked, text: Text, fault: dict[str, Any], way: str) -> None:
    ref = fault["at"]
    register = ref.partition(".")[0]
    if way == "read":
        asked.read(register)
    elif way == "write_1":
        asked.write(register, text.item(ref).mask)
    elif way == "write_0":
        others = sum(f.mask for f in text.fields[register]) & ~text.item(ref).mask
        asked.write(register, others)
    elif way == "condition":
        asked.read(register)
    elif "=" in way:
        target, _, option = way.partition(" = ")
        name = target.partition(".")[0]
        asked.write(name, text.item(target).put(0, text.item(target).code(option)))
    else:
        asked.command(way)


def raised(text: Text, name: str) -> Iterator[Row]:
    """A fault from its condition to its clearing, in each way that the map states."""
    fault = text.faults[name]
    ref, code = fault["at"], code_of(text, fault)
    fresh = fault.get("normal_at_power_up", False)
    for way in fault.get("cleared_by", ()):
        if way == "reset":
            continue
        asked = Asked(text)
        asked.open()
        for target, option in conditions(fault):
            asked.put(target, text.item(target).others(option))
        if not fresh:
            for other in text.faults.values():
                if other.get("normal_at_power_up"):
                    clear(asked, text, other, other["cleared_by"][0])
            yield f"{name} before anything", 0, int(asked.field(ref) == code)
            asked.twin.disturb(f"{name.lower()} for 900 ms")
            # 1 ms is longer than any detection time of the maps but a watchdog's window
            asked.twin.wait(0.6 if "watchdog.window" in fault.get("uses", ()) else 0.001)
        if "read" in fault["cleared_by"]:
            # a read shows it once while its condition is there, and again, since it is there
            yield f"{name} raised, read", code, asked.field(ref)
            if not fresh:
                yield f"{name} is there after it was read", code, asked.field(ref)
        else:
            yield f"{name} raised", code, asked.field(ref)
            for above in sorted(sums(text, name)):
                yield f"{above} sums {name} up", 1, asked.field(text.faults[above]["at"])
            yield from reply_status(text, asked, name)
            if not fresh:
                clear(asked, text, fault, way)
                yield f"{name} cannot be cleared by {way} while it is there", code, asked.field(ref)
        if not fresh:
            asked.twin.remove(name.lower())
        if fault.get("latched", True) and "read" not in fault["cleared_by"]:
            yield f"{name} is latched", code, asked.field(ref)
        clear(asked, text, fault, way)
        yield f"{name} cleared by {way}", 0, int(asked.field(ref) == code)
        if not fresh:
            for above in sorted(sums(text, name)):
                yield f"{above} gone with {name}", 0, asked.field(text.faults[above]["at"])
    for target, option in conditions(fault):
        asked = Asked(text)
        asked.open()
        for other, opened in conditions(fault):
            if other != target:
                asked.put(other, text.item(other).others(opened))
        asked.put(target, text.item(target).code(option))
        asked.twin.disturb(f"{name.lower()} for 600 ms")
        asked.twin.wait(0.5)
        yield f"{name} masked by {target} = {option}", 0, int(asked.field(ref) == code)


def neighbours(text: Text) -> Iterator[Row]:
    """Of several faults in one register, a write clears the one that it names and no other."""
    for register, fields in text.fields.items():
        here = {
            n: f
            for n, f in text.faults.items()
            if f["at"].partition(".")[0] == register and "summary_of" not in f
        }
        ways = {
            f.access for f in fields if f"{register}.{f.name}" in {x["at"] for x in here.values()}
        }
        if ways not in ({"w1c"}, {"w0c"}) or len(here) < 2:
            continue
        asked = Asked(text)
        asked.open()
        for fault in here.values():
            for target, option in conditions(fault):
                asked.put(target, text.item(target).others(option))
        for name, fault in here.items():
            if not fault.get("normal_at_power_up"):
                asked.twin.disturb(f"{name.lower()} for 700 ms")
        asked.twin.wait(0.9)
        left = dict(here)
        for name, fault in here.items():
            clear(asked, text, fault, "write_1" if ways == {"w1c"} else "write_0")
            del left[name]
            for other, says in here.items():
                yield (
                    f"{other} once {name} is cleared",
                    int(other in left),
                    int(asked.field(says["at"]) == code_of(text, says)),
                )


def reply_status(text: Text, asked: Asked, name: str) -> Iterator[Row]:
    """The status bits of every reply that tell of this fault or of its sums."""
    for frame in text.text["frames"].values():
        replies = (
            [frame["reply"]["parts"]]
            if "parts" in frame["reply"]
            else list(frame["reply"]["to"].values())
        )
        for part, says in replies[0].items():
            if says.get("fault") in {name, *sums(text, name)} and part in asked.status:
                yield f"reply bit {part} with {name}", 1, int(asked.status[part])


def provoked(text: Text) -> Iterator[Row]:
    """Faults that a bad frame raises, and no good one."""
    for name, fault in text.faults.items():
        for cause in fault.get("raised_by", ()):
            if cause in (
                "watchdog",
                "counter",
            ):  # `served` has the one, wombat24's second layout the other
                continue
            asked = Asked(text)
            if fault.get("cleared_by") != ["read"]:
                yield (
                    f"{name} before a bad frame",
                    0,
                    int(asked.field(fault["at"]) == code_of(text, fault)),
                )
            if cause == "locked_write":
                locked = next(n for n, r in text.registers.items() if "writable" in r)
                asked.write(locked, 0)
            else:
                sent = asked._make(asked.fetch)
                if cause == "address":
                    used = {r["address"] for r in text.registers.values()}
                    free = next(a for a in range(64) if a not in used)
                    parts = {**sent.parts, "address": free}
                    parts.pop("crc", None)
                    asked.twin.transfer(bursts(sent.frame, build(sent.frame.command, parts)))
                elif cause == "check_bits":
                    last = max(
                        n
                        for n, p in enumerate(sent.frame.command.parts)
                        if p.kind in ("parity", "crc")
                    )
                    bit = sent.frame.command.parts[last].bits[0]
                    asked.twin.transfer(bursts(sent.frame, sent.word ^ 1 << bit))
                else:
                    pieces = bursts(sent.frame, sent.word)
                    value, bits = pieces[-1]
                    asked.twin.transfer([*pieces[:-1], (value >> 1, bits - 1)])
            yield f"{name} raised by {cause}", code_of(text, fault), asked.field(fault["at"])


def served(text: Text) -> Iterator[Row]:
    """The watchdog's windows: served too early, in time, too late. `watchdog:` names what serves it."""
    serve, enable = text.text.get("watchdog", ""), "WATCHDOG.ENABLE"
    if not serve:
        return
    register, key = serve.partition(".")[0], text.item(serve).code("serve")
    fault = text.faults["WD"]
    share = {"quoll16": 0.5, "numbat24": 0.0, "bilby32": 0.0}[text.name]
    window = text.item("WATCHDOG.WINDOW")
    for codes, length in window.options.items():
        seconds = float(str(length).removesuffix(" ms")) / 1e3
        for when, wanted in ((0.75, 0), (1.25, 1), *([(0.25, 1)] if share else [])):
            asked = Asked(text)
            asked.open()
            code = int(re.split(r"[,.]+", str(codes))[0])
            asked.write("WATCHDOG", window.put(text.item(enable).put(0, 1), code))
            asked.twin.wait(seconds * when)
            asked.write(register, text.item(serve).put(0, key))
            found = int(asked.field(fault["at"]) == code_of(text, fault))
            yield f"watchdog of {length} served after {when:g} of it", wanted, found


def rows(name: str) -> list[Row]:
    text = Text(name)
    found = [
        *after_power_up(text),
        *measured(text),
        *taken(text, opened=True),
        *taken(text, opened=False),
    ]
    found += [*lost_with_power(text), *provoked(text), *served(text), *neighbours(text)]
    for fault, says in text.faults.items():
        if "summary_of" not in says:
            found += raised(text, fault)
    return found


@pytest.mark.parametrize("name", LEAST)
@pytest.mark.one_in(3)
def test_the_twin_does_what_the_map_says(name: str) -> None:
    found = rows(name)
    assert [
        f"{what}: the map says {wanted:#x}, the twin shows {shown:#x}"
        for what, wanted, shown in found
        if wanted != shown
    ] == []
    assert len(found) >= LEAST[name], len(found)


def test_there_are_enough_assertions() -> None:
    assert sum(LEAST.values()) >= 2500


def test_what_is_left_out_is_prose() -> None:
    """And the twin says in general that prose is not simulated."""
    for (name, register), why in NOT_MODELLED.items():
        assert "prose" in why
        assert register in Text(name).registers
        assert gaps(load_map(name))
