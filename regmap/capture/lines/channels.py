"""Which channel is which line: by the trade's names, else by how the lines behave.

By name: the last part of a channel's name is split into words (`U3_SPI1_nCS` is u, spi, ncs) and looked
up in the list below. By behaviour: the clock is the line of evenly spaced edges that comes in bursts;
select keeps one level through the bursts and moves in the pauses; data lines move inside the bursts. Of
two lines that carry data SDO is the one that floats, or that follows the clock's edge later (the chip
answers the edge, the controller makes it). Every choice can be given; the result says what was
found, how, and why.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from regmap.errors import CallError
from regmap.quantity import show
from regmap.record import dataclass, field

from ..arrays import Times, Values, Z, lower_quartile, middle
from ..spi import Roles
from .signals import Channel, Signals

ROLES = ("clock", "select", "command", "reply", "fault", "enable")

# Names of the trade, the surest first; the names of SDI and SDO are as seen from the chip where they
# leave a choice (sdi, di: into the chip). Common practice, no source.
NAMES: dict[str, tuple[str, ...]] = {
    "clock": ("sclk", "sck", "spck", "scl", "clk", "sckl", "clock", "spc"),
    "select": (
        "ncs",
        "nscs",
        "csn",
        "scsn",
        "csb",
        "ncsb",
        "scs",
        "cs",
        "nss",
        "ssn",
        "ss",
        "ssel",
        "nsel",
        "sel",
        "select",
        "ce",
        "nce",
        "stb",
    ),
    "command": ("mosi", "copi", "sdi", "simo", "di", "din", "si", "command", "tx", "txd"),
    "reply": ("miso", "cipo", "sdo", "somi", "do", "dout", "so", "reply", "rx", "rxd"),
    "fault": (
        "nfault",
        "faultn",
        "faultb",
        "fault",
        "nflt",
        "fltn",
        "flt",
        "nerr",
        "err",
        "error",
        "nint",
        "fo",
        "nfo",
    ),
    "enable": (
        "enable",
        "en",
        "ena",
        "nsleep",
        "sleepn",
        "sleep",
        "nrst",
        "wake",
        "drvoff",
        "nenable",
        "rdy",
    ),
}
_RANK = {name: (role, rank) for role, names in NAMES.items() for rank, name in enumerate(names)}
_SECOND = (0, 0, 1, 0, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFinding:
    """Roles found. `how[role]` is "given", "name", "behaviour", "left over" or "missing"; `why[role]` says it."""

    roles: Roles
    select_active_low: bool = True
    how: Mapping[str, str] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """One line for each role: what it is and why."""
        return "\n".join(f"{role}: {self.why[role]}" for role in ROLES if role in self.why)

    @property
    def certain(self) -> bool:
        """Whether every line of the SPI was given or named."""
        return all(self.how.get(r) in ("given", "name") for r in ROLES[:4])


def words_of(name: str) -> list[str]:
    """The words of a channel's name, last part only: `top.U3_SPI1_nCS[0]` -> u, spi, ncs."""
    last = name.rsplit(".", 1)[-1].partition("[")[0].casefold()
    found = re.findall(r"[a-z]+", last)
    # `spiclk` is spi and clk; a lone n before or behind is the bar of an active-low line.
    found = [w[3:] if w.startswith("spi") and len(w) > 3 else w for w in found]
    joined: list[str] = []
    for word in found:
        if word in ("n", "b", "l") and joined and joined[-1] + "n" in _RANK:
            joined[-1] += "n"
        elif joined and joined[-1] == "n" and "n" + word in _RANK:
            joined[-1] = "n" + word
        else:
            joined.append(word)
    return joined


def role_by_name(name: str) -> tuple[str, int] | None:
    """(role, rank from 0 for the surest) that a name tells, or None."""
    hits = [_RANK[w] for w in words_of(name) if w in _RANK]
    return min(hits, key=lambda h: h[1]) if hits else None


def find_roles(signals: Signals, given: Mapping[str, str] | None = None) -> ChannelFinding:
    """Find the lines of the SPI in (the first part of) a capture.

    `given` maps a role of ROLES to a channel's name, or to "" or "-" for "not captured". Raises
    CallError for an unknown role or channel, or if no line can be the clock.
    """
    finder = _Finder(signals)
    for role, name in (given or {}).items():
        if role not in ROLES:
            raise CallError(f"no role {role!r}", f"one of {', '.join(ROLES)}")
        finder.give(role, name)
    finder.by_name()
    finder.by_behaviour()
    return finder.result()


