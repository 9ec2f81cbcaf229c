"""Helpers of the trace tests: captures from Verilog, captures from lists of frames, changed captures."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.capture.formats.opening import open_capture
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.frames.codec import Codec, Sent
from regmap.maps.load import load_map, read_map
from regmap.trace.telling.timeline import timeline
from regmap.trace.tracer import How, Trace, trace_capture

HERE = Path(__file__).parent
VERILOG = HERE.parent / "verilog"
CAPTURES = HERE.parent.parent / "captures"


class Vcd:
    """A value change dump as text, with the changes that a wrong probe or a broken line would make."""

    def __init__(self, text: str) -> None:
        self.text = text

    def code(self, name: str) -> str:
        found = re.search(rf"\$var \w+ 1 (\S+) {name} \$end", self.text)
        assert found is not None, name
        return found[1]

    def swapped(self, a: str, b: str) -> Vcd:
        """Two lines with their names exchanged."""
        text = self.text.replace(f" {a} $end", " @ $end").replace(f" {b} $end", f" {a} $end")
        return Vcd(text.replace(" @ $end", f" {b} $end"))

    def without(self, name: str) -> Vcd:
        """A line that was not captured."""
        code = re.escape(self.code(name))
        text = re.sub(rf"\$var \w+ 1 {code} {name} \$end\n", "", self.text)
        return Vcd(re.sub(rf"(?m)^[01xz]{code}\n", "", text))

    def stuck(self, name: str, level: str) -> Vcd:
        """A line that rests at one level."""
        code = re.escape(self.code(name))
        first = [True]

        def replace(found: re.Match[str]) -> str:
            if first[0]:
                first[0] = False
                return level + found[0][1:]
            return ""

        return Vcd(re.sub(rf"(?m)^[01xz]{code}\n", replace, self.text))

    def inverted(self, name: str) -> Vcd:
        """A line seen through an inverter."""
        code = re.escape(self.code(name))
        return Vcd(re.sub(rf"(?m)^([01])({code})$", lambda m: "10"[int(m[1])] + m[2], self.text))

    def same(self, source: str, target: str) -> Vcd:
        """`target` captured from the very line of `source` (one code for both)."""
        bare = self.without(target)
        var = f"$var wire 1 {bare.code(source)} {target} $end\n$enddefinitions"
        return Vcd(bare.text.replace("$enddefinitions", var))

    def copied(self, source: str, target: str, delay: int = 0) -> Vcd:
        """`target` carries what `source` does, `delay` ticks later (a bridge, with its own code)."""
        code, own = self.code(source), self.code(target)
        bare = self.without(target)
        lines = bare.text.split("$enddefinitions $end\n")
        head = lines[0] + f"$var wire 1 {own} {target} $end\n$enddefinitions $end\n"
        changes: list[tuple[int, str]] = []
        time = 0
        for line in lines[1].splitlines():
            if line.startswith("#"):
                time = int(line[1:])
            elif line and line[0] in "01xz":
                changes.append((time, line))
                if line[1:] == code:
                    changes.append((time + delay, line[0] + own))
        changes.sort(key=lambda c: c[0])
        out, last = [head], None
        for time, line in changes:
            if time != last:
                out.append(f"#{time}\n")
                last = time
            out.append(line + "\n")
        return Vcd("".join(out))


def run_verilog(folder: Path, bench: str, chip: str, **params: int) -> str:
    """The dump that Icarus Verilog writes for a bench, as text."""
    program = folder / "bench"
    given = [f"-Pbench.{k}={v}" for k, v in params.items()]
    sources = [str(VERILOG / chip), str(VERILOG / bench)]
    subprocess.run(
        ["iverilog", "-g2005", *given, "-o", str(program), *sources],
        check=True,
        capture_output=True,
        text=True,
    )
    done = subprocess.run(
        ["vvp", "-n", str(program)], cwd=folder, check=True, capture_output=True, text=True
    )
    assert "FAILED" not in done.stdout, done.stdout
    [dump] = folder.glob("*.vcd")
    return dump.read_text()


@pytest.fixture(scope="session")
def verilog(
    tmp_path_factory: pytest.TempPathFactory, need_tool: Callable[[str], str]
) -> Callable[..., Vcd]:
    """`verilog(bench, chip, MODE=0)`: the dump as Vcd, each set of parameters simulated once."""
    done: dict[tuple[Any, ...], Vcd] = {}

    def make(bench: str, chip: str, **params: int) -> Vcd:
        need_tool("iverilog")
        need_tool("vvp")
        key = (bench, chip, *sorted(params.items()))
        if key not in done:
            folder = tmp_path_factory.mktemp("verilog")
            done[key] = Vcd(run_verilog(folder, bench, chip, **params))
            shutil.rmtree(folder)
        return done[key]

    return make


@pytest.fixture(scope="session")
def traced() -> Callable[..., Trace]:
    """`traced(source, maps, roles=..., spi=...)`: a Trace of text, bytes or a file."""

    def make(source: Any, chips: Any = "quoll16", chain: Any = None, **how: Any) -> Trace:
        if isinstance(source, Talk):
            chips = source.chip
        if isinstance(source, (Vcd, Talk)):
            source = source.text
        if isinstance(source, str):
            source = io.BytesIO(source.encode())
        if isinstance(source, bytes):
            source = io.BytesIO(source)
        if isinstance(chips, (str, Chip)):
            chips = [chips]
        loaded = [load_map(c) if isinstance(c, str) else c for c in chips]
        with open_capture(source, name="capture") as capture:
            return trace_capture(capture, loaded, How(**how), chain=chain)

    return make


@pytest.fixture(scope="session")
def notes() -> Callable[[Trace, str], list[tuple[int, str]]]:
    """`notes(trace, kind)`: (frame, text) of every note of a kind, in order."""

    def find(trace: Trace, kind: str) -> list[tuple[int, str]]:
        found = []
        for walker in trace.walkers:
            for number, some in walker.notes():
                found += [(number, n.text) for n in some if n.kind == kind]
        return found

    return find


@pytest.fixture(scope="session")
def items() -> Callable[[Trace], list[Any]]:
    """The whole timeline as a list."""
    return lambda trace: list(timeline(trace))


@pytest.fixture(scope="session")
def small_map(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Chip]:
    """A chip from the text of a map; problems fail the test."""
    folder = tmp_path_factory.mktemp("maps")

    def make(text: str) -> Chip:
        path = folder / f"map{len(list(folder.iterdir()))}.yaml"
        path.write_text(text)
        chip, problems = read_map(path)
        assert chip is not None, "\n".join(map(str, problems))
        return chip

    return make


@pytest.fixture(scope="session")
def captures() -> Path:
    """The folder of the bundled captures."""
    return CAPTURES


class Talk:
    """A list of frames as a controller and a chip would exchange them, each line made on purpose.

    `read`, `write`, `command` and `raw` add one frame each; replies follow after the chip's latency.
    `status` names the status bits that are set; `reply` overrules the whole reply word.
    """

    def __init__(self, name: str | Chip, step_us: float = 10.0) -> None:
        self.chip = load_map(name) if isinstance(name, str) else name
        self.codec = Codec(self.chip)
        self.bank = Bank.at_reset(self.chip)
        self.frames: list[tuple[float, Sent, int | None]] = []
        self.time = 0.0
        self.step = step_us

    def wait(self, ms: float) -> Talk:
        self.time += ms * 1000 - self.step
        return self

    def read(self, register: str, data: int, *status: str, **given: int) -> Talk:
        sent = self.codec.read(self.chip.registers[register], self.bank)
        return self._add(sent, data, status, given)

    def write(self, register: str, word: int, *status: str, shown: int = 0, **given: int) -> Talk:
        sent = self.codec.write(self.chip.registers[register], word, self.bank)
        return self._add(sent, shown, status, given)

    def command(self, name: str, *status: str) -> Talk:
        return self._add(
            self.codec.command(self.chip.commands[name], bank=self.bank), 0, status, {}
        )

    def raw(self, word: int, reply: int) -> Talk:
        sent = self.codec.decode_command(word, self.bank)
        self.frames.append((self._tick(), sent, reply))
        return self

    def broken(self, flip: int = 1) -> Talk:
        """The last frame's reply with bits turned over."""
        time, sent, reply = self.frames.pop()
        self.frames.append((time, sent, (reply or 0) ^ flip))
        return self

    def _tick(self) -> float:
        self.time += self.step
        return self.time

    def _add(self, sent: Sent, data: int, status: tuple[str, ...], given: dict[str, int]) -> Talk:
        layout = self.codec.reply_layout(sent)
        reply = None
        if layout is not None:
            names = {p.name for p in layout.parts if p.kind == "status"}
            # a status bit that is active low rests at 1
            reply = self.codec.build_reply(sent, data, {n: n in status for n in names}, given)
        self.frames.append((self._tick(), sent, reply))
        return self

    @property
    def text(self) -> str:
        after = next(iter(self.chip.frames.values())).after
        lines = []
        for place, (time, sent, _) in enumerate(self.frames):
            digits = sent.frame.length // 4
            reply = self.frames[place - after][2] if place >= after else 0
            lines.append(f"{time:.3f}us {sent.word:0{digits}X} {reply or 0:0{digits}X}")
        return "\n".join(lines) + "\n"


@pytest.fixture(scope="session")
def talk() -> type[Talk]:
    """The class `Talk`."""
    return Talk
