"""Registers, locks, keys and states as frames make one believe; each exchange is written out word by word.

The words come from `Codec`, which other tests hold to published frames; what a chip answers is set
by hand here, so that nothing of the trace decides its own input.
"""

from __future__ import annotations

from typing import Any

import pytest

from regmap.trace.belief.against import bank_at
from regmap.trace.telling.story import tell


def known(trace: Any, register: str, time: int | None = None) -> int | None:
    bank = bank_at(trace.walkers[0], trace.end if time is None else time)
    return bank.word(register)


def brought_up(talk: Any) -> Any:
    """A Quoll-16 after power-up, cleared."""
    return (
        talk("quoll16")
        .read("STATUS2", 0x200, "reset")
        .read("ID", 0x161, "reset")
        .write("SERVICE", 0x200, "reset")
    )


def test_written_and_read_back(talk: Any, traced: Any, notes: Any) -> None:
    trace = traced(brought_up(talk).write("VDS", 0x060, shown=0x0A0).read("VDS", 0x060).text)
    assert notes(trace, "verified") == [(4, "holds what frame 3 wrote")]
    assert known(trace, "VDS") == 0x060
    assert "1 register written and read back as written." in tell(trace).telling


def test_a_write_that_a_lock_refuses(talk: Any, traced: Any, notes: Any) -> None:
    trace = traced(
        brought_up(talk)
        .write("LOCK", 0x4B, shown=0xB4)
        .write("VDS", 0x030, shown=0x0A0)
        .read("VDS", 0x0A0)
        .text
    )
    assert notes(trace, "refused") == [(4, "write refused: VDS is writable only while not locked")]
    assert known(trace, "VDS") == 0x0A0
    assert (
        "1 write refused (VDS): frame 4, VDS is writable only while not locked."
        in tell(trace).telling
    )


def test_a_write_that_the_chip_ignored(talk: Any, traced: Any, notes: Any) -> None:
    trace = traced(brought_up(talk).write("VDS", 0x030, shown=0x0A0).read("VDS", 0x0A0).text)
    [(number, text)] = notes(trace, "refused")
    assert number == 4
    assert text.startswith(
        "holds 0x0A0; frame 3 wrote 0x030, a write refused (nothing in the map forbids it"
    )
    assert known(trace, "VDS") == 0x0A0


def test_a_write_refused_by_a_lock_set_before_the_capture(
    talk: Any, traced: Any, notes: Any
) -> None:
    trace = traced(
        talk("quoll16").read("VDS", 0x0A0).write("VDS", 0x030, shown=0x0A0).read("VDS", 0x0A0).text
    )
    [(_, text)] = notes(trace, "refused")
    assert text.endswith(
        "a write refused (it is accepted only while not locked, which was not known)"
    )


def test_the_reply_to_the_next_write_shows_it_too(talk: Any, traced: Any, notes: Any) -> None:
    """A chip that answers writes with the old word tells at the second write that the first failed."""
    trace = traced(
        brought_up(talk).write("VDS", 0x030, shown=0x0A0).write("VDS", 0x040, shown=0x0A0).text
    )
    [(number, text)] = notes(trace, "refused")
    assert number == 4
    assert "frame 3 wrote 0x030" in text


def test_a_write_that_took_although_it_should_not(talk: Any, traced: Any, notes: Any) -> None:
    trace = traced(
        brought_up(talk)
        .write("LOCK", 0x4B, shown=0xB4)
        .write("VDS", 0x030, shown=0x0A0)
        .read("VDS", 0x030)
        .text
    )
    [(number, text)] = notes(trace, "impossible")
    assert number == 5
    assert text.startswith("holds what frame 4 wrote although the chip should have refused it")


def test_a_word_that_changes_by_itself(talk: Any, traced: Any, notes: Any) -> None:
    trace = traced(
        brought_up(talk).write("VDS", 0x030, shown=0x0A0).read("VDS", 0x030).read("VDS", 0x020).text
    )
    assert notes(trace, "impossible") == [
        (5, "holds 0x020, not 0x030 as before: no captured frame changed it")
    ]


