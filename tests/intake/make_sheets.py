"""Invented data sheets in many styles: page sources, their prints and the truth beside them.

    python tests/intake/make_sheets.py        writes tests/intake/sheets/ (needs chromium)

Every chip here is invented. The truth is made before the page is, and knows nothing of the reader.
"""

from __future__ import annotations

import html
import json
import random
import subprocess
import sys
from pathlib import Path

SHEETS = Path(__file__).with_name("sheets")

#: name, width, access, description, and options (texts), values (unit, numbers) or a scale (step, offset, unit)
SETTINGS = [
    ("SOURCE", 3, "turn-on current of the high side", ("values", "mA", [20, 35, 60, 90, 140, 220, 350, 500])),
    ("SINK", 2, "turn-off current of the low side", ("values", "mA", [60, 120, 250, 510])),
    ("DEAD", 4, "dead time inserted by the chip", ("scale", 50, 100, "ns")),
    ("BLANK", 2, "VDS blanking time", ("values", "us", [1, 2, 3, 4.5])),
    ("FILTER", 2, "VDS filter time", ("values", "ns", [250, 500, 1000, 2000])),
    ("VDS_TH", 3, "VDS trip threshold", ("values", "mV", [60, 130, 200, 300, 450, 700, 950, 1900])),
    ("GAIN", 2, "gain of the shunt amplifier", ("values", "V/V", [5, 10, 20, 40])),
    ("SHUNT_DOES", 2, "what an overcurrent does", ("options", ["report only", "hiccup", "latched", "no action"])),
    ("PWM_MODE", 2, "how the inputs drive the bridge", ("options", ["six inputs", "three inputs", "one input", "external"])),
    ("WD_EN", 1, "watchdog", ("options", ["disabled", "enabled"])),
    ("LOCK", 1, "settings", ("options", ["open", "locked"])),
    ("CAL", 1, "amplifier calibration", ("options", ["idle", "running"])),
    ("RETRY", 2, "pause before a retry", ("values", "ms", [1, 2, 4, 8])),
    ("SCRATCH", 4, "free for firmware, no effect on the chip", None),
    ("HIDE_HOT", 1, "overtemperature at the fault pin", ("options", ["shown", "hidden"])),
]  # fmt: skip
FLAGS = [
    ("LOW_SUPPLY", "supply below its lower threshold"), ("HIGH_SUPPLY", "supply above its upper threshold"),
    ("HOT_OFF", "junction above the shutdown temperature"), ("WARM", "junction above the warning temperature"),
    ("SHUNT_U", "shunt current of phase U too high"), ("SHUNT_V", "shunt current of phase V too high"),
    ("DROP_UP", "VDS of the upper switch U above its threshold"), ("DROP_UN", "VDS of the lower switch U above its threshold"),
    ("LOW_PUMP", "charge pump below its threshold"), ("SPI_BAD", "a frame with wrong parity was received"),
    ("WD_LATE", "the watchdog was served too late"), ("RESTARTED", "the chip has been reset"),
]  # fmt: skip


def chip(seed: int, width: int, registers: int) -> list[dict]:
    """Registers with fields, made from a seed: names, bits, access, resets, meanings."""
    draw = random.Random(seed)
    found = []
    flags, settings = list(FLAGS), list(SETTINGS)
    draw.shuffle(flags)
    number = {}
    for index in range(registers):
        status = index < 2
        fields, top = [], width - 1
        while top >= 0:
            if draw.random() < 0.2:
                size = min(top + 1, draw.choice([1, 2]))
                fields.append(
                    {"name": "", "high": top, "low": top - size + 1, "access": "ro", "reset": 0}
                )
            elif status:
                if not flags:
                    fields.append({"name": "", "high": top, "low": 0, "access": "ro", "reset": 0})
                    break
                name, said = flags.pop()
                size = 1
                fields.append({"name": name, "high": top, "low": top, "access": draw.choice(["ro", "rc", "w1c"]) if index else "ro", "reset": int(name == "RESTARTED"), "said": said})  # fmt: skip
            else:
                fitting = [s for s in settings if s[1] <= top + 1]
                name, size, said, means = draw.choice(fitting)
                number[name] = number.get(name, 0) + 1
                called = name if number[name] == 1 else f"{name}_{number[name]}"
                access = draw.choice(["rw"] * 6 + ["wo", "once"]) if name != "LOCK" else "rw"
                fields.append({"name": called, "high": top, "low": top - size + 1, "access": access, "reset": draw.randrange(1 << size), "said": said, "means": means})  # fmt: skip
            top -= size
        # neighbours that are reserved are one entry, as sheets write them
        merged: list[dict] = []
        for field in fields:
            if merged and not field["name"] and not merged[-1]["name"]:
                merged[-1]["low"] = field["low"]
            else:
                merged.append(field)
        name = f"STAT{index + 1}" if status else f"CTRL{index - 1}"
        reset = sum(f["reset"] << f["low"] for f in merged)
        found.append(
            {
                "name": name,
                "address": index if status else index + 2,
                "reset": reset,
                "fields": merged,
            }
        )
    return found


