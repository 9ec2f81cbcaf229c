"""Edges to transfers: against a plain loop, whatever the block; flags, timing, health, reslicing."""

from __future__ import annotations

import os
from collections.abc import Iterator
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.arrays import X, Z
from regmap.capture.lines.signals import Channel, Edges, Signals
from regmap.capture.spi import NONE, Flag, Roles, SpiSetup, Transfers, join, pack, reslice
from regmap.capture.transfers.stream import TransferBuilder
from regmap.errors import CallError

#: more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"

TICK = Fraction(1, 10**9)
ROLES = Roles(clock=0, select=1, command=2, reply=3)


class Bus:
    """Draws a bus by hand: set lines, let time pass."""

    def __init__(self, mode: int = 0, active_low: bool = True, half: int = 50) -> None:
        self.mode, self.half, self.now = mode, half, 0
        self.idle = mode >> 1
        self.off = int(active_low)
        self.level = [self.idle, self.off, 0, 0]
        self.initial = list(self.level)
        self.changes: list[list[tuple[int, int]]] = [[], [], [], []]

    def set(self, line: int, value: int) -> None:
        if self.level[line] != value:
            self.level[line] = value
            self.changes[line].append((self.now, value))

    def wait(self, ticks: int) -> None:
        self.now += ticks

    def begin(self) -> None:
        self.set(1, 1 - self.off)

    def end(self) -> None:
        self.set(1, self.off)

    def clock(self, command: int, reply: int) -> None:
        """One bit in the SPI's mode: data leave on one edge, are taken at the other."""
        late = self.mode & 1
        if not late:
            self.set(2, command)
            self.set(3, reply)
        self.wait(self.half)
        self.set(0, 1 - self.idle)
        if late:
            self.wait(self.half // 5)
            self.set(2, command)
            self.set(3, reply)
            self.wait(self.half - self.half // 5)
        else:
            self.wait(self.half)
        self.set(0, self.idle)
        if not late:
            self.wait(self.half // 5)

    def word(self, command: int, reply: int, bits: int) -> None:
        self.wait(400)
        self.begin()
        self.wait(100)
        for k in range(bits - 1, -1, -1):
            self.clock(command >> k & 1, reply >> k & 1)
        self.wait(120)
        self.end()

    def signals(self, lines: tuple[int, ...] = (0, 1, 2, 3), tail: int = 500) -> Signals:
        names = ("sclk", "ncs", "mosi", "miso")
        edges = [
            Edges(np.array([t for t, _ in c], np.int64), np.array([v for _, v in c], np.uint8))
            for c in self.changes
        ]
        return Signals(
            name="bus",
            format="drawn",
            tick=TICK,
            start=-100,
            end=self.now + tail,
            channels=tuple(Channel(index=i, name=names[k]) for i, k in enumerate(lines)),
            initial=np.array([self.initial[k] for k in lines], np.uint8),
            edges=tuple(edges[k] for k in lines),
        )


def build(
    signals: Signals, setup: SpiSetup, roles: Roles = ROLES, changes: int = 0, resolution: int = 0
) -> tuple[Transfers, TransferBuilder]:
    builder = TransferBuilder(setup, roles, signals.tick, resolution=resolution)
    parts = [builder.feed(b) for b in signals.blocks(changes)]
    parts.append(builder.finish())
    found = join([p for p in parts if p is not None])
    assert found is not None
    return found, builder


WORDS = [(0x8421, 0x0000), (0x1234, 0xFFFF), (0xFFFF, 0x5A5A), (0x0001, 0x8000), (0xA5A5, 0xA5A4)]


@pytest.mark.parametrize("mode", range(4))
@pytest.mark.parametrize("active_low", [True, False])
@pytest.mark.parametrize("changes", [0, 7, 50])
def test_words_in_all_modes(mode: int, active_low: bool, changes: int) -> None:
    bus = Bus(mode, active_low)
    for a, b in WORDS:
        bus.word(a, b, 16)
    setup = SpiSetup(mode=mode, select_active_low=active_low)
    t, builder = build(bus.signals(), setup, changes=changes)
    assert t.command.tolist() == [a for a, _ in WORDS]
    assert t.reply.tolist() == [b for _, b in WORDS]
    assert t.clocks.tolist() == [16] * 5
    assert not t.flags.any()
    assert not builder.notes
    assert [x.command for x in t] == [a for a, _ in WORDS]
    assert t.octets(0, "command") == b"\x84\x21"
    assert t.text(3, "command") == f"{1:016b}"
    got = {w.measure: w for w in builder.timing.all()}
    extra = 10 if mode in (0, 2) else 0
    assert got["period"].value == (100 + extra) * TICK
    assert got["high"].value == (60 if mode == 2 else 50) * TICK
    assert got["low"].value == (60 if mode == 0 else 50) * TICK
    assert got["lead"].value == 150 * TICK
    assert got["lag"].value == (120 + extra) * TICK
    assert got["idle"].value == 400 * TICK
    assert got["command_setup"].value == (50 if mode in (0, 2) else 40) * TICK


@pytest.mark.parametrize("mode", range(4))
def test_reslice_reads_any_mode_order_and_shift(mode: int) -> None:
    bus = Bus(mode)
    for a, b in WORDS:
        bus.word(a, b, 16)
    for read in range(4):
        t, _ = build(bus.signals(), SpiSetup(mode=read, both_edges=True))
        words, unknown = reslice(t, "command", mode=mode)
        assert words.tolist() == [a for a, _ in WORDS]
        assert not unknown.any()
        words, _ = reslice(t, "reply", mode=mode, bit_order="lsb")
        assert words.tolist() == [int(f"{b:016b}"[::-1], 2) for _, b in WORDS]
        words, unknown = reslice(t, "reply", mode=mode, shift=1)
        assert words.tolist() == [b << 1 & 0xFFFF for _, b in WORDS]
        assert unknown.tolist() == [1] * 5
        words, unknown = reslice(t, "reply", mode=mode, shift=-1)
        assert words.tolist() == [b >> 1 for _, b in WORDS]
        assert unknown.tolist() == [0x8000] * 5
        if (read in (0, 3)) != (mode in (0, 3)):
            plain, _ = build(bus.signals(), SpiSetup(mode=read))
            with pytest.raises(CallError, match="both_edges"):
                reslice(plain, "reply", mode=mode)
        # The idle level tells a wrong CPOL at once.
        assert bool((t.flags & int(Flag.CLOCK_NOT_IDLE)).all()) == (read >> 1 != mode >> 1)


def test_wide_words_and_slices_of_a_daisy_chain() -> None:
    bus = Bus(1)
    rng = np.random.default_rng(2)
    chips = [[int(v) for v in rng.integers(0, 1 << 24, 4)] for _ in range(6)]
    for words in chips:
        whole = sum(w << 24 * (3 - k) for k, w in enumerate(words))
        bus.word(whole, whole ^ (1 << 96) - 1, 96)
    t, _ = build(bus.signals(), SpiSetup(mode=1))
    for k in range(4):
        assert t.words("command", offset=24 * k, width=24).tolist() == [c[k] for c in chips]
        assert t.words("reply", offset=24 * k, width=24).tolist() == [
            c[k] ^ 0xFFFFFF for c in chips
        ]
    assert t.value(2, "command") == sum(w << 24 * (3 - k) for k, w in enumerate(chips[2]))
    assert t.words("command", offset=90, width=24, unknown=True).tolist() == [(1 << 18) - 1] * 6
    assert t.take(np.array([1, 4])).words("command", offset=24, width=24).tolist() == [
        chips[1][1],
        chips[4][1],
    ]


# -- the plain loop as the oracle --------------------------------------------------------------


def plain(signals: Signals, setup: SpiSetup) -> Iterator[tuple[int, int, str, str]]:
    """(start, end, command text, reply text) edge by edge."""
    active = 0 if setup.select_active_low else 1
    events = sorted(
        (int(t), order, line, int(v))
        for line, order in ((0, 1), (1, 0), (2, 2), (3, 2))
        for t, v in zip(signals.edges[line].times, signals.edges[line].values, strict=True)
    )
    level = signals.initial.tolist()
    known = level[0] if level[0] < 2 else None
    opened = signals.start if level[1] == active else None
    closed_at = None
    held: list[list[str]] = [[], []]
    wanted = 1 if setup.rising else 0
    i = 0
    while i < len(events):
        now = events[i][0]
        group = []
        while i < len(events) and events[i][0] == now:
            group.append(events[i])
            i += 1
        before = list(level)
        for _, _, line, value in group:
            if line == 1:
                if value == active:
                    opened, held, closed_at = now, [[], []], None
                elif before[1] == active:
                    closed_at = now
        for _, _, line, value in group:
            if line == 0 and value < 2:
                if known is not None and known != value and value == wanted and opened is not None:
                    held[0].append("01xz"[before[2]])
                    held[1].append("01xz"[before[3]])
                known = value
        for _, _, line, value in group:
            level[line] = value
        if closed_at is not None and opened is not None:
            yield opened, now, "".join(held[0]), "".join(held[1])
            opened, closed_at = None, None
    if opened is not None:
        yield opened, signals.end, "".join(held[0]), "".join(held[1])


@st.composite
def wild(draw: st.DrawFn) -> Signals:
    """Four lines that do anything, with edges at equal instants and unknown values."""
    edges, initial = [], []
    for line in range(4):
        count = draw(st.integers(0, 60 if line == 0 else 14))
        times = np.unique(
            draw(st.lists(st.integers(1, 120), min_size=count, max_size=count))
        ).astype(np.int64)
        odd = draw(st.integers(0, 3)) == 0
        values, last = [], draw(st.sampled_from([0, 1, X, Z] if odd else [0, 1]))
        initial.append(last)
        for _ in times:
            choices = [v for v in ((0, 1, X, Z) if odd else (0, 1)) if v != last]
            last = draw(st.sampled_from(choices))
            values.append(last)
        edges.append(Edges(times, np.array(values, np.uint8)))
    return Signals(
        name="wild",
        format="drawn",
        tick=TICK,
        start=0,
        end=125,
        channels=tuple(Channel(index=i, name=n) for i, n in enumerate("cdef")),
        initial=np.array(initial, np.uint8),
        edges=tuple(edges),
    )


@settings(max_examples=300 if EVERY else 60, derandomize=not EVERY, deadline=None)
@given(wild(), st.integers(0, 3), st.booleans(), st.integers(0, 40))
def test_against_the_plain_loop_whatever_the_block(
    s: Signals, mode: int, low: bool, changes: int
) -> None:
    setup = SpiSetup(mode=mode, select_active_low=low, segment="select", both_edges=True)
    want = list(plain(s, setup))
    builder = TransferBuilder(setup, ROLES, TICK)
    builder_parts = [builder.feed(b) for b in s.blocks(changes)] + [builder.finish()]
    t = join([p for p in builder_parts if p is not None])
    if t is None:
        assert not want
        return
    got = [
        (int(t.start[i]), int(t.end[i]), t.text(i, "command"), t.text(i, "reply"))
        for i in range(len(t))
    ]
    assert got == want
    for i in range(len(t)):
        flags, a, b = Flag(int(t.flags[i])), want[i][2], want[i][3]
        assert (Flag.UNKNOWN_COMMAND in flags) == any(c in "xz" for c in a)
        assert (Flag.UNKNOWN_REPLY in flags) == any(c in "xz" for c in b)
        assert (Flag.NO_CLOCKS in flags) == (a == "")
        assert (Flag.ENDS_MID in flags) == (want[i][1] == s.end)
    whole, other = build_all(s, setup)
    assert [
        getattr(whole, n).tolist()
        for n in ("flags", "lead", "lag", "idle", "period", "high", "low", "strays")
    ] == [
        getattr(t, n).tolist()
        for n in ("flags", "lead", "lag", "idle", "period", "high", "low", "strays")
    ]
    assert other.timing.all() == builder.timing.all()
    assert other.command_health == builder.command_health
    assert other.reply_health == builder.reply_health
    assert other.notes == builder.notes


def build_all(s: Signals, setup: SpiSetup) -> tuple[Transfers, TransferBuilder]:
    return build(s, setup)


@settings(max_examples=100 if EVERY else 20, derandomize=not EVERY, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2**40), st.integers(1, 64)), min_size=1, max_size=30))
def test_pack(words: list[tuple[int, int]]) -> None:
    for word, width in words:
        word &= (1 << width) - 1
        bits = np.array([[int(c) for c in f"{word:0{width}b}"]], np.uint8)
        assert int(pack(bits)[0]) == word


