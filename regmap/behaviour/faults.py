"""Status words to an ordered explanation: first cause first, consequences folded under it.

    findings = explain(chip, {"STATUS1": 0x009, "STATUS2": 0x200}, bank)

A bus that is not alive says nothing of the chip: `suspicious` recognises words that come from
wiring (all ones, all zeros, the command repeated) and is asked before any fault bit is believed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from regmap.record import dataclass, field

from ..chip.bank import Bank, unknown
from ..chip.bits import extract
from ..chip.model import SEVERITIES, Access, Chip, Fault, Field, Layout
from ..errors import CallError
from ..expr import Env, evaluate
from ..frames.words import inspect
from ..parameters import ROLES


@dataclass(frozen=True, slots=True)
class Finding:
    """One raised fault with what follows from it in this set of words.

    `consequences` are raised faults that this one can have caused; `possible` names causes that are
    not raised here. `masked` says that the known configuration hides it, `reported_only` that under
    it the chip does not act; `summed` names raised faults that only sum this one up.
    """

    fault: Fault
    consequences: tuple[Finding, ...] = ()
    possible: tuple[str, ...] = ()
    summed: tuple[str, ...] = ()
    masked: bool = False
    reported_only: bool = False
    settings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Explanation:
    """Everything that a set of status words says, most urgent first.

    `wiring` is filled instead of `findings` where the words cannot come from a living chip.
    `normal` are flags that are always set after power-up; `blind` are faults this configuration masks,
    `reported` those on which the chip does not act in it;
    `unread` are status registers that were not given; `undefined` are bits set that nothing names.
    """

    findings: tuple[Finding, ...] = ()
    wiring: tuple[str, ...] = ()
    normal: tuple[Fault, ...] = ()
    blind: tuple[Fault, ...] = ()
    reported: tuple[Fault, ...] = ()
    unread: tuple[str, ...] = ()
    undefined: tuple[str, ...] = ()
    words: Mapping[str, int] = field(default_factory=dict)

    @property
    def raised(self) -> tuple[Fault, ...]:
        """Every raised fault, in the order of explanation."""
        found: list[Fault] = []

        def walk(items: Iterable[Finding]) -> None:
            for item in items:
                found.append(item.fault)
                walk(item.consequences)

        walk(self.findings)
        return tuple(found)


def status_registers(chip: Chip) -> tuple[str, ...]:
    """The registers that hold faults, in the order of the map."""
    used = {f.register for f in chip.faults.values()}
    return tuple(n for n in chip.registers if n in used)


def raised_in(chip: Chip, words: Mapping[str, int]) -> list[Fault]:
    """The faults whose field holds their code in these register words, in the order of the map."""
    found = []
    for fault in chip.faults.values():
        if fault.register in words:
            item = chip.field(fault.ref)
            assert item is not None
            if extract(words[fault.register], item.bits) == fault.code:
                found.append(fault)
    return found


def explain(
    chip: Chip,
    words: Mapping[str, int],
    bank: Bank | None = None,
    seen: Mapping[str, tuple[int, int]] | None = None,
    shown: Mapping[str, bool] | None = None,
) -> Explanation:
    """Explain status words (register name to word); `bank` is the known configuration, if any.

    `shown` are the faults that status bits of replies tell of, and whether they are raised.
    `seen` is, for each fault of which it is known, the instant at which it was last seen clear and the
    one at which it was first seen raised (any unit; -1 as the first: never seen clear). Only where
    these intervals do not overlap does time order two faults; else what the map says follows from what
    does. Raises CallError for an unknown register or a word too wide.
    """
    for name, word in words.items():
        if name not in chip.registers:
            raise unknown(chip, name)
        register = chip.registers[name]
        if word < 0 or word >> register.width:
            raise CallError(f"0x{word:X} does not fit the {register.width} bits of {name}")
    status = [n for n in status_registers(chip) if n in words]
    wiring = dead_words(chip, {n: words[n] for n in status})
    if wiring:
        return Explanation(wiring=tuple(wiring), words=dict(words))
    bits = shown or {}
    there = {f.name for f in raised_in(chip, words)} | {n for n, up in bits.items() if up}
    faults = [f for f in chip.faults.values() if f.name in there]
    env = _with_words(chip, bank, words)
    unread = tuple(
        n
        for n in status_registers(chip)
        if n not in words
        and any(f.register == n and f.name not in bits for f in chip.faults.values())
    )
    return Explanation(
        findings=_arrange(faults, env, seen or {}),
        normal=tuple(f for f in faults if f.normal_at_power_up),
        blind=tuple(
            f
            for f in chip.faults.values()
            if f.masked_when is not None and bank is not None and evaluate(f.masked_when, env)
        ),
        reported=tuple(
            f for f in chip.faults.values() if bank is not None and only_reported(f, env)
        ),
        unread=unread,
        undefined=tuple(_undefined(chip, words)),
        words=dict(words),
    )


def only_reported(fault: Fault, env: Env) -> bool:
    """Whether this configuration makes the chip report the fault and do nothing about it."""
    return fault.reported_only_when is not None and evaluate(fault.reported_only_when, env) is True


def _with_words(chip: Chip, bank: Bank | None, words: Mapping[str, int]) -> Bank:
    env = bank.copy() if bank is not None else Bank(chip)
    for name, word in words.items():
        env.learn(name, word)
    return env


def unnamed_flags(chip: Chip, name: str) -> list[Field]:
    """Flags of a register that only report, and of which the map says nothing: no fault, no meaning."""
    named = {f.ref for f in chip.faults.values()}
    return [
        f
        for f in chip.registers[name].fields
        if f.width == 1
        and (not f.writable or f.access.clears)
        and not f.meanings
        and not f.role
        and f.shows is None
        and f.ref not in named
        and f.ref != chip.watchdog
    ]


def _undefined(chip: Chip, words: Mapping[str, int]) -> Iterable[str]:
    for name, word in words.items():
        for flag in unnamed_flags(chip, name):
            if extract(word, flag.bits):
                about = f" ({flag.summary})" if flag.summary else ""
                yield f"{flag.ref} is set{about}"
        stray = word & chip.registers[name].reserved & ~chip.registers[name].reserved_write
        if stray:
            yield f"{name} has reserved bits set: 0x{stray:X}"


def _arrange(
    faults: list[Fault], env: Bank, seen: Mapping[str, tuple[int, int]]
) -> tuple[Finding, ...]:
    """Trees of cause and consequence. Every raised fault stands exactly once, under its nearest cause."""
    raised = {f.name: f for f in faults}
    sums = {f.name: tuple(n for n in f.summary_of if n in raised) for f in faults if f.summary_of}
    detail = {n: f for n, f in raised.items() if not sums.get(n)}

    def before(a: str, b: str) -> bool:
        """Whether a was surely raised before b."""
        return a in seen and b in seen and seen[a][1] <= seen[b][0]

    def earliest(names: Iterable[str]) -> list[str]:
        """Those before which surely no other was raised."""
        some = list(names)
        first = min((seen[n][1] for n in some if n in seen), default=0)
        return [n for n in some if n not in seen or seen[n][0] < first or seen[n][1] == first]

    parent: dict[str, str] = {}
    for name, fault in detail.items():
        causes = [c for c in fault.follows_from if c in detail and not before(name, c)]
        if causes:
            # the cause seen first, else the deepest: what itself follows from another is nearer
            parent[name] = min(
                earliest(causes), key=lambda c: (-_depth(c, detail), fault.follows_from.index(c))
            )

    def arranged(names: Iterable[str]) -> list[str]:
        """By time where it decides, then severity; what stands after every power-up last."""
        some = sorted(names, key=lambda n: SEVERITIES.index(raised[n].severity))
        left = [n for n in some if not raised[n].normal_at_power_up]
        out: list[str] = []
        while left and seen:
            out.append(earliest(left)[0])
            left.remove(out[-1])
        return [*out, *left, *(n for n in some if raised[n].normal_at_power_up)]

    def make(name: str) -> Finding:
        fault = raised[name]
        children = arranged(n for n, p in parent.items() if p == name)
        masked = fault.masked_when is not None and evaluate(fault.masked_when, env) is True
        return Finding(
            fault=fault,
            consequences=tuple(make(n) for n in children),
            possible=tuple(c for c in fault.follows_from if c not in raised),
            summed=tuple(s for s, members in sums.items() if name in members),
            masked=masked,
            reported_only=only_reported(fault, env),
            settings=tuple(_settings(fault, env)),
        )

    return tuple(make(n) for n in arranged(n for n in detail if n not in parent))


def _depth(name: str, detail: Mapping[str, Fault]) -> int:
    """Length of the longest chain of causes; several thousand faults with many causes are no burden."""
    known: dict[str, int] = {}
    stack = [name]
    while stack:
        causes = [c for c in detail[stack[-1]].follows_from if c in detail]
        open_ = [c for c in causes if c not in known and c not in stack]
        if open_:
            stack.extend(open_[:1])
        else:
            known[stack.pop()] = 1 + max((known.get(c, -1) for c in causes), default=-1)
    return known[name]


def _settings(fault: Fault, env: Bank) -> Iterable[str]:
    """The settings that decide when this fault trips, with their values where known."""
    for used in fault.uses:
        # a side's setting may be that of both sides, as for the calculations
        chain: list[str] = [used]
        while (other := ROLES[chain[-1]].instead) is not None:
            chain.append(other)
        role = next((r for r in chain if env.chip.with_role(r)), used)
        for item in env.chip.with_role(role):
            name = getattr(item, "ref", item.name)
            reading = env.reading(name)
            yield f"{name} = {reading.label if reading is not None else 'not known'}"


def dead_words(chip: Chip, words: Mapping[str, int]) -> list[str]:
    """Register words that look like a dead SPI: all ones or all zeros where the map says that cannot be."""
    if not words:
        return []
    ones = all(word == chip.registers[n].mask for n, word in words.items())
    if (ones and any(_impossible(chip, n, w) for n, w in words.items())) or (
        ones and len(words) > 1
    ):
        return [
            "every bit of every word is 1: SDO is stuck high, not driven, or the chip is not powered; no fault bit can be believed"
        ]
    zeros = all(word == 0 for word in words.values())
    if zeros and any(_never_zero(chip, n) for n in words):
        return [
            "every bit of every word is 0, but the map has bits there that are always 1: SDO is stuck low or the chip is not powered; no fault bit can be believed"
        ]
    return []


def _impossible(chip: Chip, name: str, word: int) -> bool:
    """Whether more faults are raised than can be at once in a living chip: all of at least four."""
    mine = [f for f in chip.faults.values() if f.register == name]
    return len(mine) >= 4 and len(raised_in(chip, {name: word})) == len(mine)


def _never_zero(chip: Chip, name: str) -> bool:
    item = chip.registers[name]
    # what reserved bits must be written with need not be what they read as, where they are written
    stated = item.reserved_write & item.read_mask and not item.takes_writes
    return bool(stated or chip.identity.get(name)) or any(
        f.access is Access.RO
        and not f.meanings
        and f.reset
        and f.name.upper() in ("ID", "CHIP", "REVISION")
        for f in item.fields
    )


def suspicious(
    layout: Layout | None, length: int, replies: Sequence[int], commands: Sequence[int] = ()
) -> str:
    """What raw reply words say of the wiring, or "" where they look alive.

    `replies` are whole frames of `length` bits. Constant words count only where the layout itself
    forbids them (fixed bits, guards) or where they never change although the commands do. All zeros
    are what a healthy chip answers to every read of its status, unless it must repeat something.
    """
    if not replies:
        return ""
    full = (1 << length) - 1
    varied = len(set(commands)) > 1

    def forbidden(word: int) -> bool:
        return layout is None or bool(inspect(layout, word))

    if all(r == full for r in replies) and (forbidden(full) or varied):
        return (
            "every reply is all ones: SDO is stuck high or nobody drives it "
            "(chip not powered, select not connected, line open with a pull-up)"
        )
    echoes = layout is not None and layout.of_kind("echo") is not None
    if all(r == 0 for r in replies) and (forbidden(0) or (varied and echoes)):
        return (
            "every reply is all zeros: SDO is stuck low or nobody drives it "
            "(chip not powered or asleep, line shorted to ground or open with a pull-down)"
        )
    if commands and len(commands) == len(replies):
        same = [r == c for r, c in zip(replies, commands, strict=True)]
        if all(same) and (varied or forbidden(replies[0])):
            return "every reply repeats its own command: SDI and SDO are connected to each other, or the capture shows one line twice"
        shifted = [
            r == ((c >> 1) & full) or r == ((c << 1) & full)
            for r, c in zip(replies, commands, strict=True)
        ]
        if all(shifted) and (varied or forbidden(replies[0])):
            return "every reply is its own command shifted by one bit: SDI and SDO are connected and the SPI mode samples on the wrong edge"
    return ""