def truth(registers: list[dict]) -> list[dict]:
    """What a reader must find, in plain words."""
    rows = []
    for register in registers:
        fields = []
        for field in register["fields"]:
            means = field.get("means")
            row = {"name": field["name"], "bits": [field["high"], field["low"]], "access": field["access"], "reset": field["reset"]}  # fmt: skip
            if means and means[0] == "options":
                row["options"] = dict(enumerate(means[1]))
            elif means and means[0] == "values":
                row["values"] = {"unit": means[1], "numbers": means[2]}
            elif means:
                row["scale"] = {
                    "step": f"{means[1]} {means[3]}",
                    "offset": f"{means[2]} {means[3]}",
                }
            fields.append(row)
        rows.append({**register, "fields": fields})
    return rows


ACCESS = [
    {"rw": "R/W", "ro": "R", "wo": "W", "rc": "RC", "w1c": "R/W1C", "once": "RWO"},
    {"rw": "rw", "ro": "r", "wo": "w", "rc": "rc_r", "w1c": "rc_w1", "once": "r/wonce"},
    {"rw": "read/write", "ro": "read only", "wo": "write only", "rc": "clear on read", "w1c": "write 1 to clear", "once": "write once"},
    {"rw": "RW", "ro": "RO", "wo": "WO", "rc": "RTC", "w1c": "W1C", "once": "WARM"},
]  # fmt: skip


def codes(size: int, style: str) -> list[str]:
    forms = {"b": f"{{:0{size}b}}b", "0b": f"0b{{:0{size}b}}", "plain": f"{{:0{size}b}}" if size > 1 else "{}", "0x": "0x{:X}", "h": "{:X}h", "dec": "{}"}  # fmt: skip
    return [forms[style].format(c) for c in range(1 << size)]


def meaning(field: dict, style: str, sign: str, join: str) -> str:
    means = field.get("means")
    said = field.get("said", "")
    if not means:
        return html.escape(said)
    if means[0] == "scale":
        word = {"plain": "{1} {2} + n x {0} {2}", "b": "n \u00d7 {0} {2} + {1} {2}", "0x": "{1} {2} + {0} {2} \u00b7 code"}.get(style, "{1} {2} + n \u00d7 {0} {2}")  # fmt: skip
        return html.escape(f"{said}: {word.format(*means[1:])}")
    texts = means[1] if means[0] == "options" else [f"{n:g} {means[1]}" for n in means[2]]
    size = field["high"] - field["low"] + 1
    return html.escape(said) + join + join.replace(": ", ", ").join(html.escape(f"{c}{sign}{t}") for c, t in zip(codes(size, style), texts, strict=True))  # fmt: skip


def span(field: dict, form: str) -> str:
    high, low = field["high"], field["low"]
    if high == low:
        return {"d": f"D{high}", "[]": f"[{high}]", "bit": f"bit {high}"}.get(form, str(high))
    return {":": f"{high}:{low}", "[]": f"[{high}:{low}]", "-": f"{high}-{low}", "\u2013": f"{high}\u2013{low}", "d": f"D{high}..D{low}", "bit": f"bits {high} to {low}", "..": f"{high}..{low}"}[form]  # fmt: skip


