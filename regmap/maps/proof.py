"""The whole map proven: what it can ask for goes out, is understood, acts, and comes back.

    problems = prove_whole(chip)        errors, each with the line it is about

Every register is written and read: the frame that is built must be understood as that register, by the
recogniser that everyone uses, and the bits that a read shows must come back. Every field that holds
a setting must be wholly readable, or say that it is not. Every command must be understood as itself. The
sequences run on the same machine that is the simulated chip; a step that is refused is an error.
Registers and commands whose layout is not in force after power-up are tried where it is.
"""

from __future__ import annotations

from collections.abc import Iterator

from ..behaviour.machine import Machine, after_write, as_read
from ..behaviour.plan import plan
from ..behaviour.settings import BRING_UP, bring_up_sequence, expectation, planned_steps
from ..chip.bank import Bank
from ..chip.bits import spans
from ..chip.model import Access, Chip, Command, MonitorTest, Register, Step
from ..errors import CallError, Place, Problem
from ..frames.codec import Codec, Sent
from ..frames.layouts import alternatives


def place_of(origin: str) -> Place:
    """The place of an entry from its "file:line"."""
    file, _, line = origin.rpartition(":")
    return Place(file, int(line or 0), 1)


def prove_whole(chip: Chip) -> Iterator[Problem]:
    """An error for everything that does not go out, is not understood, or does not come back."""
    proof = _Proof(chip)
    for register in chip.registers.values():
        yield from proof.register(register)
    for command in chip.commands.values():
        yield from proof.command(command)
    yield from proof.sequences()


