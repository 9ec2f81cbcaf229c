"""The targets of fuzzing on their corpora and some mutations; and that the watch sees what it is to see.

`python tests/fuzz/run.py` fuzzes for as long as one likes; `.ci/run` does with some more inputs, the same each time.
"""

from __future__ import annotations

import random
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
try:
    import run
    import watch
    from mutate import mutated
    from targets import TARGETS
finally:
    sys.path.pop(0)

MUTATIONS = 12


@pytest.mark.parametrize("name", TARGETS)
@pytest.mark.one_in(5)
def test_a_target_lets_nothing_out_but_what_is_promised(name: str) -> None:
    """Its seeds, inputs that were findings once, and a few mutations, the same in every run."""
    target = TARGETS[name]
    seeds = run.seeds_of(target)
    words = [w.encode() for w in target.words()]
    rng = random.Random(zlib.crc32(name.encode()))
    for seed in seeds:
        target.run(seed)
    for _ in range(MUTATIONS):
        data = rng.choice(seeds)[: 3000 if rng.random() < 0.5 else None]
        for _ in range(3):
            data = mutated(data, seeds, words, rng, 10_000)
        target.run(data)


def test_every_kind_of_input_from_outside_has_a_target() -> None:
    assert {
        *("maps", "stages", "setups", "vcd", "table", "raw", "frames", "expressions", "quantities"),
        *("requests", "headers", "composer", "journals", "wire-server", "wire-client", "scripts"),
        *("campaigns", "results", "readbacks", "controls", "anything", "judged", "pairs"),
    } <= set(TARGETS)
    assert all((run.HERE / "corpus" / name).is_dir() or TARGETS[name].seeds for name in TARGETS)


def test_the_watch_sees_tracebacks_slowness_and_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    def run_one(data: bytes) -> None:
        if data == b"key":
            raise KeyError("x")
        if data == b"deep":
            raise RecursionError
        if data == b"slow":
            while True:
                pass

    monkeypatch.setattr(watch, "ENOUGH_SECONDS", 0.2)
    monkeypatch.setattr(watch, "SUSPECT_SECONDS", 0.05)
    monkeypatch.setattr(watch, "alone", lambda _name, _data: (5.0, 300.0))
    seen = watch.Watch("x", run_one, tmp_path)
    for data in (b"", b"key", b"deep", b"key", b"slow"):
        seen(data)
    kinds = " ".join(seen.findings)
    assert kinds.count("KeyError") == 1
    for word in ("RecursionError", "hang: TooLong", "slow: 5.0 s", "large: 300 MB"):
        assert word in kinds
    kept = [p.read_bytes() for p in tmp_path.iterdir() if p.suffix != ".txt"]
    assert sorted({*kept}) == [b"deep", b"key", b"slow"]


def test_one_input_alone_is_measured() -> None:
    seconds, peak = watch.alone("quantities", b"60 mA")
    assert 0 <= seconds < watch.MOST_SECONDS
    assert 10 < peak < watch.MOST_MB


def test_the_search_without_coverage_runs(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(run.HERE / "run.py"), "quantities", "--search", "--seconds", "1", "--keep", str(tmp_path)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert '"engine": "hypothesis"' in done.stdout
