"""The times of clocks whose pulses are all alike, and of those that are nearly so, against measuring each pulse."""

from __future__ import annotations

import io
from unittest.mock import patch

from hypothesis import given
from hypothesis import strategies as st

from regmap.capture.formats.opening import open_capture
from regmap.capture.spi import Roles, SpiSetup
from regmap.capture.transfers import clocktimes
from regmap.capture.transfers.stream import read_transfers

#: what one transfer is: pulse widths between its edges, as differences from the usual one, and the pause behind it
TRANSFERS = st.lists(
    st.tuples(
        st.lists(st.sampled_from([0] * 12 + [1, -1, -7, 40, 300]), max_size=9),
        st.sampled_from([10, 10, 25, 90]),
        st.booleans(),  # an edge more in the pause behind it
    ),
    min_size=1,
    max_size=12,
)


def dump(transfers: list[tuple[list[int], int, bool]], usual: int = 10) -> bytes:
    now, level, lines = 0, 0, ["#0\n0c\n1s\n0d\n"]
    for widths, pause, stray in transfers:
        now += pause
        lines.append(f"#{now}\n0s\n")
        now += usual
        level ^= 1
        lines.append(f"#{now}\n{level}c\n")
        for width in widths:
            now += usual + width
            level ^= 1
            lines.append(f"#{now}\n{level}c\n")
        now += usual
        lines.append(f"#{now}\n1s\n")
        if stray:
            now += usual
            level ^= 1
            lines.append(f"#{now}\n{level}c\n")
    names = "".join(
        f"$var wire 1 {c} {n} $end\n" for c, n in (("c", "sclk"), ("s", "ncs"), ("d", "mosi"))
    )
    return (
        f"$timescale 1 ns $end\n{names}$enddefinitions $end\n{''.join(lines)}#{now + 9}\n".encode()
    )


def measured(data: bytes, mode: int) -> dict[str, object]:
    """All that is measured of the transfers of a dump."""
    with open_capture(io.BytesIO(data), name="made.vcd") as capture:
        roles = Roles(clock=0, select=1, command=2, reply=None)
        found, builder = read_transfers(capture, SpiSetup(mode=mode), roles)
    names = ("start", "end", "clocks", "flags", "lead", "lag", "period", "high", "low", "strays")
    worst = {m: str(builder.timing[m]) for m in ("high", "low", "period") if m in builder.timing}
    return {**{n: getattr(found, n).tolist() for n in names}, "worst": worst}


@given(TRANSFERS, st.integers(0, 3))
def test_even_clocks_are_measured_as_others_are(
    transfers: list[tuple[list[int], int, bool]], mode: int
) -> None:
    data = dump(transfers)
    short = measured(data, mode)
    with patch.object(clocktimes, "_even_pulse", lambda *_: 0):
        assert short == measured(data, mode)


def test_even_clocks_go_the_short_way_and_say_what_they_are() -> None:
    seen: list[int] = []
    ours = clocktimes._even_pulse

    def watched(*given_: object) -> int:
        seen.append(ours(*given_))  # type: ignore[arg-type]
        return seen[-1]

    with patch.object(clocktimes, "_even_pulse", watched):
        even = measured(dump([([0] * 31, 90, False)] * 40), 0)
        one = measured(dump([([0] * 31, 90, False)] * 40 + [([0, -7, 0], 90, False)]), 0)
    assert seen == [10, 0]
    assert set(even["high"]) == set(even["low"]) == {10}  # type: ignore[call-overload]
    assert set(even["period"]) == {20}  # type: ignore[call-overload]
    assert min(one["high"]) == 3 or min(one["low"]) == 3  # type: ignore[call-overload]
