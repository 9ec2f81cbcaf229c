"""Routines on the step tables of a stage, or of the board that is chosen: what a chip alone on its chip select can be asked.

read_status      every status register, twice; read_status_tick: the same without waiting
resync           counters back in step with a chip that has kept its state
clear_rejected   the flag of a rejected frame, cleared and seen to be down
restart          from wherever a run has stopped; restart_tick: the same without waiting
watch            the readback in rotation
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING

from regmap.record import dataclass

from ..chip.model import Chip, Frame, Register
from ..errors import CallError
from ..frames.words import build
from ..quantity import Band
from .clearing import AT_POWER_UP, FORGET_RESET, NAME, NOT_RESET, told_in_replies
from .exchange import FrameRoutines
from .frames import FrameNames
from .plans import harmless
from .sheet import Sheet
from .stepwise import (
    kept_twice,
    restart_next,
    status_first,
    status_members,
    status_next,
    until_done,
)
from .text import block, count, defines, number
from .variants import board_routine

if TYPE_CHECKING:
    from ..stages.load import Stage


class StageRoutines(FrameRoutines):
    """Writes those routines; they run tasks, which `Runner` writes."""

    resynced = False

    @property
    def lenient(self) -> bool:
        """Whether a task may have to go on while a flag says that a frame was rejected."""
        return self.clears or bool(told_in_replies(self.sheet.chip))

    @property
    def clears(self) -> bool:
        return NAME in self.sheet.tables

    def status(self) -> None:
        """Reads the status registers in the order of STATUS_INDEX, twice."""
        sheet, low = self.sheet, self.low
        job = low("read_status_t")
        words = f"words[{sheet.names.macro('STATUS_COUNT')}]"
        trust = ["job->task.lenient = 1U;"] if self.lenient else []
        sheet.lines(
            "",
            "typedef struct {",
            f"    {self.task} task;     /* the table in hand */",
            "    uint16_t index;     /* words read so far, this time */",
            *status_members(lenient=self.lenient),
            f"}} {job};",
        )
        board_routine(
            sheet,
            "read_status_begin",
            [(f"{job} *", "job")],
            ["status"],
            lambda of: [
                f"{low('task_begin')}(&job->task, {', '.join(of['status'])});",
                *trust,
                "job->index = 0U;",
                *status_first(lenient=self.lenient),
            ],
            "Before the first call of `read_status_tick`.",
            gives="void",
        )
        found = kept_twice("words[job->index]", "spi->got", "job->task.step.", self.wide, self.data)
        sheet.function(
            f"uint8_t {low('read_status_tick')}({self.spi} *spi, {job} *job, {self.data} {words})",
            [
                "const uint16_t at = job->task.at;",
                f"uint8_t result = {low('tick')}(spi, &job->task);",
                f"if ((job->task.at != at) && (job->task.step.kind == {self.kind('READ')})) {{",
                *(f"    {line}" for line in found),
                "    job->index++;",
                "}",
                *status_next(
                    sheet,
                    ["job->proven = job->proven && (job->task.lenient == 1U);"],
                    [
                        f"{low('task_begin')}(&job->task, job->task.steps, job->task.size);",
                        *trust,
                        "job->index = 0U;",
                    ],
                    lenient=self.lenient,
                ),
                "return result;",
            ],
            "As `read_status`, one call a tick: at most one frame, no waiting. BUSY, and WAIT (job->task.wait_us): call again; "
            "anything else is the result of `read_status`, with the words that it fills. RUN_...",
        )
        of_board = sheet.variants and "status" not in sheet.alike
        begin = "read_status_variant_begin" if of_board else "read_status_begin"
        board_routine(
            sheet,
            "read_status",
            [(f"{self.spi} *", "spi"), (self.data, words)],
            ["status"],
            lambda _: [
                f"{'(void)' if of_board else ''}{low(begin)}(&job{', variant' if of_board else ''});",
                *self.until_done(f"{low('read_status_tick')}(spi, &job, words)"),
            ],
            "Reads every status register of a configured chip twice, ready for `explain`: only OK is good. What either "
            "read has shown is in the words, for reading may erase faults"
            + (
                ", also where the result is REJECTED: a flag tells of a rejected frame then, and what was read is not proven"
                if self.lenient
                else ""
            )
            + ". RUN_...",
            declared=[f"{job} job;"],
            fetched=False,
        )

    def until_done(self, tick: str) -> list[str]:
        """Statements that call `tick` until the job is done, and wait where it wants that."""
        busy, wait = self.result("BUSY"), self.result("WAIT")
        return until_done(tick, "spi->wait_us(spi->context, job.task.wait_us)", busy, wait)

    def clear_rejected(self) -> None:
        """The table that clears such a flag, then strict reads."""
        ok = self.result("OK")

        def body(tables: Mapping[str, tuple[str, str]]) -> list[str]:
            table, size = tables[NAME]
            return [
                f"{self.low('task_begin')}(&task, {table}, {size});",
                "task.lenient = 1U;",
                f"result = {self.low('task_finish')}(spi, &task, failed);",
                f"if (result == {ok}) {{",
                f"    result = {self.low('resync')}(spi);",
                "}",
            ]

        board_routine(
            self.sheet,
            "clear_rejected",
            [(f"{self.spi} *", "spi"), ("uint16_t *", "failed")],
            [NAME],
            body,
            "Clears the flag of a rejected frame, with which every other result is REJECTED, and sees that it is down. What was "
            "under way is not known to have been done: begin it again. RUN_...",
            declared=[f"{self.task} task;"],
        )

    def resync(self) -> None:
        """Harmless reads in the layout of the configured chip."""
        sheet = self.sheet
        item = self.configured
        text, what = filling(sheet, item)
        if not text:
            sheet.names.note("no register can be read without effect: there is no resync")
            return
        self.resynced = True
        rounds = rounds_of(item)
        fmt = f", {count(item.index)}" if self.several else ""
        sheet.function(
            f"uint8_t {self.low('resync')}({self.spi} *spi)",
            [
                f"uint8_t result = {self.result('OK')};",
                "uint8_t k;",
                f"{self.frame} reply = 0U;",
                f"/* {what} */",
                f"for (k = 0U; k < {count(rounds)}; k++) {{",
                f"    result = {self.low('exchange')}(spi{fmt}, {text}, &reply);",
                "}",
                "(void)reply;",
                *self._not_reset(),
                "return result;",
            ],
            "Counters back in step with a chip that has kept its state while the controller restarted: first spi_init, "
            "then this, then the table warm_steps. Not OK: the chip is not configured, or not there, or (REJECTED) a flag tells of a "
            f"rejected frame{', or (RESET) the chip was reset' * sheet.reset_told}. RUN_...",
        )

    def _not_reset(self) -> list[str]:
        """Statements after the reads of a resync: a chip that was reset is no chip that has kept its state."""
        ok = self.result("OK")
        if self.sheet.reset_told:
            up = "spi->reset || spi->doubt" if self.sheet.reset_doubted else "spi->reset"
            return [
                f"if (result == {ok}) {{",
                f"    spi->settled = !({up});",
                f"    result = spi->settled ? {ok} : {self.result('RESET')};",
                "}",
            ]
        if NOT_RESET not in self.sheet.tables:
            return []
        steps = self.sheet.plans[NOT_RESET]
        return [
            f"if (result == {ok}) {{",
            "    uint16_t failed = 0U;",
            f"    result = {self.low('run')}(spi, {steps.table}, {steps.size}, &failed);",
            "    (void)failed;",
            "}",
        ]

    def restart(self) -> None:
        """Wherever a run has stopped: the chip stands in the layout and state of the end, or still in those of power-up."""
        sheet, low = self.sheet, self.low
        job, kind = low("restart_t"), self.task
        sheet.lines(
            "",
            "typedef struct {",
            f"    {kind} task;     /* the table in hand */",
            "    uint8_t phase;      /* how far it has come */",
            "    uint8_t rounds;     /* reads that bring the chip back in step */",
            f"}} {job};",
        )
        sheet.function(
            f"void {low('restart_begin')}({self.spi} *spi, {job} *job)",
            [
                f"{low('spi_init')}(spi, spi->transfer, spi->wait_us, spi->context);",
                f"{low('task_begin')}(&job->task, NULL, 0U);",
                "job->phase = 0U;",
                "job->rounds = 0U;",
            ],
            "Before the first call of `restart_tick`.",
        )
        late = AT_POWER_UP if AT_POWER_UP in sheet.tables else NAME
        used = ["init", "warm", *([NAME, late] if self.clears else [])]
        used += [FORGET_RESET] if FORGET_RESET in sheet.tables else []
        tables = list(dict.fromkeys(used))
        board_routine(
            sheet,
            "restart_tick",
            [(f"{self.spi} *", "spi"), (f"{job} *", "job")],
            tables,
            lambda of: self._restart_tick(of, late),
            "As `restart`, one call a tick: at most one frame, no waiting. BUSY, and WAIT (job->task.wait_us): call again; OK: the "
            "chip is configured; anything else: begin again. RUN_...",
            always=True,
        )
        tick = "restart_tick_variant" if sheet.variants else "restart_tick"
        variant = "variant, " if sheet.variants else ""
        board_routine(
            sheet,
            "restart",
            [(f"{self.spi} *", "spi"), ("uint16_t *", "failed")],
            tables,
            lambda _: [
                f"{low('restart_begin')}(spi, &job);",
                *self.until_done(f"{low(tick)}(spi, {variant}&job)"),
                f"if (result != {self.result('OK')}) {{",
                "    *failed = job.task.at;",
                "}",
            ],
            "Configures a chip that a run has left at any step, or that has kept its state while the controller "
            "restarted, or was reset. Call it in the safe state of the bridge. Not OK: call it again, or switch the "
            "chip's supply off and on. RUN_...",
            declared=[f"{job} job;"],
            always=True,
            fetched=False,
        )

    def _restart_tick(self, of: Mapping[str, tuple[str, str]], late: str) -> list[str]:
        sheet, low = self.sheet, self.low
        fmt = f", {count(self.configured.index)}" if self.several else ""
        text, what = filling(sheet, self.configured)
        first = sheet.after_power_up
        rounds = rounds_of(self.configured)
        return [
            "if ((job->phase == 0U) || (job->phase == 2U)) {",
            f"    {self.frame} reply = 0U;",
            f"    /* {what} */",
            f"    result = {low('exchange')}(spi{fmt}, {text}, &reply);",
            "    (void)reply;",
            "    job->rounds++;",
            f"    if (job->rounds < {count(rounds)}) {{",
            f"        result = {self.result('BUSY')};",
            "    }",
            "} else {",
            f"    result = {low('tick')}(spi, &job->task);",
            "}",
            *restart_next(
                sheet,
                lambda name: [f"{low('task_begin')}(&job->task, {', '.join(of[name])});"],
                f"{low('spi_init')}(spi, spi->transfer, spi->wait_us, spi->context);",
                late=late,
                clears=self.clears,
                trusting=["job->task.lenient = 1U;"],
                later=[f"job->task.at = {count(first)};"] if first else [],
            ),
        ]

    @property
    def configured(self) -> FrameNames:
        """The format in force once the chip is configured."""
        return next(f for f in self.frames if f.frame.name == self.sheet.format_at_end)

    def watch_times(self, stage: Stage) -> None:
        """How long a rotation takes, and how seldom the watch may be called."""
        sheet, names = self.sheet, self.sheet.names
        times = watch_times(sheet, stage, self.after)
        ticks, late = times.ticks, times.late
        macro = names.macro("WATCH_TICKS")
        worst = names.macro("WATCH_WORST_US")
        sheet.lines(
            "",
            *defines(
                [
                    (
                        macro,
                        count(ticks),
                        "calls of watch for one rotation through the readback table"
                        + times.longest,
                    ),
                ]
            ),
            "/* a setting is lost right after it was read: found one rotation later, at the latest, and replies come late */",
            f"#define {worst}(period_us) (((uint32_t){macro} + {count(late)}) * (uint32_t)(period_us))",
        )
        if times.tolerated_us is not None:
            sheet.lines(
                *defines(
                    [
                        (
                            names.macro("FTTI_US"),
                            count(times.tolerated_us),
                            times.tolerated,
                        ),
                        (
                            names.macro("WATCH_PERIOD_MOST_US"),
                            count(times.most_us),
                            times.too_long,
                        ),
                    ]
                ),
                *block(
                    f"Define {names.macro('WATCH_PERIOD_US')}, a plain number, as the period of the calls: it is held "
                    "against that here."
                ),
                f"#if defined({names.macro('WATCH_PERIOD_US')})",
                f"#if {names.macro('WATCH_PERIOD_US')} > {names.macro('WATCH_PERIOD_MOST_US')}",
                f'#error "the watch is called too seldom: a lost setting would be found after {names.macro("FTTI_US")}"',
                "#endif",
                "#endif",
            )

    def watch(self) -> None:
        """The readback in rotation, a frame a tick."""
        sheet, names = self.sheet, self.sheet.names
        parted = "locked" in sheet.tables

        def begin(tables: Mapping[str, tuple[str, str]]) -> list[str]:
            table, size = tables["readback"]
            return [
                f"{self.low('task_begin')}(task, {table}, {size});",
                *(["task->watched = 1U;"] if parted else []),
            ]

        board_routine(
            sheet,
            "watch_begin",
            [(f"{self.task} *", "task")],
            ["readback"],
            begin,
            "Before the first call of `watch`, and after the chip was configured again.",
            gives="void",
            always=True,
        )
        again = [f"{self.low('task_begin')}(task, task->steps, task->size);"]
        if "locked" in sheet.tables:
            # the rotation has two parts, both rows of a table that stands already; where other tables stand says nothing
            lock, rows = self.low("locked_steps"), names.macro("LOCKED_STEPS", "COUNT")
            again = [
                "if (task->watched == 1U) {",
                f"    {self.low('task_begin')}(task, {lock}, {rows});",
                "    task->watched = 2U;",
                "} else if (task->watched == 2U) {",
                f"    {self.low('watch_begin')}(task);",
                "} else {",
                *(f"    {x}" for x in again),
                "}",
            ]
        over = f"result == {self.result('OK')}"
        if self.sheet.reset_told:
            # the end of a rotation is no end of the watch
            over = f"({over}) || (result == {self.result('RESET')})"
        reset = ["if (spi->reset) {", f"    result = {self.result('RESET')};", "}"]
        sheet.function(
            f"uint8_t {self.low('watch')}({self.spi} *spi, {self.task} *task)",
            [
                f"uint8_t result = {self.low('tick')}(spi, task);",
                f"if ({over}) {{",
                *(f"    {x}" for x in again),
                f"    result = {self.low('tick')}(spi, task);",
                "}",
                *(reset if self.sheet.reset_told else []),
                "return result;",
            ],
            "One call a period while the bridge runs: a frame of the readback, in rotation. BUSY: nothing found. EXPECT: "
            "spi->step (..._READBACK_STEP), spi->got and spi->differ tell where and what; RESET: the chip has lost its "
            "settings. Bring the bridge into its safe state before the chip is configured again. RUN_...",
        )


@dataclass(frozen=True, slots=True)
class WatchTimes:
    """Calls of the watch for one rotation, and more until a loss is told; the fault tolerant time, what of it controller
    and actuator need to act, and the longest period in what is left."""

    ticks: int
    late: int
    tolerated_us: int | None = None
    acting_us: int = 0
    most_us: int = 0
    #: where there are several: the stage of which these times are
    of: str = ""

    @property
    def longest(self) -> str:
        """Which rotation it is, where there are several."""
        return ", the longest of all" if self.of else ""

    @property
    def tolerated(self) -> str:
        """What the fault tolerant time is."""
        return f"fault tolerant time interval of the stage{f' {self.of}, which leaves the least time' if self.of else ''}"

    @property
    def too_long(self) -> str:
        """What the longest period means."""
        if not self.acting_us:
            return "with longer periods the watch alone detects too late"
        return (
            "with longer periods the watch detects too late for controller and actuator, whose reaction "
            f"takes {self.acting_us} us"
        )


def watch_times(sheet: Sheet, stage: Stage, after: int) -> WatchTimes:
    """What every language says of the watch; `after` is how many frames later a reply comes."""
    ticks = sheet.readback_frames
    stages = sheet.stages or [stage]
    # the first call of a rotation is one period away; its reply comes so many frames later
    late = max(1, after)
    # of several boards, or positions, the one that leaves the least time; as `reaction.configuration` has it
    least: tuple[Fraction, Fraction, Fraction, str] | None = None
    for one in stages:
        tolerated = one.params.get("safety.ftti")
        if tolerated is None or not isinstance(tolerated.value, Band):
            continue
        acting = sum((_longest(one, n) for n in ACTING), Fraction(0))
        found = (tolerated.value.low - acting, tolerated.value.low, acting, one.name)
        least = found if least is None else min(least, found)
    several = len(stages) > 1
    if least is None:
        return WatchTimes(ticks, late, of=sheet.stages[0].name if several else "")
    left, interval, acting = (time * 1_000_000 for time in least[:3])
    most = max(0, int(left / (ticks + late)))
    return WatchTimes(ticks, late, int(interval), ceil(acting), most, least[3] if several else "")


#: What acts once a loss is known: the stage's times for it.
ACTING = ("controller.reaction", "actuator.reaction")


def _longest(stage: Stage, name: str) -> Fraction:
    stated = stage.params.get(name)
    return (
        stated.value.high if stated is not None and isinstance(stated.value, Band) else Fraction()
    )


def filling(sheet: Sheet, item: FrameNames) -> tuple[str, str]:
    """A read that erases nothing, to clock a reply out; "" where only the same read will do."""
    found = filler_of(sheet.chip, item.frame)
    if found is None:
        return "", "the same read again fetches the reply"
    frame, register = found
    return (
        number(frame, item.frame.length),
        f"a read of {register.name} fetches the reply and changes nothing",
    )


def rounds_of(item: FrameNames) -> int:
    """Harmless reads until counters are in step with a chip that has kept its state."""
    return 1 + item.frame.after + (1 if item.counters else 0)


def filler_of(chip: Chip, frame: Frame) -> tuple[int, Register] | None:
    """The command, and the register, of a read in this layout that changes nothing; None where there is none."""
    for register in chip.registers.values():
        if not harmless(chip, register) or (register.frames and frame.name not in register.frames):
            continue
        parts: dict[str, int] = {}
        for part in frame.command.parts:
            if part.kind == "operation":
                code = register.operations.get("read", "read")
                if code in part.codes:
                    parts[part.name] = part.codes[code]
            elif part.kind == "address":
                parts[part.name] = register.address
            elif part.kind == "page":
                parts[part.name] = register.page or 0
        try:
            return build(frame.command, parts), register
        except CallError:
            continue
    return None
