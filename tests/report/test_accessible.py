"""The record for everybody: an accessibility engine finds nothing, the keyboard reaches all, contrast holds in both schemes."""

from __future__ import annotations

import html as markup
import json
import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.report import review
from regmap.report.page import STYLE
from regmap.stages.load import load_stage, read_stage

ROOT = Path(__file__).parents[2]
#: with GATEWORD_ALL_RUNS=1 at every width and in both schemes
ALL = os.environ.get("GATEWORD_ALL_RUNS") == "1"
RUN = """<script>{axe}</script><script>addEventListener("load", () => setTimeout(() =>
  axe.run(document, {{runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"], resultTypes: ["violations"]}})
  .then(found => {{ document.documentElement.dataset.told = JSON.stringify({{
    dark: matchMedia("(prefers-color-scheme: dark)").matches, passes: found.passes.length,
    violations: found.violations.map(v => [v.id, v.nodes.length, v.nodes[0].html.slice(0, 120), v.nodes[0].failureSummary.slice(0, 200)]) }});
  }}), 50))</script>"""
KEYS = """<script>addEventListener("load", () => {
  // what is not drawn cannot be reached: of the two orders of the verdicts one
  const found = [...document.querySelectorAll("a[href], summary, input")].filter(e => e.getClientRects().length || e.closest("details")), bad = [];
  for (const e of found) { e.focus({focusVisible: true}); const s = getComputedStyle(e);
    if (document.activeElement !== e) bad.push("not reached: " + e.textContent.slice(0, 30));
    else if (e.matches(":focus-visible") && (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 1)) bad.push("no outline: " + e.outerHTML.slice(0, 60)); }
  const first = found[0];
  document.documentElement.dataset.told = JSON.stringify({ count: found.length, first: first.textContent, bad: bad.slice(0, 5),
    order: [...document.querySelectorAll("[tabindex]")].filter(e => e.tabIndex > 0).length,
    clickable: [...document.querySelectorAll("[onclick]")].length });
})</script>"""


@pytest.fixture(scope="module")
def record() -> str:
    """A record with a failed, a waived and a missing verdict, requirements and a capture."""
    pump = (ROOT / "devices" / "coolant_pump.yaml").read_text()
    pump = pump.replace("DEAD_TIME: 1 us", "DEAD_TIME: 150 ns").replace("adc: {bits: 12,", "adc: {")
    pump = pump.replace(
        "settings:",
        "requirement: {SYS-1: {text: no shoot-through, by: [TIMING.DEAD_TIME, deadtime]}}\nwaive: {sense.range: measured}\nsettings:",
        1,
    )
    stage, problems = read_stage(ROOT / "devices" / "pump.yaml", text=pump)
    assert stage is not None, problems
    return thinned(review(stage, ROOT / "captures" / "pump_short.vcd").html)


def thinned(page: str) -> str:
    """Every tenth derivation with what leads to it: they are all made alike, and browsers take long over a hundred."""
    if ALL:
        return page
    found = re.findall(r'<details id="(v-[^"]*)">.*?</details>', page, re.DOTALL)
    gone = {name for n, name in enumerate(found) if n % 10}
    page = re.sub(
        r'<details id="(v-[^"]*)">.*?</details>',
        lambda m: "" if m[1] in gone else m[0],
        page,
        flags=re.DOTALL,
    )
    return re.sub(
        r'<a href="#(v-[^"]*)">(.*?)</a>',
        lambda m: m[2] if m[1] in gone else m[0],
        page,
        flags=re.DOTALL,
    )


def told(folder: Path, page: str, *arguments: str) -> dict[str, Any]:
    """What a script put into the page told, in chromium without a network."""
    path = folder / "page.html"
    path.write_text(page)
    dom = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
         f"--user-data-dir={folder / 'profile'}", "--virtual-time-budget=60000", "--dump-dom", *arguments, f"file://{path}"],
        capture_output=True, text=True, timeout=180, check=True,
    ).stdout  # fmt: skip
    found = re.search(r'<html[^>]* data-told="([^"]*)"', dom)
    assert found, "the page told nothing"
    answer: dict[str, Any] = json.loads(markup.unescape(found[1]))
    return answer