def number(value: int, size: int, form: str) -> str:
    return {"h": f"{value:X}h", "0x": f"0x{value:X}", "b": f"{value:0{size}b}", "bb": f"{value:0{size}b}b", "'b": f"{size}'b{value:0{size}b}", "dec": str(value)}[form]  # fmt: skip


class Style:
    """How one sheet looks and spells."""

    def __init__(self, **says: object) -> None:
        self.title = "registers"
        self.heads = {
            "bits": "Bit",
            "name": "Field",
            "access": "Type",
            "reset": "Reset",
            "said": "Description",
        }
        self.order = ["bits", "name", "access", "reset", "said"]
        self.bits, self.access, self.reset, self.code, self.sign, self.join = (
            ":",
            0,
            "h",
            "b",
            " = ",
            "<br>",
        )
        self.caption = "{name} Register (Address = 0x{address:X}) [Reset = 0x{reset:X}]"
        self.reserved, self.css, self.mark, self.after = "Reserved", "", lambda _, c: c, ""
        self.registers, self.width, self.diagram, self.flat, self.tables, self.rowreset = (
            6,
            10,
            "",
            False,
            False,
            True,
        )
        self.up = False
        self.__dict__.update(says)


RULED = "table{border-collapse:collapse} td,th{border:1px solid #444;padding:3px 5px;vertical-align:top}"
BARE = "table{border-collapse:collapse;width:100%} td,th{border:none;padding:2px 14px 2px 2px;vertical-align:top;text-align:left}"
LINES = "table{border-collapse:collapse;width:100%} td,th{border-bottom:1px solid #888;padding:3px 12px 3px 4px;vertical-align:top;text-align:left} th{background:#e4ecf4}"

STYLES = {
    "ruled": Style(css=RULED),
    "bare": Style(css=BARE, heads={"bits": "Bits", "name": "Name", "access": "Access", "reset": "Default", "said": "Description"}, code="plain", sign=": ", join="<br>", bits="-", reset="bb", access=3),
    "diagram": Style(css=RULED, diagram="merged", order=["bits", "name", "said"], caption="{name} register, address {address:X}h, default = {reset:X}h", code="h", bits="[]"),
    "flat": Style(css=RULED, flat=True, registers=12, order=["bits", "name", "access", "reset", "said"], heads={"bits": "Bit(s)", "name": "Bit Name", "access": "R/W", "reset": "Default (bin)", "said": "Function"}, reset="b", code="0b", access=1),
    "overview": Style(css=RULED, diagram="overview", order=["bits", "name", "access", "reset", "said"], caption="{name} (0x{address:02X})", reset="0x", code="0x", sign=" \u2192 ", rowreset=False),
    "upward": Style(css=RULED + " th.up{writing-mode:vertical-rl;transform:rotate(180deg)}", up=True, order=["bits", "access", "reset", "name", "said"], reset="bb", access=3),
    "footnotes": Style(css=RULED, mark=lambda f, c: c + "<sup>1</sup>" if f in ("access", "reset") else c, after="<p class=note><sup>1</sup> After power-on; the settings are kept while the supply stays.</p>", bits="\u2013"),
    "long": Style(css=RULED + " thead{display:table-row-group} td{padding:7px 5px} h3{margin:4px}", registers=9, width=13, caption="Register 0x{address:02X}: {name}", bits="..", reset="'b", code="0b"),
    "columns": Style(css=BARE, heads={"bits": "Bit", "name": "Symbol", "access": "R/W", "reset": "POR", "said": "Function"}, tables=True, caption="{name} at address 0x{address:X}", reset="h", access=1),
    "lines": Style(css=LINES, caption="Table {address}. {name} Field Descriptions (offset = {address:X}h, reset = {reset:X}h)", bits=":", reset="b", code="plain", sign=" = "),
    "words": Style(css=RULED, bits="d", access=2, caption="Register 0x{address:02X}: {name}", up=False, reset="dec", code="dec", sign=": ", join="; ", order=["name", "bits", "said", "access", "reset"], reserved="RSVD", reset_low=True),
    "continued": Style(css=LINES + " td{padding:9px 6px}", registers=8, width=16, caption="{name} register [address 0x{address:X}, reset 0x{reset:X}]", bits="bit", reset="0x", code="0x"),
    "small": Style(css=RULED + " body{font-size:8pt}", diagram="rows", order=["bits", "name", "said"], caption="{name} (address 0x{address:X})", reset="b", code="0b", rowreset=False, width=8, reserved="-"),
}  # fmt: skip