def test_a_register_back_at_reset(talk: Any, traced: Any, notes: Any) -> None:
    trace = traced(
        brought_up(talk).write("VDS", 0x030, shown=0x0A0).read("VDS", 0x030).read("VDS", 0x0A0).text
    )
    [(number, text)] = notes(trace, "reset")
    assert number == 5
    assert "its reset word 0x0A0 again" in text


def test_a_reset_seen_by_its_flag(talk: Any, traced: Any, notes: Any) -> None:
    lines = (
        brought_up(talk)
        .write("VDS", 0x030, shown=0x0A0)
        .read("VDS", 0x030)
        .read("STATUS1", 0)
        .read("STATUS1", 0, "reset")
    )
    trace = traced(lines)
    [(number, text)] = notes(trace, "reset")
    assert number == 6
    assert text.startswith("the chip was reset: VDS lost")
    assert known(trace, "VDS") == 0x0A0
    story = tell(trace)
    assert story.faulty
    assert story.telling[-1] == "The chip was reset before frame 6 at 70 us; VDS lost its settings."


def test_a_rejected_frame_changes_nothing(talk: Any, traced: Any, notes: Any) -> None:
    lines = brought_up(talk)
    good = lines.codec.write(lines.chip.registers["VDS"], 0x030).word
    trace = traced(
        lines.raw(
            good ^ 1, lines.codec.build_reply(lines.codec.read(lines.chip.registers["VDS"]), 0x0A0)
        ).read("VDS", 0x0A0)
    )
    [(number, text)] = notes(trace, "rejected")
    assert number == 3
    assert text == "frame rejected: parity 'parity' is 1; odd parity wants 0"
    assert known(trace, "VDS") == 0x0A0
    assert not notes(trace, "refused")


def test_a_broken_reply_is_not_believed(talk: Any, traced: Any, notes: Any) -> None:
    trace = traced(
        brought_up(talk).read("STATUS1", 0x041, "fault").broken().read("STATUS1", 0).text
    )
    assert [n for n, _ in notes(trace, "rejected")] == [3]
    assert notes(trace, "raised") == [(0, "POR: Power-on reset (normal after power-up)")]


def test_an_address_that_is_not_there(talk: Any, traced: Any, notes: Any) -> None:
    lines = brought_up(talk)
    trace = traced(lines.raw(0xE801, lines.frames[1][2]))
    assert notes(trace, "unknown") == [(3, "no register at address 0xD")]


def test_another_chip_answers(talk: Any, traced: Any, notes: Any) -> None:
    trace = traced(talk("quoll16").read("ID", 0x162).text)
    [(_, text)] = notes(trace, "impossible")
    assert text.startswith("is 0x162 where the map expects 0x161: another chip")


# --- keys and states --------------------------------------------------------------------------------
def test_a_key_sequence_and_its_state(talk: Any, traced: Any, notes: Any) -> None:
    lines = (
        talk("numbat24")
        .read("ID", 0x4E, "locked")
        .write("KEY", 0x5A, "locked")
        .write("KEY", 0xA5)
        .read("ID", 0x4E)
        .read("ID", 0x4E)
    )
    trace = traced(lines)
    assert notes(trace, "key") == [(2, "completes key sequence 'unlock'")]
    assert notes(trace, "state")[0][0] == 2
    assert not notes(trace, "impossible")


def test_a_broken_key_sequence_names_the_frame(talk: Any, traced: Any, notes: Any) -> None:
    lines = (
        talk("numbat24")
        .read("ID", 0x4E, "locked")
        .write("KEY", 0x5A, "locked")
        .read("STATUS", 0x40, "locked")
    )
    lines.write("KEY", 0xA5, "locked").write("SRC_HS", 9, "locked", shown=4).read(
        "SRC_HS", 4, "locked"
    ).read("ID", 0x4E, "locked")
    trace = traced(lines)
    assert notes(trace, "key") == [
        (2, "breaks key sequence 'unlock': step 2, KEY.CODE = second, was due")
    ]
    assert notes(trace, "refused") == [(4, "write refused: SRC_HS is writable only while unlocked")]
    assert any(
        "Breaks key sequence 'unlock'" in s.text and "frame 2" in s.text
        for s in tell(trace).sentences
    )


