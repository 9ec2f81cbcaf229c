"""Routines that run the step tables over the caller's own SPI transfer, and believe nothing unproven.

task_out, task_in   the next step of a table: a frame for DMA, then its reply
tick                one call a tick: at most one frame, never a wait
run, query          until done
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .again import filling
from .bitcode import put
from .frames import FrameNames
from .routines import StageRoutines
from .sheet import Sheet
from .stepwise import until_done
from .text import count, utype

if TYPE_CHECKING:
    from ..stages.load import Stage


class Runner(StageRoutines):
    """Writes the routines for one frame, then those that run tables of them, in their order."""

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
        lines = [
            f"{self.task} task;",
            f"uint8_t result = {self.result('BUSY')};",
            f"{self.low('task_begin')}(&task, steps, size);",
            *until_done(
                f"{self.low('tick')}(spi, &task)",
                "spi->wait_us(spi->context, task.wait_us)",
                self.result("BUSY"),
                self.result("WAIT"),
            ),
            f"if (result != {self.result('OK')}) {{",
            "    *failed = task.at;",
            "}",
            "return result;",
        ]
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
            *self._end_of_table(),
            "}",
            "return result;",
        ]
        self.sheet.function(
            f"uint8_t {self.low('task_out')}({self.spi} *spi, {self.task} *task)",
            lines,
            "The next frame in task->out, ready for DMA: send task->bytes of it and get as many into task->in "
            "(a frame of several bursts in its bursts), then call task_in. BUSY, or WAIT, or OK: nothing is left"
            + (
                "; RESET: neither, but the last reply tells of a reset."
                if self.sheet.reset_told
                else "."
            ),
        )

    def _unless_lost(self) -> str:
        """The result where a reply counts as good, a flag of a reset but for."""
        ok = self.result("OK")
        if not self.sheet.reset_told:
            return ok
        return f"(spi->reset && spi->settled) ? {self.result('RESET')} : {ok}"

    def _end_of_table(self) -> list[str]:
        """Statements of a table that is done: not OK where the chip has lost on the way what was written."""
        if not self.sheet.reset_told:
            return []
        up = "spi->reset || spi->doubt" if self.sheet.reset_doubted else "spi->reset"
        return [
            "} else if (task->size == 0U) {",
            "    /* an empty table tells nothing */",
            f"}} else if ({up}) {{",
            f"    result = {self.result('RESET')};",
            "} else {",
            "    spi->settled = true;",
        ]

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
        return filling(self.sheet, item) if item.frame.after else None

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
            f"    result = {self._unless_lost()};",
            "}",
        ]
        telling = [
            f"if ((result == {self.result('RESET')}) && ({kind} == {self.kind('READ')})) {{",
            "    /* the words of a status read tell of it */",
            f"    result = {self.result('OK')};",
            "}",
        ]
        lines = [
            f"uint8_t result = {self.low('frame_in')}(spi{fmt}, task->in);",
            *(going_on if self.lenient else []),
            *(telling if self.sheet.reset_told and "READ" in self.sheet.used else []),
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


def write_watch_times(sheet: Sheet, frames: dict[str, FrameNames], stage: Stage) -> None:
    """How long a rotation of the watch takes, where that is known late: of a chain."""
    Runner(sheet, frames).watch_times(stage)


def write_runner(sheet: Sheet, frames: dict[str, FrameNames], stage: Stage) -> None:
    """The structure of the SPI, then one frame, then tables of them."""
    Runner(sheet, frames).write(stage)
