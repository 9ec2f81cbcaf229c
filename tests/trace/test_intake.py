"""Dumps and tables as other programs write them, against the same exchange written plainly.

The exchange comes from the edge-level model; each form is made from its dump by text alone. Nine-valued logic:
IEEE 1164 (L and H are weak levels). Byte order marks: Unicode Standard, chapter 23.8.
"""

from __future__ import annotations

import importlib.util
import io
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from regmap.capture.formats.opening import open_capture
from regmap.maps.load import load_map
from regmap.trace.telling.story import Story, tell
from regmap.trace.tracer import How, Trace, trace_capture


def _edgelevel() -> ModuleType:
    name = "edgelevel"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec
        assert spec.loader
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


edgelevel = _edgelevel()
CHIP = load_map("quoll16")
FRAMES = 16
MADE = edgelevel.run(CHIP, frames=FRAMES)
DUMP = MADE.vcd()
HEAD, BODY = DUMP.split("$enddefinitions $end\n")


def traced(data: bytes, **how: Any) -> tuple[Trace, Story]:
    with open_capture(io.BytesIO(data), name="made") as capture:
        trace = trace_capture(capture, [CHIP], How(**how))
    return trace, tell(trace)


def changed(pattern: str, by: Any) -> str:
    return HEAD + "$enddefinitions $end\n" + re.sub(pattern, by, BODY, flags=re.M | re.S)


FORMS: dict[str, bytes] = {
    "weak levels": changed(r"^([01])(\S+)$", lambda m: "LH"[int(m[1])] + m[2]).encode(),
    "weak levels, small letters": changed(r"^([01])(\S+)$", lambda m: "lh"[int(m[1])] + m[2]).encode(),
    "nine values in a vector beside": (
        HEAD.replace("$upscope", "$var wire 4 * other [3:0] $end\n$upscope")
        + "$enddefinitions $end\n" + BODY.replace("$dumpvars\n", "$dumpvars\nbUU-W *\n", 1)
    ).encode(),
    "UTF-8 with a mark": b"\xef\xbb\xbf" + DUMP.encode(),
    "UTF-16, little end first": DUMP.encode("utf-16"),
    "UTF-16, big end first": b"\xfe\xff" + DUMP.encode("utf-16-be"),
    "times of 19 digits": re.sub(r"(?m)^#(\d+)$", lambda m: f"#{int(m[1]) + 9 * 10**18}", DUMP).encode(),
    "no initial values": changed(r"\$dumpvars\n.*?\$end\n", "").encode(),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_dumps_of_other_simulators(form: str) -> None:
    trace, story = traced(FORMS[form])
    assert trace.problems == ()
    assert story.evidence.commands.good == story.evidence.commands.of == FRAMES
    assert story.evidence.replies.good == story.evidence.replies.of == FRAMES
    assert story.stops == ()


def test_a_time_beyond_every_clock_is_told() -> None:
    trace, _ = traced(re.sub(r"(?m)^#(\d+)$", lambda m: f"#{int(m[1]) + 2**63}", DUMP).encode())
    assert any("is too large" in str(p) for p in trace.problems)


def test_a_gap_in_the_recording_is_not_the_chips_fault() -> None:
    """$dumpoff in one frame, $dumpon in a later one: both are cut, nobody is blamed."""
    lines = DUMP.split("\n")
    times = [i for i, line in enumerate(lines) if line.startswith("#")]
    first, second = times[len(times) // 2], times[len(times) // 2 + 40]
    codes = re.findall(r"\$var wire 1 (\S+)", DUMP)
    held = {m[2]: m[1] for line in lines[:second] if (m := re.match(r"^([01z])(\S+)$", line))}
    off = ["$dumpoff", *("x" + c for c in codes), "$end"]
    on = ["$dumpon", *(held[c] + c for c in codes), "$end"]
    text = "\n".join([*lines[: first + 1], *off, lines[second], *on, *lines[second + 1 :]])
    trace, story = traced(text.encode())
    assert "recording was switched off for a time ($dumpoff)" in trace.notes
    assert [m.name for m in story.diagnosis.mistakes] == ["cut"]
    assert story.stops == ()
    assert FRAMES - 2 <= story.evidence.commands.good < FRAMES