class _Finder:
    def __init__(self, signals: Signals) -> None:
        self.signals = signals
        self.found: dict[str, Channel] = {}
        self.how: dict[str, str] = {}
        self.why: dict[str, str] = {}

    def _set(self, role: str, channel: Channel, how: str, why: str) -> None:
        self.found[role], self.how[role] = channel, how
        self.why[role] = f"{channel.name} ({why})"

    def _free(self) -> list[Channel]:
        used = {c.index for c in self.found.values()}
        return [c for c in self.signals.channels if c.index not in used]

    def _count(self, channel: Channel) -> int:
        return len(self.signals.edges[channel.index])

    def give(self, role: str, name: str) -> None:
        if name in ("", "-"):
            self.how[role], self.why[role] = "given", "not captured (given)"
            return
        channel = self.signals.find(name)
        for other, taken in self.found.items():
            if taken.index == channel.index and {role, other} != {"command", "reply"}:
                raise CallError(f"{name} is given as {other} and as {role}")
        self._set(role, channel, "given", "given")

    def by_name(self) -> None:
        """Names of the trade; of several candidates the surest name, then the busiest line."""
        candidates: dict[str, list[tuple[int, int, int, Channel]]] = {}
        used = {c.index for c in self.found.values()}
        for channel in self.signals.channels:
            if channel.index in used:
                continue
            told = [t for t in map(role_by_name, (channel.name, *channel.aliases)) if t]
            if told:
                role, rank = min(told, key=lambda t: t[1])
                item = (rank, -self._count(channel), channel.index, channel)
                candidates.setdefault(role, []).append(item)
        for role in ROLES:
            if role in self.how or role not in candidates:
                continue
            # pins are those of the board that the clock was found on, not of a part within it
            near = (
                self.found["clock"].scope
                if role in ("fault", "enable") and "clock" in self.found
                else None
            )
            ranked = sorted(
                candidates[role],
                key=lambda c: (
                    c[0] if role != "select" else 0,
                    near is not None and c[3].scope != near,
                    c[1],
                    c[0],
                    c[2],
                ),
            )
            best = ranked[0][3]
            why = "by its name"
            others = [c[3].short for c in ranked[1:4]]
            if others:
                why += f"; also possible: {', '.join(others)}"
            self._set(role, best, "name", why)

    def by_behaviour(self) -> None:
        if "clock" not in self.how:
            self._clock()
        clock = self.found.get("clock")
        if clock is None:
            raise CallError(
                "no line can be the clock: "
                + (
                    "the capture has no channels"
                    if not self.signals.channels
                    else f"none of {', '.join(c.name for c in self.signals.channels[:8])} has evenly spaced edges; give clock=NAME"
                )
            )
        times = self.signals.edges[clock.index].times
        if "select" not in self.how:
            self._select(times)
        if not {"command", "reply"} <= set(self.how):
            self._data(times)

    def _clock(self) -> None:
        best: tuple[float, Channel, str] | None = None
        for channel in self._free():
            times = self.signals.edges[channel.index].times
            if len(times) < 4:
                continue
            widths = np.diff(times)
            # The lower quartile is a pulse of the clock even where pauses are many.
            usual = lower_quartile(widths)
            even = float(np.count_nonzero((widths > 0.5 * usual) & (widths < 1.6 * usual))) / len(
                widths
            )
            pauses = int(np.count_nonzero(widths > 3 * usual))
            burst = len(times) / (pauses + 1)
            if even < 0.6 or burst < 6:
                continue
            score = even * np.log2(len(times)) * (1.5 if pauses else 1.0)
            text = (
                f"by behaviour: {len(times)} edges, {100 * even:.0f} % of them about "
                f"{show(int(usual) * self.signals.tick, _SECOND, 3)} apart, in {pauses + 1} bursts"
            )
            if best is None or score > best[0]:
                best = score, channel, text
        if best is not None:
            self._set("clock", best[1], "behaviour", best[2])

    def _pauses(self, clock: Times) -> tuple[Times, Times]:
        """Begin and end of the clock's pauses, the ends of the capture included."""
        if not len(clock):
            return clock, clock
        widths = np.diff(clock)
        usual = lower_quartile(widths)
        at = np.flatnonzero(widths > 2.5 * usual)
        begin = np.concatenate(([self.signals.start - 1], clock[at], clock[-1:]))
        end = np.concatenate((clock[:1], clock[at + 1], [self.signals.end + 1]))
        return begin, end

    def _select(self, clock: Times) -> None:
        begin, end = self._pauses(clock)
        best: tuple[float, Channel, str] | None = None
        for channel in self._free():
            edges = self.signals.edges[channel.index]
            if not len(edges) or not len(clock):
                continue
            levels = _levels_at(
                edges.times, edges.values, int(self.signals.initial[channel.index]), clock
            )
            ones, zeros = int(np.count_nonzero(levels == 1)), int(np.count_nonzero(levels == 0))
            steady = max(ones, zeros) / len(clock)
            low = np.searchsorted(edges.times, begin, side="right")
            high = np.searchsorted(edges.times, end, side="left")
            covered = float(np.count_nonzero(high > low)) / len(begin)
            inside = float((high - low).sum()) / len(edges)
            if steady < 0.9 or inside < 0.7 or not covered:
                continue
            score = steady * inside * covered
            text = (
                f"by behaviour: {'high' if ones > zeros else 'low'} at {100 * steady:.0f} % of the clock edges, "
                f"moves in {100 * covered:.0f} % of the pauses"
            )
            if best is None or score > best[0]:
                best = score, channel, text
        if best is not None:
            self._set("select", best[1], "behaviour", best[2])
        else:
            self.how["select"] = "missing"
            self.why["select"] = (
                "none found: no line holds one level through the clock bursts and moves between them"
            )

    def _data(self, clock: Times) -> None:
        begin, end = self._pauses(clock)
        ranked = []
        for channel in self._free():
            if channel.kind in ("parameter", "integer", "time", "real", "realtime"):
                continue
            edges = self.signals.edges[channel.index]
            inside = len(edges)
            if len(clock):
                low = np.searchsorted(edges.times, begin, side="right")
                high = np.searchsorted(edges.times, end, side="left")
                inside -= int((high - low).sum())
            ranked.append((inside, channel))
        ranked.sort(key=lambda r: (-r[0], r[1].index))
        wanted = [r for r in ("command", "reply") if r not in self.how]
        busy = [c for n, c in ranked if n > 0][: len(wanted)]
        if len(wanted) == 2 and len(busy) == 2:
            self._tell_apart(busy, clock)
        elif busy:
            both = len(wanted) == 2
            role = wanted[0]
            if both and self._floats(busy[0]):
                role = "reply"
            why = "by behaviour: moves inside the clock bursts"
            if both:
                why += (
                    "; command or reply cannot be told from one line"
                    if role == "command"
                    else " and floats"
                )
            self._set(role, busy[0], "behaviour", why)
        for role in ("command", "reply"):
            if role in self.how:
                continue
            rest = [c for c in self._free() if role_by_name(c.name) is None and not c.bus]
            # A dead line never moves: only the last one left can be it.
            if len(rest) == 1 and self._count(rest[0]) == 0:
                self._set(role, rest[0], "left over", "the only line left; it never moves")
            else:
                self.how[role], self.why[role] = "missing", "none found"

    def _floats(self, channel: Channel) -> bool:
        return (
            bool((self.signals.edges[channel.index].values == Z).any())
            or int(self.signals.initial[channel.index]) == Z
        )

    def _tell_apart(self, pair: list[Channel], clock: Times) -> None:
        first, second = sorted(pair, key=lambda c: c.index)
        for a, b in ((first, second), (second, first)):
            if self._floats(b) and not self._floats(a):
                self._set("command", a, "behaviour", "by behaviour: moves inside the clock bursts")
                self._set(
                    "reply",
                    b,
                    "behaviour",
                    "by behaviour: moves inside the clock bursts and floats (z)",
                )
                return
        delays = [_delay(self.signals.edges[c.index].times, clock) for c in (first, second)]
        if delays[0] != delays[1] and min(delays) >= 0:
            a, b = (first, second) if delays[0] < delays[1] else (second, first)
            low, high = (show(int(d) * self.signals.tick, _SECOND, 3) for d in sorted(delays))
            self._set(
                "command",
                a,
                "behaviour",
                f"by behaviour: follows the clock's edge first, after {low}",
            )
            self._set(
                "reply",
                b,
                "behaviour",
                f"by behaviour: follows the clock's edge last, after {high}",
            )
            return
        self._set(
            "command",
            first,
            "behaviour",
            "a guess: the first of two lines in the file that carry data; swap if wrong",
        )
        self._set(
            "reply",
            second,
            "behaviour",
            "a guess: the second of two lines in the file that carry data; swap if wrong",
        )

    def result(self) -> ChannelFinding:
        index = {role: channel.index for role, channel in self.found.items()}
        active_low, text = self._polarity()
        if text:
            self.why["select"] += text
        return ChannelFinding(
            roles=Roles(**index),
            select_active_low=active_low,
            how=dict(self.how),
            why=dict(self.why),
        )

    def _polarity(self) -> tuple[bool, str]:
        select, clock = self.found.get("select"), self.found["clock"]
        if select is None:
            return True, ""
        edges, times = self.signals.edges[select.index], self.signals.edges[clock.index].times
        if not len(edges) or not len(times):
            return True, ""
        levels = _levels_at(
            edges.times, edges.values, int(self.signals.initial[select.index]), times
        )
        ones, zeros = int(np.count_nonzero(levels == 1)), int(np.count_nonzero(levels == 0))
        if ones > 9 * zeros:
            # Other chips' clocks run while this select is inactive: then select is high most of the
            # time as well, and only a line that rests low is active high.
            held = np.diff(np.append(edges.times, self.signals.end + 1))
            high = int(held[edges.values == 1].sum())
            rests_low = 2 * high < int(held.sum())
            if rests_low or not zeros:
                return False, "; active high: the clock runs while it is high"
        return True, ""


