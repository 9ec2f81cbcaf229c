"""Time from a key to the new screen in the composer, on the largest bundled chip and on every bundled stage.

Run: python tests/bench/bench_compose.py [--keys 300]

A key is fed to the application's own bindings, then the screen is drawn: so each figure holds the
key handling, the verdicts of the option under the cursor and all lines of the view. Between keys is a pause, as a person makes it
(40 ms and more), in which the composer finds what depends on the settings around the cursor (`--fast`: none, then it says so). The floor is
one bare assessment of the stage in the same run: no live verdict can be quicker than that. Asked
are at most 15 ms for a key, at the 95th of 100; the status is 1 where it takes longer.
"""

# ruff: noqa: T201 -- a benchmark prints
from __future__ import annotations

import argparse
import io
import statistics
import sys
import tempfile
import time
from collections.abc import Callable

from prompt_toolkit.application import create_app_session
from prompt_toolkit.application.current import set_app
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.key_binding.key_processor import KeyPress
from prompt_toolkit.keys import Keys
from prompt_toolkit.output import DummyOutput

from regmap.assessment.stage import assess
from regmap.cli.compose import open_session
from regmap.cli.composer import paint
from regmap.cli.composer.screen import Screen
from regmap.cli.composer.view import View
from regmap.cli.context import Context
from regmap.maps.load import bundled
from regmap.stages.load import read_stage

ASKED = 0.015
ROUND = [
    Keys.Right,
    Keys.Down,
    Keys.Down,
    Keys.Up,
    Keys.Escape,
    Keys.Down,
    "d",
    "e",
    "a",
    "d",
    Keys.Escape,
    Keys.Down,
    Keys.Down,
    "+",
    "1",
    Keys.Escape,
]


def measure(
    document: str, keys: int, clock: Callable[[], float], *, pauses: bool
) -> tuple[float, list[float]]:
    """(seconds of one bare assessment, seconds from each key to its screen)."""
    with (
        tempfile.TemporaryDirectory() as folder,
        create_pipe_input() as pipe,
        create_app_session(input=pipe, output=DummyOutput()),
    ):
        context = Context(
            stdin=io.StringIO(),
            stdout=io.StringIO(),
            stderr=io.StringIO(),
            environ={"GATEWORD_STATE": folder},
        )
        session, _, _ = open_session(document, context)
        screen = Screen(view := View(session))
        view.patient = True
        processor = screen.app.key_processor
        processor._start_timeout = lambda: None  # type: ignore[method-assign]
        times = []
        with set_app(screen.app):
            for number in range(keys + 5):
                key = ROUND[number % len(ROUND)]
                begin = clock()
                processor.feed(KeyPress(key, key if len(key) == 1 else ""))
                processor.process_keys()
                paint.compose(view, 120, 38)
                times.append(clock() - begin)
                # a person pauses between keys, and then the composer finds what may be asked for next
                while pauses and view.busy:
                    view.pause()
        floors = []
        for _ in range(9):
            begin = clock()
            assess(session.draft.stage, session.draft.bank)
            floors.append(clock() - begin)
        session.keeper.journal.discard()
    return statistics.median(floors), times[5:]


def biggest() -> list[str]:
    """Every bundled document, those with the most fields last."""
    sizes = {}
    for name, path in bundled("devices").items():
        stage, _ = read_stage(path)
        from regmap.maps.load import read_map

        chip = stage.chip if stage is not None else read_map(path)[0]
        if chip is not None:
            sizes[name] = sum(len(r.fields) for r in chip.registers.values())
    return sorted(sizes, key=lambda n: sizes[n])


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--keys", type=int, default=300, help="keys for each document")
    parser.add_argument(
        "--cpu", action="store_true", help="time of this process, on a machine that has other work"
    )
    parser.add_argument("--fast", action="store_true", help="keys without a pause between them")
    asked = parser.parse_args()
    worst = 0.0
    print(
        f"{'document':<16} {'floor':>9} {'median key':>11} {'95 %':>9} {'slowest':>9}  times the floor"
    )
    for name in biggest():
        floor, times = measure(
            name,
            asked.keys,
            time.process_time if asked.cpu else time.perf_counter,
            pauses=not asked.fast,
        )
        ordered = sorted(times)
        late = ordered[int(len(ordered) * 0.95)]
        worst = max(worst, late)
        print(
            f"{name:<16} {floor * 1e3:6.1f} ms {statistics.median(times) * 1e3:8.1f} ms {late * 1e3:6.1f} ms {ordered[-1] * 1e3:6.1f} ms  {late / floor:.1f}"
        )
    print(
        f"asked: {ASKED * 1e3:.0f} ms a key; slowest of the 95 % marks {worst * 1e3:.1f} ms: {'holds' if worst <= ASKED else 'FAILS'}"
    )
    return 0 if worst <= ASKED else 1


if __name__ == "__main__":
    sys.exit(main())
