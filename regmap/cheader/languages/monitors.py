"""Start-up tests of the monitors in C++ and Rust: where each stands in the table of steps, and the routine that runs all.

The steps are those of the C header (`cheader.monitors`).
"""

from __future__ import annotations

from ..sheet import Sheet
from .either import Either
from .language import local, table_names


def write_monitors(sheet: Sheet, lang: Either) -> list[str]:
    """The numbers of the tests, their table and the routine; nothing where the map states none."""
    tests = sheet.monitor_tests
    if not tests:
        return []
    taken: set[str] = set()
    ids: list[str] = []
    for index, planned in enumerate(tests):
        about = f"proves {', '.join(planned.test.proves)}"
        ids += lang.const(local(planned.test.name, taken), lang.uint(8), lang.count(index), about)
    kind = lang.type_name("monitor_test")
    lines = ["", *lang.module("monitor_test_id", ids, "Bit of each test in what has failed.")]
    lines += ["", *lang.struct(kind, [
        ("first", lang.uint(16), "step of the table of steps"),
        ("steps", lang.uint(16), "that force and expect, and then ..."),
        ("restore", lang.uint(16), "... those that take it back"),
    ])]  # fmt: skip
    rows: list[str] = []
    for planned in tests:
        about = planned.test.name
        rows += lang.remark(f"{about}: {planned.test.summary}" if planned.test.summary else about)
        cells = [
            ("first", lang.count(planned.first)),
            ("steps", lang.count(planned.steps)),
            ("restore", lang.count(planned.restore)),
        ]
        rows.append(f"{lang.make(kind, cells)},")
    lines += ["", *lang.table(kind, "monitor_tests", len(tests), rows, "Where each test stands.")]
    steps = table_names(sheet.plans)["monitor_test"]
    return [*lines, *lang.monitors(lang.uint(len(tests)), lang.constant(steps))]
