"""Faults over time: raised, latched, still there, cleared by which frame, erased by which read."""

from __future__ import annotations

from typing import Any

from regmap.trace.telling.story import tell

CLEAR = 0x200


def intervals(trace: Any) -> dict[str, Any]:
    return {i.fault: i for i in trace.walkers[0].faults.intervals if not i.normal}


def test_raised_between_two_frames_and_cleared_by_a_third(talk: Any, traced: Any) -> None:
    lines = (
        talk("quoll16")
        .read("STATUS1", 0)
        .read("STATUS2", 0)
        .read("STATUS1", 0x041, "fault")
        .write("SERVICE", CLEAR, "fault")
        .read("STATUS1", 0)
    )
    found = intervals(traced(lines))["VDS_UL"]
    assert (found.clear_before, found.raised, found.cleared_by, found.gone) == (0, 2, 3, 4)
    assert found.how == "SERVICE = 0x200"


def test_the_last_frame_that_showed_it_clear_is_found_behind_a_million_others(
    talk: Any, traced: Any
) -> None:
    """Polls in between are never looked at one by one, yet the last clear one is named."""
    lines = talk("quoll16").read("STATUS1", 0)
    for _ in range(300):
        lines.read("STATUS1", 0).read("STATUS2", 0)
    found = intervals(traced(lines.read("STATUS1", 0x041, "fault")))["VDS_UL"]
    assert (found.clear_before, found.raised) == (599, 601)


def test_still_raised_after_clearing(talk: Any, traced: Any, notes: Any) -> None:
    lines = (
        talk("quoll16")
        .read("STATUS1", 0x041, "fault")
        .write("SERVICE", CLEAR, "fault")
        .read("STATUS1", 0x041, "fault")
        .read("STATUS1", 0x041, "fault")
    )
    trace = traced(lines)
    [(number, text)] = notes(trace, "still")
    assert number == 2
    assert text.startswith("VDS_UL is still raised after frame 1 cleared it")
    story = tell(trace)
    assert not story.episodes[0].over
    assert "not cleared in the capture" in story.telling[-1]


def test_a_fault_that_goes_away_by_itself(talk: Any, traced: Any, notes: Any) -> None:
    lines = talk("quoll16").read("STATUS2", 0x010).read("STATUS2", 0)
    assert notes(traced(lines), "cleared") == [(1, "OT_WARN is clear: went away by itself")]


def test_a_latched_fault_that_nothing_cleared(talk: Any, traced: Any, notes: Any) -> None:
    lines = talk("quoll16").read("STATUS1", 0x041, "fault").read("STATUS1", 0)
    assert notes(traced(lines), "cleared") == [
        (1, "VDS_UL is clear: gone, and no captured frame cleared it")
    ]


def test_first_cause_first(talk: Any, traced: Any) -> None:
    """Undervoltage, then the charge pump, then VDS: one story with the supply at its head."""
    lines = (
        talk("quoll16")
        .read("STATUS1", 0)
        .read("STATUS2", 0)
        .read("STATUS1", 0x101, "fault")
        .read("STATUS2", 0x040, "fault")
        .read("STATUS1", 0x109, "fault")
    )
    story = tell(traced(lines))
    [episode] = story.episodes
    [first] = episode.explanation.findings
    assert first.fault.name == "UV_SUPPLY"
    # seen in reads that overlap: the map says that VDS_UH follows from UV_PUMP
    assert [f.fault.name for f in first.consequences] == ["UV_PUMP"]
    assert [f.fault.name for f in first.consequences[0].consequences] == ["VDS_UH"]
    assert story.telling[-1].startswith(
        "UV_SUPPLY (Supply undervoltage) seen at 30 us in frame 2, not yet at 10 us, with 2 more"
    )


def test_what_came_later_is_no_cause_of_what_came_before(talk: Any, traced: Any) -> None:
    lines = talk("quoll16").read("STATUS1", 0).read("STATUS2", 0).read("STATUS1", 0x009, "fault")
    both = traced(lines.read("STATUS2", 0x040, "fault"))
    [episode] = tell(both).episodes
    # either may have been first: the poll order decides nothing
    assert [f.fault.name for f in episode.explanation.findings] == ["UV_PUMP"]
    lines.frames.pop()
    apart = lines.read("STATUS2", 0, "fault").read("STATUS2", 0x040, "fault")
    [episode] = tell(traced(apart)).episodes
    assert [f.fault.name for f in episode.explanation.findings] == ["VDS_UH", "UV_PUMP"]