# -- one trouble each --------------------------------------------------------------------------


def test_a_capture_that_starts_and_ends_in_mid_frame() -> None:
    bus = Bus(0)
    bus.initial[1] = bus.level[1] = 0
    for k in range(5):
        bus.clock(k & 1, 1)
    bus.end()
    bus.word(0x1234, 0x5678, 16)
    bus.wait(400)
    bus.begin()
    for _ in range(3):
        bus.clock(1, 0)
    t, _ = build(bus.signals(tail=0), SpiSetup(mode=0))
    assert [Flag(int(f)) for f in t.flags] == [Flag.STARTS_MID, Flag(0), Flag.ENDS_MID]
    assert t.clocks.tolist() == [5, 16, 3]
    assert t.lead.tolist()[0] == NONE
    assert t.lag.tolist()[2] == NONE


def test_select_glitch_without_clocks_and_strays() -> None:
    bus = Bus(0)
    bus.word(1, 2, 8)
    bus.wait(300)
    bus.begin()
    bus.wait(3)
    bus.end()
    bus.wait(300)
    for _ in range(4):
        bus.clock(1, 1)
    bus.word(3, 4, 8)
    t, builder = build(bus.signals(), SpiSetup(mode=0))
    assert [Flag(int(f)) for f in t.flags] == [Flag(0), Flag.NO_CLOCKS, Flag.STRAY_CLOCKS]
    assert t.strays.tolist() == [0, 0, 4]
    assert t.command.tolist() == [1, 0, 3]
    assert "4 sampling edges lie where select is inactive" in builder.notes[0]


