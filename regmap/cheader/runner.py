"""Routines that run the step tables over the caller's own SPI transfer, and believe nothing unproven.

task_out, task_in   the next step of a table: a frame for DMA, then its reply
tick                one call a tick: at most one frame, never a wait
run, query          until done
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from regmap.record import dataclass

from ..chip.model import Chip, Frame, Register
from ..errors import CallError
from ..frames.words import build
from ..quantity import Band
from .bitcode import put
from .clearing import AT_POWER_UP, NAME, told_in_replies
from .exchange import FrameRoutines
from .frames import FrameNames
from .sheet import Sheet
from .steps import harmless
from .text import block, count, defines, number, utype
from .variants import board_routine

if TYPE_CHECKING:
    from ..stages.load import Stage


class Runner(FrameRoutines):
    """Writes the routines for one frame, then those that run tables of them, in their order."""

    resynced = False

    @property
    def lenient(self) -> bool:
        """Whether a task may have to go on while a flag says that a frame was rejected."""
        return self.clears or bool(told_in_replies(self.sheet.chip))

    @property
    def clears(self) -> bool:
        return NAME in self.sheet.tables

    def write(self, stage: Stage) -> None:
        self.types()
        self.frame_out()
        self.frame_in()
        # one chip of a chain is not reached alone: what would try is not there
        alone = not self.sheet.chained
        if alone:
            self.exchange()
        if any(a in self.sheet.tables for a in ("init", "readback", "warm")):
            self.tasks()
            if not alone:
                return
            if "status" in self.sheet.tables:
                self.status()
            if "warm" in self.sheet.tables:
                self.resync()
            if self.clears and self.resynced:
                self.clear_rejected()
            if {"warm", "init"} <= self.sheet.tables and self.resynced:
                self.restart()
            if "readback" in self.sheet.tables:
                self.watch_times(stage)
                self.watch()

    # --- tables ----------------------------------------------------------------------------------
    def tasks(self) -> None:
        sheet = self.sheet
        names = sheet.names
        most = names.macro("BYTES_MOST")
        sheet.lines(
            "",
            "typedef struct {",
            f"    const {self.step} *steps;",
            "    uint32_t wait_us;   /* where the result is WAIT: go on after so long */",
            f"    {self.step} step;     /* the step in hand */",
            "    uint16_t size;",
            "    uint16_t at;",
            *(
                ["    uint16_t seen;      /* spi->frames after the last one of this task */"]
                if self.after
                else []
            ),
            "    uint8_t fetched;    /* frames sent so far to get its reply */",
            *(
                [
                    "    uint8_t watched;    /* 1: the readback, 2: the lock, in turn; 0: a table alone */"
                ]
                if "locked" in sheet.tables
                else []
            ),
            *(
                [
                    "    uint8_t lenient;    /* 1: goes on while a flag tells of a rejected frame; 2: one did; 0: stops */"
                ]
                if self.lenient
                else []
            ),
            "    uint8_t bytes;      /* bytes in `out`, and wanted in `in` */",
            f"    uint8_t out[{most}];",
            f"    uint8_t in[{most}];",
            f"}} {self.task};",
        )
        sheet.function(
            f"void {self.low('task_begin')}({self.task} *task, const {self.step} *steps, uint16_t size)",
            [
                "task->steps = steps;",
                "task->size = size;",
                "task->at = 0U;",
                "task->fetched = 0U;",
                "task->bytes = 0U;",
                "task->wait_us = 0U;",
                *(["task->watched = 0U;"] if "locked" in sheet.tables else []),
                *(["task->lenient = 0U;"] if self.lenient else []),
                *(["task->seen = 0U;"] if self.after else []),
            ],
            "A table of steps from its beginning.",
        )
        self._task_out()
        self._task_in()
        if sheet.chained:
            return
        fmt = ", task->step.format" if self.several else ""
        sheet.function(
            f"uint8_t {self.low('tick')}({self.spi} *spi, {self.task} *task)",
            [
                f"uint8_t result = {self.low('task_out')}(spi, task);",
                f"if (result == {self.result('BUSY')}) {{",
                f"    if ({self.low('transfer')}(spi{fmt}, task->out, task->in)) {{",
                f"        result = {self.low('task_in')}(spi, task);",
                "    } else {",
                f"        result = {self.result('SPI')};",
                "    }",
                "}",
                "return result;",
            ],
            "One call a tick: at most one frame, no waiting. BUSY and WAIT: call again; OK: the table is done. RUN_...",
        )
        task = "task->" if self.clears else "task."
        loop = [
            f"uint8_t result = {self.result('BUSY')};",
            f"while ((result == {self.result('BUSY')}) || (result == {self.result('WAIT')})) {{",
            f"    result = {self.low('tick')}(spi, {'' if self.clears else '&'}task);",
            f"    if (result == {self.result('WAIT')}) {{",
            f"        spi->wait_us(spi->context, {task}wait_us);",
            "    }",
            "}",
            f"if (result != {self.result('OK')}) {{",
            f"    *failed = {task}at;",
            "}",
            "return result;",
        ]
        begin = [f"{self.task} task;", f"{self.low('task_begin')}(&task, steps, size);"]
        lines = [begin[0], loop[0], begin[1], *loop[1:]]
        if self.clears:
            finish = self.low("task_finish")
            lines = [*begin, f"return {finish}(spi, &task, failed);"]
            sheet.hidden_function(
                f"uint8_t {finish}({self.spi} *spi, {self.task} *task, uint16_t *failed)",
                loop,
                "Runs a task to its end, or to the first step that fails.",
            )
        sheet.function(
            f"uint8_t {self.low('run')}({self.spi} *spi, const {self.step} *steps, uint16_t size, uint16_t *failed)",
            lines,
            "Runs a table of steps; stops at the first that fails and says which; spi->got and spi->differ tell of a "
            "word that is not as it must be, spi->errors of a reply. RUN_...",
        )

    def _task_out(self) -> None:
        fmt = ", task->step.format" if self.several else ""
        format_ = "task->step.format"
        lines = [f"uint8_t result = {self.result('OK')};", "if (task->at < task->size) {"]
        lines += [
            f"    {self.sheet.fetch('task->step', 'task->steps[task->at]')}",
            "    spi->step = task->at;",
            f"    if (task->step.kind == {self.kind('WAIT')}) {{",
            "        task->wait_us = task->step.wait_us;",
            "        task->at++;",
            f"        result = {self.result('WAIT')};",
            "    } else {",
            f"        {self.frame} command = task->step.frame;",
        ]
        merges = self._merges()
        if merges:
            lines += [f"        if (task->step.kind == {self.kind('MERGE')}) {{"]
            if self.several:
                lines += [f"            const uint8_t format = {format_};"]
            lines += [*(f"            {x}" for x in self.cases(merges)), "        }"]
        fillers = [self._filler(f) for f in self.frames]
        if any(fillers):
            lines += [
                "        /* a frame from elsewhere has come between: its reply is not this task's */",
                "        if (task->seen != spi->frames) {",
                "            task->fetched = 0U;",
                "        }",
            ]
            lines += ["        if (task->fetched != 0U) {"]
            if self.several:
                lines += [f"            const uint8_t format = {format_};"]
            bodies = [
                [f"command = {text}; /* {what} */"] if text else [f"/* {what} */"]
                for text, what in (x or ("", "its reply comes in the same frame") for x in fillers)
            ]
            lines += [*(f"            {x}" for x in self.cases(bodies)), "        }"]
        lines += [
            f"        task->bytes = {self.low('frame_out')}(spi{fmt}, command, task->out);",
            f"        result = {self.result('BUSY')};",
            "    }",
            "}",
            "return result;",
        ]
        self.sheet.function(
            f"uint8_t {self.low('task_out')}({self.spi} *spi, {self.task} *task)",
            lines,
            "The next frame in task->out, ready for DMA: send task->bytes of it and get as many into task->in "
            "(a frame of several bursts in its bursts), then call task_in. BUSY, or WAIT, or OK: nothing is left.",
        )

    def _merges(self) -> list[list[str]]:
        if "MERGE" not in self.sheet.used:
            return []
        bodies = []
        for item in self.frames:
            part = item.frame.command.of_kind("data")
            if part is None:
                bodies.append(["/* carries no data */"])
                continue
            bits = item.frame.length
            kept = "spi->kept[task->step.expect]"
            merged = f"({item.kind})(({item.kind})command | {put(kept, part.bits, bits)})"
            bodies.append(
                [
                    f"command = {item.check_bits}({merged});"
                    if item.check_bits
                    else f"command = {merged};"
                ]
            )
        return bodies

    def _filler(self, item: FrameNames) -> tuple[str, str] | None:
        return _filler(self.sheet, item) if item.frame.after else None

    def _task_in(self) -> None:
        fmt = ", task->step.format" if self.several else ""
        kind = "task->step.kind"
        reads = [self.kind(n) for n in ("EXPECT", "READ", "KEEP", "SAME")]
        bodies = []
        for item in self.frames:
            if not item.reply_data:
                bodies.append(
                    [
                        f"result = {self.result('FRAME_ERROR')}; /* no reply of this format has data */"
                    ]
                )
                continue
            read = f"(void){item.reply_data}(({item.kind})task->step.frame, ({item.kind})spi->reply, &spi->got);"
            after = item.frame.after
            if not after:
                bodies.append([read])
            else:
                bodies.append(
                    [
                        f"if (task->fetched < {count(after)}) {{",
                        "    task->fetched++;",
                        "    done = false;",
                        "} else {",
                        f"    {read}",
                        "}",
                    ]
                )
        judge = [
            "task->fetched = 0U;",
            "spi->differ = 0U;",
            f"if ({kind} == {self.kind('EXPECT')}) {{",
            f"    spi->differ = ({self.data})((({self.wide})spi->got & task->step.mask) ^ task->step.expect);",
            *self._kept(kind),
            "} else {",
            "    /* the word is the caller's */",
            "}",
            "if (spi->differ != 0U) {",
            f"    result = {self.result('EXPECT')};",
            "}",
        ]
        rejected = self.sheet.names.macro("FRAME_ERROR", "REJECTED")
        going_on = [
            f"if ((result == {self.result('REJECTED')}) && (task->lenient != 0U) && (spi->errors == {rejected})) {{",
            "    /* believed where the caller wants that, and told */",
            "    task->lenient = 2U;",
            f"    result = {self.result('OK')};",
            "}",
        ]
        lines = [
            f"uint8_t result = {self.low('frame_in')}(spi{fmt}, task->in);",
            *(going_on if self.lenient else []),
            f"if (result == {self.result('OK')}) {{",
        ]
        # where each reply comes within its own frame, nothing is ever waited for
        waits = self.after > 0
        if waits:
            lines += ["    bool done = true;", "    task->seen = spi->frames;"]
        test = " || ".join(f"({kind} == {r})" for r in reads)
        lines += [f"    if ({test}) {{"]
        if self.several:
            lines += ["        const uint8_t format = task->step.format;"]
        lines += [f"        {x}" for x in self.cases(bodies)]
        if waits:
            judge = ["if (done) {", *(f"    {x}" for x in judge), "}"]
        lines += [
            *(f"        {x}" for x in judge),
            "    }",
            f"    if (result == {self.result('OK')}) {{",
            f"        result = {self.result('BUSY')};",
            *(
                ["        if (done) {", "            task->at++;", "        }"]
                if waits
                else ["        task->at++;"]
            ),
            "    }",
            "} else {",
            "    task->fetched = 0U;",
            "}",
            "return result;",
        ]
        self.sheet.function(
            f"uint8_t {self.low('task_in')}({self.spi} *spi, {self.task} *task)",
            lines,
            "Takes what came in during that frame. BUSY: go on with task_out; else what went wrong. RUN_...",
        )

    def _kept(self, kind: str) -> list[str]:
        """Reserved bits: remembered where they are not known, compared where they are."""
        if not self.sheet.kept:
            return []
        small = utype(len(self.sheet.kept))
        one = "1U" if len(self.sheet.kept) <= 16 else f"({small})1U"
        place, known = "task->step.expect", "spi->kept_known"
        now = f"(({self.wide})spi->got & task->step.mask)"
        return [
            f"}} else if (({kind} == {self.kind('KEEP')}) || "
            f"(({kind} == {self.kind('SAME')}) && (({known} & ({one} << {place})) == 0U))) {{",
            f"    spi->kept[{place}] = ({self.data}){now};",
            f"    {known} = ({small})({known} | ({one} << {place}));",
            f"}} else if ({kind} == {self.kind('SAME')}) {{",
            f"    spi->differ = ({self.data})({now} ^ spi->kept[{place}]);",
        ]

    # --- what runs on them -----------------------------------------------------------------------
    def status(self) -> None:
        """Reads the status registers in the order of STATUS_INDEX, twice."""
        names = self.sheet.names
        busy, ok = self.result("BUSY"), self.result("OK")

        def body(tables: Mapping[str, tuple[str, str]]) -> list[str]:
            steps, size = tables["status"]
            return [
                f"result = {busy};",
                f"for (pass = 0U; (pass < 2U) && ((result == {busy}) || (result == {ok})); pass++) {{",
                "    uint16_t index = 0U;",
                f"    {self.low('task_begin')}(&task, {steps}, {size});",
                *(["    task.lenient = 1U;"] if self.lenient else []),
                f"    result = {busy};",
                f"    while (result == {busy}) {{",
                "        const uint16_t at = task.at;",
                f"        result = {self.low('tick')}(spi, &task);",
                f"        if ((task.at != at) && (task.step.kind == {self.kind('READ')})) {{",
                *(
                    f"            {line}"
                    for line in kept_twice(
                        "words[index]", "spi->got", "task.step.", self.wide, self.data
                    )
                ),
                "            index++;",
                "        }",
                "    }",
                *(["    proven = proven && (task.lenient == 1U);"] if self.lenient else []),
                "}",
                *(
                    [
                        f"if ((result == {ok}) && (!proven)) {{",
                        f"    result = {self.result('REJECTED')};",
                        "}",
                    ]
                    if self.lenient
                    else []
                ),
                f"if ((result == {ok}) && (!same)) {{",
                f"    result = {self.result('CHANGED')};",
                "}",
            ]

        board_routine(
            self.sheet,
            "read_status",
            [(f"{self.spi} *", "spi"), (self.data, f"words[{names.macro('STATUS_COUNT')}]")],
            ["status"],
            body,
            "Reads every status register of a configured chip twice, ready for `explain`: only OK is good. What either "
            "read has shown is in the words, for reading may erase faults"
            + (
                ", also where the result is REJECTED: a flag tells of a rejected frame then, and what was read is not proven"
                if self.lenient
                else ""
            )
            + ". RUN_...",
            declared=[
                f"{self.task} task;",
                "uint8_t pass;",
                "bool same = true;",
                *(["bool proven = true;"] if self.lenient else []),
            ],
        )

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
        text, what = _filler(sheet, item)
        if not text:
            sheet.names.note("no register can be read without effect: there is no resync")
            return
        self.resynced = True
        rounds = 1 + item.frame.after + (1 if item.counters else 0)
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
                "return result;",
            ],
            "Counters back in step with a chip that has kept its state while the controller restarted: first spi_init, "
            "then this, then the table warm_steps. Not OK: the chip is not configured, or not there, or (REJECTED) a flag tells of a "
            "rejected frame. RUN_...",
        )

    def restart(self) -> None:
        """Wherever a run has stopped: the chip stands in the layout and state of the end, or still in those of power-up."""
        sheet = self.sheet
        first = sheet.after_power_up
        ok, run = self.result("OK"), self.low("run")
        again = f"{self.low('spi_init')}(spi, spi->transfer, spi->wait_us, spi->context);"
        late = AT_POWER_UP if AT_POWER_UP in sheet.tables else NAME
        used = ["init", "warm", *([NAME, late] if self.clears else [])]
        clear = f"{self.low('clear_rejected')}(spi, failed)"
        if sheet.variants and NAME not in sheet.alike:
            clear = f"{self.low('clear_rejected_variant')}(spi, variant, failed)"

        def body(tables: Mapping[str, tuple[str, str]]) -> list[str]:
            (init, inits), (warm, warms) = tables["init"], tables["warm"]
            rest = count(sheet.init_steps - first)
            if sheet.variants:
                rest = f"(uint16_t)({inits} - {count(first)})" if first else inits
            cleared, cleared_first = [], []
            if self.clears:
                cleared = [
                    f"if ((result == {ok}) || (result == {self.result('REJECTED')})) {{",
                    "    /* a flag of a rejected frame stays up, and no bring-up gets past it */",
                    f"    result = {clear};",
                    "}",
                ]
                cleared_first = [
                    f"    {self.low('task_begin')}(&task, {', '.join(tables[late])});",
                    "    task.lenient = 1U;",
                    f"    (void){self.low('task_finish')}(spi, &task, failed);",
                ]
            reset = [
                f"if (result != {ok}) {{",
                "    /* or it was reset meanwhile */",
                f"    {again}",
                f"    result = {run}(spi, {init}, {inits}, failed);",
                "}",
            ]
            return [
                again,
                f"result = {self.low('resync')}(spi);",
                *cleared,
                f"if (result == {ok}) {{",
                f"    result = {run}(spi, {warm}, {warms}, failed);",
                "}",
                f"if (result != {ok}) {{",
                "    /* it was never brought as far; what only a chip after power-up shows is not looked for again */",
                f"    {again}",
                *cleared_first,
                f"    result = {run}(spi, &{init}[{count(first)}], {rest}, failed);",
                "}",
                *(reset if first else []),
            ]

        board_routine(
            sheet,
            "restart",
            [(f"{self.spi} *", "spi"), ("uint16_t *", "failed")],
            list(dict.fromkeys(used)),
            body,
            "Configures a chip that a run has left at any step, or that has kept its state while the controller "
            "restarted, or was reset. Call it in the safe state of the bridge. Not OK: call it again, or switch the "
            "chip's supply off and on. RUN_...",
            declared=[f"{self.task} task;"] if self.clears else [],
            always=True,
        )

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
                        "calls of watch for one rotation through the readback table",
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
                            "fault tolerant time interval of the stage",
                        ),
                        (
                            names.macro("WATCH_PERIOD_MOST_US"),
                            count(times.most_us),
                            "with longer periods the watch alone detects too late",
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
        reset = ["if (spi->reset) {", f"    result = {self.result('RESET')};", "}"]
        sheet.function(
            f"uint8_t {self.low('watch')}({self.spi} *spi, {self.task} *task)",
            [
                f"uint8_t result = {self.low('tick')}(spi, task);",
                f"if (result == {self.result('OK')}) {{",
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
    """Calls of the watch for one rotation, and more until a loss is told; the fault tolerant time and the longest period in it."""

    ticks: int
    late: int
    tolerated_us: int | None
    most_us: int


def watch_times(sheet: Sheet, stage: Stage, after: int) -> WatchTimes:
    """What every language says of the watch; `after` is how many frames later a reply comes."""
    ticks = sheet.readback_frames
    stages = sheet.stages or [stage]
    # the first call of a rotation is one period away; its reply comes so many frames later
    late = max(1, after)
    given = [s.params.get("safety.ftti") for s in stages]
    times = [x.value.low for x in given if x is not None and isinstance(x.value, Band)]
    if not times:
        return WatchTimes(ticks, late, None, 0)
    # of several boards, or positions, the one that has the least time
    microseconds = min(times) * 1_000_000
    return WatchTimes(ticks, late, int(microseconds), int(microseconds / (ticks + late)))


def write_watch_times(sheet: Sheet, frames: dict[str, FrameNames], stage: Stage) -> None:
    """How long a rotation of the watch takes, where that is known late: of a chain."""
    Runner(sheet, frames).watch_times(stage)


def write_runner(sheet: Sheet, frames: dict[str, FrameNames], stage: Stage) -> None:
    """The structure of the SPI, then one frame, then tables of them."""
    Runner(sheet, frames).write(stage)


def _filler(sheet: Sheet, item: FrameNames) -> tuple[str, str]:
    """A read that erases nothing, to clock a reply out; "" where only the same read will do."""
    found = filler_of(sheet.chip, item.frame)
    if found is None:
        return "", "the same read again fetches the reply"
    frame, register = found
    return (
        number(frame, item.frame.length),
        f"a read of {register.name} fetches the reply and changes nothing",
    )


def kept_twice(place: str, got: str, step: str, wide: str, data: str) -> list[str]:
    """Statements that keep a status word at `place`, of the first and the second time that it was read.

    What both say is kept; `same` falls where they differ in bits that reading does not erase, or where
    one that reading erases came anew. `step` leads to the step's members.
    """
    return [
        "if (pass == 0U) {",
        f"    {place} = {got};",
        "} else {",
        f"    const {wide} first = ({wide}){place} & {step}mask;",
        f"    const {wide} again = ({wide}){got} & {step}mask;",
        f"    const {wide} erased = {step}expect;",
        f"    if ((((first ^ again) & ({step}mask ^ erased)) != 0U) || ((again & erased & (first ^ again)) != 0U)) {{",
        "        same = false;",
        "    }",
        f"    {place} = ({data})(({wide}){place} | again);",
        "}",
    ]


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
