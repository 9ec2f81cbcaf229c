"""A small drawing kit for the plots: axes with units, lines, bands, bars, as SVG text.

Deterministic to the byte: numbers are written with two decimals, nothing depends on the clock or
on the order of a set. Lines differ by dash as well as by colour.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

from regmap.record import dataclass, field

Point = tuple[float, float]

INK, GRID, PAPER = "#1c2733", "#d9dee4", "#ffffff"
HUES = ("#0b5fa5", "#b3541e", "#4a7c2c", "#7a3e8e")
SIZE = 12

_SCALES = ((1e-9, "n"), (1e-6, "u"), (1e-3, "m"), (1.0, ""), (1e3, "k"))


def stamped(svg: str, text: str) -> str:
    """A picture with a small line above it: what it was made from."""
    line = f'<text x="8" y="11" font-size="9" fill="{INK}">{escape(text)}</text>'
    return svg.replace("</svg>", f"{line}\n</svg>")


def scale_for(largest: float, unit: str) -> tuple[float, str]:
    """Factor and unit with prefix in which values up to `largest` read well."""
    chosen = _SCALES[0]
    for factor, prefix in _SCALES:
        if abs(largest) >= factor:
            chosen = (factor, prefix)
    return chosen[0], chosen[1] + unit


def ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Round values (steps of 1, 2 or 5) inside low..high."""
    if not high > low:
        return [low]
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [n * step for n in range(first, last + 1)]


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


@dataclass(slots=True)
class Panel:
    """One pair of axes; data are in the units of the labels. `box` is x, y, width, height."""

    box: tuple[float, float, float, float]
    x: tuple[float, float]
    y: tuple[float, float]
    x_label: str = ""
    y_label: str = ""
    parts: list[str] = field(default_factory=list)
    keys: list[tuple[str, str, str]] = field(default_factory=list)

    def at(self, point: Point) -> Point:
        """Picture coordinates of a data point."""
        left, top, width, height = self.box
        across = (point[0] - self.x[0]) / (self.x[1] - self.x[0])
        up = (point[1] - self.y[0]) / (self.y[1] - self.y[0])
        return left + across * width, top + (1 - up) * height

    def _path(self, points: Sequence[Point]) -> str:
        return " ".join(f"{_n(x)},{_n(y)}" for x, y in map(self.at, points))

    def line(
        self, points: Sequence[Point], hue: str, dash: str = "", width: float = 2.0, name: str = ""
    ) -> None:
        """A polyline; a `name` puts it in the key."""
        style = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{self._path(points)}" fill="none" stroke="{hue}" '
            f'stroke-width="{_n(width)}"{style}/>'
        )
        if name:
            self.keys.append((name, hue, dash))

    def area(self, points: Sequence[Point], hue: str, name: str = "") -> None:
        """A filled polygon, light."""
        self.parts.append(
            f'<polygon points="{self._path(points)}" fill="{hue}" '
            f'fill-opacity="0.18" stroke="none"/>'
        )
        if name:
            self.keys.append((name, hue, "area"))

    def bar(self, start: float, end: float, y: float, half: float, hue: str, label: str) -> None:
        """A horizontal bar around `y` with its label as a tooltip."""
        (x0, y0), (x1, y1) = self.at((start, y + half)), self.at((end, y - half))
        self.parts.append(
            f'<rect x="{_n(x0)}" y="{_n(y0)}" width="{_n(max(x1 - x0, 0))}" '
            f'height="{_n(y1 - y0)}" fill="{hue}"><title>{escape(label)}</title></rect>'
        )

    def patch(self, x: tuple[float, float], y: tuple[float, float], hue: str, label: str) -> None:
        """A light rectangle from one corner to the other with its label as a tooltip."""
        (x0, y0), (x1, y1) = self.at((x[0], y[1])), self.at((x[1], y[0]))
        self.parts.append(
            f'<rect x="{_n(x0)}" y="{_n(y0)}" width="{_n(x1 - x0)}" height="{_n(y1 - y0)}" '
            f'fill="{hue}" fill-opacity="0.25"><title>{escape(label)}</title></rect>'
        )

    def text(self, point: Point, text: str, anchor: str = "start", gap: float = 6) -> None:
        """Text beside a data point, `gap` away to the right ("start") or left ("end")."""
        x, y = self.at(point)
        self.parts.append(_text(x - gap if anchor == "end" else x + gap, y + 4, text, anchor))

    def svg(self) -> list[str]:
        """The panel with its axes."""
        left, top, width, height = self.box
        out = []
        for value in ticks(*self.x):
            x = self.at((value, self.y[0]))[0]
            out.append(
                f'<line x1="{_n(x)}" y1="{_n(top)}" x2="{_n(x)}" y2="{_n(top + height)}" '
                f'stroke="{GRID}"/>'
            )
            if self.x_label:
                out.append(_text(x, top + height + 16, f"{value:g}", "middle"))
        for value in ticks(*self.y, about=max(2, int(height / 34))) if self.y_label else ():
            y = self.at((self.x[0], value))[1]
            out.append(
                f'<line x1="{_n(left)}" y1="{_n(y)}" x2="{_n(left + width)}" y2="{_n(y)}" '
                f'stroke="{GRID}"/>'
            )
            out.append(_text(left - 6, y + 4, f"{value:g}", "end"))
        out.extend(self.parts)
        out.append(
            f'<rect x="{_n(left)}" y="{_n(top)}" width="{_n(width)}" '
            f'height="{_n(height)}" fill="none" stroke="{INK}"/>'
        )
        if self.x_label:
            out.append(_text(left + width / 2, top + height + 34, self.x_label, "middle"))
        if self.y_label:
            x, y = left - 44, top + height / 2
            out.append(
                f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="middle" '
                f'transform="rotate(-90 {_n(x)} {_n(y)})">{escape(self.y_label)}</text>'
            )
        return out