def test_a_runt_clock_pulse_is_flagged_and_located() -> None:
    bus = Bus(0)
    bus.word(0xAA, 0, 8)
    bus.wait(400)
    bus.begin()
    bus.wait(100)
    for k in range(8):
        if k == 4:
            bus.set(0, 1)
            bus.wait(4)
            bus.set(0, 0)
            bus.wait(40)
        bus.clock(1, 0)
    bus.wait(100)
    bus.end()
    t, builder = build(bus.signals(), SpiSetup(mode=0))
    assert [Flag(int(f)) for f in t.flags] == [Flag(0), Flag.RUNT_CLOCK]
    assert t.clocks.tolist() == [8, 9]
    worst = builder.timing["high"]
    assert (worst.value, worst.transfer) == (4 * TICK, 1)
    assert "clock high time: 4 ns at the least, in transfer 1 at" in worst.text


def test_the_wrong_cpha_shows_as_changes_at_the_edge() -> None:
    bus = Bus(1, half=50)
    bus.half = 50
    for a, b in WORDS:
        bus.wait(400)
        bus.begin()
        bus.wait(100)
        for k in range(15, -1, -1):
            bus.wait(50)
            bus.set(0, 1)
            bus.set(2, a >> k & 1)
            bus.set(3, b >> k & 1)
            bus.wait(50)
            bus.set(0, 0)
        bus.wait(100)
        bus.end()
    good, builder = build(bus.signals(), SpiSetup(mode=1))
    assert good.command.tolist() == [a for a, _ in WORDS]
    assert not builder.notes
    bad, builder = build(bus.signals(), SpiSetup(mode=0))
    assert (bad.flags & int(Flag.COMMAND_AT_EDGE)).any()
    assert any("SDI changes" in n and "wrong mode" in n for n in builder.notes)
    assert builder.timing["command_hold"].value == 0


