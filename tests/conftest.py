"""Shared helpers of the tests."""

from __future__ import annotations

import atexit
import os
import shutil
import signal
import sys
import tempfile
import zlib
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import hypothesis
import pytest

# How long an example takes is no finding: a busy machine would make it one. What a gate stops at is the same in
# every run; at the desk each run tries something else.
IN_CI = os.environ.get("GATEWORD_NEED_TOOLS") == "1"
hypothesis.settings.register_profile(
    "untimed", deadline=None, derandomize=IN_CI, max_examples=40 if IN_CI else 100
)
hypothesis.settings.load_profile("untimed")


def require_tool(name: str) -> str:
    """Path of an external program; skips without it, fails when GATEWORD_NEED_TOOLS=1."""
    path = shutil.which(name)
    if path is None:
        text = f"{name} is not installed"
        if IN_CI:
            pytest.fail(text)
        pytest.skip(text)
    return path


@pytest.fixture(scope="session")
def need_tool() -> Callable[[str], str]:
    """`require_tool` for test modules, which cannot import this file."""
    return require_tool


# some build machines forbid it; then every program that a test starts would compile the whole package anew
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# drafts and holders of the tests are none of the user's
if "GATEWORD_STATE" not in os.environ:
    os.environ["GATEWORD_STATE"] = tempfile.mkdtemp(prefix="gateword-state-")
    atexit.register(shutil.rmtree, os.environ["GATEWORD_STATE"], ignore_errors=True)


# --- slow tests -------------------------------------------------------------------------------------
#: Test functions that took more than SLOW_SECONDS, all their cases together; `-m "not slow"` leaves them out.
SLOW_LIST = Path(__file__).with_name("slow.txt")
SLOW_SECONDS = 0.2

# a run in the background of a script ignores these, and so would every program that a test interrupts
for _name, _handler in (("SIGINT", signal.default_int_handler), ("SIGHUP", signal.SIG_DFL)):
    _number = getattr(signal, _name, None)
    if _number is not None and signal.getsignal(_number) is signal.SIG_IGN:
        signal.signal(_number, _handler)


def _function(nodeid: str) -> str:
    return nodeid.partition("[")[0]


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark what is on the list as slow; of functions marked `one_in(N)` every N-th case stays."""
    slow = set(SLOW_LIST.read_text(encoding="utf-8").split()) if SLOW_LIST.exists() else set()
    for item in items:
        if _function(item.nodeid) in slow:
            item.add_marker(pytest.mark.slow)
    if not ALL_CASES and not any("[" in a for a in config.args):
        left_out = _left_out(items)
        config.hook.pytest_deselected(items=left_out)
        gone = set(map(id, left_out))
        items[:] = [i for i in items if id(i) not in gone]


#: with GATEWORD_ALL=1 every case of the tests that are marked `one_in(N)`; cases that are named always run
ALL_CASES = os.environ.get("GATEWORD_ALL") == "1"


def _left_out(items: list[pytest.Item]) -> list[pytest.Item]:
    """The cases that the suite leaves to a run of everything. Where the count begins differs by function,
    so that not all of them try the same chip."""
    cases: defaultdict[str, list[pytest.Item]] = defaultdict(list)
    for item in items:
        if item.get_closest_marker("one_in"):
            cases[_function(item.nodeid)].append(item)
    found = []
    for function, own in cases.items():
        mark = own[0].get_closest_marker("one_in")
        assert mark is not None
        step = min(mark.args[0], len(own))
        first = zlib.crc32(function.encode()) % step
        found += [i for n, i in enumerate(own) if n % step != first]
    return found


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """With GATEWORD_UPDATE_SLOW=1 a run of the whole suite writes the list anew."""
    if os.environ.get("GATEWORD_UPDATE_SLOW") != "1":
        return
    seconds: defaultdict[str, float] = defaultdict(float)
    for reports in terminalreporter.stats.values():
        for report in reports:
            if isinstance(report, pytest.TestReport):
                seconds[_function(report.nodeid)] += report.duration
    slow = sorted(name for name, total in seconds.items() if total > SLOW_SECONDS)
    SLOW_LIST.write_text("\n".join(slow) + "\n", encoding="utf-8")
