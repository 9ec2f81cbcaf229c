"""The timeline of a capture as SVG: lanes over time, with the trade's plain means (bars, hatching, strokes).

Each piece has its text as a tooltip (`title`). What differs by colour differs by shape or hatching too, so it reads
in grey and on paper. Deterministic to the byte; at most some thousand pieces, whatever the capture's length.
"""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

from ..calc.svg import GRID, HUES, INK, PAPER, SIZE, scale_for, ticks
from ..trace.events import TraceClock
from ..trace.telling.lanes import MEANINGS, Lane, Lanes, Piece

BLUE, BRICK, GREEN, VIOLET = HUES
LEFT, RIGHT, TOP = 132.0, 16.0, 46.0
LANE, GAP = 18.0, 7.0

#: meaning -> (fill, opacity, pattern: "", "slant" or "dots")
_LOOK: dict[str, tuple[str, float, str]] = {
    "read": (BLUE, 1, ""),
    "change": (VIOLET, 1, ""),
    "refused": (BRICK, 1, ""),
    "doubt": (BRICK, 0.65, ""),
    "lost": (BRICK, 1, ""),
    "gap": (INK, 0.35, "dots"),
    "active": (INK, 0.75, ""),
    "perhaps": (BRICK, 0.6, "slant"),
    "raised": (BRICK, 1, ""),
    "sent": (VIOLET, 0.7, "slant"),
    "shown": (GREEN, 0.75, ""),
    "reset": (INK, 0.3, "dots"),
}


def draw(found: Lanes, clock: TraceClock) -> str:
    """The picture as a whole SVG document. Times are in the unit that suits the span; frame numbers without times."""
    width = LEFT + found.columns + RIGHT
    bottom = TOP + len(found.lanes) * (LANE + GAP)
    used = [m for m in MEANINGS if any(p.meaning == m for n in found.lanes for p in n.pieces)]
    key, key_height = _key(used, width, bottom + 48)
    height = bottom + 48 + key_height + 16 * len(found.notes) + 8
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(width)} {_n(height)}" width="{_n(width)}" '
        f'height="{_n(height)}" role="img" aria-label={quoteattr(found.title)} font-family="sans-serif" '
        f'font-size="{SIZE}" fill="{INK}">',
        f"<title>{escape(found.title)}</title>",
        _patterns(used),
        f'<rect width="{_n(width)}" height="{_n(height)}" fill="{PAPER}"/>',
        f'<text x="{_n(LEFT)}" y="24" font-size="14" font-weight="bold">{escape(_short(found.title, 74))}</text>',
        *_axis(found, clock, bottom),
    ]
    for place, lane in enumerate(found.lanes):
        out += _lane(found, lane, TOP + place * (LANE + GAP))
    out += key
    for place, note in enumerate(found.notes):
        out.append(_text(LEFT, bottom + 48 + key_height + 16 * place + 4, note))
    return "\n".join([*out, "</svg>"]) + "\n"


def _axis(found: Lanes, clock: TraceClock, bottom: float) -> list[str]:
    tick = float(clock.tick) if clock.tick is not None else 1.0
    low, high = found.start * tick, found.end * tick
    factor, unit = scale_for(high, "s") if clock.tick is not None else (1.0, "frames")
    span = high - low
    if clock.tick is not None and span < high / 1000:
        # far from zero: count from the beginning of the view
        low, high, factor, unit = 0.0, span, *scale_for(span, "s")
    out = []
    for value in ticks(low / factor, high / factor, 7):
        x = LEFT + (value * factor - low) / (high - low) * found.columns
        out.append(
            f'<line x1="{_n(x)}" y1="{_n(TOP - 6)}" x2="{_n(x)}" y2="{_n(bottom)}" stroke="{GRID}"/>'
        )
        out.append(_text(x, bottom + 15, f"{value:.10g}", "middle"))
    since = f" from {clock.text(found.start)} on" if low == 0.0 and found.start else ""
    out.append(_text(LEFT + found.columns / 2, bottom + 32, f"time{since} / {unit}", "middle"))
    return out