def test_two_episodes(talk: Any, traced: Any) -> None:
    lines = (
        talk("quoll16")
        .read("STATUS1", 0)
        .read("STATUS1", 0x041, "fault")
        .write("SERVICE", CLEAR, "fault")
        .read("STATUS1", 0)
    )
    lines.read("STATUS1", 0x005, "fault").write("SERVICE", CLEAR, "fault").read("STATUS1", 0)
    episodes = tell(traced(lines)).episodes
    assert [e.explanation.findings[0].fault.name for e in episodes] == ["VDS_UL", "VDS_VH"]
    assert all(e.over for e in episodes)


def test_impossible_sums(talk: Any, traced: Any, notes: Any) -> None:
    lines = talk("quoll16").read("STATUS1", 0x040)
    assert notes(traced(lines), "impossible") == [
        (0, "ANY is clear although VDS_UL, which it sums up, is raised")
    ]


def test_a_masked_fault_that_is_raised(talk: Any, traced: Any, notes: Any) -> None:
    lines = talk("quoll16").write("MODE", 0x004).read("MODE", 0x004).read("STATUS1", 0x041, "fault")
    [(number, text)] = notes(traced(lines), "impossible")
    assert number == 2
    assert text.startswith("VDS_UL is raised although it is masked while MODE.VDS_ACT == off")


# --- clear on read (bilby32 answers two frames later) -------------------------------------------------
def test_the_read_that_erased_the_evidence_is_named(talk: Any, traced: Any, notes: Any) -> None:
    lines = (
        talk("bilby32")
        .read("FLAGS", 0)
        .read("FLAGS", 0x2020, "fine")
        .read("FLAGS", 0)
        .read("FLAGS", 0)
        .read("FLAGS", 0)
    )
    trace = traced(lines)
    assert notes(trace, "erased")[0] == (
        1,
        "this read erased ANY, UV_SUPPLY in the chip: later reads will not show it",
    )
    told = [s.text for s in tell(trace).sentences if s.kind == "erased"]
    assert told == [
        "FLAGS: the read in frame 1 erased ANY, UV_SUPPLY in the chip: later reads will not show it."
    ]
    found = intervals(trace)["UV_SUPPLY"]
    assert (found.raised, found.cleared_by, found.gone, found.how) == (1, 1, 2, "read FLAGS")


def test_evidence_lost_with_a_broken_reply(talk: Any, traced: Any, notes: Any) -> None:
    lines = (
        talk("bilby32")
        .read("FLAGS", 0)
        .read("FLAGS", 0x2020, "fine")
        .broken(1 << 3)
        .read("FLAGS", 0)
        .read("FLAGS", 0)
        .read("FLAGS", 0)
    )
    trace = traced(lines)
    assert (
        1,
        "this read cleared FLAGS and its reply cannot be believed: whatever stood there is lost",
    ) in notes(trace, "erased")
    assert "UV_SUPPLY" not in intervals(trace)


def test_the_last_reads_of_a_capture_have_no_reply(talk: Any, traced: Any, notes: Any) -> None:
    lines = talk("bilby32").read("FLAGS", 0).read("FLAGS", 0).read("FLAGS", 0)
    trace = traced(lines)
    # told once: the second such read says nothing new
    assert [n for n, t in notes(trace, "erased") if "not captured" in t] == [1]
    assert not tell(trace).faulty


# --- the pins -------------------------------------------------------------------------------------------
def test_the_fault_pin_dates_the_fault(captures: Any, traced: Any) -> None:
    trace = traced((captures / "pump_short.vcd").read_bytes())
    found = intervals(trace)["VDS_UL"]
    assert trace.clock.text(found.pin) == "48.28168 ms"
    assert found.clear_before_time < found.pin < found.raised_time
    assert (
        tell(trace)
        .telling[-1]
        .startswith("VDS_UL (VDS fault, low side U) at 48.28168 ms by the fault pin")
    )


def test_switching_off_forgets_everything(captures: Any, traced: Any) -> None:
    """The enable pin falls at 2 ms: nothing read before is known afterwards."""
    from regmap.trace.belief.against import bank_at

    text = (captures / "pump_short.vcd").read_text()
    at = text.index("#6293500")
    trace = traced(text[:at] + "#2000000\n0&\n" + text[at:])
    walker = trace.walkers[0]
    assert bank_at(walker, 1_500_000).word("VDS") == 0x060
    assert bank_at(walker, 7_000_000).word("VDS") is None