def _text(x: float, y: float, text: str, anchor: str = "start") -> str:
    return f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}">{escape(text)}</text>'


def picture(
    width: float, height: float, title: str, panels: Sequence[Panel], notes: Sequence[str] = ()
) -> str:
    """A whole SVG document: title, panels, key, and notes below, for which it grows where they need more lines."""
    # text of this size is about 6.6 units a character wide
    folded = [part for note in notes for part in textwrap.wrap(note, int((width - 74) / 6.6))]
    height += 16 * (len(folded) - len(notes))
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(width)} {_n(height)}" '
        f'width="{_n(width)}" height="{_n(height)}" role="img" aria-label={quoteattr(title)} '
        f'font-family="sans-serif" font-size="{SIZE}" fill="{INK}">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{_n(width)}" height="{_n(height)}" fill="{PAPER}"/>',
        f'<text x="{_n(width / 2)}" y="22" text-anchor="middle" font-size="15" '
        f'font-weight="bold">{escape(title)}</text>',
    ]
    keys: dict[str, tuple[str, str]] = {}
    for panel in panels:
        lines.extend(panel.svg())
        keys.update({name: (hue, dash) for name, hue, dash in panel.keys if name not in keys})
    x, y = 64.0, 42.0
    for name, (hue, dash) in keys.items():
        span = 34 + 6.6 * len(name)
        if x + span > width - 10:
            x, y = 64.0, y + 16
        if dash == "area":
            lines.append(
                f'<rect x="{_n(x)}" y="{_n(y - 8)}" width="20" height="9" fill="{hue}" '
                f'fill-opacity="0.3"/>'
            )
        else:
            style = f' stroke-dasharray="{dash}"' if dash else ""
            lines.append(
                f'<line x1="{_n(x)}" y1="{_n(y - 4)}" x2="{_n(x + 20)}" '
                f'y2="{_n(y - 4)}" stroke="{hue}" stroke-width="2"{style}/>'
            )
        lines.append(_text(x + 25, y, name))
        x += span
    for row, note in enumerate(reversed(folded)):
        lines.append(_text(64, height - 10 - 16 * row, note))
    lines.append("</svg>")
    return "\n".join(lines) + "\n"
