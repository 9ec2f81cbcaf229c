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

from regmap.link.look import identify
from regmap.link.session import Link
from regmap.maps.load import bundled, load_map, maps_around
from regmap.trace.findings.pairs import diagnose_frames

CHIPS = ("bilby32", "numbat24", "potoroo40", "quoll16", "wombat24", "quokka16", "kowari16")
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
#: findings that accuse nobody in particular
GENERAL = {"fit", "replies", "glitch", "clocks", "silent", "dead"}
#: what a set-up that was tried and answered says, by mistake
TRIED = {
    "other clock phase": "with SPI mode",
    "other clock polarity": "with SPI mode",
    "other phase and polarity": "with SPI mode",
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
    """named, partly, silent, falsely accused; "" where the chip cannot have it or it does not show."""
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
    wanted = (case.words or case.names) | {"rejected"}
    told = diagnose_frames(asked, found.words, maps_around).mistakes
    names = {n for m in told for n in (m.name, *m.also)}
    if TRIED.get(name, "\0") in found.text or (names & wanted):
        return "named"
    if "commands may not arrive as they are sent" in found.text:
        return "named" if "rejected" in wanted and not case.how else "partly"
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
    assert total["named"] >= (100 if EVERY else 5)
