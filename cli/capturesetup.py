"""How a capture would be read, and where each choice comes from: `gateword capture --explain-setup`."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.capture.lines.channels import ROLES, find_roles
from regmap.quantity import show
from regmap.trace.tracer import How, spi_setup

from .context import Context, columns, wrap

if TYPE_CHECKING:
    from regmap.capture.lines.signals import Capture
    from regmap.capture.setupfile import CaptureSetup
    from regmap.chip.model import Chip

_SECOND = (0, 0, 1, 0, 0)


def setup_lines(
    capture: Capture, chips: list[Chip], setup: CaptureSetup, kept: Path | None, context: Context
) -> Iterator[str]:
    """The reading of the file's beginning, line by line; nothing is judged."""
    first = next(capture.frame_transfers(), None) if capture.kind == "frames" else None
    how = "as told" if setup.format else "by content"
    yield wrap(f"file: {capture.name}", context.width, hang="  ")
    yield wrap(f"set-up: {kept or 'none kept'}", context.width, hang="  ")
    rows = [["format", capture.format, how]]
    rows.append(["tick", _tick(capture.tick), ""])
    rows += [["column", name, what] for name, what in capture.columns]
    if first is not None:
        sizes = sorted(set(first.clocks.tolist()))
        rows.append(["frames", f"{', '.join(map(str, sizes[:6]))} bits", "in the first part"])
    else:
        rows += _spi_rows(capture, chips, setup)
    yield from columns(rows, fold=context.width)
    for note in capture.notes:
        yield wrap(f"note: {note}", context.width, hang="  ")


def _tick(tick: Fraction) -> str:
    return show(tick, _SECOND, 6)


def _spi_rows(capture: Capture, chips: list[Chip], setup: CaptureSetup) -> Iterator[list[str]]:
    capture.assume_start = True
    sample = capture.peek()
    finding = find_roles(sample, setup.channels)
    names = {c.index: c.name for c in capture.channels}
    for role in ROLES:
        if role in finding.why:
            place = getattr(finding.roles, role)
            why = finding.why[role]
            if place is not None:
                why = why.partition(" (")[2].removesuffix(")")
            yield [role, names[place] if place is not None else "-", why]
    spi = spi_setup(chips, How(roles=setup.channels, spi=setup.spi), finding, None)
    where = dict.fromkeys(setup.spi, "as told")
    who = f"map {chips[0].name}"
    yield ["mode", str(spi.mode), where.get("mode", who)]
    level = "active low" if spi.select_active_low else "active high"
    seen = (
        "by behaviour"
        if finding.how.get("select") == "behaviour" and "select_active_low" not in setup.spi
        else who
    )
    yield ["select", level, where.get("select_active_low", seen)]
    order = "msb first" if spi.bit_order == "msb" else "lsb first"
    yield ["bit order", order, where.get("bit_order", who)]
    yield ["frames cut", spi.segment, where.get("segment", "default")]
