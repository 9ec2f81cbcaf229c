"""The live table of `gateword link PORT watch`: redrawn in place on a terminal, else one block a change.

On a terminal it never grows beyond the screen: the newest events and how often each fault came stand
below the present state.
No terminal mode is changed and the cursor is never hidden, so there is nothing to put back when
the program is stopped at any moment.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from regmap.chip.model import Chip
from regmap.link.watch import Sample, Tally, tree

from .context import Context, hexword, wrap

MOST_EVENTS = 100


def cut(text: str, width: int) -> str:
    """A line that does not fold."""
    return text if len(text) <= width else text[: width - 3] + "..."


class View:
    """Shows samples. On a terminal the table is redrawn; in a pipe only what has changed is written."""

    def __init__(self, context: Context, chip: Chip, *, as_json: bool) -> None:
        self.context = context
        self.chip = chip
        self.as_json = as_json
        self.live = (
            not as_json and context.stdout.isatty() and context.environ.get("TERM") != "dumb"
        )
        self._drawn = 0
        self._last: list[str] = []
        self._tally = Tally()
        self._events: deque[str] = deque(maxlen=MOST_EVENTS)

    def show(self, sample: Sample) -> None:
        """Put one sample out."""
        if self.as_json:
            self.context.json_line("sample", **sample.plain())
            self.context.stdout.flush()
            return
        for at, text in self._tally.take(sample):
            self._events.append(f"{at[11:19]} {text}")
        lines = self.lines(sample)
        if self.live:
            lines = self._bounded(lines)
            if self._drawn:
                self.context.stdout.write(f"\x1b[{self._drawn}A\x1b[J")
            self.context.out("\n".join(lines))
            self._drawn = len(lines)
        elif lines[1:] != self._last:
            for line in lines:
                self.context.out(line)
        self._last = lines[1:]
        self.context.stdout.flush()

    def _bounded(self, lines: list[str]) -> list[str]:
        """The state, the counts and the newest events, in no more lines than the screen has."""
        import shutil

        width = self.context.width
        room = shutil.get_terminal_size((80, 24)).lines - 1
        counts = [f"{name} {n}" for name, n in self._tally.counts.most_common()]
        counts += [f"not answering {self._tally.lost}"] * bool(self._tally.lost)
        below = [cut(f"times: {', '.join(counts)}", width)] * bool(counts)
        events = [cut(text, width) for text in self._events]
        least = min(len(events), max(1, room // 4))
        space = room - len(below) - least
        if len(lines) > space:
            left = len(lines) - space + 1
            lines = [*lines[: space - 1], self.context.style(f"... {left} more lines", "dim")]
        fit = room - len(lines) - len(below)
        return [*lines, *below, *events[len(events) - min(fit, len(events)) :]]

    def close(self) -> None:
        """Leave the last table standing, with the cursor below it."""
        self.context.stdout.flush()

    def lines(self, sample: Sample) -> list[str]:
        """One sample as text; the first line holds the time, so that the rest can be compared."""
        width = self.context.width
        out = [f"{sample.at[11:23]}  {sample.time:9.3f} s  poll {sample.number}"]
        for name, reading in sample.readings.items():
            register = self.chip.registers[name]
            if reading.word is None:
                out += wrap(f"{name:<14} lost: {reading.why}", width, hang="    ").splitlines()
            else:
                note = " (single reading)" if reading.grade == "single" else ""
                out.append(f"{name:<14} {hexword(reading.word, register.width)}{note}")
        for text in sample.explanation.wiring:
            out += wrap(f"wiring: {text}", width, hang="  ").splitlines()
        looked = False
        for depth, finding in tree(sample.explanation.findings):
            fault = finding.fault
            new = " NEW" if fault.name in sample.appeared else ""
            role = {"stop": "bad", "warn": "warn", "note": "dim"}[fault.severity]
            mark = self.context.style(fault.severity.upper(), role)
            normal = " (normal after power-up)" if fault.normal_at_power_up else ""
            out.append(f"{'  ' * depth}{mark} {fault.name}: {fault.title}{normal}{new}")
            if not depth and fault.check_first and not fault.normal_at_power_up:
                # where several stand by themselves the first is looked at first
                look = "then look at" if looked else "look first at"
                looked = True
                out += wrap(f"{look}: {fault.check_first[0]}", width, "  ").splitlines()
        if sample.gone:
            out += wrap("gone: " + ", ".join(sample.gone), width, hang="  ").splitlines()
        if sample.fault_pin is not None:
            out.append(f"fault pin {'low (active)' if sample.pin_active else 'high'}")
        elif sample.pin_lost:
            out += wrap(f"fault pin not known: {sample.pin_lost}", width, hang="  ").splitlines()
        for text in self.unseen(sample):
            out += wrap(text, width, hang="  ").splitlines()
        return out

    def unseen(self, sample: Sample) -> Iterator[str]:
        """What this poll cannot say: never "no fault" of registers that were not read."""
        skipped = ", ".join(sample.skipped)
        quiet = not sample.explanation.raised and sample.complete and not sample.explanation.wiring
        if not sample.readings:
            yield (
                f"no register was read, because reading clears {skipped}: no fault can be told"
                if skipped
                else "the map has no status register: no fault can be told"
            )
        elif quiet:
            but = ", but the fault pin is active" if sample.pin_active else ""
            yield f"no fault is raised in the registers read{but}"
        if skipped and sample.readings:
            yield f"not read, because reading clears: {skipped}"
        if skipped and quiet and sample.pin_active:
            yield f"the fault pin is active, so a fault is likely to stand in what was not read; --clearing reads {skipped}, and so erases what {'it holds' if len(sample.skipped) == 1 else 'they hold'}"