@pytest.mark.parametrize("frame", [None, 16])
def test_missing_select_is_replaced_by_pauses_and_says_so(frame: int | None) -> None:
    for lines, roles in (
        ((0, 2, 3), Roles(clock=0, command=1, reply=2)),
        ((0, 1, 2, 3), ROLES),
    ):
        bus = Bus(1)
        for k in range(40):
            bus.word(WORDS[k % 5][0], WORDS[k % 5][1], 16)
        if len(lines) == 4:
            bus.changes[1].clear()
            bus.initial[1] = 0
        for changes in (0, 30):
            t, builder = build(
                bus.signals(lines), SpiSetup(mode=1, frame_clocks=frame), roles, changes
            )
            assert t.command.tolist() == [WORDS[k % 5][0] for k in range(40)]
            assert (t.flags == int(Flag.BY_GAP)).all()
            assert any("pauses of the clock instead" in n for n in builder.notes)
            assert any("cut at pauses above" in n for n in builder.notes)


def test_no_pause_at_all_is_cut_by_the_frame_length() -> None:
    bus = Bus(1)
    for k in range(60):
        for b in range(15, -1, -1):
            bus.clock(WORDS[k % 5][0] >> b & 1, 0)
    t, builder = build(
        bus.signals(), SpiSetup(mode=1, frame_clocks=16), Roles(clock=0, command=2), 100
    )
    assert t.command.tolist() == [WORDS[k % 5][0] for k in range(60)]
    assert any("no pause in the clock" in n for n in builder.notes)
    t, builder = build(bus.signals(), SpiSetup(mode=1), Roles(clock=0, command=2))
    assert len(t) == 1
    assert int(t.clocks[0]) == 960


