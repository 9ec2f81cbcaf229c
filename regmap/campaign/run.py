"""Running a campaign: each case measured from the disturbance on, judged, and told as it ends."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from regmap.record import dataclass, field

from ..behaviour.plan import plan
from ..chip.bits import extract
from ..chip.model import Fault, Field
from ..errors import CallError, LinkError
from ..frames.requests import parse_request
from ..link.script import words_for
from ..link.session import Link
from ..stages.grammar import AS_STATED
from ..stages.load import in_mode
from .bench import MODE_GIVEN, Bench, FirmwareBench, Operator, SimulatedBench, bench_for
from .expected import Expected, expected
from .follow import Following, holds_mode, made_of
from .load import Campaign, Case

VERDICTS = ("pass", "fail", "skipped", "error")
STEPS = 50  # looks at the pin within the time that detection may take
LEAST_STEP = 1e-6  # s


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One run of a case. Times in seconds from the disturbance, None where that was not seen.

    `mode` is the mode in which it was done and `then` the one that followed ("": as stated, and none; by the names
    of `gateword modes`), `chip` what the chip made of the fault by the settings that were read from it.
    A time is when it was seen; it happened up to `resolution` before that, between two looks, and a
    limit is missed only where it was missed for certain.
    `words` are the status words as read, `also` other faults that were raised, `cleared` whether all
    was quiet again; `why` says what failed.
    """

    case: str
    fault: str
    repeat: int
    verdict: str
    why: tuple[str, ...] = ()
    to_pin: float | None = None
    to_read: float | None = None
    to_reaction: float | None = None
    to_mode: float | None = None
    mode: str = ""
    chip: str = ""
    then: str = ""
    cleared: bool | None = None
    words: Mapping[str, int] = field(default_factory=dict)
    expected: Mapping[str, int] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    also: tuple[str, ...] = ()
    resolution: Mapping[str, float] = field(default_factory=dict)
    at: float = 0.0
    took: float = 0.0

    @property
    def ok(self) -> bool:
        return self.verdict in ("pass", "skipped")


def order_of(campaign: Campaign) -> list[tuple[Case, int]]:
    """Every run, in the order of the campaign; the same seed gives the same order."""
    runs = [(case, number) for number in range(1, campaign.repeats + 1) for case in campaign.cases]
    if campaign.order == "random":
        random.Random(campaign.seed).shuffle(runs)
    return runs


def run_campaign(
    campaign: Campaign,
    *,
    done: Mapping[tuple[str, int], Result] | None = None,
    operator: Operator | None = None,
    wall: Callable[[], float] = time.time,
) -> Iterator[Result]:
    """Run all that is not in `done` already; a `Result` as each ends, in the campaign's order."""
    following = (
        Following(campaign.stage) if campaign.stage is not None and campaign.stage.modes else None
    )
    for case, number in order_of(campaign):
        before = (done or {}).get((case.name, number))
        if before is not None:
            yield before
            continue
        yield _run(campaign, following, case, number, operator, wall)


def _run(
    campaign: Campaign,
    following: Following | None,
    case: Case,
    number: int,
    operator: Operator | None,
    wall: Callable[[], float],
) -> Result:
    fault = campaign.chip.faults[case.fault]
    here = campaign.in_mode(case.mode)
    want = expected(here.chip, here.bank, fault, here.params)
    base: dict[str, Any] = {
        "case": case.name,
        "fault": case.fault,
        "mode": case.mode,
        "repeat": number,
        "expected": dict(case.codes or want.codes),
        "limits": {**want.limits, **_to_mode(want, following, case), **case.limits},
        "at": wall(),
    }
    if case.skip:
        return Result(verdict="skipped", why=(case.skip,), **base)
    begin = time.monotonic()
    try:
        with bench_for(campaign, campaign.seed + number, operator, case.mode) as bench:
            limits = base["limits"]
            found = _Measuring(here, following, case, fault, want, limits, bench).run()
    except (LinkError, CallError) as error:
        found = {"verdict": "error", "why": (str(error),)}
    return Result(**base, **found, took=time.monotonic() - begin)


def _to_mode(want: Expected, following: Following | None, case: Case) -> dict[str, float]:
    """The mode that follows is entered within the fault tolerant time, where the stage states one."""
    if following is None or not following.then(case) or "reaction" not in want.limits:
        return {}
    return {"mode": want.limits["reaction"]}