def _levels_at(times: Times, values: Values, initial: int, at: Times) -> Values:
    held = np.concatenate((np.array([initial], np.uint8), values))
    return held[np.searchsorted(times, at, side="left")]


def _delay(times: Times, clock: Times) -> float:
    """The usual time from a clock edge to a change of a data line, -1 if it cannot be told."""
    place = np.searchsorted(clock, times, side="right")
    some = (place > 0) & (place < len(clock))
    if not some.any():
        return -1.0
    return middle(times[some] - clock[place[some] - 1])


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeGuess:
    """The SPI mode that the lines themselves show; None where they do not. `text` gives the counts."""

    mode: int | None
    idle_high: bool | None
    samples_rising: bool | None
    text: str


def guess_mode(signals: Signals, finding: ChannelFinding) -> ModeGuess:
    """CPOL from the clock's level between transfers, CPHA from the clock edge that data follow."""
    roles = finding.roles
    clock = signals.edges[roles.clock]
    if len(clock) < 4:
        return ModeGuess(mode=None, idle_high=None, samples_rising=None, text="too few clock edges")
    widths = np.diff(clock.times)
    usual = lower_quartile(widths)
    pauses = np.flatnonzero(widths > 2.5 * usual)
    rest = np.concatenate((clock.values[pauses], clock.values[-1:]))
    high = 2 * int(np.count_nonzero(rest == 1)) > len(rest)
    said = [
        f"the clock rests {'high' if high else 'low'} in {np.count_nonzero(rest == int(high))} of {len(rest)} pauses"
    ]
    rising = falling = 0
    for index in (roles.command, roles.reply):
        if index is None:
            continue
        times = signals.edges[index].times
        place = np.searchsorted(clock.times, times, side="right")
        some = (place > 0) & (place < len(clock.times))
        place = place[some] - 1
        near = times[some] - clock.times[place] < usual
        after = clock.values[place[near]]
        rising += int(np.count_nonzero(after == 1))
        falling += int(np.count_nonzero(after == 0))
    if not rising + falling or max(rising, falling) < 2 * min(rising, falling):
        said.append("data do not follow one clock edge")
        return ModeGuess(mode=None, idle_high=high, samples_rising=None, text="; ".join(said))
    launch = "rising" if rising > falling else "falling"
    said.append(
        f"{max(rising, falling)} of {rising + falling} data changes follow its {launch} edge"
    )
    samples_rising = falling > rising
    mode = {(False, True): 0, (False, False): 1, (True, False): 2, (True, True): 3}[
        high, samples_rising
    ]
    return ModeGuess(mode=mode, idle_high=high, samples_rising=samples_rising, text="; ".join(said))