def axe_source() -> str:
    import importlib.util

    spec = importlib.util.find_spec("axe_playwright_python")
    assert spec is not None
    assert spec.origin is not None
    return (Path(spec.origin).parent / "axe.min.js").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("width", "dark"), [(1280, False), (1280, True), (390, True)] if ALL else [(1280, True)]
)
def test_axe_core_finds_no_violation(
    record: str, tmp_path: Path, need_tool: Callable[[str], str], width: int, dark: bool
) -> None:
    """axe-core's rules for WCAG 2.2 AA and its best practices, contrast among them."""
    need_tool("chromium")
    page = record.replace(
        "</head>", RUN.format(axe=axe_source().replace("</script", "<\\/script")) + "</head>"
    )
    scheme = f"--blink-settings=preferredColorScheme={0 if dark else 1}"
    found = told(tmp_path, page, scheme, f"--window-size={width},1000")
    assert found["dark"] == dark
    assert found["violations"] == []
    assert found["passes"] > 20, "the engine did look"


def test_the_keyboard_reaches_everything_and_shows_where_it_is(
    record: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    need_tool("chromium")
    found = told(tmp_path, record.replace("</head>", KEYS + "</head>"))
    assert found["first"] == "Skip to the record"
    assert found["bad"] == []
    assert (found["order"], found["clickable"]) == (0, 0)
    assert found["count"] > (100 if ALL else 40)


def test_verdicts_are_filtered_without_a_script(
    record: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    need_tool("chromium")
    count = """<script>addEventListener("load", () => { document.getElementById("show-fails").checked = true;
      const rows = [...document.querySelectorAll(".verdicts tbody tr")].filter(r => r.getClientRects().length);
      document.documentElement.dataset.told = JSON.stringify({shown: rows.length, fails: rows.filter(r => r.textContent.includes("FAILS")).length}); })</script>"""
    found = told(tmp_path, record.replace("</head>", count + "</head>"))
    assert found["shown"] == found["fails"] > 0
    assert "<script" not in record


def test_verdicts_are_ordered_without_a_script(
    record: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Worst first, and by name once that is chosen: the same rows, one order on the screen at a time."""
    need_tool("chromium")
    seen = """<script>addEventListener("load", () => { const names = () =>
      [...document.querySelectorAll(".verdicts tbody tr")].filter(r => r.getClientRects().length).map(r => r.querySelector("code").textContent);
      const worst = names(); document.getElementById("order-named").checked = true;
      document.documentElement.dataset.told = JSON.stringify({worst, named: names()}); })</script>"""
    found = told(tmp_path, record.replace("</head>", seen + "</head>"))
    assert found["worst"][0] == "deadtime.enough.high"
    assert found["named"] == sorted(found["worst"], key=lambda n: n.split("."))
    assert found["named"] != found["worst"]


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (W3C): https://www.w3.org/TR/WCAG22/#dfn-relative-luminance."""
    digits = colour.lstrip("#")
    digits = "".join(c * 2 for c in digits) if len(digits) == 3 else digits
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, WCAG 2.2."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_holds_in_both_schemes() -> None:
    """At least 4.5 for every text colour on every ground that it stands on."""
    assert contrast("#000", "#fff") == pytest.approx(21)
    schemes = re.findall(r":root \{([^}]*)\}", STYLE)
    light, dark = (dict(re.findall(r"--(\w+): (#[0-9a-f]+)", text)) for text in schemes[:2])
    for colours in (light, {**light, **dark}):
        for text in ("ink", "soft", "lead", "bad", "warn", "good", "none"):
            for ground in ("paper", "card", "band"):
                assert contrast(colours[text], colours[ground]) >= 4.5, (
                    text,
                    ground,
                    colours[text],
                )
        assert contrast(colours["on"], colours["bad"]) >= 4.5
        assert contrast(colours["ink"], colours["moved"]) >= 4.5
        assert contrast(colours["ink"], colours["heed"]) >= 4.5


def test_pages_are_numbered_on_paper() -> None:
    assert 'counter(page) " / " counter(pages)' in STYLE
    assert load_stage("coolant_pump").name == "coolant_pump"
