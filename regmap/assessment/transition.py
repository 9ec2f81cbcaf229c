"""From one mode of a drive to another: the frames in the order that never leaves it unprotected.

    for found in transitions(load_stage("pump.yaml")):
        found.source, found.target, found.actions, found.states, found.findings

Each register is one frame, and between two frames the chip holds a mixture of both modes. Every mixture is
judged by the checks whose failing destroys the bridge or leaves a protection without effect, and by
the rules of the map. The controller changes its own operating values (current, duty) at one moment of the
transition, so a mixture is held against those of the mode that is left until then, and against those of
the mode that is entered from then on; that moment is sought together with the order. What fails in the
mode itself is that mode's finding, not one of the transition.

A register whose fields pull in different directions may be written twice: where no order of whole registers is
free of findings, the fields that differ are ordered one by one, and those of a register that come to stand beside
each other share a frame.

Sought is the way with the fewest findings, those that destroy the bridge first; then the fewest verdicts
that only cost performance on the way (a limit that trips at the current of the mode that is left); among
equals the moment as early as can be, and the map's order. The search goes from mixture to mixture (2^n of them for n
registers, each judged once) and is exact within BUDGET of them; `proven` says so.

While the outputs are off nothing is judged: into and out of a mode that does not drive, and into one that is
entered `stopped`. A transition never enables the outputs; that stays the controller's, as after a bring-up.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from heapq import heappop, heappush
from operator import add
from typing import TYPE_CHECKING

from regmap.record import dataclass, replace

from ..behaviour.machine import Machine
from ..behaviour.settings import Action, bring_up_sequence
from ..behaviour.transition import (
    RegisterPart,
    brought_up,
    contents,
    differing,
    fields_apart,
    transition,
    whole,
    with_outputs,
)
from ..calc.consequences import PROTECTION, consequence
from ..calc.spi import frames_duration
from ..calc.work import About, Work
from ..chip.bank import Bank
from ..chip.bits import extract, hexword
from ..chip.model import Register
from ..errors import CallError
from ..expr import evaluate
from ..quantity import many
from ..stages.load import Stage
from .depends import Dependence
from .matrix import STATED
from .stage import Assessment, assess, chain_bits, inputs_of

if TYPE_CHECKING:
    from ..calc import Verdict
    from ..calc.corner import Variable

#: Mixtures that are judged for one transition before the search takes what is nearest.
BUDGET = 600
_FORMULA = "sum over frames of bits / f (1 +- tol) + t_lead + t_lag + t_idle, and the waits"


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with a mixture, or with the transition as a whole (`state` 0).

    `state` is after how many of the writes, `of` whose operating values count, `kind` is "check", "rule",
    "driving" (a field that must not change while driving), "refused" or "time".
    """

    kind: str
    name: str
    text: str
    state: int = 0
    of: str = ""

    @property
    def weight(self) -> tuple[int, int, int]:
        """(what destroys the bridge, what leaves a protection without effect, what is milder): 1 or 0 each."""
        kind = consequence(self.name) if self.kind == "check" else 0
        return int(kind < PROTECTION), int(kind == PROTECTION), int(kind > PROTECTION)

    @property
    def mild(self) -> bool:
        """Whether it only costs performance or comfort, for as long as the transition takes."""
        return self.weight[2] > 0


