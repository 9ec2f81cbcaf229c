"""One file of hostile texts (texts.json), and whoever reads what we write: each text arrives whole or is refused, and none of them acts.

Shells and completion are asked in `cli/test_completion.py`, make and ninja in `builds/test_depfile.py`, with names of their own.
"""

from __future__ import annotations

import html
import io
import json
import re
import shlex
import subprocess
import sys
import time
import unicodedata
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest
import ruamel.yaml

from regmap.cheader import Options, generate
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.maps.load import find_document, load_map, read_map
from regmap.stages.save import read_stage_text, save_stage

TEXTS: list[str] = json.loads(Path(__file__).with_name("texts.json").read_text(encoding="utf-8"))
MAP = find_document("quoll16").read_text(encoding="utf-8")
STAGE = find_document("coolant_pump", "stage").read_text(encoding="utf-8")
#: what a document may hold
FIT = [t for t in TEXTS if all(c.isprintable() or c == "\n" for c in t)]


def quoted(text: str) -> str:
    """A text as a YAML scalar in double quotes: what cannot be shown by its number."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in plain) + '"'


def told(text: str) -> str:
    return " ".join(text.split())


def map_with(texts: list[str]) -> str:
    """The map with these texts wherever it has room for free text."""
    waiting = list(texts)

    def put(match: re.Match[str]) -> str:
        text = waiting.pop(0) if waiting else "enough"
        return f"{match[1]}{quoted(text)}"

    found = re.sub(r"^( +(?:title|summary): )[^{>\n]*$", put, MAP, flags=re.M)
    assert not waiting, f"{len(waiting)} texts found no place"
    return found


def stage_with(title: str, reason: str = "a reason") -> str:
    text = re.sub(r"title: .*", lambda _: f"title: {quoted(title)}", STAGE, count=1)
    return text + f"\nwaive:\n  gate: {quoted(reason)}\n"


def program(*words: str, folder: Path | None = None) -> tuple[int, str]:
    out, err = io.StringIO(), io.StringIO()
    status = main(list(words), Context(stdout=out, stderr=err, environ={}))
    assert folder is None or not list(folder.glob("**/PWN"))
    return status, out.getvalue()


def test_a_text_is_refused_at_its_place_or_fit_to_be_shown() -> None:
    for text in TEXTS:
        chip, problems = read_map("m.yaml", text=re.sub(r"title: .*", lambda _, t=text: f"title: {quoted(t)}", MAP, count=1))  # fmt: skip
        if text in FIT:
            assert chip is not None, [str(p) for p in problems]
            assert chip.title == told(text)
        else:
            assert chip is None, text
            assert "U+" in problems[0].found or "zero bytes" in problems[0].found
            assert all(c.isprintable() or c == "\n" for p in problems for c in p.render())


def test_a_json_parser(tmp_path: Path) -> None:
    for text in FIT:
        path = tmp_path / "m.yaml"
        path.write_text(re.sub(r"title: .*", lambda _, t=text: f"title: {quoted(t)}", MAP, count=1), encoding="utf-8")  # fmt: skip
        status, said = program("show", str(path), "--json", folder=tmp_path)
        assert status == 0
        assert told(text) in json.dumps(json.loads(said), ensure_ascii=False) or told(text) in list(_strings(json.loads(said)))  # fmt: skip


def _strings(value: object) -> list[str]:
    if isinstance(value, dict):
        return [s for v in value.values() for s in _strings(v)]
    if isinstance(value, list):
        return [s for v in value for s in _strings(v)]
    return [value] if isinstance(value, str) else []


def test_a_browser(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """All texts in one record: none of them runs, and each is there to be read."""
    chromium = need_tool("chromium")
    path = tmp_path / "pump.yaml"
    reason = " | ".join(t for t in FIT if len(t) < 60)
    path.write_text(stage_with("".join(FIT[:3]), reason), encoding="utf-8")
    page = tmp_path / "pump.html"
    status, _ = program("report", str(path), "-o", str(page), folder=tmp_path)
    assert status in (0, 1)
    dom = subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
         f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=2000", "--dump-dom", f"file://{page}"],
        capture_output=True, text=True, timeout=120, check=True,
    ).stdout  # fmt: skip
    body = re.search(r"<body[^>]*>", dom)
    assert body
    assert "data-pwn" not in body[0]
    shown = html.unescape(re.sub(r"<[^>]+>", "", dom))
    assert told("".join(FIT[:3])) in told(shown)
    assert told(reason) in told(shown)


def test_drawings(tmp_path: Path) -> None:
    path = tmp_path / "pump.yaml"
    for text in FIT[:3]:
        path.write_text(stage_with(text), encoding="utf-8")
        program("check", str(path), "--plot", str(tmp_path / "plots"), folder=tmp_path)
        drawings = list((tmp_path / "plots").glob("*.svg"))
        assert drawings
        for drawing in drawings[:2]:
            root = ElementTree.parse(drawing).getroot()
            assert not [e for e in root.iter() if e.tag.endswith(("script", "foreignObject", "image"))]  # fmt: skip


@pytest.mark.parametrize("standard", ["c99", "c11"])
def test_a_c_compiler(tmp_path: Path, need_tool: Callable[[str], str], standard: str) -> None:
    gcc = need_tool("gcc")
    for texts in (FIT[:30], FIT[30:]):
        chip, problems = read_map("m.yaml", text=map_with(texts))
        assert chip is not None, [str(p) for p in problems]
        made = generate(chip, Options(prefix="H"))
        (tmp_path / "v.h").write_text(made.header, encoding="utf-8")
        (tmp_path / "v.c").write_text('#include "v.h"\nint main(void) { return 0; }\n')
        subprocess.run(
            [gcc, f"-std={standard}", "-trigraphs", "-Wall", "-Wextra", "-Wcomment", "-Wno-unused-function", "-Werror", "v.c", "-o", "v"],
            cwd=tmp_path, check=True, timeout=120,
        )  # fmt: skip
        assert subprocess.run([tmp_path / "v"], check=False, timeout=20).returncode == 0
    assert not (tmp_path / "PWN").exists()


def test_another_yaml_parser_after_an_edit(tmp_path: Path) -> None:
    """What was not changed is read by others as it was."""
    yaml = ruamel.yaml.YAML(typ="safe")
    chip = load_map("quoll16")
    for text, reason in zip(FIT[::2], FIT[1::2], strict=False):
        path = tmp_path / "pump.yaml"
        path.write_text(stage_with(text, reason), encoding="utf-8")
        before = yaml.load(path)
        save_stage(path, read_stage_text(path), {"GATE_HS.SOURCE": "75 mA"}, chip)
        after = yaml.load(path)
        assert after["stage"]["title"] == before["stage"]["title"] == text
        assert after["waive"] == before["waive"]
        assert after["settings"]["GATE_HS"]["SOURCE"] == "75 mA"


def test_a_circuit_simulator(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """Names of stage and file in the deck's first line: nothing of them is a command to ngspice."""
    ngspice = need_tool("ngspice")
    for number, text in enumerate(["line\n.control\nshell touch PWN\n.endc", "*\n.end", "+ x", "a\rb\r.control\rshell touch PWN\r.endc"]):  # fmt: skip
        folder = tmp_path / f"{number} {text}"
        folder.mkdir()
        path = folder / "pump.yaml"
        path.write_text(stage_with(text.replace("\r", " ")), encoding="utf-8")
        deck = tmp_path / "deck.cir"
        status, _ = program("check", str(path), "--spice", str(deck), folder=tmp_path)
        assert status in (0, 1)
        head = deck.read_text(encoding="utf-8").split("\n")[0]
        assert head.startswith("*")
        assert ".control" not in [line.strip() for line in re.split(r"[\r\n]", head)[1:]]
    done = subprocess.run([ngspice, "-b", str(deck)], cwd=tmp_path, capture_output=True, timeout=120, check=False)  # fmt: skip
    assert b"Error" not in done.stderr.split(b"\n")[0]
    assert not list(tmp_path.glob("**/PWN"))