class _Proof:
    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.codec = Codec(chip)
        reset = Bank.at_reset(chip)
        several = any(f.when is not None for f in chip.frames.values())
        self.banks = list(alternatives(chip, reset)) if several else [reset]

    # --- registers and commands --------------------------------------------------------------
    def register(self, register: Register) -> Iterator[Problem]:
        def problem(found: str, expected: str) -> Problem:
            return Problem(
                place_of(register.origin), found, expected, path=f"registers.{register.name}"
            )

        refused: list[str] = []
        went = answered = False
        patterns = {register.reset, register.mask, 0x5555_5555_5555_5555 & register.mask}
        asked: list[tuple[str, int | None]] = [("read", None)] if register.readable else []
        asked += [("write", word) for word in patterns] if register.takes_writes else []
        for kind, word in asked:
            try:
                sent, bank = self._out(register, word)
            except CallError as error:
                refused.append(str(error))
                continue
            went = True
            layout = self.codec.reply_layout(sent) if kind == "read" else None
            answered = answered or (layout is not None and layout.of_kind("data") is not None)
            seen = self.codec.decode_command(sent.word, bank, bits=sent.bits)
            if (seen.register, seen.kind, seen.data) != (register, kind, sent.data) or seen.flaws:
                as_what = seen.flaws[0].text if seen.flaws else _what(seen)
                yield problem(
                    f"a {kind} of {register.name}, 0x{sent.word:X}, is understood otherwise: {as_what}",
                    "a frame that only this register has",
                )
                break
        if asked and not went:
            yield problem(f"nothing can reach it: {refused[0]}", "a frame that reads or writes it")
        if answered:
            yield from self._back(register)

    def _out(self, register: Register, word: int | None) -> tuple[Sent, Bank]:
        """The frame, in the first state in which its layout is in force. Raises CallError."""
        error: CallError | None = None
        for base in self.banks:
            bank = base.copy()
            field = self.chip.field(self.chip.page_select)
            if field is not None and register.page is not None:
                bank.put(field, register.page)
            try:
                if word is None:
                    return self.codec.read(register, bank), bank
                return self.codec.write(register, word, bank), bank
            except CallError as caught:
                error = error or caught
        assert error is not None
        raise error

    def _back(self, register: Register) -> Iterator[Problem]:
        """Settings that a write puts there and a read must show."""
        for item in register.fields:
            if item.access not in (Access.RW, Access.ONCE):
                continue
            hidden = item.mask & ~register.read_back
            if not hidden:
                continue
            bits = spans([b for b in range(register.width - 1, -1, -1) if hidden >> b & 1])
            by = (
                "a write does not reach them (write_mask)"
                if hidden & ~register.write_mask
                else "a read does not show them (read_mask)"
                if register.reads_as in ("written", "inverted")
                else f"a read shows something else (reads_as: {register.reads_as})"
            )
            yield Problem(
                place_of(item.origin),
                f"bits {bits} of {item.ref}, which hold a setting and never come back: {by}",
                "access: wo where it cannot be read, or masks that cover the field",
                path=item.ref,
            )
        for word in (register.mask, 0x5555_5555_5555_5555 & register.mask):
            held = after_write(register, register.reset, word)
            bank = Bank(self.chip)
            bank.learn_read(register.name, as_read(self.chip, register, {register.name: held}))
            if (bank.words.get(register.name, 0) ^ held) & register.shows:
                yield Problem(
                    place_of(register.origin),
                    f"0x{word:X} written to {register.name} does not come back",
                    "the same bits",
                    path=f"registers.{register.name}",
                )
                return

    def command(self, command: Command) -> Iterator[Problem]:
        error = ""
        for bank in self.banks:
            try:
                sent = self.codec.command(command, None, bank)
            except CallError as caught:
                error = error or str(caught)
                continue
            seen = self.codec.decode_command(sent.word, bank, bits=sent.bits)
            twin = (
                seen.command is not None and seen.command.parts == command.parts
            )  # a warning of its own
            if (seen.command is not command and not twin) or seen.flaws:
                yield Problem(
                    place_of(command.origin),
                    f"the frame of {command.name}, 0x{sent.word:X}, is understood otherwise: "
                    + (seen.flaws[0].text if seen.flaws else _what(seen)),
                    "parts that only this command has",
                    path=f"commands.{command.name}",
                )
            return
        yield Problem(
            place_of(command.origin),
            f"{command.name} cannot be sent: {error}",
            "a layout that can be in force",
            path=f"commands.{command.name}",
        )

    # --- sequences -----------------------------------------------------------------------------
    def sequences(self) -> Iterator[Problem]:
        """The bring-up to reset values, then every other sequence on what it left."""
        chip = self.chip
        try:
            actions = bring_up_sequence(chip, Bank.at_reset(chip))
        except CallError as error:
            yield Problem(
                place_of(self._step_of(str(error))),
                str(error),
                "steps that can run",
                path="sequences",
            )
            return
        machine = Machine(chip)
        for action in actions:
            if action.sent is not None:
                machine.apply(action.sent)
        for name, steps in chip.sequences.items():
            if name not in BRING_UP:
                run = machine.copy()
                for step in steps:
                    yield from self._run(name, step, run)
        for test in chip.monitor_tests.values():
            yield from self._monitor_test(test, machine.copy())

    def _monitor_test(self, test: MonitorTest, machine: Machine) -> Iterator[Problem]:
        """What is forced is shown, and afterwards the chip is as before."""
        chip = self.chip
        path = f"monitor_tests.{test.name}"
        before = {r.name: machine.bank.words[r.name] & r.settings for r in chip.registers.values()}
        quiet = {n for n, f in chip.faults.items() if machine.raised(f) is False}
        shown: set[str] = set()
        for step in (*test.steps, *test.restore):
            try:
                actions = planned_steps(chip, machine.bank, {test.name: [step]}, machine.copy())
            except CallError as error:
                yield Problem(place_of(step.origin), str(error), "a step that can run", path=path)
                return
            for action in actions:
                sent = action.sent
                if sent is None:
                    continue
                register = sent.register
                if action.expect is not None and register is not None:
                    shown |= {n for n, f in chip.faults.items() if machine.raised(f)}
                    known = machine.bank.known[register.name] & action.mask
                    read = as_read(chip, register, machine.bank.words)
                    if (read ^ action.expect) & known:
                        yield Problem(
                            place_of(step.origin),
                            f"{register.name} reads 0x{read & action.mask:X} where 0x{action.expect:X} is expected",
                            "steps that bring it about: say with `acts` what a field forces",
                            path=path,
                        )
                machine.apply(sent)
        silent = [
            n for n in test.proves if n in quiet and n not in shown and self._flagged(test, n)
        ]
        if silent:
            yield Problem(
                place_of(test.origin),
                f"{', '.join(silent)} is never shown in the test",
                "a step that forces it and an expect that reads it",
                path=path,
            )
        for register in chip.registers.values():
            left = (machine.bank.words[register.name] & register.settings) ^ before[register.name]
            if left:
                yield Problem(
                    place_of(test.origin),
                    f"after the test bits 0x{left:X} of {register.name} are not as before",
                    "restore steps that bring every setting back",
                    path=path,
                )
        raised = [n for n in quiet if machine.raised(chip.faults[n])]
        if raised:
            yield Problem(
                place_of(test.origin),
                f"after the test {', '.join(sorted(raised))} stays raised",
                "restore steps that clear it",
                path=path,
            )

    def _flagged(self, test: MonitorTest, name: str) -> bool:
        """Whether the test reads the fault's own bits, not a result that stands for them."""
        own = self.chip.faults[name]
        for step in test.steps:
            if step.do == "expect":
                register, mask, _ = expectation(self.chip, step.targets[0])
                field = self.chip.field(own.ref)
                if register.name == own.register and field is not None and mask & field.mask:
                    return True
        return False

    def _run(self, name: str, step: Step, machine: Machine) -> Iterator[Problem]:
        if step.do not in ("write", "command", "key", "read"):
            return
        texts = self.chip.keys[step.targets[0]].steps if step.do == "key" else step.targets
        for text in texts:
            request = f"read:{text}" if step.do == "read" else text
            try:
                planned = plan(self.chip, [request], machine.bank)
                for one in planned:
                    outcome = machine.apply(one.sent)
                    if one.sent.kind == "write" and not outcome.taken:
                        raise CallError(f"the write would be refused: {outcome.why}")
            except CallError as error:
                yield Problem(
                    place_of(step.origin),
                    f"sequence {name}, {text}: {error}",
                    "a step that can run",
                    path=f"sequences.{name}",
                )

    def _step_of(self, error: str) -> str:
        """The place of the step that an error of the bring-up is about: its sequence's first, else a register."""
        for name, steps in self.chip.sequences.items():
            for step in steps:
                texts = [t for n in step.targets for t in (n, *self._key_steps(n))]
                if f"sequence {name}," in error and any(t in error for t in texts):
                    return step.origin
        first = next((s for steps in self.chip.sequences.values() for s in steps), None)
        return (
            first.origin if first is not None else next(iter(self.chip.registers.values())).origin
        )

    def _key_steps(self, name: str) -> tuple[str, ...]:
        return self.chip.keys[name].steps if name in self.chip.keys else ()


def _what(seen: Sent) -> str:
    target = (
        seen.command.name
        if seen.command is not None
        else seen.register.name
        if seen.register
        else "no register"
    )
    data = f" = 0x{seen.data:X}" if seen.data is not None else ""
    return f"{seen.kind} {target}{data}"