def page(key: str, style: Style, registers: list[dict]) -> str:
    """The page source of a sheet."""
    out = [f"<!doctype html><meta charset=utf-8><title>{key}</title><style>body{{font:10pt sans-serif}} @page{{size:A4;margin:16mm}} h3{{break-after:avoid}} {style.css}</style>"]  # fmt: skip
    out.append(f"<h1>Sheet {key}: registers of an invented gate driver</h1><p>This chip does not exist. SPI mode 1; the reply comes in the same frame.</p>")  # fmt: skip
    if style.diagram == "overview":
        numbers = "".join(f"<th>{b}</th>" for b in range(style.width - 1, -1, -1))
        out.append(
            f"<h2>Overview</h2><table style='font-size:6.5pt'><tr><th>Address</th><th>Name</th>{numbers}</tr>"
        )
        for r in registers:
            out.append(
                f"<tr><td>0x{r['address']:02X}</td><td>{r['name']}</td>{_cells(r, style)}</tr>"
            )
        out.append("</table>")
    if style.flat:
        head = "".join(
            f"<th>{h}</th>" for h in ["Register", "Address", *[style.heads[c] for c in style.order]]
        )
        out.append(f"<table><thead><tr>{head}</tr></thead>")
        for r in registers:
            for index, f in enumerate(r["fields"]):
                deep = len(r["fields"])
                lead = (
                    f"<td rowspan={deep}>{r['name']}</td><td rowspan={deep}>{r['address']:02X}h</td>"
                    if not index
                    else ""
                )
                out.append(f"<tr>{lead}{_row(f, style)}</tr>")
        out.append("</table>")
        return "\n".join(out)
    for r in registers:
        out.append(f"<h3>{style.caption.format(**r)}</h3>")
        if style.diagram in ("merged", "rows"):
            numbers = "".join(f"<th>{b}</th>" for b in range(style.width - 1, -1, -1))
            lead = "<th></th>" if style.diagram == "rows" else ""
            out.append(f"<table style='font-size:7pt;width:100%'><tr>{lead}{numbers}</tr>")
            if style.diagram == "merged":
                accesses = ACCESS[style.access]
                out.append(f"<tr>{_cells(r, style)}</tr><tr>" + "".join(f"<td colspan={f['high'] - f['low'] + 1}>{accesses[f['access']]}-{f['reset']:X}h</td>" for f in r["fields"]) + "</tr>")  # fmt: skip
            else:
                out.append(f"<tr><th>Name</th>{_cells(r, style)}</tr><tr><th>Access</th>" + "".join(f"<td colspan={f['high'] - f['low'] + 1}>{ACCESS[style.access][f['access']]}</td>" for f in r["fields"]) + "</tr>")  # fmt: skip
                out.append("<tr><th>Reset</th>" + "".join(f"<td>{r['reset'] >> b & 1}</td>" for b in range(style.width - 1, -1, -1)) + "</tr>")  # fmt: skip
            out.append("</table><br>")
        head = "".join(
            f"<th{' class=up' if style.up and c in ('access', 'reset') else ''}>{style.heads[c]}</th>"
            for c in style.order
        )
        out.append(f"<table><thead><tr>{head}</tr></thead>" + "".join(f"<tr>{_row(f, style)}</tr>" for f in r["fields"]) + f"</table>{style.after}")  # fmt: skip
        if style.tables:
            for f in r["fields"]:
                means = f.get("means")
                if means and means[0] != "scale":
                    size = f["high"] - f["low"] + 1
                    texts = means[1] if means[0] == "options" else means[2]
                    what = (
                        "<th>Meaning</th>"
                        if means[0] == "options"
                        else f"<th>Typ ({means[1]})</th><th>Max ({means[1]})</th>"
                    )
                    rows = "".join(f"<tr><td>{c}</td><td>{t}</td>{'' if means[0] == 'options' else f'<td>{t * 1.2:g}</td>'}</tr>" for c, t in zip(codes(size, 'b'), texts, strict=True))  # fmt: skip
                    out.append(
                        f"<p>Codes of {f['name']}</p><table style='width:50%'><tr><th>Code</th>{what}</tr>{rows}</table>"
                    )
    return "\n".join(out)


