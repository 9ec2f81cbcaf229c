"""Running a script against a chip: step by step, with what each took, to the first that does not hold."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from ..behaviour.settings import expectation
from ..errors import CallError, LinkError, told
from . import rules
from .script import LineDone, ScriptLine, words_for
from .session import Link

POLL = 0.001  # s between two looks of `until`


def run_script(
    link: Link,
    lines: Sequence[ScriptLine],
    on_line: Callable[[LineDone], None] | None = None,
    *,
    control: Callable[[str], str] | None = None,
) -> list[LineDone]:
    """Run a script; stops at the first step that does not hold.

    `control` carries out what is done to a simulated chip, and answers "ok" or what is wrong.
    """
    return _Running(link, on_line, control).run(lines)


class _Running:
    """One run: what was written so far, and when the last disturbance was."""

    def __init__(
        self,
        link: Link,
        on_line: Callable[[LineDone], None] | None,
        control: Callable[[str], str] | None,
    ) -> None:
        self.link = link
        self.on_line = on_line or (lambda _done: None)
        self.control = control
        self.written: dict[str, int] = {}
        self.begin = link.port.clock()
        self.disturbed: float | None = None

    def run(self, lines: Sequence[ScriptLine]) -> list[LineDone]:
        done: list[LineDone] = []
        for line in lines:
            if line.do == "loop":
                for _ in range(line.count):
                    done += self.run(line.body)
                    if done and not done[-1].ok:
                        return done
                continue
            start = self.link.port.clock()
            for ok, grade, detail in self._step(line):
                result = self._done(line, start, ok, grade, detail)
                done.append(result)
                self.on_line(result)
                start = self.link.port.clock()
            if not done[-1].ok:
                break
        return done

    def _done(self, line: ScriptLine, start: float, ok: bool, grade: str, detail: str) -> LineDone:
        now = self.link.port.clock()
        result = LineDone(
            line=line,
            ok=ok,
            grade=grade,
            detail=detail,
            time=now - self.begin,
            took=now - start,
            elapsed=None if self.disturbed is None else now - self.disturbed,
        )
        self.link.log(
            "script", step=f"{line.do} {line.text}", ok=ok, detail=detail, took_s=result.took
        )
        return result

    def _step(self, line: ScriptLine) -> Iterator[tuple[bool, str, str]]:
        link, chip = self.link, self.link.chip
        if line.do == "wait":
            assert line.wait is not None
            link.port.sleep(float(line.wait.high))
            yield True, "", ""
        elif line.do == "read":
            reading = link.read(line.text)
            if reading.word is None:
                yield False, reading.grade, reading.why
            else:
                yield True, reading.grade, f"{line.text} = 0x{reading.word:X}"
        elif line.do in ("expect", "until", "assert"):
            yield self._held(line)
        elif line.do == "pin":
            yield self._drive(line.text == "enable high")
        elif line.do == "key":
            result = link.key(line.text)
            yield result.good, result.result, result.why
        elif line.do == "command":
            result = link.command(chip.commands[line.text])
            yield result.good, result.result, result.why
        elif line.do == "write":
            yield from self._write(line)
        elif line.do == "verify":
            yield from self._verify()
        else:
            yield self._disturb(f"{line.do} {line.text}")

    def _held(self, line: ScriptLine) -> tuple[bool, str, str]:
        """Whether a condition holds: now, or within the time of an `until`."""
        if line.text.startswith("elapsed"):
            return self._elapsed(line)
        clock = self.link.port.clock
        end = clock() + (float(line.wait.high) if line.wait is not None else 0.0)
        while True:
            ok, grade, detail = self._condition(line.text)
            if ok or line.do != "until":
                return ok, grade, detail
            if clock() >= end:
                assert line.wait is not None
                return False, grade, f"not within {line.wait}: {detail}"
            self.link.port.sleep(POLL)

    def _condition(self, text: str) -> tuple[bool, str, str]:
        if text.startswith("pin "):
            _, name, wanted = text.split()
            try:
                pins = self.link.port.pins()
            except LinkError as error:
                return False, "lost", str(error)
            level = pins.fault if name == "fault" else pins.enable
            if level is None:
                return False, "lost", f"the adapter has no {name} pin"
            found = "high" if level else "low"
            return found == wanted, "good", f"the {name} pin is {found}"
        register, mask, value = expectation(self.link.chip, text)
        reading = self.link.read(register.name)
        if reading.word is None:
            return False, reading.grade, reading.why
        shown = f"{register.name} = 0x{reading.word:X}"
        if (reading.word ^ value) & mask:
            return False, reading.grade, told(shown, f"0x{value:X} in bits 0x{mask:X}")
        return True, reading.grade, shown

    def _elapsed(self, line: ScriptLine) -> tuple[bool, str, str]:
        assert line.wait is not None
        since = self.begin if self.disturbed is None else self.disturbed
        took = self.link.port.clock() - since
        what = "the last disturbance" if self.disturbed is not None else "the script began"
        return took < float(line.wait.high), "good", f"{took * 1e3:.3f} ms since {what}"

    def _drive(self, level: bool) -> tuple[bool, str, str]:
        try:
            pins = self.link.port.pins(level)
        except LinkError as error:
            return False, "unknown", str(error)
        return pins.enable is level, "sent", "" if pins.enable is level else "it did not follow"

    def _disturb(self, text: str) -> tuple[bool, str, str]:
        if self.control is None:
            return (
                False,
                "refused",
                "no simulated chip is under control here; --control tells where",
            )
        try:
            answer = self.control(text)
        except LinkError as error:
            return False, "lost", str(error)
        self.disturbed = self.link.port.clock()
        return answer == "ok", "sent", "" if answer == "ok" else answer

    def _write(self, line: ScriptLine) -> Iterator[tuple[bool, str, str]]:
        try:
            words = words_for(self.link, [line.text])
        except CallError as error:
            yield False, "refused", str(error)
            return
        for name, word in words:
            result = self.link.write(name, word)
            if result.good:
                self.written[name] = word
            held = word if result.holds is None else result.holds
            yield result.good, result.result, result.why or f"{name} = 0x{held:X}"
            if not result.good:
                return

    def _verify(self) -> Iterator[tuple[bool, str, str]]:
        for name, word in self.written.items():
            check = rules.readback(self.link.chip, self.link.chip.registers[name], 0, word)
            if check is None:
                continue
            reading = self.link.read(name)
            good = reading.good and ((reading.word or 0) ^ check[1]) & check[0] == 0
            shown = f"{name} = 0x{reading.word:X}" if reading.word is not None else reading.why
            yield good, reading.grade, shown if good else told(shown, f"0x{check[1]:X}")
            if not good:
                return
        if not self.written:
            yield True, "", "nothing was written yet"
