"""Start-up tests of the monitors, as the map states them: force a fault, expect it, restore.

gd_monitor_test_steps   the steps of all tests, as the other tables of steps
gd_monitor_tests        where each test stands in it
gd_test_monitors        all of them; what a test forces is taken back whatever the test has shown
"""

from __future__ import annotations

from collections.abc import Mapping
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
    """All tests one after the other, blocking."""
    if "monitor_tests" not in sheet.tables or sheet.chained:
        return
    names = sheet.names
    low = names.lower
    total = names.macro("MONITOR_TESTS_COUNT")
    kind = utype(len(sheet.chip.monitor_tests))
    one = "1U" if kind in ("uint8_t", "uint16_t") else f"({kind})1U"
    ok, expect, monitor = (names.macro("RUN", n) for n in ("OK", "EXPECT", "MONITOR"))
    table = low("monitor_tests")

    def body(tables: Mapping[str, tuple[str, str]]) -> list[str]:
        steps, _ = tables["monitor_test"]
        return [
            "*failed = 0U;",
            f"for (i = 0U; (i < {total}) && (result == {ok}); i++) {{",
            f"    {low('monitor_test_t')} test;",
            "    uint16_t at = 0U;",
            "    uint8_t back;",
            f"    {sheet.fetch('test', f'{table}[i]')}",
            f"    result = {low('run')}(spi, &{steps}[test.first], test.steps, &at);",
            f"    back = {low('run')}(spi, &{steps}[test.first + test.steps], test.restore, &at);",
            f"    if (result == {expect}) {{",
            f"        *failed = ({kind})(*failed | ({one} << i));",
            f"        result = {ok};",
            "    }",
            f"    if (result == {ok}) {{",
            "        result = back;",
            "    }",
            "}",
            f"if ((result == {ok}) && (*failed != 0U)) {{",
            f"    result = {monitor};",
            "}",
        ]

    board_routine(
        sheet,
        "test_monitors",
        [(f"{low('spi_t')} *", "spi"), (f"{kind} *", "failed")],
        ["monitor_test"],
        body,
        "Runs every test, outputs off, on a configured chip. OK: each monitor has shown the fault that was forced; MONITOR: "
        "bits 1 << MONITOR_TEST_... of *failed have not, and the chip is as before. Anything else: what was forced may "
        "still be, so run init_steps before the outputs are enabled. RUN_...",
        declared=["uint8_t i;"],
    )
