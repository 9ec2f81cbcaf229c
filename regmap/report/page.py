"""A small kit for one self-contained HTML page: escaped by default, no script, nothing from outside.

Text is escaped unless it is `Html`. The same input gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape


class Html(str):
    """Text that is markup already."""

    __slots__ = ()


def safe(value: object) -> Html:
    """Markup as it is, anything else escaped."""
    return value if isinstance(value, Html) else Html(escape(str(value)))


def join(values: Iterable[object], between: str = "") -> Html:
    return Html(between.join(safe(v) for v in values))


def tag(name: str, *content: object, **attributes: str) -> Html:
    """`tag("p", "a < b", cls="note")`; `cls` stands for class."""
    shown = "".join(
        f' {"class" if key == "cls" else key.replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
        if value
    )
    return Html(f"<{name}{shown}>{join(content)}</{name}>")


def code(text: object) -> Html:
    """A name or a word in the fixed-width face."""
    return tag("code", text)


def table(
    head: Sequence[object],
    rows: Iterable[Sequence[object]],
    *,
    caption: str,
    cls: str = "",
    right: Sequence[int] = (),
) -> Html:
    """A table; `right` are the columns of numbers. A row may be (cells..., "class=NAME") at its end.

    `caption` is for those who hear the page; each cell knows its head, for screens too narrow for columns.
    """
    flush = set(right)
    names = [str(h) for h in head]

    def cells(row: Sequence[object], name: str) -> Html:
        return join(
            tag(name, c, cls="n" if i in flush else "", scope="col")
            if name == "th"
            else tag(
                name, c, cls="n" if i in flush else "", data_head=names[i] if i < len(names) else ""
            )
            for i, c in enumerate(row)
        )

    body = []
    for row in rows:
        mark = ""
        if row and isinstance(row[-1], str) and row[-1].startswith("class="):
            mark, row = row[-1][6:], row[:-1]
        body.append(tag("tr", cells(row, "td"), cls=mark))
    top = tag("thead", tag("tr", cells(head, "th"))) if head else Html("")
    told = tag("caption", caption)
    return tag("div", tag("table", told, top, tag("tbody", join(body, "\n")), cls=cls), cls="wide")


def fold(summary: object, *content: object, ident: str = "", unfold: bool = False) -> Html:
    """A part that opens on a click, or stands open."""
    opening = (
        "<details" + (f' id="{escape(ident)}"' if ident else "") + (" open" if unfold else "") + ">"
    )
    return Html(f"{opening}{tag('summary', summary)}{tag('div', *content)}</details>")


def items(values: Iterable[object], cls: str = "") -> Html:
    return tag("ul", join(tag("li", v) for v in values), cls=cls)


def facts(pairs: Iterable[tuple[object, object]]) -> Html:
    """Names with their values, side by side."""
    return tag("dl", join(Html(tag("dt", a) + tag("dd", b)) for a, b in pairs))


def section(ident: str, number: int, title: str, *content: object) -> Html:
    head = tag("h2", tag("span", str(number), cls="no"), title)
    return tag("section", head, *content, id=ident)


def bar(share: float) -> Html:
    """A margin as a bar from the middle: to the right it holds, to the left it fails; full at 100 %."""
    width = min(abs(share), 1.0) * 50
    left = 50.0 if share >= 0 else 50 - width
    side = "pos" if share >= 0 else "neg"
    return Html(
        f'<span class="bar" aria-hidden="true"><i class="{side}" style="left:{left:.1f}%;width:{width:.1f}%"></i></span>'
    )


def page(title: str, contents: Iterable[tuple[str, str]], *body: object) -> str:
    """The whole document. `contents` are (id, title) of the sections."""
    links = join((tag("li", tag("a", name, href=f"#{ident}")) for ident, name in contents))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n"
        f'<a class="skip" href="#main">Skip to the record</a>\n<nav aria-label="Contents"><ol>{links}</ol></nav>\n<main id="main">\n{join(body, chr(10))}\n</main>\n</body>\n</html>\n'
    )


STYLE = """\
:root { --ink: #1c2733; --soft: #5a6673; --line: #d5d0c4; --paper: #fdfcf8; --band: #f4f1e8;
  --lead: #234d4f; --bad: #9f2318; --warn: #8a5a00; --good: #2e6b34; --none: #5a6673; --card: #fff;
  --on: #fff; --moved: #dfeae6; --heed: #fffaf0; color-scheme: light dark; }
@media screen and (prefers-color-scheme: dark) { :root { --ink: #e6e3da; --soft: #a9b0b6; --line: #47505a; --paper: #171b20;
  --band: #232a31; --lead: #8ec9c4; --bad: #ff9d90; --warn: #e8b455; --good: #8fce96; --none: #a9b0b6; --card: #1e242a;
  --on: #171b20; --moved: #24403c; --heed: #2b2416; } }
* { box-sizing: border-box; }
html { scroll-behavior: smooth; -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { margin: 0; background: var(--paper); color: var(--ink); font: 15px/1.5 Georgia, "Liberation Serif",
  "Times New Roman", serif; display: grid; grid-template-columns: 13.5rem minmax(0, 62rem); gap: 0 3rem;
  justify-content: center; }
nav { position: sticky; top: 0; align-self: start; max-height: 100vh; overflow: auto; padding: 3.2rem 0 2rem 1.5rem;
  font: 13px/1.45 "Helvetica Neue", Arial, "Liberation Sans", sans-serif; }
nav ol { list-style: none; margin: 0; padding: 0; counter-reset: c; }
nav li { counter-increment: c; margin: 0 0 .45rem; }
nav li::before { content: counter(c); display: inline-block; width: 1.7em; color: var(--soft); }
nav a { color: var(--ink); text-decoration: none; }
nav a:hover { color: var(--lead); text-decoration: underline; }
main { padding: 2.6rem 1.5rem 5rem 0; min-width: 0; }
h1, h2, h3, th, dt, .sign, .tally, .eyebrow, summary, .seg b { font-family: "Helvetica Neue", Arial, "Liberation Sans", sans-serif; }
.eyebrow { font-size: 12px; letter-spacing: .09em; color: var(--soft); margin: 0 0 .4rem; }
h1 { font-size: 31px; line-height: 1.15; margin: 0 0 .5rem; font-weight: 600; letter-spacing: -.012em; }
h2 { font-size: 19px; font-weight: 600; margin: 3rem 0 .8rem; padding-top: .7rem; border-top: 2px solid var(--lead); }
h2 .no { display: inline-block; min-width: 1.9em; color: var(--lead); }
h3 { font-size: 14.5px; margin: 1.6rem 0 .4rem; }
p { margin: .4rem 0 .7rem; max-width: 46rem; }
.lead { font-size: 17px; }
.note { color: var(--soft); font-size: 13.5px; }
code, .word, pre { font-family: "DejaVu Sans Mono", "Liberation Mono", Menlo, Consolas, monospace; font-size: .86em; }
pre { white-space: pre-wrap; overflow-wrap: anywhere; background: var(--band); padding: .7rem .9rem; margin: .5rem 0; line-height: 1.45; }
.skip { position: absolute; left: -99rem; padding: .5rem 1rem; background: var(--card); z-index: 1; } .skip:focus { left: .5rem; top: .5rem; }
a:focus-visible, summary:focus-visible { outline: 3px solid var(--lead); outline-offset: 2px; }
.wide { margin: .6rem 0 1rem; }
caption { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }
h1, h2, h3, p, li, summary, td, th { overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; font-size: 13.5px; line-height: 1.38; }
th { text-align: left; font-size: 11.5px; font-weight: 600; color: var(--soft); padding: .3rem .7rem .3rem 0;
  border-bottom: 1px solid var(--ink); vertical-align: bottom; }
td { padding: .34rem .7rem .34rem 0; border-bottom: 1px solid var(--line); vertical-align: top; }
td.n, th.n, td .fig { white-space: nowrap; } th { overflow-wrap: normal; } td code { overflow-wrap: anywhere; }
td { min-width: 3.2rem; } .verdicts td:nth-child(2) { min-width: 11rem; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }
.dense { font-size: 12.8px; } .dense td { padding-top: .2rem; padding-bottom: .2rem; }
.settings td:last-child { overflow-wrap: anywhere; min-width: 6rem; }
td .note { font-size: inherit; }
tr.apart td { color: var(--soft); }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .25rem 1.4rem; margin: .6rem 0; font-size: 14px; }
dt { color: var(--soft); font-size: 12.5px; padding-top: .1rem; }
dd { margin: 0; overflow-wrap: anywhere; }
ul { margin: .4rem 0 .8rem; padding-left: 1.2rem; }
.sign { display: inline-block; min-width: 3.9rem; padding: .05rem .4rem; font-size: 11.5px; font-weight: 600;
  text-align: center; border: 1.5px solid currentColor; border-radius: 2px; white-space: nowrap; }
.fails { color: var(--on); background: var(--bad); border-color: var(--bad); }
.low { color: var(--warn); border-style: dashed; }
.holds { color: var(--good); }
.none { color: var(--none); border-style: dotted; }
.tally { display: flex; flex-wrap: wrap; gap: .6rem; margin: 1rem 0; }
.tally div { flex: 1 1 8rem; border: 1px solid var(--line); border-left-width: 6px; padding: .45rem .8rem; background: var(--card); }
.tally b { display: block; font-size: 25px; line-height: 1.15; font-variant-numeric: tabular-nums; }
.tally .t-fails { border-left-color: var(--bad); } .tally .t-low { border-left: 6px dashed var(--warn); }
.tally .t-holds { border-left-color: var(--good); } .tally .t-none { border-left: 6px dotted var(--none); }
.tally span { font-size: 12.5px; color: var(--soft); }
.bar { display: inline-block; position: relative; width: 92px; height: 9px; margin-left: .6rem; background:
  linear-gradient(to right, transparent 49%, var(--ink) 49%, var(--ink) 51%, transparent 51%), var(--band); }
.bar i { position: absolute; top: 1px; bottom: 1px; } .bar .pos { background: var(--good); } .bar .neg { background: var(--bad); }
details { border-bottom: 1px solid var(--line); }
details > div { padding: .1rem 0 .9rem 1.1rem; }
summary { cursor: pointer; padding: .42rem 0; font-size: 13.5px; }
summary:hover { color: var(--lead); }
summary .sign { margin-right: .7rem; } summary .r { float: right; font-variant-numeric: tabular-nums; }
.reg { margin: .2rem 0 1.1rem; break-inside: avoid; }
.reg p { margin: 0 0 .25rem; font-size: 13.5px; }
.strip { display: flex; border: 1px solid var(--ink); background: var(--card); font-size: 11.5px; line-height: 1.3; }
.seg { min-width: 0; padding: .2rem .35rem .25rem; border-left: 1px solid var(--line); overflow: hidden; overflow-wrap: anywhere; }
.seg:first-child { border-left: 0; }
.seg b { display: block; font-size: 10px; font-weight: 400; color: var(--soft); }
.seg.moved { background: var(--moved); box-shadow: inset 0 -3px var(--lead); }
.seg.res { background: repeating-linear-gradient(135deg, var(--card) 0 5px, var(--band) 5px 9px); }
figure { margin: .8rem 0; break-inside: avoid; } figure svg { background: #fff; max-width: 100%; height: auto; border: 1px solid var(--line); }
.pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(26rem, 100%), 1fr)); gap: .4rem 1.6rem; align-items: end; }
.pair figure { align-self: start; }
.caution { border: 1.5px solid var(--warn); border-left-width: 6px; padding: .6rem .9rem; background: var(--heed); max-width: none; }
.filter { border: 0; padding: 0; margin: .6rem 0; font-size: 13px; } .filter label { margin-right: .9rem; white-space: nowrap; }
.filter legend { float: left; margin-right: .9rem; padding: 0; color: var(--soft); }
@media screen { main:has(#show-fails:checked) .verdicts tbody tr:not(.s-fails), main:has(#show-low:checked) .verdicts tbody tr:not(.s-low),
  main:has(#show-none:checked) .verdicts tbody tr:not(.s-none), main:has(#show-holds:checked) .verdicts tbody tr:not(.s-holds) { display: none; } }
.verdicts.named { display: none; }
@media screen { main:has(#order-named:checked) .verdicts.worst { display: none; } main:has(#order-named:checked) .verdicts.named { display: table; } }
@media screen and (max-width: 47rem) { main:has(#order-named:checked) .verdicts.named { display: block; } }
@media print { .filter { display: none; } }
.blank td { height: 3.1rem; }
.box { display: inline-block; width: .95em; height: .95em; border: 1.5px solid var(--ink); margin-right: .6em; vertical-align: -.12em; }
a { color: var(--lead); }
@media (max-width: 60rem) { body { display: block; } nav { position: static; max-height: none; padding: 1.5rem 1.2rem 0; }
  nav ol { columns: 2; } main { padding: 1rem 1.2rem 3rem; } .pair { grid-template-columns: 1fr; } }
@media screen and (max-width: 47rem) { .strip { flex-wrap: wrap; } .seg { flex-basis: 4.5rem !important; }
  dl { grid-template-columns: 1fr; gap: 0; } dd { margin-bottom: .4rem; } nav ol { columns: 1; }
  thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
  table, tbody, tr, td { display: block; } tr { border-bottom: 1px solid var(--line); padding: .4rem 0; }
  td { border: 0; padding: .1rem 0; min-width: 0; } td.n { text-align: left; white-space: normal; } td:empty { display: none; }
  td[data-head]::before { content: attr(data-head) ": "; color: var(--soft); } }
@page { margin: 17mm 15mm 18mm; @bottom-right { content: counter(page) " / " counter(pages); font: 8pt Arial, sans-serif; } }
@media print { body { display: block; background: #fff; color: #000; font-size: 10pt; } nav { display: none; } main { padding: 0; }
  h2 { margin-top: 1.6rem; break-after: avoid; } h3 { break-after: avoid; } tr, .tally, .caution { break-inside: avoid; }
  table { font-size: 8.5pt; } .skip { display: none; }
  details::details-content { content-visibility: visible; block-size: auto; display: block; } a { color: inherit; text-decoration: none; }
  summary { font-size: 8.5pt; } .strip { font-size: 7.5pt; } pre { font-size: 7.5pt; } .pair { grid-template-columns: 1fr 1fr; }
  thead { display: table-header-group; } .bar { width: 40px; margin-left: .2rem; } td, th { padding-right: .4rem; } td { min-width: 0; }
  .verdicts td:nth-child(2) { min-width: 0; } .dense { font-size: 8pt; }
  .verdicts code, .settings code { font-size: 7pt; } .sign { font-size: 7.5pt; min-width: 3rem; } }
"""
