"""What one `check` and one picture of the PWM period cost, in seconds of processor time and in bare interpreters.

Run: python -m pytest -s tests/bench/bench_check.py

Bars: `check` of the largest bundled stage under 0.6 s, the picture under 0.3 s.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time

from regmap.assessment.stage import inputs_of
from regmap.calc.periodplot import period
from regmap.stages.load import load_stage


def spent(*words: str) -> float:
    """Processor seconds of a child, the least of three runs."""
    times = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(times)


def test_check_and_picture() -> None:
    bare = spent("-c", "pass")
    whole = spent("-m", "regmap.cli", "check", "conveyor_drum")
    inputs = inputs_of(load_stage("conveyor_drum"))
    begun = time.process_time()
    period(inputs)
    picture = time.process_time() - begun
    sys.stdout.write(
        f"\ncheck {whole:.2f} s ({whole / bare:.1f} bare interpreters), picture {picture:.3f} s\n"
    )
    assert whole < 0.6
    assert picture < 0.3