def test_a_state_bit_corrects_the_belief(talk: Any, traced: Any, notes: Any) -> None:
    """Unlocked before the capture: the first status says so, and writes are then taken."""
    lines = (
        talk("numbat24")
        .read("ID", 0x4E)
        .write("SRC_HS", 9, shown=4)
        .read("SRC_HS", 9)
        .read("ID", 0x4E)
        .read("ID", 0x4E)
    )
    trace = traced(lines)
    assert not notes(trace, "refused")
    assert notes(trace, "verified") == [(2, "holds what frame 1 wrote")]
    assert bank_at(trace.walkers[0], trace.end).states["unlocked"] is True


def test_a_state_that_contradicts_the_frames(talk: Any, traced: Any, notes: Any) -> None:
    lines = (
        talk("numbat24")
        .read("ID", 0x4E, "locked")
        .write("KEY", 0x5A, "locked")
        .write("KEY", 0xA5, "locked")
        .read("ID", 0x4E, "locked")
        .read("ID", 0x4E, "locked")
    )
    [(_, text), *_] = notes(traced(lines), "impossible")
    assert (
        text
        == "status bit 'locked' says 'unlocked' is off; after the captured frames it should be on"
    )


def test_what_is_known_over_time(talk: Any, traced: Any) -> None:
    trace = traced(
        brought_up(talk).write("VDS", 0x060, shown=0x0A0).write("VDS", 0x070, shown=0x060).text
    )
    tick = 10_000_000  # ten microseconds of picoseconds, the distance of two lines
    assert [known(trace, "VDS", n * tick) for n in (0, 1, 3, 4, 5)] == [
        None,
        0x0A0,
        0x0A0,
        0x060,
        0x070,
    ]


@pytest.mark.parametrize("count", [1, 7, 500])
def test_repetitions_are_counted_not_told(count: int, talk: Any, traced: Any, items: Any) -> None:
    lines = brought_up(talk).read("STATUS1", 0)
    for _ in range(count):
        lines.read("STATUS1", 0)
    trace = traced(lines)
    quiet = items(trace)[-1]
    assert quiet.counts == {"read STATUS1": count}
    assert (quiet.first, quiet.last) == (4, 3 + count)
    assert tell(trace).registers["STATUS1"] == (count + 1, 0)


def test_news_is_told_again_after_a_change(talk: Any, traced: Any, items: Any) -> None:
    """The same pair of words means something new once belief has changed."""
    lines = (
        brought_up(talk)
        .read("VDS", 0x0A0)
        .read("VDS", 0x0A0)
        .write("VDS", 0x060, shown=0x0A0)
        .read("VDS", 0x0A0)
    )
    trace = traced(lines)
    assert any(n.kind == "refused" for n in items(trace)[-1].notes)


def test_frames_for_another_chip_on_the_same_select(talk: Any, traced: Any, notes: Any) -> None:
    """Bilby-32 at address 1 hears frames for address 2: they are no mistake, and their replies are not its own."""
    from regmap.frames.codec import Codec, readdress

    lines = talk("bilby32")
    other = Codec(readdress(lines.chip, 2))
    for toggle in (1, 0, 1, 0):
        sent = other.read(other.chip.registers["ID"], None, {"toggle": toggle})
        lines.raw(sent.word, other.build_reply(sent, 0xB32, {"fine": True}))
    trace = traced(lines.read("ID", 0xB32).read("ID", 0xB32).read("ID", 0xB32))
    assert notes(trace, "rejected")[0] == (0, "it is for the chip at address 2; this one has 1")
    assert not notes(trace, "raised")
    story = tell(trace)
    assert not story.faulty
    assert not any("rejected by the chip" in s.text for s in story.sentences)