def test_bytes_with_pauses_inside_a_frame_are_kept_together_by_the_frame_length() -> None:
    bus = Bus(1)
    for k in range(30):
        for byte in range(3):
            for b in range(8):
                bus.clock(k >> b & 1, byte & 1)
            bus.wait(300)
        bus.wait(2000)
    t, _ = build(
        bus.signals(), SpiSetup(mode=1, frame_clocks=24), Roles(clock=0, command=2, reply=3)
    )
    assert t.clocks.tolist() == [24] * 30


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("low", "SDO is low at each of 80 sampling edges; it never moves"),
        ("high", "SDO is high at each of 80 sampling edges; it never moves"),
        ("float", "SDO is floating at each of 80 sampling edges"),
        ("echo", "SDO carries the very bits of SDI"),
        ("gone", "SDO was not captured"),
    ],
)
def test_health_of_a_data_line(fault: str, said: str) -> None:
    bus = Bus(0)
    bus.initial[3] = bus.level[3] = {"high": 1, "float": Z}.get(fault, 0)
    for a, _ in WORDS:
        bus.word(a, {"low": 0, "high": 0xFFFF}.get(fault, a), 16)
    if fault == "float":
        bus.changes[3].clear()
    roles = Roles(clock=0, select=1, command=2) if fault == "gone" else ROLES
    t, builder = build(bus.signals(), SpiSetup(mode=0), roles)
    assert said in builder.reply_health.text
    assert any(said in n for n in builder.notes)
    if fault == "float":
        assert t.reply_unknown.tolist() == [0xFFFF] * 5
        assert t.reply.tolist() == [0] * 5
    assert builder.command_health.stuck == ""


def test_select_of_the_other_polarity_is_suspected() -> None:
    bus = Bus(0, active_low=False)
    for a, b in WORDS:
        bus.word(a, b, 16)
    bus.changes[1].insert(0, (-50, 1))
    bus.changes[1].insert(1, (-40, 0))
    t, builder = build(bus.signals(), SpiSetup(mode=0))
    assert (t.clocks == 0).sum() >= 1
    assert any("is it active high?" in n for n in builder.notes)