@dataclass(frozen=True, slots=True)
class Mixture:
    """What the chip holds between two frames: the registers written by then, and what is wrong with it."""

    written: tuple[str, ...]
    of: tuple[str, ...]
    troubles: tuple[Trouble, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """The way from one mode to another.

    `order` are the registers as they are written, `operate` after how many of them the controller takes
    the operating values of the mode that is entered (None where they are the same, or the outputs are off).
    `judged` are the mixtures from before the first write to after the last; `time` is the time on the SPI, a
    verdict where the stage states how long it may take. `holds` is what the chip
    holds after it, `before` the bring-up to the mode that is left.
    """

    source: str
    target: str
    title: str = ""
    order: tuple[str, ...] = ()
    actions: tuple[Action, ...] = ()
    stopped: bool = False
    by_bring_up: bool = False
    operate: int | None = None
    judged: tuple[Mixture, ...] = ()
    findings: tuple[Trouble, ...] = ()
    proven: bool = True
    time: Variable | None = None
    in_time: Verdict | None = None
    holds: Bank | None = None
    before: tuple[Action, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether nothing was found."""
        return not self.findings

    @property
    def controller(self) -> str:
        """When the controller takes the values of the mode that is entered, as a sentence; "" where it does not matter."""
        if self.operate is None:
            return ""
        when = (
            "before the first frame" if not self.operate else f"after {many(self.operate, 'write')}"
        )
        return f"The controller takes the values of {self.target} {when}."

    def json(self) -> dict[str, object]:
        """A plain object for `--json`; times in seconds."""
        return {
            "from": self.source,
            "to": self.target,
            "outputs": "off" if self.stopped else "driving",
            "by_bring_up": self.by_bring_up,
            "order": list(self.order),
            "operate_after": self.operate,
            "frames": [
                {
                    "sequence": a.sequence,
                    "do": a.do,
                    "text": a.text,
                    "frame": None
                    if a.sent is None
                    else hexword(a.sent.word, a.sent.frame.command.length),
                    "why": a.why or None,
                }
                for a in self.actions
            ],
            "time_s": None
            if self.time is None
            else {"min": self.time.low, "typ": self.time.typ, "max": self.time.high},
            "in_time": None if self.in_time is None else self.in_time.json(),
            "proven": self.proven,
            "mixtures": [
                {
                    "written": list(m.written),
                    "values_of": list(m.of),
                    "findings": [t.name for t in m.troubles if not t.mild],
                    "mild": [t.name for t in m.troubles if t.mild],
                }
                for m in self.judged
            ],
            "findings": [
                {
                    "kind": t.kind,
                    "name": t.name,
                    "text": t.text,
                    "after_writes": t.state,
                    "values_of": t.of or None,
                }
                for t in self.findings
            ],
        }


def name_of(mode: Stage) -> str:
    """What a mode is called; the stage without one is "as stated"."""
    return mode.mode or STATED


def states_of(stage: Stage) -> list[Stage]:
    """The stage as stated, then its modes."""
    return [stage, *stage.modes.values()]


def pairs(stage: Stage) -> Iterator[tuple[Stage, Stage]]:
    """Every (mode that is left, mode that is entered) that the stage allows.

    Into a mode that something beside `start` leads into, from those that it names or from all; back to the
    stage as stated from every mode.
    """
    for target in states_of(stage):
        entry = target.entry
        if target.mode and not set(entry.after) - {"start"}:
            continue
        sources = {STATED if n == "as_stated" else n for n in entry.sources}
        for source in states_of(stage):
            if source is not target and (not sources or name_of(source) in sources):
                yield source, target


def transitions(stage: Stage, found: Mapping[str, Assessment] | None = None) -> list[Transition]:
    """Every transition of the stage; none where it states no modes.

    `found` is what all checks say in each mode, by `name_of`, where that is worked out already.
    """
    if not stage.modes:
        return []
    found = found or {}
    judges = {(n := name_of(s)): ModeJudge(s, found.get(n)) for s in states_of(stage)}
    return [plan_transition(a, b, judges[name_of(a)], judges[name_of(b)]) for a, b in pairs(stage)]


class ModeJudge:
    """What is wrong with register contents while the drive runs as one mode says."""

    def __init__(self, mode: Stage, found: Assessment | None = None) -> None:
        self.mode, self.name, self.bank = mode, name_of(mode), mode.bank
        self._found = found
        self._rules = {
            r.name
            for r in mode.chip.rules
            if r.severity == "error" and evaluate(r.require, self.bank) is False
        }
        self._up: dict[bool, tuple[Machine, list[Action]]] = {}

    @cached_property
    def _dependence(self) -> Dependence:
        found = assess(self.mode, self.bank) if self._found is None else self._found
        return Dependence(self.mode, self.bank, found)

    def brought_up(self, *, driving: bool) -> tuple[Machine, list[Action]]:
        """The chip after the bring-up to the mode, for the caller to go on with. Raises CallError where there is none."""
        if driving not in self._up:
            self._up[driving] = brought_up(self.mode.chip, self.bank, driving=driving)
        machine, actions = self._up[driving]
        return machine.copy(), actions

    def troubles(self, bank: Bank) -> list[Trouble]:
        """What fails with these contents and does not in the mode itself."""
        held = self.bank.copy()
        for name in bank.words:
            held.learn(name, bank.words[name], bank.known.get(name, 0))
        found = []
        for before, after in self._dependence.changed(inputs_of(self.mode, held)):
            verdict = after or before
            assert verdict is not None
            if before is not None and before.status == "fails":
                continue
            lost = before is not None and (after is None or after.status == "not_computed")
            if lost and before is not None and before.status != "not_computed":
                found.append(
                    Trouble("check", verdict.check, f"{verdict.title}: nothing answers it")
                )
            elif after is not None and after.status == "fails":
                found.append(Trouble("check", after.check, f"{after.title}: {_figure(after)}"))
        for rule in self.mode.chip.rules:
            if rule.severity != "error" or rule.name in self._rules:
                continue
            if evaluate(rule.require, held) is False:
                found.append(Trouble("rule", rule.name, f"{rule.require} ({rule.because})"))
        return found


def _figure(verdict: Verdict) -> str:
    return verdict.reason or verdict.sentence()


def plan_transition(
    source: Stage,
    target: Stage,
    leaving: ModeJudge | None = None,
    entering: ModeJudge | None = None,
) -> Transition:
    """The way from one mode of a stage to another, with everything that is wrong with the best one."""
    chip = source.chip
    judges = leaving or ModeJudge(source), entering or ModeJudge(target)
    made = Transition(source=name_of(source), target=name_of(target), title=target.mode_title)
    if not source.entry.retains:
        try:
            fresh = Machine(chip, supply=target.bank.supply, externals=target.bank.externals)
            actions = tuple(bring_up_sequence(chip, target.bank, machine=fresh))
        except CallError as error:
            return replace(made, findings=(Trouble("refused", "", str(error)),))
        made = replace(made, actions=actions, stopped=True, by_bring_up=True, holds=fresh.bank)
        return _timed(made, target)
    driving = source.entry.driving and target.entry.driving and not target.entry.stopped
    stop = source.entry.driving and not driving
    try:
        # with what the map's sequences write beside the settings, such as check bits switched on
        wanted = with_outputs(judges[1].brought_up(driving=False)[0].bank, driving)
        machine, before = judges[0].brought_up(driving=source.entry.driving)
        begin = machine.copy()
        registers = differing(machine, wanted)
        parts, way = [whole(r) for r in registers], None
        if driving:
            way = _Search(begin, wanted, parts, *judges).run()
            apart = [p for r in registers for p in fields_apart(r, begin.bank, wanted)]
            if way.grave > (0, 0) and len(apart) > len(parts):
                finer = _Search(begin, wanted, apart, *judges).run()
                way = finer if finer.grave < way.grave else way
            parts = list(way.order)
        actions = tuple(transition(machine, wanted, parts, stop=stop, before=before))
    except CallError as error:
        return replace(made, findings=(Trouble("refused", "", str(error)),))
    made = replace(
        made,
        order=tuple(p.register.name for p in parts),
        actions=actions,
        stopped=not driving,
        holds=machine.bank,
        before=tuple(before),
        operate=way.operate if way else None,
        judged=way.mixtures if way else (),
        proven=way.proven if way else True,
        findings=(
            *(_kept(begin.bank, wanted, registers) if driving else ()),
            *(t for m in (way.mixtures if way else ()) for t in m.troubles if not t.mild),
        ),
    )
    return _timed(made, target)


@dataclass(frozen=True, slots=True)
class _Way:
    """The writes in order, after how many the controller changes its values, and what was met."""

    order: tuple[RegisterPart, ...]
    operate: int | None
    mixtures: tuple[Mixture, ...]
    proven: bool

    @property
    def grave(self) -> _Cost:
        """What was met that is no small matter, by its weight."""
        weights = [t.weight for m in self.mixtures for t in m.troubles]
        return sum(w[0] for w in weights), sum(w[1] for w in weights)


#: troubles by their weight
_Cost = tuple[int, ...]
#: the parts written by now, as bits, and whether the controller has changed its values
_Node = tuple[int, bool]


class _Search:
    """The way with the fewest troubles from nothing written to all, by the cost of what it passes.

    A step writes one part or changes the controller's values. Dijkstra's search, which never looks at
    a mixture dearer than the way that it ends with; without any trouble it goes straight through.
    """

    def __init__(
        self,
        machine: Machine,
        wanted: Bank,
        parts: Sequence[RegisterPart],
        leaving: ModeJudge,
        entering: ModeJudge,
    ) -> None:
        self.machine, self.wanted, self.parts = machine, wanted, parts
        self.judges = (leaving, entering)
        a, b = leaving.mode, entering.mode
        self.alike = (_values(a), a.waive) == (_values(b), b.waive)
        self.known: dict[_Node, list[Trouble]] = {}

    def at(self, written: int, changed: bool) -> list[Trouble]:
        """What is wrong with a mixture under the values of one mode."""
        found = self.known.get((written, changed))
        if found is None:
            done = [p for n, p in enumerate(self.parts) if written >> n & 1]
            bank = contents(self.machine, self.wanted, done)
            found = self.known[written, changed] = self.judges[changed].troubles(bank)
        return found

    def cost(self, node: _Node) -> _Cost:
        weights = [t.weight for t in self.at(*node)]
        return tuple(sum(w[n] for w in weights) for n in range(3))

    def run(self) -> _Way:
        count = len(self.parts)
        everything, first = (1 << count) - 1, (0, False)
        # (cost to go by, steps left, order, node, path, cost)
        waiting: list[tuple[_Cost, int, tuple[int, ...], _Node, tuple[_Node, ...], _Cost]] = []
        heappush(waiting, (self.cost(first), count + 1, (), first, (), self.cost(first)))
        done: set[_Node] = set()
        proven = True
        while True:
            _, left, order, node, path, cost = heappop(waiting)
            if node in done:
                continue
            done.add(node)
            path = (*path, node)
            if node == (everything, True):
                return self._told(order, path, proven)
            if len(self.known) > BUDGET and proven:
                waiting, proven = [], False  # straight on from here, whatever it costs
            written, changed = node
            steps = [
                ((*order, n), (written | 1 << n, changed))
                for n in range(count)
                if not written >> n & 1
            ]
            if not changed:
                steps.insert(0, (order, (written, True)))
            for longer, there in steps:
                if there not in done:
                    more = self.cost(there)
                    total = tuple(map(add, cost, more))
                    heappush(
                        waiting,
                        (total if proven else more, left - 1, longer, there, path, total),
                    )

    def _told(self, order: tuple[int, ...], path: tuple[_Node, ...], proven: bool) -> _Way:
        """The way in words: each mixture once, with the values of both modes where they change in it.

        Parts of one register that follow each other are one write: the mixture between them is never there.
        """
        moment = next(n for n, p in enumerate(path) if p[1])
        parts: list[RegisterPart] = []
        stands: list[int] = []  # after how many steps of the order each write is over
        changed_at = bin(path[moment][0]).count("1")
        for step, number in enumerate(order, 1):
            part = self.parts[number]
            if parts and parts[-1].register is part.register and changed_at != step - 1:
                parts[-1] = RegisterPart(part.register, parts[-1].mask | part.mask)
                stands[-1] = step
            else:
                parts.append(part)
                stands.append(step)
        names = [p.register.name for p in parts]
        mixtures: dict[int, tuple[list[str], list[Trouble]]] = {}
        operate = None
        for written, changed in path:
            steps = bin(written).count("1")
            if steps and steps not in stands:
                continue
            at = stands.index(steps) + 1 if steps else 0
            of, troubles = mixtures.setdefault(at, ([], []))
            judge = self.judges[changed]
            if changed and operate is None:
                operate = at
            of.append(judge.name)
            troubles += [replace(t, state=at, of=judge.name) for t in self.at(written, changed)]
        return _Way(
            tuple(parts),
            None if self.alike else operate,
            tuple(
                Mixture(tuple(names[:at]), tuple(of), tuple(troubles))
                for at, (of, troubles) in mixtures.items()
            ),
            proven,
        )


def _values(mode: Stage) -> dict[str, object]:
    """The operating values of a mode, by name."""
    return {n: p.value for n, p in mode.params.items()} | {"external": dict(mode.bank.externals)}


def _kept(held: Bank, wanted: Bank, registers: Iterable[Register]) -> Iterator[Trouble]:
    """The fields that change although they must not while the outputs switch."""
    for register in registers:
        for field in register.fields:
            old, new = (b.words.get(register.name, register.reset) for b in (held, wanted))
            changes = extract(old, field.bits) != extract(new, field.bits)
            if changes and not field.change_while_driving:
                text = f"{field.ref} must not change while driving: enter the mode `stopped`"
                yield Trouble("driving", field.ref, text)


def _timed(made: Transition, target: Stage) -> Transition:
    """With its time on the SPI, held against what the mode allows."""
    beside = chain_bits(target)
    lengths = [a.sent.frame.length + beside for a in made.actions if a.sent is not None]
    waits = [a.wait for a in made.actions if a.wait is not None]
    title = f"frames from {made.source} to {made.target}"
    work = Work(About("transition.time", title, _FORMULA), inputs_of(target))
    time = frames_duration(work, "t_enter", lengths, waits)
    limit = target.entry.within
    if limit is None:
        return replace(made, time=time)
    most = work.band("limit", limit, "time", f"stage {target.entry.origin}, within")
    verdict = work.at_most(time, most)
    late: tuple[Trouble, ...] = ()
    if verdict.status == "fails":
        late = (Trouble("time", "transition.time", f"{title}: {_figure(verdict)}"),)
    return replace(made, time=time, in_time=verdict, findings=(*made.findings, *late))
