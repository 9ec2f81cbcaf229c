"""Wiring and framing mistakes under a link: what `identify` and a look at its words say of each.

The judge is that of tests/trace (edges, wires, mistakes); only what a link can have is asked: mistakes of probes and
of the second half of a long log are none of it. All chips and mistakes: GATEWORD_EVERY_CAPTURE=1.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from regmap.chip.bank import Bank
from regmap.errors import LinkError
from regmap.frames.codec import Codec
from regmap.frames.words import GUARDS
from regmap.link.detours import DETOURS, By
from regmap.link.look import identify
from regmap.link.session import Link
from regmap.link.trade import Direct
from regmap.maps.load import bundled, load_map, maps_around
from regmap.trace.findings.pairs import diagnose_frames

CHIPS = ("bilby32", "numbat24", "potoroo40", "quoll16", "wombat24", "quokka16", "kowari16")
#: those whose commands carry a checksum
CHECKED = ("bilby32", "numbat24", "potoroo40")
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
#: findings that accuse nobody in particular
GENERAL = {"fit", "replies", "glitch", "clocks", "silent", "dead"}
#: what a set-up that was tried and answered says, by mistake
TRIED = {
    "other clock phase": "with SPI mode",
    "other clock polarity": "with SPI mode",
    "other phase and polarity": "with SPI mode",
    "bit order": "with the bits of commands in the other order",
    "byte order": "with the bytes of commands in the other order",
    "command inverted": "with commands inverted",
    "command one clock late": "with commands 1 clock late",
    "command two clocks late": "with commands 2 clocks late",
    "command one clock early": "with commands 1 clock early",
    "command three clocks early": "with commands 3 clocks early",
}
#: they begin when the link has long been believed, or are what a probe does
NOT_HERE = {
    "reply line dies high", "reply line dies low", "reply line open for a while", "read in a wrong mode",
    "select after each byte", "select tied",
}  # fmt: skip


def _wired() -> ModuleType:
    if "wired" not in sys.modules:
        spec = importlib.util.spec_from_file_location("wired", Path(__file__).with_name("wired.py"))
        assert spec
        assert spec.loader
        sys.modules["wired"] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules["wired"])
    return sys.modules["wired"]


wired = _wired()
mistakes = wired.beside("mistakes")


def can_be(wrong: Any) -> bool:
    """Whether a link can have this mistake."""
    return not (wrong is None or wrong.probe is not None or wrong.sample or wrong.merge > 1)


def judged(name: str, chip_name: str) -> str:
    """named, commands (told that they do not arrive as sent, not what becomes of them), partly, silent, falsely accused.

    "" where the chip cannot have it or it does not show.
    """
    case, chip = mistakes.CASES[name], load_map(chip_name)
    wrong = case.make(chip)
    if name in NOT_HERE or not can_be(wrong):
        return ""
    other = "wombat24" if chip_name == "numbat24" else "numbat24"
    asked = load_map(other) if "map" in case.how else chip
    port = wired.WiredPort(chip, wrong)
    found = identify(Link(asked, port))
    if found.ok:
        # believed: then it is right, and the mistake does not show
        [reading] = found.readings
        return "" if reading.word in port.held[reading.register] else "silent"
    wanted = case.words or case.names
    told = diagnose_frames(asked, found.words, maps_around).mistakes
    names = {n for m in told for n in (m.name, *m.also)}
    if TRIED.get(name, "\0") in found.text or (names & wanted):
        return "named"
    if "rejected" in names or "commands may not arrive as they are sent" in found.text:
        return "commands"
    grave = [m.name for m in told if m.grave]
    if (grave and grave[0] not in GENERAL) or "another revision" in found.text:
        return "falsely accused"
    return "partly"


def test_no_bundled_chip_is_left_out() -> None:
    every = [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text("utf-8")]
    assert sorted(CHIPS) == every


@pytest.mark.parametrize("chip", CHIPS)
def test_a_sound_line_is_believed(chip: str) -> None:
    port = wired.WiredPort(load_map(chip), wired.edgelevel.Mistake())
    found = identify(Link(load_map(chip), port))
    assert found.ok, found.text
    assert found.words == ()


@pytest.mark.parametrize(
    ("name", "chip"),
    [
        (n, c)
        for n in ("reply stuck low", *TRIED)
        for c in CHECKED
        if can_be(mistakes.CASES[n].make(load_map(c)))
    ],
)
@pytest.mark.one_in(2)
def test_no_trial_writes(name: str, chip: str) -> None:
    """Whatever becomes of the commands, no word sent to find it out is taken for a write where they have a checksum.

    Of parity alone that holds for detours (below): a word in another mode may pass it, as the link says.
    """
    loaded = load_map(chip)
    assert max(p.width for p in loaded.default_frame().command.parts if p.kind in GUARDS) > 1
    port = wired.WiredPort(loaded, mistakes.CASES[name].make(loaded))
    text = identify(Link(loaded, port)).text
    assert all(len(words) == 1 for words in port.held.values()), text


@pytest.mark.parametrize(("chip", "least"), [("bilby32", 8), ("numbat24", 8), ("wombat24", 1)])
def test_what_a_detour_sends_is_never_a_write(chip: str, least: int) -> None:
    """The judge turns the bits itself, and its chip takes them."""
    loaded = load_map(chip)
    codec, bank = Codec(loaded), Bank.at_reset(loaded)
    length = loaded.default_frame().length
    become = [lambda b: b, lambda b: b[::-1], lambda b: [1 - x for x in b]]
    become += [lambda b: mistakes.reverse_bytes(b, 0, None)] if length % 8 == 0 else []
    become += [lambda b, n=n: mistakes.shifted(n)(b, 0, None) for n in (1, 2, 3, -1, -2, -3)]
    sent = 0
    for detour in DETOURS:
        way = By(Direct(loaded), codec, bank, detour)
        for register in loaded.registers.values():
            if not register.readable or register.frames or register.page is not None:
                continue
            try:
                [burst] = way.out(codec.read(register, bank))
            except LinkError:
                continue
            bits = [x >> (7 - i) & 1 for x in burst.data for i in range(8)][:length]
            for change in become:
                model = wired.edgelevel.Model(loaded)
                model.words = dict(bank.words)
                arrived = change(bits)
                model.answer(arrived if loaded.spi.msb_first else arrived[::-1])
                assert model.words == bank.words, (detour.name, register.name)
            sent += 1
    assert sent >= least, sent


@pytest.mark.parametrize("name", [n for n, t in TRIED.items() if "commands" in t])
def test_a_chip_with_a_checksum_tells_what_becomes_of_its_commands(name: str) -> None:
    """Of the trials that a chip allows, the one that answers is the mistake; or a mode that looks the same on the wires."""
    loaded = load_map("bilby32")
    port = wired.WiredPort(loaded, mistakes.CASES[name].make(loaded))
    text = identify(Link(loaded, port)).text
    same = {"command one clock early": "with SPI mode"}.get(name, TRIED[name])
    assert TRIED[name] in text or same in text, text


@pytest.mark.parametrize("name", ["reply stuck low", "other clock phase", "byte order"])
def test_the_port_is_put_back_and_says_where_it_cannot_be(name: str) -> None:
    loaded = load_map("numbat24")
    port = wired.WiredPort(loaded, mistakes.CASES[name].make(loaded))
    identify(Link(loaded, port))
    assert port.spi == loaded.spi

    class Stubborn(wired.WiredPort):
        """Takes any set-up but the one that it had."""

        def try_spi(self, spi: Any) -> None:
            if spi == loaded.spi:
                raise LinkError("the adapter does not answer")
            super().try_spi(spi)

    with pytest.raises(LinkError, match="does not answer"):
        identify(Link(loaded, Stubborn(loaded, mistakes.CASES[name].make(loaded))))


def cells() -> list[tuple[str, str]]:
    if EVERY:
        return [(n, c) for n in mistakes.CASES for c in CHIPS]
    return [(n, CHIPS[i // 3 % len(CHIPS)]) for i, n in enumerate(mistakes.CASES) if i % 3 == 1]


def test_mistakes_are_named() -> None:
    """A third of them, each on one of the chips; all on all of them with GATEWORD_EVERY_CAPTURE=1. Nobody is accused of another one."""
    told = {(n, c): said for n, c in cells() if (said := judged(n, c))}
    total = Counter(told.values())
    if EVERY:
        sys.stdout.write(f"link {dict(total)}\n")
    assert total["falsely accused"] == 0, [k for k, v in told.items() if v == "falsely accused"]
    assert total["silent"] == 0, [k for k, v in told.items() if v == "silent"]
    hard = ("noise", "glitches", "another map")
    partly = [k for k, v in told.items() if v == "partly" and not k[0].startswith(hard)]
    assert len(partly) <= 0.05 * len(told), partly
    # a chip that rejects all it gets tells no more, and not every chip allows a trial
    assert total["named"] >= 0.5 * len(told)
