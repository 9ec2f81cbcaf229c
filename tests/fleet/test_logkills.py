"""SIGKILL of a survey of logs at any moment, its workers with it: what comes of it is what an undisturbed one gives.

`GATEWORD_KILLS=40 GATEWORD_FLEET=0,400,25000 pytest tests/fleet/test_logkills.py` kills that many on that many rows.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytest.importorskip("pyarrow")

sys.path.insert(0, str(Path(__file__).parent))

import logmaking

from regmap.fleet.logparts import PARTS_FOLDER

KILLS = int(os.environ.get("GATEWORD_KILLS", "1"))
UNITS, ROWS = (int(n) for n in os.environ.get("GATEWORD_FLEET", "0,60,400").split(",")[1:])
SCRIPT = Path(__file__).with_name("surveying.py")


def survey(logs: Path, out: Path, workers: int, together: int) -> subprocess.Popen[bytes]:
    words = [sys.executable, SCRIPT, logs, out, str(workers), str(together)]
    return subprocess.Popen(words, stderr=subprocess.PIPE, start_new_session=True)


def ended(process: subprocess.Popen[bytes]) -> None:
    _, told = process.communicate(timeout=600)
    assert process.returncode == 0, told.decode()


def tables(out: Path) -> dict[str, bytes]:
    # what a kill interrupted while it was written stays beside the old file
    return {p.name: p.read_bytes() for p in out.iterdir() if p.is_file() and p.suffix != ".part"}


@pytest.mark.skipif(sys.platform == "win32", reason="ends a group of POSIX processes")
def test_killed_at_any_moment(tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    logmaking.write_fleet(logs, UNITS, ROWS, at_once=max(UNITS // 7, 1))
    assert len(list(logs.iterdir())) >= 7
    start = time.monotonic()
    ended(survey(logs, tmp_path / "whole", 1, 1 << 62))
    took = time.monotonic() - start
    whole = tables(tmp_path / "whole")
    assert whole["faults.csv"].count(b"\n") > UNITS
    rng, killed, again = random.Random(KILLS), 0, 0
    while killed < KILLS:
        again += 1
        out = tmp_path / f"killed{again}"
        for _ in range(rng.randint(1, 3)):
            process = survey(logs, out, 2, 1000)
            time.sleep(rng.uniform(0.3, 1.3) * took)
            if process.poll() is not None:
                process.communicate()
                break  # it was done before
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            killed += 1
        ended(survey(logs, out, 2, 1000))
        assert tables(out) == whole
        assert not (out / PARTS_FOLDER).exists()
