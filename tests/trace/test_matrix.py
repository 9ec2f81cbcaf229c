"""Wiring and framing mistakes on every bundled chip, made edge by edge, against what is said of them.

The judge (edgelevel.py, mistakes.py) uses nothing of the trace. Named: the finding that comes first, or another
explanation told with it, is the mistake made. Nobody may be accused of another mistake, and no capture with a mistake
may end as if all were well.
"""

from __future__ import annotations

import importlib.util
import io
import os
import sys
from collections import Counter
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from regmap.capture.formats.opening import open_capture
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.maps.load import bundled, load_map
from regmap.trace.findings.pairs import diagnose_pairs, value_readings
from regmap.trace.telling.story import Story, tell
from regmap.trace.tracer import How, trace_capture

CHIPS = ("bilby32", "numbat24", "potoroo40", "quoll16", "wombat24", "quokka16", "kowari16")
KINDS = ("vcd", "frames", "pairs")
#: all cases: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
#: findings that accuse nobody in particular
GENERAL = {"fit", "replies", "glitch", "clocks", "silent", "dead"}


def _beside(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec
        assert spec.loader
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@cache
def load(name: str) -> Any:
    return load_map(name)


edgelevel = _beside("edgelevel")
mistakes = _beside("mistakes")


def told(text: str, chips: list[Any], spi: dict[str, Any]) -> Story:
    with open_capture(io.BytesIO(text.encode()), name="made") as capture:
        trace = trace_capture(capture, chips, How(spi=spi))
    return tell(trace, others=lambda: map(load, CHIPS))


def verdict(story: Story, wanted: frozenset[str] | None) -> str:
    """named, partly, silent, falsely accused; "-" where the log cannot show it and something is said."""
    names = {m.name for m in story.diagnosis.mistakes}
    also = {a for m in story.diagnosis.mistakes for a in m.also}
    grave = [m.name for m in story.diagnosis.mistakes if m.grave]
    stops = {s.name for s in story.stops}
    if "replies" in stops:
        names.add("replies?")
    if wanted and (names | also) & wanted and (not grave or grave[0] in wanted or also & wanted):
        return "named"
    if not stops:
        return "silent"
    if grave and grave[0] not in GENERAL and grave[0] not in (wanted or ()):
        return "falsely accused"
    return "partly" if wanted is not None else "-"


def judged(name: str, chip_name: str, kind: str) -> str:
    """The verdict on one mistake, chip and input, "" where there is nothing to judge."""
    case, chip = mistakes.CASES[name], load(chip_name)
    mistake = case.make(chip)
    if mistake is None or (kind != "vcd" and case.quiet):
        return ""
    recording = edgelevel.run(chip, mistake)
    text = recording.vcd() if kind == "vcd" else recording.text()
    if kind != "vcd" and not case.how and text == edgelevel.run(chip).text():
        # the words are those of a sound drive: the mistake does not show in them
        return ""
    spi = {"mode": chip.spi.mode ^ 1} if "mode" in case.how else {}
    other = "wombat24" if chip_name == "numbat24" else "numbat24"
    read_as = load(other) if "map" in case.how else chip
    wanted = case.names if kind == "vcd" else case.words
    if kind != "pairs":
        return verdict(told(text, [read_as], spi), wanted)
    after = chip.default_frame().after
    rows = recording.words
    pairs = [
        (edgelevel.word_of(sent), edgelevel.word_of(rows[place + after][1]))
        for place, (sent, _) in enumerate(rows[: len(rows) - after])
    ]
    length = read_as.default_frame().length
    if any(len(s) != length for s, _ in rows):
        return ""
    found = diagnose_pairs(read_as, pairs, lambda: map(load, CHIPS)).mistakes
    names = {n for m in found for n in (m.name, *m.also)}
    grave = [m.name for m in found if m.grave]
    if wanted and names & wanted:
        return "named"
    if grave and grave[0] not in GENERAL | (wanted or frozenset()):
        return "falsely accused"
    return "partly" if found else "silent"


def test_no_bundled_chip_is_left_out() -> None:
    every = [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text("utf-8")]
    assert sorted(CHIPS) == every


@pytest.mark.parametrize("chip", CHIPS if EVERY else CHIPS[::2])
def test_a_sound_drive_is_not_accused(chip: str) -> None:
    recording = edgelevel.run(load(chip))
    for text in (recording.vcd(), recording.text()):
        story = told(text, [load(chip)], {})
        assert story.diagnosis.mistakes == ()
        assert story.stops == ()


def table(kind: str) -> dict[str, Counter[str]]:
    return {
        name: Counter(v for chip in CHIPS if (v := judged(name, chip, kind)))
        for name in mistakes.CASES
    }


def sampled(kind: str) -> dict[str, Counter[str]]:
    """Every third mistake, on chips in turn."""
    found = {}
    for place, name in enumerate(mistakes.CASES):
        if place % len(KINDS) == KINDS.index(kind):
            said = judged(name, CHIPS[place // len(KINDS) % len(CHIPS)], kind)
            found[name] = Counter([said] if said else [])
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_mistakes_are_named(kind: str) -> None:
    """Each mistake as one of the inputs on one of the chips; all of them with GATEWORD_EVERY_CAPTURE=1."""
    found = table(kind) if EVERY else sampled(kind)
    total = sum(found.values(), Counter())
    assert total["falsely accused"] == 0, {n: c for n, c in found.items() if c["falsely accused"]}
    assert total["silent"] == 0, {n: c for n, c in found.items() if c["silent"]}
    judged_ones = total["named"] + total["partly"] + total["silent"]
    assert total["named"] >= 0.95 * judged_ones, {n: c for n, c in found.items() if c["partly"]}


def test_at_least_forty_mistakes() -> None:
    assert len(mistakes.CASES) >= 40


@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        ([(0xC0, 0x180)], "one clock early"),
        ([(0xC1, 0x060), (0x0F, 0x007)], "one clock late"),
        ([(0x00F, 0x3C0), (0x155, 0x2AA)], "reverse order (bit order)"),
        ([(0x00F, 0x3F0), (0x155, 0x2AA)], "every bit inverted"),
        ([(0x0C3, 0), (0x155, 0)], "all zeros"),
        ([(0x0C3, 0x3FF), (0x155, 0x3FF)], "all ones"),
    ],
)
def test_words_written_and_read(pairs: list[tuple[int, int]], said: str) -> None:
    found = value_readings(pairs, 10)
    assert any(said in text for text in found)


def test_words_that_agree_or_that_nothing_explains() -> None:
    assert value_readings([(5, 5), (6, 6)], 10) == []
    assert value_readings([(0x155, 0x0C3), (0x001, 0x300)], 10) == []


def test_decode_tells_of_values_and_of_pairs() -> None:
    def run(*arguments: str) -> tuple[int, str]:
        out, err = io.StringIO(), io.StringIO()
        status = main(list(arguments), Context(stdout=out, stderr=err, environ={}))
        return status, " ".join((out.getvalue() + err.getvalue()).split())

    status, text = run("decode", "quoll16", "--wrote", "0xC0", "--read", "0x180")
    assert status == 1
    assert "read one clock early, every bit one place up (SPI mode, or a shifted frame)" in text
    assert run("decode", "quoll16", "--wrote", "0xC0", "--read", "0xC0")[0] == 0
    assert run("decode", "quoll16", "--wrote", "0xC0")[0] == 2
    assert run("decode", "quoll16")[0] == 2
    chip = load("numbat24")
    case = mistakes.CASES["checksum of another start"]
    rows = edgelevel.run(chip, case.make(chip)).words
    pairs = [
        f"{edgelevel.word_of(s):06X}:{edgelevel.word_of(rows[i + 1][1]):06X}"
        for i, (s, _) in enumerate(rows[:-1])
    ]
    status, text = run("decode", "numbat24", *pairs)
    assert status == 1
    assert "wiring:" in text
    assert (
        "it fits polynomial: 0x2F, over: 23..8 (the map says polynomial: 0x2F, init: 0xFF, over: 23..8)"
        in text
    )


if __name__ == "__main__":
    for kind in KINDS:
        found = table(kind)
        sys.stdout.write(f"{kind} {dict(sum(found.values(), Counter()))}\n")
        for name, counts in found.items():
            if set(counts) - {"named"}:
                sys.stdout.write(f"  {name}: {dict(counts)}\n")
