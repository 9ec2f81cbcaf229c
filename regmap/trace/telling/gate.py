"""What a gate should stop at: the reasons why a capture is no proof that all is well."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from regmap.record import dataclass

from ..belief.against import Held
from ..findings.evidence import Evidence
from ..findings.wiring import Diagnosis
from ..tracer import Trace

#: name -> what it is. All make the exit status 1 unless accepted; "faults" only when asked for.
STOPS: dict[str, str] = {
    "wiring": "lines, SPI mode or set-up: frames that cannot be believed, all or part of them",
    "rejected": "a frame that the chip must reject",
    "replies": "replies that cannot be believed, above the share allowed (none by default)",
    "writes": "a write that was refused, or holds what the map forbids",
    "registers": "a register that does not hold what the stage says, a wrong order, a missing lock",
    "unseen": "what no believed reply shows: faults, registers of the stage, evidence erased unread",
    "contradiction": "statements of the chip that contradict each other or the frames sent",
    "pins": "a fault pin that the status does not explain, or that never moves",
    "reset": "the chip was reset and lost its settings",
    "watchdog": "service of the watchdog too early, too late, missing, or with a wrong key",
    "limits": "an electrical limit of the SPI that is not kept",
    "figures": "a time that the stage states and firmware does not keep: polls, readbacks, services, reaction",
    "faults": "a fault of the chip was seen",
}


@dataclass(frozen=True, slots=True)
class Stop:
    """One reason to stop; `name` is of STOPS."""

    name: str
    text: str


def stops(
    trace: Trace,
    diagnosis: Diagnosis,
    evidence: Evidence,
    held: Held | None,
    *,
    kinds: Iterable[tuple[str, str]],
    bad_replies: Fraction = Fraction(0),
) -> tuple[Stop, ...]:
    """Every reason to stop, in the order of STOPS. `kinds` are the bad sentences told: (kind, text)."""
    found = [Stop("wiring", m.text) for m in diagnosis.mistakes if m.grave or m.name in _STOPPING]
    commands, replies = evidence.commands, evidence.replies
    if not trace.frames:
        found.append(Stop("unseen", "no frame was found"))
    if commands.bad:
        found.append(Stop("rejected", f"{commands.bad} of {commands.of} frames are rejected"))
    if replies.bad and replies.bad > bad_replies * replies.of:
        found.append(Stop("replies", f"{replies.bad} of {replies.of} replies cannot be believed"))
    for position, names in evidence.unseen.items():
        chip = f"chip {position}: " if len(trace.walkers) > 1 else ""
        found.append(Stop("unseen", f"{chip}never shown: {', '.join(names)}"))
    if held is not None:
        if held.void:
            found.append(Stop("registers", held.void))
        for row in held.wrong:
            found.append(Stop("registers", f"{row.register}: {row.verdict}"))
        for text in (held.order, held.lock if held.locked is False else ""):
            if text:
                found.append(Stop("registers", text))
        for row in held.unseen:
            found.append(Stop("unseen", f"{row.register}: {row.verdict}"))
    for span in evidence.pulled:
        found.append(Stop("pins", f"fault pin active from {trace.clock.text(span.start)}"))
    if evidence.pin_dead:
        found.append(Stop("pins", "the fault pin never moved"))
    found += [Stop(_KINDS[kind], text) for kind, text in kinds if kind in _KINDS]
    order = list(STOPS)
    return tuple(sorted(found, key=lambda s: order.index(s.name)))


#: remarks on wiring that leave the other words believable, and are still a reason to stop
_STOPPING = {"dead", "silent", "mode", "clocks", "runt", "clock_unknown", "glitch", "stray"}
#: kinds of sentences that are a reason to stop
_KINDS = {
    "refused": "writes",
    "reserved": "writes",
    "key": "writes",
    "erased": "unseen",
    "impossible": "contradiction",
    "reset": "reset",
    "watchdog": "watchdog",
    "timing": "limits",
    "figures": "figures",
    "early": "writes",
    "raised": "faults",
    "still": "faults",
}
