"""A matrix of 30 variants times all checks, in seconds of processor time, and in single runs of the same stages.

Run: python -m pytest -s tests/bench/bench_matrix.py

Bars: the whole command under 10 s; the matrix is what the single runs say, verdict for verdict.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path

import pytest

from regmap.assessment.matrix import matrix
from regmap.assessment.stage import assess, signature
from regmap.maps.load import bundled
from regmap.stages.load import load_stage

BASES = ("coolant_pump", "conveyor_drum", "radiator_fan")
COUNT = 30


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Thirty boards: every third of one chip, the modes of its base, its own PWM frequency."""
    folder = tmp_path_factory.mktemp("variants")
    made = []
    for base in BASES:
        (folder / f"{base}.yaml").write_text(bundled("devices")[base].read_text(encoding="utf-8"))
    for number in range(COUNT):
        base = BASES[number % len(BASES)]
        path = folder / f"board{number:02}.yaml"
        path.write_text(
            f"gateword_stage: 1\nextends: {base}.yaml\nstage: {{name: board{number:02}, invented: yes}}\n"
            f"pwm.frequency: {14 + number / 4} kHz\n"
        )
        made.append(path)
    return made


def test_thirty_variants_and_all_checks(files: list[Path]) -> None:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    words = [sys.executable, "-m", "regmap.cli", "check", *map(str, files), "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode in (0, 1), done.stderr
    whole = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    stages = [load_stage(f) for f in files]
    begun = time.process_time()
    found = matrix(stages)
    together = time.process_time() - begun
    begun = time.process_time()
    single = [assess(state) for s in stages for state in (s, *s.modes.values())]
    apart = time.process_time() - begun
    sys.stdout.write(
        f"\n{COUNT} variants x {len(found.rows)} verdicts: command {whole:.2f} s, matrix {together:.2f} s, "
        f"single runs {apart:.2f} s ({together / apart:.2f} of them)\n"
    )
    for number, result in enumerate(single):
        told = {v.check: signature(v) for v in result.verdicts}
        in_matrix = {
            r.check: signature(r.verdicts[number]) for r in found.rows if r.verdicts[number]
        }
        assert told == in_matrix
    assert whole < 10
