"""The fault pin and the enable pin of a capture: when they moved, and whether they are active."""

from __future__ import annotations

from regmap.capture.lines.channels import words_of
from regmap.capture.lines.signals import Block, Channel, Edges, Signals


class PinTrace:
    """Edges of both pins, gathered block after block. Lists of (tick, active) from the first on.

    A fault pin is taken as active low (open drain) if its name has the bar or it rests high: common
    practice, no source. An enable pin named sleep or reset with a bar is still active high.
    """

    def __init__(
        self, fault: Channel | None, enable: Channel | None, sample: Signals | None = None
    ) -> None:
        self.fault = fault
        self.enable = enable
        self.fault_low = (
            fault is None or sample is None or _barred(fault.name) or _rests_high(sample, fault)
        )
        self.fault_edges: list[tuple[int, bool]] = []
        self.enable_edges: list[tuple[int, bool]] = []
        self._started = False
        self._fault_start: bool | None = None
        self._enable_start: bool | None = None

    def feed(self, block: Block) -> None:
        """Take the pins' edges of one block."""
        if not self._started:
            self._started = True
            if self.fault is not None:
                level = int(block.before[self.fault.index])
                self._fault_start = level <= 1 and (level == 0) == self.fault_low
            if self.enable is not None:
                self._enable_start = int(block.before[self.enable.index]) == 1
        if self.fault is not None:
            self._add(self.fault_edges, block.of(self.fault.index), 0 if self.fault_low else 1)
        if self.enable is not None:
            self._add(self.enable_edges, block.of(self.enable.index), 1)

    @staticmethod
    def _add(edges: list[tuple[int, bool]], more: Edges, active: int) -> None:
        for time, value in zip(more.times.tolist(), more.values.tolist(), strict=True):
            state = value == active
            if not edges or edges[-1][1] != state:
                edges.append((time, state))

    def forget_before(self, time: int) -> None:
        """Let go of the edges up to a tick; the levels that they left are kept."""
        self._fault_start = self.fault_at(time)
        self._enable_start = self.enable_at(time)
        self.fault_edges = [e for e in self.fault_edges if e[0] > time]
        self.enable_edges = [e for e in self.enable_edges if e[0] > time]

    def fault_at(self, time: int) -> bool | None:
        """Whether the fault pin is active at an instant; None where it was not captured."""
        return None if self.fault is None else _state(self.fault_edges, self._fault_start, time)

    def enable_at(self, time: int) -> bool | None:
        """Whether the chip is enabled by its pin at an instant; None where it was not captured."""
        return None if self.enable is None else _state(self.enable_edges, self._enable_start, time)

    def fault_spans(self, start: int, end: int) -> list[tuple[int, int]]:
        """From when to when the fault pin was active, in order; one that lasts ends at `end`."""
        spans: list[tuple[int, int]] = []
        since = start if self._fault_start else -1
        for time, active in self.fault_edges:
            if active and since < 0:
                since = time
            elif not active and since >= 0:
                spans.append((since, time))
                since = -1
        if since >= 0:
            spans.append((since, end))
        return spans

    def fault_since(self, time: int) -> int | None:
        """When the fault pin, active at this instant, became so (-1: before the capture); None: it is not active."""
        if not self.fault_at(time):
            return None
        place = _place(self.fault_edges, time)
        return self.fault_edges[place - 1][0] if place else -1

    def fault_fell(self, after: int, until: int) -> int:
        """The first instant in (after, until] at which the fault pin became active; -1: none."""
        for time, active in self.fault_edges[_place(self.fault_edges, after) :]:
            if time > until:
                break
            if active:
                return time
        return -1


def _place(edges: list[tuple[int, bool]], time: int) -> int:
    """The place of the first edge after `time`."""
    low, high = 0, len(edges)
    while low < high:
        middle = (low + high) // 2
        if edges[middle][0] <= time:
            low = middle + 1
        else:
            high = middle
    return low


def _state(edges: list[tuple[int, bool]], start: bool | None, time: int) -> bool | None:
    place = _place(edges, time)
    return edges[place - 1][1] if place else start


def _barred(name: str) -> bool:
    """Whether a line's name says that it is active low."""
    words = words_of(name)
    return any(w.startswith("n") or w.endswith(("n", "b")) for w in words[-1:])


def _rests_high(sample: Signals, channel: Channel) -> bool:
    """Whether a line is high for most of the sample."""
    edges = sample.edges[channel.index]
    time, level, high = sample.start, int(sample.initial[channel.index]), 0
    for at, value in zip(edges.times.tolist(), edges.values.tolist(), strict=True):
        high += at - time if level == 1 else 0
        time, level = at, value
    high += sample.end - time if level == 1 else 0
    return 2 * high > sample.end - sample.start
