"""The record in a real browser (chromium, headless): nothing clipped at any width or on paper, derivations open on paper."""

from __future__ import annotations

import html as markup
import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.report import review
from regmap.stages.load import load_stage

#: with GATEWORD_ALL=1 whole records
ALL = os.environ.get("GATEWORD_ALL") == "1"
SCREENS = (390, 768, 1280, 1920)
#: width of the text on A4 and on Letter in CSS pixels (96 an inch), margins of 15 mm taken off
PAPER = (int((210 - 30) / 25.4 * 96), int((215.9 - 30) / 25.4 * 96))
# every element that ends beyond the right edge, hidden ones and drawings inside a figure not counted
PROBE = """<script>addEventListener("load", () => {
  const wide = document.documentElement.clientWidth, out = [];
  for (const e of document.querySelectorAll("main *, nav *")) {
    const box = e.getBoundingClientRect();
    if (box.width > 1 && box.right > wide + 1 && !e.closest("thead, caption")) out.push(e.tagName + ": " + e.textContent.slice(0, 40));
  }
  document.body.dataset.told = document.documentElement.scrollWidth + " of " + wide + "|" + out.slice(0, 5).join(" / ");
})</script>"""
FRAME = """<body><iframe id="f" src="probe.html" style="width:{width}px;height:900px;border:0"></iframe><script>
addEventListener("load", () => setTimeout(() => {{
  document.body.dataset.told = document.getElementById("f").contentDocument.body.dataset.told; }}, 200))</script></body>"""


@pytest.fixture(autouse=True)
def browser(need_tool: Callable[[str], str]) -> None:
    need_tool("chromium")


def chromium(folder: Path, *arguments: str) -> str:
    return subprocess.run(
        [
            "chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--hide-scrollbars",
            f"--user-data-dir={folder / 'profile'}", "--allow-file-access-from-files", *arguments,
        ],
        capture_output=True, text=True, timeout=120, check=True,
    ).stdout  # fmt: skip


def overflow(folder: Path, page: str, width: int) -> str:
    """What ends beyond the right edge at this width; empty where nothing does."""
    (folder / "probe.html").write_text(page.replace("</head>", PROBE + "</head>"))
    (folder / "frame.html").write_text(FRAME.format(width=width))
    dom = chromium(
        folder,
        "--virtual-time-budget=3000",
        "--window-size=2200,1000",
        "--dump-dom",
        f"file://{folder / 'frame.html'}",
    )
    found = re.search(r'data-told="(\d+) of (\d+)\|([^"]*)"', dom)
    assert found, "the page told nothing"
    assert int(found[2]) == width
    return markup.unescape(found[3]) or ("scrolls" if int(found[1]) > width else "")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The record of a stage with long words and long reasons wherever a user may write."""
    path = tmp_path_factory.mktemp("hostile") / "pump.yaml"
    from regmap.maps.load import find_document

    text = find_document("coolant_pump", "stage").read_text()
    word = "unbreakable" * 30
    text = text.replace("title: Coolant pump", f"title: {word} Coolant pump")
    text = text.replace("summary: Three", f"summary: {word} Three")
    path.write_text(text + f"\nwaive:\n  vds: {word} {'and a long reason ' * 40}\n")
    return thinned(review(load_stage(path)).html)


def thinned(page: str) -> str:
    """The ten longest derivations: they are all made alike, and a browser takes long over a hundred."""
    found = re.findall(r'<details id="v-.*?</details>', page, re.DOTALL)
    few = found if ALL else sorted(found, key=len)[-10:]
    return re.sub(
        r'<details id="v-.*?</details>',
        lambda m: m[0] if m[0] in few else "",
        page,
        flags=re.DOTALL,
    )


@pytest.fixture(scope="module")
def drum() -> str:
    """The record of the bundled stage with the longest texts."""
    return thinned(review(load_stage("conveyor_drum")).html)


@pytest.mark.parametrize("width", SCREENS)
@pytest.mark.one_in(2)
def test_nothing_runs_out_of_the_screen(
    tmp_path: Path, hostile: str, drum: str, width: int
) -> None:
    for page in (drum, hostile):
        assert overflow(tmp_path, page, width) == ""


@pytest.mark.parametrize("width", PAPER)
@pytest.mark.one_in(2)
def test_nothing_runs_out_of_the_paper(tmp_path: Path, hostile: str, drum: str, width: int) -> None:
    for page in (drum, hostile):
        printed = page.replace("@media print", "@media all").replace(
            "@media screen", "@media speech"
        )
        assert overflow(tmp_path, printed, width) == ""


@pytest.mark.skipif(os.environ.get("GATEWORD_ALL") != "1", reason="on demand: GATEWORD_ALL=1")
def test_derivations_are_open_on_paper(tmp_path: Path) -> None:
    """As many sheets as with every derivation opened by hand."""
    sheets = {}
    for unfold in (False, True):
        page, paper = tmp_path / f"{unfold}.html", tmp_path / f"{unfold}.pdf"
        page.write_text(thinned(review(load_stage("coolant_pump"), unfold=unfold).html))
        chromium(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={paper}", f"file://{page}")
        sheets[unfold] = len(re.findall(rb"/Type\s*/Page\b", paper.read_bytes()))
    assert sheets[False] == sheets[True] > (20 if ALL else 8)