def _lane(found: Lanes, lane: Lane, top: float) -> list[str]:
    base = top + LANE
    out = [
        _text(LEFT - 8, base - 5, _short(lane.name, 18), "end", lane.name),
        f'<line x1="{_n(LEFT)}" y1="{_n(base)}" x2="{_n(LEFT + found.columns)}" y2="{_n(base)}" stroke="{GRID}"/>',
    ]
    return out + [_piece(found, lane.kind, piece, top) for piece in lane.pieces]


def _piece(found: Lanes, kind: str, piece: Piece, top: float) -> str:
    span = found.end - found.start
    x = LEFT + (piece.start - found.start) / span * found.columns
    wide = max((piece.end - piece.start) / span * found.columns, 1.0)
    title = f"<title>{escape(piece.text)}</title>"
    fill, opacity, pattern = _LOOK[piece.meaning]
    paint = f'fill="url(#{piece.meaning})"' if pattern else f'fill="{fill}"'
    if opacity != 1 and not pattern:
        paint += f' fill-opacity="{_n(opacity)}"'
    if kind == "density":
        tall = LANE * (0.25 + 0.75 * piece.weight)
        return f'<rect x="{_n(x)}" y="{_n(top + LANE - tall)}" width="{_n(wide)}" height="{_n(tall)}" {paint}>{title}</rect>'
    if kind == "marks" and piece.meaning == "lost":
        middle, low = x + wide / 2, top + LANE
        body = f"M{_n(middle)} {_n(low)} l-5 -13 h10 z"
        bar = (
            f'<rect x="{_n(x)}" y="{_n(low - 3)}" width="{_n(wide)}" height="3" {paint}/>'
            if wide > 10
            else ""
        )
        return f"<g>{title}{bar}<path d={quoteattr(body)} {paint}/></g>"
    # what was only perhaps so is half as high
    tall = LANE * (0.5 if piece.meaning in ("perhaps", "sent") else 0.8)
    return f'<rect x="{_n(x)}" y="{_n(top + LANE - tall)}" width="{_n(wide)}" height="{_n(tall)}" {paint}>{title}</rect>'


def _patterns(used: list[str]) -> str:
    out = []
    for name in used:
        fill, opacity, pattern = _LOOK[name]
        if pattern == "slant":
            body = f'<path d="M-1 5 L5 -1 M3 9 L9 3" stroke="{fill}" stroke-width="1.6"/>'
        elif pattern == "dots":
            body = f'<circle cx="2" cy="2" r="1.1" fill="{fill}"/><circle cx="6" cy="6" r="1.1" fill="{fill}"/>'
        else:
            continue
        out.append(
            f'<pattern id="{name}" width="8" height="8" patternUnits="userSpaceOnUse">'
            f'<rect width="8" height="8" fill="{fill}" fill-opacity="{_n(opacity * 0.3)}"/>{body}</pattern>'
        )
    return f"<defs>{''.join(out)}</defs>"


def _key(used: list[str], width: float, top: float) -> tuple[list[str], float]:
    """The key below the lanes, and its height."""
    out: list[str] = []
    x, y = LEFT, top + 10
    for name in used:
        fill, opacity, pattern = _LOOK[name]
        paint = f'fill="url(#{name})"' if pattern else f'fill="{fill}" fill-opacity="{_n(opacity)}"'
        span = 36 + 6.7 * len(MEANINGS[name])
        if x + span > width and x > LEFT:
            x, y = LEFT, y + 17
        shape = (
            f'<path d="M{_n(x + 8)} {_n(y)} l-5 -11 h10 z" {paint}/>'
            if name == "lost"
            else f'<rect x="{_n(x)}" y="{_n(y - 9)}" width="16" height="9" {paint}/>'
        )
        out += [shape, _text(x + 21, y, MEANINGS[name])]
        x += span
    return out, y - top + 10


def _text(x: float, y: float, text: str, anchor: str = "start", title: str = "") -> str:
    inside = f"<title>{escape(title)}</title>" if title and title != text else ""
    return f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}">{inside}{escape(text)}</text>'


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "\u2026"


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