def test_a_terminal(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """In tmux: every text in the name of a file and on the shell line leaves the screen readable."""
    tmux = [need_tool("tmux"), "-L", f"hostile{tmp_path.name}", "-f", "/dev/null"]
    texts = [t for t in TEXTS if t not in FIT and "\0" not in t]
    script = tmp_path / "run.sh"
    program = f"{shlex.quote(sys.executable)} -m regmap.cli"
    lines = [f"{program} show {_for_shell(t)}" for t in texts]
    script.write_text("\n".join(["clear", *lines, "echo THE END", "sleep 60"]), encoding="utf-8")
    subprocess.run([*tmux, "new-session", "-d", "-x", "400", "-y", "200", f"bash {script}"], cwd=tmp_path, check=True)  # fmt: skip
    try:
        for _ in range(200):
            time.sleep(0.2)
            screen = subprocess.run([*tmux, "capture-pane", "-p"], capture_output=True, text=True, check=True).stdout  # fmt: skip
            if "THE END" in screen:
                break
        rows = screen.rstrip().splitlines()
        assert rows[-1] == "THE END", screen
        assert sum("a\\x1b[2Jb" in row for row in rows) == 1
        assert screen.count("no such") + screen.count("no map") >= len(texts) - 1, screen
        odd = [c for c in screen if unicodedata.category(c) in ("Cc", "Cf") and c != "\n"]
        assert not odd
        title = subprocess.run([*tmux, "display-message", "-p", "#{pane_title}"], capture_output=True, text=True, check=True).stdout  # fmt: skip
        assert title.strip() != "t"
    finally:
        subprocess.run([*tmux, "kill-server"], check=False)


def _for_shell(text: str) -> str:
    return "$'" + "".join(f"\\x{b:02x}" for b in text.encode()) + "'"