def _cells(register: dict, style: Style) -> str:
    return "".join(
        f"<td colspan={f['high'] - f['low'] + 1}>{f['name'] or style.reserved}</td>"
        for f in register["fields"]
    )


def _row(field: dict, style: Style) -> str:
    size = field["high"] - field["low"] + 1
    cells = {
        "bits": span(field, style.bits),
        "name": field["name"] or style.reserved,
        "access": ACCESS[style.access][field["access"]],
        "reset": number(field["reset"], size, style.reset),
        "said": html.escape(field.get("said", "")) if style.tables and field.get("means") and field["means"][0] != "scale" else meaning(field, style.code, style.sign, style.join),
    }  # fmt: skip
    return "".join(f"<td>{style.mark(c, cells[c])}</td>" for c in style.order)


def chromium(source: Path, target: Path) -> None:
    """Print a page source with the browser."""
    subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip


#: sheets by a PDF library, cells centred in their rows: which rules its tables have
LIBRARY = {"library": "ALL", "headline": "SINGLE_TOP_LINE", "centred": "NONE"}


def library(registers: list[dict], rules: str, target: Path) -> None:
    """Print a sheet with fpdf2: this function is its page source."""
    from fpdf import FPDF

    document = FPDF()
    document.add_page()
    document.set_font("helvetica", size=9)
    for r in registers:
        document.multi_cell(0, 8, "{name} register (address 0x{address:02X}), reset 0x{reset:03X}".format(**r), new_x="LMARGIN", new_y="NEXT")  # fmt: skip
        with document.table(borders_layout=rules, col_widths=(8, 20, 12, 10, 50), line_height=4.5, text_align="LEFT") as table:  # fmt: skip
            table.row(["Bits", "Name", "Access", "Reset", "Description"])
            for f in r["fields"]:
                size = f["high"] - f["low"] + 1
                said = html.unescape(meaning(f, "0b", " = ", "\n")).replace("\u00d7", "x")
                table.row([span(f, ":"), f["name"] or "Reserved", ACCESS[0][f["access"]], number(f["reset"], size, "0x"), said])  # fmt: skip
    document.output(str(target))


def main() -> None:
    SHEETS.mkdir(exist_ok=True)
    for index, (key, style) in enumerate(STYLES.items()):
        registers = chip(100 + index, style.width, style.registers)
        source = SHEETS / f"{key}.html"
        source.write_text(page(key, style, registers), encoding="utf-8")
        (SHEETS / f"{key}.json").write_text(
            json.dumps(truth(registers), indent=1), encoding="utf-8"
        )
        chromium(source, SHEETS / f"{key}.pdf")
    for index, (key, rules) in enumerate(LIBRARY.items()):
        registers = chip(200 + index, 12, 7)
        (SHEETS / f"{key}.json").write_text(
            json.dumps(truth(registers), indent=1), encoding="utf-8"
        )
        library(registers, rules, SHEETS / f"{key}.pdf")
    # what a scanner makes: a picture of a page, no text
    source = SHEETS / "scanned.html"
    bars = "".join(
        f"<rect x=20 y={20 + 18 * n} width={300 + 37 * n % 250} height=9 />" for n in range(40)
    )
    source.write_text(
        f"<!doctype html><title></title><svg width=650 height=900>{bars}</svg>", encoding="utf-8"
    )
    chromium(source, SHEETS / "scanned.pdf")


if __name__ == "__main__":
    sys.exit(main())
