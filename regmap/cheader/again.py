"""A chip alone that goes on after a stop: counters back in step, the flag of a rejected frame cleared, brought up again.

resync           counters back in step with a chip that has kept its state; resync_tick: the same without waiting
clear_rejected   the flag of a rejected frame, cleared and seen to be down; by resync_tick without waiting
restart          from wherever a run has stopped; restart_tick: the same without waiting
"""

from __future__ import annotations

from collections.abc import Mapping

from ..chip.model import Chip, Frame, Register
from ..errors import CallError
from ..frames.words import build
from .clearing import AT_POWER_UP, FORGET_RESET, NAME, NOT_RESET, told_in_replies
from .exchange import FrameRoutines
from .frames import FrameNames
from .plans import harmless
from .sheet import Sheet
from .stepwise import restart_next, until_done
from .text import count, number
from .variants import board_routine


class AgainRoutines(FrameRoutines):
    """Writes those routines; they run tasks, which `Runner` writes."""

    resynced = False

    @property
    def lenient(self) -> bool:
        """Whether a task may have to go on while a flag says that a frame was rejected."""
        return self.clears or bool(told_in_replies(self.sheet.chip))

    @property
    def clears(self) -> bool:
        return NAME in self.sheet.tables

    def until_done(self, tick: str) -> list[str]:
        """Statements that call `tick` until the job is done, and wait where it wants that."""
        busy, wait = self.result("BUSY"), self.result("WAIT")
        return until_done(tick, "spi->wait_us(spi->context, job.task.wait_us)", busy, wait)

    def resync(self) -> None:
        """Harmless reads in the layout of the configured chip; and after a table that clears the flag of a rejected frame."""
        sheet, low = self.sheet, self.low
        item = self.configured
        text, what = filling(sheet, item)
        if not text:
            sheet.names.note("no register can be read without effect: there is no resync")
            return
        self.resynced = True
        job = low("resync_t")
        fmt = f", {count(item.index)}" if self.several else ""
        ok, busy = self.result("OK"), self.result("BUSY")
        sheet.lines(
            "",
            "typedef struct {",
            f"    {self.task} task;     /* the table in hand */",
            "    uint8_t phase;      /* 0: the flag of a rejected frame is cleared, 1: reads, 2: what shows that the chip was not reset */",
            "    uint8_t rounds;     /* reads so far */",
            f"}} {job};",
        )
        sheet.function(
            f"void {low('resync_begin')}({job} *job)",
            [
                f"{low('task_begin')}(&job->task, NULL, 0U);",
                "job->phase = 1U;",
                "job->rounds = 0U;",
            ],
            "Before the first call of `resync_tick`.",
        )
        after = self._not_reset()
        cleared = (
            [
                f"    if ((result == {ok}) && (job->phase == 0U)) {{",
                "        job->phase = 1U;",
                f"        result = {busy};",
                "    }",
            ]
            if self.clears
            else []
        )
        tables = NOT_RESET in sheet.tables or self.clears
        over = [f"if (job->rounds < {count(rounds_of(item))}) {{", f"    result = {busy};", *after]
        reads = [
            f"{self.frame} reply = 0U;",
            f"/* {what} */",
            f"result = {low('exchange')}(spi{fmt}, {text}, &reply);",
            "(void)reply;",
            "job->rounds++;",
            *over,
            "}",
        ]
        sheet.function(
            f"uint8_t {low('resync_tick')}({self.spi} *spi, {job} *job)",
            [
                f"uint8_t result = {busy};",
                *(
                    [
                        "if (job->phase == 1U) {",
                        *(f"    {line}" for line in reads),
                        "} else {",
                        f"    result = {low('tick')}(spi, &job->task);",
                        *cleared,
                        "}",
                    ]
                    if tables
                    else reads
                ),
                "return result;",
            ],
            "As `resync`, one call a tick: at most one frame, no waiting. BUSY, and WAIT (job->task.wait_us): call again; anything else "
            "is the result of `resync`, or of `clear_rejected` where that was begun. RUN_...",
        )
        sheet.function(
            f"uint8_t {low('resync')}({self.spi} *spi)",
            [
                f"{job} job;",
                f"uint8_t result = {ok};",
                f"{low('resync_begin')}(&job);",
                *self.until_done(f"{low('resync_tick')}(spi, &job)"),
                "return result;",
            ],
            "Counters back in step with a chip that has kept its state while the controller restarted: first spi_init, "
            "then this, then the table warm_steps. Not OK: the chip is not configured, or not there, or (REJECTED) a flag tells of a "
            f"rejected frame{', or (RESET) the chip was reset' * sheet.reset_told}. RUN_...",
        )

    def _not_reset(self) -> list[str]:
        """The branch after the reads of a resync: a chip that was reset is no chip that has kept its state."""
        ok = self.result("OK")
        if self.sheet.reset_told:
            up = "spi->reset || spi->doubt" if self.sheet.reset_doubted else "spi->reset"
            return [
                f"}} else if (result == {ok}) {{",
                f"    spi->settled = !({up});",
                f"    result = spi->settled ? {ok} : {self.result('RESET')};",
                "} else {",
                "    /* it has failed */",
            ]
        if NOT_RESET not in self.sheet.tables:
            return []
        steps = self.sheet.plans[NOT_RESET]
        return [
            f"}} else if (result == {ok}) {{",
            f"    {self.low('task_begin')}(&job->task, {steps.table}, {steps.size});",
            "    job->phase = 2U;",
            f"    result = {self.result('BUSY')};",
            "} else {",
            "    /* it has failed */",
        ]

    def clear_rejected(self) -> None:
        """The table that clears such a flag, then what a resync does."""
        low, job = self.low, self.low("resync_t")

        def begun(tables: Mapping[str, tuple[str, str]]) -> list[str]:
            return [
                f"{low('resync_begin')}(job);",
                f"{low('task_begin')}(&job->task, {', '.join(tables[NAME])});",
                "job->task.lenient = 1U;",
                "job->phase = 0U;",
            ]

        board_routine(
            self.sheet,
            "clear_rejected_begin",
            [(f"{job} *", "job")],
            [NAME],
            begun,
            "Before the first call of `resync_tick` that clears the flag of a rejected frame.",
            gives="void",
        )
        of_board = self.sheet.variants and NAME not in self.sheet.alike
        begin = "clear_rejected_variant_begin" if of_board else "clear_rejected_begin"
        board_routine(
            self.sheet,
            "clear_rejected",
            [(f"{self.spi} *", "spi"), ("uint16_t *", "failed")],
            [NAME],
            lambda _: [
                f"{'(void)' if of_board else ''}{low(begin)}(&job{', variant' if of_board else ''});",
                *self.until_done(f"{low('resync_tick')}(spi, &job)"),
                f"if ((result != {self.result('OK')}) && (job.phase == 0U)) {{",
                "    *failed = job.task.at;",
                "}",
            ],
            "Clears the flag of a rejected frame, with which every other result is REJECTED, and sees that it is down. What was "
            "under way is not known to have been done: begin it again. RUN_...",
            declared=[f"{job} job;"],
            fetched=False,
        )

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