def test_undersampling_is_suspected_but_not_in_an_ideal_simulation() -> None:
    ideal = Bus(0, half=50)
    for a, b in WORDS * 3:
        ideal.word(a, b, 16)
    _, builder = build(ideal.signals(), SpiSetup(mode=0), resolution=10)
    assert not builder.notes
    coarse = ideal.signals()
    step = 37
    edges = []
    for e in coarse.edges:
        at = -(-e.times // step) * step
        keep = np.append(at[1:] != at[:-1], True)
        at, v = at[keep], e.values[keep]
        moved = np.append(True, v[1:] != v[:-1])
        edges.append(Edges(at[moved], v[moved]))
    slow = Signals(
        name="s",
        format="drawn",
        tick=TICK,
        start=-100,
        end=coarse.end,
        channels=coarse.channels,
        initial=coarse.initial,
        edges=tuple(edges),
    )
    _, builder = build(slow, SpiSetup(mode=0), resolution=step)
    assert any("sampled too slowly" in n for n in builder.notes)


def test_select_active_for_ever_does_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("regmap.capture.transfers.stream.WAIT_LIMIT", 3000)
    monkeypatch.setattr("regmap.capture.transfers.stream.WARM_UP", 100)
    bus = Bus(0)
    bus.wait(100)
    bus.begin()
    for k in range(5000):
        bus.clock(k & 1, 0)
    bus.end()
    t, _ = build(bus.signals(), SpiSetup(mode=0), changes=500)
    assert int(t.clocks.sum()) == 5000
    assert (t.flags[:-1] & int(Flag.TOO_LONG)).all()
    assert len(t) > 2


def test_set_ups_that_cannot_be() -> None:
    for wrong in (
        {"mode": 4},
        {"bit_order": "middle"},
        {"segment": "x"},
        {"frame_clocks": 0},
        {"gap": Fraction(0)},
    ):
        with pytest.raises(CallError):
            SpiSetup(**wrong)  # type: ignore[arg-type]
    with pytest.raises(CallError, match="needs a select line"):
        TransferBuilder(SpiSetup(segment="select"), Roles(clock=0), TICK)


def test_fault_and_enable_pins_come_along() -> None:
    bus = Bus(0)
    for a, b in WORDS:
        bus.word(a, b, 16)
    s = bus.signals()
    fault = Edges(np.array([5, 900, 4000], np.int64), np.array([0, 1, 0], np.uint8))
    with_pin = Signals(
        name="b",
        format="drawn",
        tick=TICK,
        start=s.start,
        end=s.end,
        channels=(*s.channels, Channel(index=4, name="nFAULT")),
        initial=np.append(s.initial, 1).astype(np.uint8),
        edges=(*s.edges, fault),
    )
    for changes in (0, 40):
        _, builder = build(with_pin, SpiSetup(), Roles(clock=0, select=1, fault=4), changes)
        found = builder.pin("fault")
        assert found is not None
        assert found[0] == 1
        assert found[1].times.tolist() == [5, 900, 4000]
        assert builder.pin("enable") is None
        assert builder.span == (s.start, s.end)


def test_transfers_come_with_their_block_unless_they_are_wanted_together() -> None:
    """Whoever needs only the first ones stops after a block or two; cut together they are the same transfers."""
    bus = Bus(1, True)
    words = [(n * 7919 & 0xFFFF, n * 104729 & 0xFFFF) for n in range(400)]
    for a, b in words:
        bus.word(a, b, 16)
    signals, setup = bus.signals(), SpiSetup(mode=1)

    def parts(together: int) -> list[Transfers | None]:
        builder = TransferBuilder(setup, ROLES, TICK, warm_up=100, together=together)
        return [*(builder.feed(b) for b in signals.blocks(2000)), builder.finish()]

    at_once, later = parts(0), parts(5000)
    assert len(at_once) >= 8
    assert None not in at_once[:-1]
    assert sum(p is None for p in later[:-1]) >= len(later) // 2
    one, two = (join([p for p in some if p is not None]) for some in (at_once, later))
    assert one is not None
    assert two is not None
    assert one.command.tolist() == two.command.tolist() == [a for a, _ in words]
    for name in ("start", "end", "reply", "flags", "lead", "lag", "idle", "period", "high", "low"):
        assert getattr(one, name).tolist() == getattr(two, name).tolist(), name
    first = TransferBuilder(setup, ROLES, TICK, warm_up=100)
    assert first.feed(next(signals.blocks(2000))) is not None
