"""Routines on the step tables of a stage, or of the board that is chosen: what a chip alone on its chip select can be asked.

read_status   every status register, twice; read_status_tick: the same without waiting
watch         the readback in rotation
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING

from regmap.record import dataclass

from ..quantity import Band
from .again import AgainRoutines
from .sheet import Sheet
from .stepwise import (
    kept_twice,
    status_first,
    status_members,
    status_next,
)
from .text import block, count, defines
from .variants import board_routine

if TYPE_CHECKING:
    from ..stages.load import Stage


class StageRoutines(AgainRoutines):
    """Writes those routines; they run tasks, which `Runner` writes."""

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