class _Measuring:
    """One case on a bench that is ready: disturb, look, clear, judge."""

    def __init__(
        self,
        campaign: Campaign,
        following: Following | None,
        case: Case,
        fault: Fault,
        want: Expected,
        limits: Mapping[str, float],
        bench: Bench,
    ) -> None:
        self.campaign = campaign
        self.following = following
        self.case = case
        self.fault = fault
        self.codes = dict(case.codes or want.codes)
        self.shown = want.shown or bool(case.codes)
        self.pin_low = want.pin_low if case.pin_low is None else case.pin_low
        self.limits = limits
        self.bench = bench
        self.why = following.against_table(case) if following is not None else []
        self.resolution: dict[str, float] = {}
        self.found: dict[str, Any] = {}

    def run(self) -> dict[str, Any]:
        if isinstance(self.bench, FirmwareBench):
            mode = self.case.mode
            if mode and MODE_GIVEN not in self.campaign.firmware:
                why = f"the program is not told the mode; {MODE_GIVEN} among its arguments leads it into {mode}"
                return {"verdict": "skipped", "why": (why,)}
            if mode and self.following is not None:
                with self.bench.adapter.lock:
                    there = holds_mode(self.bench.twin, in_mode(self.following.stage, mode))
                if not there:
                    self.why.append(f"the program has not brought the chip into {mode}")
            self._watch_firmware(self.bench)
        else:
            assert self.bench.link is not None
            refused = self._look(self.bench.link)
            if refused:
                return {"verdict": "skipped", "why": (refused,)}
        self.found["resolution"] = self.resolution
        return {**self.found, "verdict": "fail" if self.why else "pass", "why": tuple(self.why)}

    def _within(self, name: str, took: float | None, what: str) -> None:
        limit = self.limits.get(name)
        if took is None:
            told = f" within {limit * 1e3:.6g} ms" if limit is not None else ""
            self.why.append(f"{what} was not seen{told}")
        elif limit is not None and took - self.resolution.get(name, 0.0) > limit:
            self.why.append(f"{what} after {took * 1e3:.6g} ms; at most {limit * 1e3:.6g} ms")

    # --- the campaign reads ------------------------------------------------------------------------
    def _look(self, link: Link) -> str:
        if self.following is not None:
            self.following.enter(link, self.case, enable=isinstance(self.bench, SimulatedBench))
            self._made(link)
        before = self._raised(link)
        start = self.bench.clock()
        refused = self.bench.disturb(self.case)
        if refused:
            return refused
        to_pin = self._pin(link, start) if self.pin_low else None
        to_read, words = self._read(link, start)
        self.found.update(to_pin=to_pin, to_read=to_read, words=words)
        if self.shown:
            if self.pin_low:
                self._within("detected", to_pin, "the fault pin low")
            self._within("read", to_read, f"{', '.join(self.codes)} as expected")
        elif self._differs(words) == []:
            self.why.append(f"{self.fault.name} shows although the settings mask it")
        self.found["also"] = tuple(sorted(self._named(words) - before - self._expected_names()))
        if self.following is not None and to_read is not None:
            self._follow(link, start, self.following)
        self.bench.calm(self.case)
        self._quiet(link)
        words = self._status(link)
        raised = self._named(words) & {self.fault.name}
        self.found["cleared"] = not raised
        if raised and not self.fault.normal_at_power_up:
            self.why.append(f"{self.fault.name} still shows after it was cleared")
        return ""

    def _made(self, link: Link) -> None:
        """What the chip makes of the fault by the settings that it holds, against what it should."""
        made = made_of(link, self.fault, self.campaign.bank)
        row = self.following.row(self.case) if self.following is not None else None
        wanted = self.case.chip or (row.seen if row is not None else made)
        self.found["chip"] = made
        if made != wanted:
            self.why.append(f"by what the chip holds it is {made}; expected: {wanted}")

    def _follow(self, link: Link, start: float, following: Following) -> None:
        """The way to the mode that follows, while the fault is still there."""
        then = following.then(self.case)
        if not then or then == (self.case.mode or AS_STATED):
            return
        way = following.way(self.case.mode, then, driving=isinstance(self.bench, SimulatedBench))
        self.why += [
            f"the way to {then} is not clean: {t.text}"
            for t in way.findings
            if not any("is not clean" in w for w in self.why)
        ]
        try:
            if not in_mode(following.stage, self.case.mode).entry.retains:
                # what such a mode is left with may be nothing: the way out must be good for that
                self.bench.power_cycle()
            following.go(link, way)
        except LinkError as error:
            self.why.append(str(error))
            return
        took = self.bench.clock() - start
        self.resolution["mode"] = self.resolution.get("read", 0.0)
        self.found.update(then=then, to_mode=took)
        self._within("mode", took, f"mode {then}")

    def _pin(self, link: Link, start: float) -> float | None:
        """When the fault pin went low, looked at often enough for the limit to mean something."""
        limit = self.limits.get("detected", 0.001)
        step = max(limit / STEPS, LEAST_STEP)
        before = 0.0
        while True:
            level = link.port.pins().fault
            now = self.bench.clock() - start
            if level is False:
                self.resolution["detected"] = now - before
                return now
            if level is None or before > max(2 * limit, self.limits["read"]):
                return None
            before = now
            self.bench.sleep(max(step, now / STEPS))

    def _read(self, link: Link, start: float) -> tuple[float | None, dict[str, int]]:
        """When the status showed what is expected, and what it showed in the end."""
        limit = self.limits["read"]
        seen: dict[str, int] = {}
        before = 0.0
        while True:
            for name, word in self._status(link).items():
                # what reading clears has been shown once, and counts
                seen[name] = word | seen.get(name, 0) if self._erased(name) else word
            now = self.bench.clock() - start
            if self.shown and not self._differs(seen):
                self.resolution["read"] = now - before
                return now, seen
            if before > limit:
                return None, seen
            before = now
            self.bench.sleep(limit / 10)

    def _erased(self, name: str) -> bool:
        register = self.campaign.chip.registers[name]
        return any(f.access == "rc" for f in register.fields) or any(
            "read" in f.cleared_by for f in self.campaign.chip.faults.values() if f.register == name
        )

    def _registers(self) -> list[str]:
        return list(dict.fromkeys(ref.partition(".")[0] for ref in self.codes))

    def _status(self, link: Link) -> dict[str, int]:
        words = {}
        for name in self._registers():
            word = link.read(name).word
            if word is not None:
                words[name] = word
        return words

    def _field(self, ref: str) -> Field:
        field = self.campaign.chip.field(ref)
        assert field is not None
        return field

    def _differs(self, words: Mapping[str, int]) -> list[str]:
        """The expected fields that do not show what they must."""
        return [
            ref
            for ref, code in self.codes.items()
            if (word := words.get(ref.partition(".")[0])) is None
            or extract(word, self._field(ref).bits) != code
        ]

    def _named(self, words: Mapping[str, int]) -> set[str]:
        return {
            f.name
            for f in self.campaign.chip.faults.values()
            if f.register in words and extract(words[f.register], self._field(f.ref).bits) == f.code
        }

    def _raised(self, link: Link) -> set[str]:
        return self._named(self._status(link))

    def _expected_names(self) -> set[str]:
        faults = self.campaign.chip.faults.values()
        return {f.name for f in faults if self.codes.get(f.ref) == f.code}

    def _quiet(self, link: Link) -> None:
        """Clear what is cleared: as the case says, else in the ways of the map."""
        chip = self.campaign.chip
        ways = self.case.clear or self.fault.cleared_by
        for way in ways:
            if way == "read":
                link.read(self.fault.register)
            elif way == "write_1":
                ones = (1 << self._field(self.fault.ref).width) - 1
                self._send(link, f"{self.fault.ref} = 0x{ones:X}")
            elif way == "write_0":
                self._send(link, f"{self.fault.ref} = 0x0")
            elif way == "reset":
                self.bench.power_cycle()
            elif way in chip.commands:
                link.command(chip.commands[way])
            elif "=" in way:
                self._send(link, way)

    def _send(self, link: Link, text: str) -> None:
        parse_request(text, link.chip.registers, link.chip.commands, link.chip.joined)
        plan(link.chip, [text])
        for name, word in words_for(link, [text]):
            link.write(name, word)

    # --- a program reads ----------------------------------------------------------------------------
    def _watch_firmware(self, bench: FirmwareBench) -> None:
        """From the disturbance to the first read of the fault's register, and to the enable pin low."""
        reads: list[float] = []
        register, twin = self.fault.register, bench.twin
        limit = self.limits["read"]

        def seen(ns: int) -> None:
            reads.append(ns / 1e9)
            twin.when(("read", register), "campaign", seen)

        with bench.adapter.lock:
            twin.bus.settle()
            detected = twin.detection_ns(self.fault.name) / 1e9
            start = bench.clock()
            twin.when(("read", register), "campaign", seen)
            bench.control.act(f"disturb {self.case.disturb or self.case.fault}")
        reaction = self.limits.get("reaction") if self.shown and self.pin_low else None
        then = self.following.then(self.case) if self.following is not None else ""
        if not self.shown or then == (self.case.mode or AS_STATED):
            then = ""
        mode = in_mode(self.following.stage, then) if self.following is not None else None
        end = start + max(limit, reaction or 0.0, self.limits.get("mode", 0.0) if then else 0.0)
        to_reaction: float | None = None
        to_mode: float | None = None
        first: list[float] = []
        while bench.clock() < end:
            with bench.adapter.lock:
                first = [t for t in reads if t >= start + detected]
                if to_reaction is None and not twin.enable:
                    to_reaction = bench.clock() - start
                if then and mode is not None and to_mode is None and holds_mode(twin, mode):
                    to_mode = bench.clock() - start
            if (
                first
                and (reaction is None or to_reaction is not None)
                and (not then or to_mode is not None)
            ):
                break
            bench.sleep(0.0005)
        to_read = first[0] - start if first else None
        self.found.update(to_read=to_read, to_reaction=to_reaction, to_mode=to_mode)
        self._within("read", to_read, f"a read of {register}")
        if reaction is not None:
            self._within("reaction", to_reaction, "the enable pin low")
        if then:
            self.found["then"] = then if to_mode is not None else ""
            self._within("mode", to_mode, f"mode {then}")
        bench.calm(self.case)
