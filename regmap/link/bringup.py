"""Bring-up: look, expect, unlock, configure, verify every bit, lock, verify again.

    done = apply(link, stage.bank)
    done.ok, done.steps, done.account.lines()

The steps are the map's sequences (`settings.bring_up_sequence`). It stops at the first step that does
not hold, before anything is written if the wrong chip answers, and says what was done until then.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from regmap.record import dataclass, field

from ..behaviour.effects import compare
from ..behaviour.settings import Action, bring_up_sequence, expectation, setting_registers
from ..behaviour.transition import brought_up, enabling
from ..chip.bank import Bank
from ..chip.bits import extract
from ..chip.model import Access, Chip
from ..errors import CallError, told
from ..frames.codec import Sent
from .known import Account
from .look import Checked, Found, final_bank, identify, look, unverifiable, verify
from .session import Link, RegisterReading, Written

OnStep = Callable[["StepDone"], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDone:
    """One step as it went. `grade` is a reading's grade or a write's result, "" for a wait."""

    sequence: str
    text: str
    ok: bool
    grade: str = ""
    detail: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """A whole bring-up. `ok` is True only if every step held and the last readback agrees in every bit."""

    ok: bool
    found: Found
    steps: tuple[StepDone, ...]
    checked: tuple[Checked, ...]
    account: Account
    stopped: str = ""
    findings: tuple[str, ...] = field(default=())


def apply(
    link: Link,
    wanted: Bank,
    *,
    any_state: bool = False,
    any_chip: bool = False,
    on_step: OnStep | None = None,
) -> Applied:
    """Bring the chip to `wanted` by the map's sequences. Raises CallError where the plan cannot be made.

    `any_state` goes on where power-up flags are not as after power-up: the chip was configured
    before, and what it held is in `found`.
    """
    plan = bring_up_sequence(link.chip, wanted)
    run = _Run(link, wanted, any_state, on_step)
    who = identify(link, any_chip=any_chip)
    if not who.ok:
        return run.end(who, (), f"nothing was written: {who.text}")
    readings = look(link)
    link.log(
        "found", words={r.register: None if r.word is None else f"0x{r.word:X}" for r in readings}
    )
    found = Found(adapter=who.adapter, ok=True, text=who.text, readings=readings)
    stopped = run.actions(plan)
    checked: tuple[Checked, ...] = ()
    final = final_bank(link.chip, wanted)
    for change in compare(link.chip, wanted, final, [r.name for r in setting_registers(link.chip)]):
        if change.field.setting and change.field.access is not Access.WO:
            run.findings.append(f"the map's sequences set {change} (asked -> set)")
    if not stopped:
        checked = verify(link, final)
        bad = [c for c in checked if not c.ok]
        if bad:
            stopped = "the last readback does not hold: " + "; ".join(_says(c) for c in bad)
    return run.end(found, checked, stopped)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldMode:
    """Which of several configurations a chip holds: `name` "" where it is none; what differs from each, by name."""

    name: str
    differ: dict[str, tuple[str, ...]]
    driving: bool | None

    @property
    def nearest(self) -> str:
        """The one from which the least differs."""
        return min(self.differ, key=lambda n: len(self.differ[n]))


def held_of(link: Link, wanted: Mapping[str, Bank]) -> HeldMode:
    """Which of these configurations, as a bring-up leaves them, the chip holds; and whether its outputs are
    enabled (None where no field does that, or it could not be read). Writes nothing.

    What enables the outputs is no part of the question.
    """
    enables = enabling(link.chip)
    read: dict[str, Checked] = {}
    differ: dict[str, tuple[str, ...]] = {}
    for name, bank in wanted.items():
        final = brought_up(link.chip, bank, driving=False)[0].bank
        checks = verify(link, final)
        read.update((c.register, c) for c in checks)
        differ[name] = tuple(
            f"{c.register} could not be read" if not c.reading.good else str(x)
            for c in checks
            for x in (c.changes if c.reading.good else (None,))
            if x is None or x.field.ref not in enables
        )
    there = [n for n, changes in differ.items() if not changes]
    driving: bool | None = None
    for item, on, _ in enables.values():
        reading = read[item.register].reading if item.register in read else link.read(item.register)
        if not reading.good or reading.word is None:
            continue
        driving = extract(reading.word, item.bits) == on
    return HeldMode(name=there[0] if there else "", differ=differ, driving=driving)


def carry_out(
    link: Link, actions: Sequence[Action], final: Bank, *, on_step: OnStep | None = None
) -> Applied:
    """Frames from one configuration to another, each as it was planned, until `final` is read back whole.

    It stops at the first that does not hold.
    """
    run = _Run(link, final, any_state=False, on_step=on_step)
    found = Found(adapter="", ok=True, text="")
    stopped = run.actions(actions)
    checked: tuple[Checked, ...] = ()
    if not stopped:
        checked = verify(link, final)
        bad = [c for c in checked if not c.ok]
        if bad:
            stopped = "the last readback does not hold: " + "; ".join(_says(c) for c in bad)
    return run.end(found, checked, stopped)


def _says(item: Checked) -> str:
    if not item.reading.good:
        return f"{item.register} could not be read: {item.reading.why}"
    return f"{item.register}: " + ", ".join(str(c) for c in item.changes)


class _Run:
    """Carries a plan out, step by step, and stops at the first that does not hold."""

    def __init__(self, link: Link, wanted: Bank, any_state: bool, on_step: OnStep | None) -> None:
        self.link = link
        self.wanted = wanted
        self.any_state = any_state
        self.on_step = on_step or (lambda _step: None)
        self.steps: list[StepDone] = []
        self.findings: list[str] = []
        self.wrote = 0

    def end(self, found: Found, checked: tuple[Checked, ...], stopped: str) -> Applied:
        link = self.link
        if stopped and self.wrote:
            done = list(dict.fromkeys(s.sequence for s in self.steps if s.ok))
            link.known.note(
                f"stopped after {self.wrote} writes ({', '.join(done) or 'none whole'}): the chip is "
                "configured in part, and it is not known to be locked"
            )
        for name in unverifiable(link.chip):
            self.findings.append(f"{name} cannot be read back; no one can prove what it holds")
        if not stopped and _watched(link.chip, self.wanted):
            self.findings.append(
                "the watchdog is on now and this program does not serve it: expect its fault"
            )
        account = link.account()
        ok = not stopped and account.certain
        if not stopped and not ok:
            stopped = "not everything that was touched is known"
        link.log("applied", ok=ok, stopped=stopped, findings=self.findings, account=account.lines())
        return Applied(
            ok=ok,
            found=found,
            steps=tuple(self.steps),
            checked=checked,
            account=account,
            stopped=stopped,
            findings=tuple(self.findings),
        )

    def done(self, action: Action, ok: bool, grade: str = "", detail: str = "") -> str:
        """Note a step; the reason to stop, or ""."""
        step = StepDone(
            sequence=action.sequence,
            text=action.text,
            ok=ok,
            grade=grade,
            detail=detail,
            why=action.why,
        )
        self.steps.append(step)
        self.link.log(
            "step", sequence=step.sequence, text=step.text, ok=ok, grade=grade, detail=detail
        )
        self.on_step(step)
        return "" if ok else f"{action.sequence}: {action.text}: {detail}"

    def actions(self, plan: Sequence[Action]) -> str:
        at = 0
        while at < len(plan):
            action = plan[at]
            key = self._key_at(plan, at)
            if key:
                stopped = self.written(action, self.link.key(key))
                at += len(self.link.chip.keys[key].steps)
            else:
                stopped = self.one(action)
                at += 1
            if stopped:
                return stopped
        return ""

    def _key_at(self, plan: Sequence[Action], at: int) -> str:
        """The key sequence whose steps stand here, or ""."""
        for key in self.link.chip.keys.values():
            if [a.text for a in plan[at : at + len(key.steps)] if a.do == "send"] == list(
                key.steps
            ):
                return key.name
        return ""

    def one(self, action: Action) -> str:
        link = self.link
        if action.do == "wait":
            assert action.wait is not None
            link.port.sleep(float(action.wait.high))
            return self.done(action, True)
        sent = action.sent
        assert sent is not None
        if action.do in ("expect", "verify"):
            return self.expected(action, sent)
        if sent.command is not None:
            return self.written(action, link.command(sent.command, sent.data))
        if sent.register is None:
            raise CallError(f"{action.text} goes to no register")
        if sent.kind == "read":
            reading = link.read(sent.register.name)
            return self.done(
                action, reading.grade != "lost", reading.grade, reading.why or _hex(reading)
            )
        return self.written(action, link.write(sent.register.name, sent.data or 0))

    def written(self, action: Action, result: Written) -> str:
        self.wrote += result.result != "refused" or result.holds is not None
        return self.done(action, result.good, result.result, result.why)

    def expected(self, action: Action, sent: Sent) -> str:
        assert sent.register is not None
        reading = self.link.read(sent.register.name)
        if reading.word is None:
            return self.done(action, False, reading.grade, reading.why)
        wrong = (reading.word ^ (action.expect or 0)) & action.mask
        if not wrong:
            return self.done(action, True, reading.grade, _hex(reading))
        detail = told(
            f"{sent.register.name} reads {_hex(reading)}",
            f"0x{action.expect or 0:X} in bits 0x{action.mask:X}",
        )
        if action.do == "expect" and self.any_state and self._of_power_up(action):
            self.findings.append(
                f"{action.text} does not hold ({_hex(reading)}): the chip was not fresh from power-up"
            )
            self.done(action, True, reading.grade, detail + "; gone on, as any state was allowed")
            return ""
        return self.done(action, False, reading.grade, detail)

    def _of_power_up(self, action: Action) -> bool:
        """Whether an expectation is about power-up rather than about which chip it is."""
        if action.sequence != "power_up":
            return False
        register, _, _ = expectation(self.link.chip, action.text)
        proof = self.link.witness
        return proof is None or register is not proof[0]


def _hex(reading: RegisterReading) -> str:
    return f"0x{reading.word or 0:X}"


def _watched(chip: Chip, wanted: Bank) -> bool:
    """Whether the wanted settings switch a watchdog on."""
    role = "watchdog.enable"
    names = [getattr(i, "ref", i.name) for i in chip.with_role(role)] if chip.watchdog else []
    readings = [wanted.reading(name) for name in names]
    return any(r is not None and r.is_on(role) for r in readings)


__all__ = [
    "Applied",
    "Checked",
    "Found",
    "HeldMode",
    "StepDone",
    "apply",
    "carry_out",
    "held_of",
    "identify",
    "verify",
]
