"""Start-up tests of the monitors, as the map states them: force a fault, expect it, restore.

gd_monitor_test_steps   the steps of all tests, as the other tables of steps
gd_monitor_tests        where each test stands in it
gd_test_monitors        all of them, gd_test_monitors_tick a call a tick; what a test forces is taken back whatever the test has shown
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from regmap.record import replace

from ..behaviour.settings import Action, planned_steps
from ..errors import CallError
from .careful import answerable, careful
from .frames import FrameNames
from .names import word
from .plans import configured
from .sheet import PlannedTest, Sheet
from .steps import step_table
from .stepwise import until_done
from .text import block, count, defines, utype
from .variants import board_routine

if TYPE_CHECKING:
    from ..stages.load import Stage

MOST = 64


def write_monitor_tables(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    """The tables; the routine follows those of the runner (`write_test_monitors`)."""
    chip, names = sheet.chip, sheet.names
    planned: list[PlannedTest] = []
    made: list[Action] = []
    for test in chip.monitor_tests.values():
        machine = configured(stage, actions)
        parts: list[list[Action]] = []
        try:
            for steps in (test.steps, test.restore):
                one = planned_steps(chip, stage.bank, {test.name: steps}, machine)
                if len(answerable(sheet, one, frames)) < len(one):
                    raise CallError("a frame of it has no reply with data")
                last = steps is test.restore
                before = [*actions, *(a for p in parts for a in p)]
                safe = careful(sheet, stage, one, frames, before, closing=last)
                parts.append([replace(a, sequence=test.name) for a in safe])
        except CallError as error:
            names.note(f"the test of monitors {test.name} is left out: {error}")
            continue
        planned.append(PlannedTest(test, len(made), len(parts[0]), len(parts[1])))
        made += [*parts[0], *parts[1]]
    if len(planned) > MOST:
        names.note(f"of {len(planned)} tests of monitors the first {MOST} stand here")
        planned = planned[:MOST]
    if not planned:
        return
    sheet.monitor_tests = planned
    proven = {n for p in planned for n in p.test.proves}
    rest = [n for n, f in chip.faults.items() if n not in proven and not f.summary_of]
    sheet.section(
        "start-up tests of the monitors",
        [
            "A monitor that has failed shows nothing, and nobody notices until it is needed: with the chip configured "
            "and the outputs off, test_monitors forces each fault that the chip can force, and expects it.",
            f"Not proven by any test: {', '.join(rest) if rest else 'none'}.",
        ],
    )
    step_table(
        sheet, "monitor_test", made, frames, {}, "Steps of all tests, each with its restore."
    )
    kind, size = names.lower("monitor_test_t"), names.macro("MONITOR_TESTS_COUNT")
    sheet.lines(
        "",
        *defines(
            [
                (
                    names.macro(
                        "MONITOR_TEST", word(p.test.name), of=f"test of monitors {p.test.name}"
                    ),
                    count(i),
                    f"proves {', '.join(p.test.proves)}",
                )
                for i, p in enumerate(planned)
            ]
        ),
        "",
        "typedef struct {",
        "    uint16_t first;    /* step of monitor_test_steps */",
        "    uint16_t steps;    /* that force and expect, and then ... */",
        "    uint16_t restore;  /* ... those that take it back */",
        f"}} {kind};",
        *defines([(size, count(len(planned)), "")]),
    )
    rows = []
    for p in planned:
        rows += block(f"{p.test.name}: {p.test.summary}" if p.test.summary else p.test.name, "    ")
        rows.append(f"    {{{count(p.first)}, {count(p.steps)}, {count(p.restore)}}},")
    sheet.table(kind, names.lower("monitor_tests"), rows, size, "Where each test stands.")
    sheet.tables.add("monitor_tests")


def write_test_monitors(sheet: Sheet) -> None:
    """All tests one after the other: a call a tick, and blocking."""
    if "monitor_tests" not in sheet.tables or sheet.chained:
        return
    names = sheet.names
    low = names.lower
    total = names.macro("MONITOR_TESTS_COUNT")
    kind = utype(len(sheet.chip.monitor_tests))
    one = "1U" if kind in ("uint8_t", "uint16_t") else f"({kind})1U"
    ok, expect, monitor, busy, wait = (names.macro("RUN", n) for n in ("OK", "EXPECT", "MONITOR", "BUSY", "WAIT"))  # fmt: skip
    tests, job, step = low("monitor_tests"), low("test_monitors_t"), low("step_t")
    sheet.lines(
        "",
        "typedef struct {",
        f"    {low('task_t')} task;     /* the steps in hand */",
        f"    const {step} *steps;",
        f"    {kind} failed;     /* bits 1 << MONITOR_TEST_... that have not shown what was forced */",
        "    uint8_t index;      /* the test in hand */",
        "    uint8_t phase;      /* 0: before it, 1: it forces, 2: it is taken back */",
        "    uint8_t result;     /* what forcing came to */",
        f"}} {job};",
    )
    board_routine(
        sheet,
        "test_monitors_begin",
        [(f"{job} *", "job")],
        ["monitor_test"],
        lambda of: [
            f"{low('task_begin')}(&job->task, NULL, 0U);",
            f"job->steps = {of['monitor_test'][0]};",
            "job->failed = 0U;",
            "job->index = 0U;",
            "job->phase = 0U;",
            f"job->result = {ok};",
        ],
        "Before the first call of `test_monitors_tick`.",
        gives="void",
    )
    sheet.function(
        f"uint8_t {low('test_monitors_tick')}({low('spi_t')} *spi, {job} *job)",
        [
            f"uint8_t result = {low('tick')}(spi, &job->task);",
            f"if ((result != {busy}) && (result != {wait})) {{",
            "    if (job->phase == 2U) {",
            f"        if (job->result == {expect}) {{",
            f"            job->failed = ({kind})(job->failed | ({one} << job->index));",
            f"            job->result = {ok};",
            "        }",
            f"        if (job->result == {ok}) {{",
            "            job->result = result;",
            "        }",
            "        job->index++;",
            "        job->phase = 0U;",
            "    } else if (job->phase == 1U) {",
            "        job->result = result;",
            "    } else {",
            "        /* before a test */",
            "    }",
            f"    if ((job->phase == 0U) && ((job->result != {ok}) || (job->index >= {total}))) {{",
            "        result = job->result;",
            f"        if ((result == {ok}) && (job->failed != 0U)) {{",
            f"            result = {monitor};",
            "        }",
            "    } else {",
            f"        {low('monitor_test_t')} test;",
            f"        {sheet.fetch('test', f'{tests}[job->index]')}",
            "        if (job->phase == 0U) {",
            f"            {low('task_begin')}(&job->task, &job->steps[test.first], test.steps);",
            "        } else {",
            "            /* what the test forces is taken back whatever it has shown */",
            f"            {low('task_begin')}(&job->task, &job->steps[test.first + test.steps], test.restore);",
            "        }",
            "        job->phase++;",
            f"        result = {busy};",
            "    }",
            "}",
            "return result;",
        ],
        "As `test_monitors`, one call a tick: at most one frame, no waiting. BUSY, and WAIT (job->task.wait_us): call again; anything "
        "else is the result of `test_monitors`, with job->failed. RUN_...",
    )
    of_board = sheet.variants and "monitor_test" not in sheet.alike
    begin = "test_monitors_variant_begin" if of_board else "test_monitors_begin"
    pause = "spi->wait_us(spi->context, job.task.wait_us)"
    board_routine(
        sheet,
        "test_monitors",
        [(f"{low('spi_t')} *", "spi"), (f"{kind} *", "failed")],
        ["monitor_test"],
        lambda _: [
            f"{'(void)' if of_board else ''}{low(begin)}(&job{', variant' if of_board else ''});",
            *until_done(f"{low('test_monitors_tick')}(spi, &job)", pause, busy, wait),
            "*failed = job.failed;",
        ],
        "Runs every test, outputs off, on a configured chip. OK: each monitor has shown the fault that was forced; MONITOR: "
        "bits 1 << MONITOR_TEST_... of *failed have not, and the chip is as before. Anything else: what was forced may "
        "still be, so run init_steps before the outputs are enabled. RUN_...",
        declared=[f"{job} job;"],
        fetched=False,
    )
