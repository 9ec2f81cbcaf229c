"""Fuzzing on demand: coverage-guided with atheris where it installs, else hypothesis with its targeted search.

    python tests/fuzz/run.py --list
    python tests/fuzz/run.py maps --seconds 600          one target for ten minutes
    python tests/fuzz/run.py --all --seconds 60          all of them, a minute altogether
    python tests/fuzz/run.py --all --inputs 120           all of them, the same inputs in every run
    python tests/fuzz/run.py maps --one INPUT            one input: seconds of computing and peak megabytes

Findings go to `--keep FOLDER` (one file for each kind, and its traceback beside it), counts to standard output as
one JSON object a target. Exit status 1 where something was found.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import random
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE))


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def instrumented(words: list[str]) -> Any:
    """The targets, with every branch of ours counted."""
    import atheris

    if words:
        sys.argv = words
    with atheris.instrument_imports(include=["regmap"], enable_loader_override=False):
        return __import__("targets")


def seeds_of(target: Any) -> list[bytes]:
    files = [ROOT / name for name in target.seeds]
    files += sorted(p for p in (HERE / "corpus" / target.name).glob("*") if p.is_file())
    return [f.read_bytes() for f in files] or [b""]


def by_coverage(name: str, seconds: int, keep: Path | None, corpus: Path | None) -> int:
    import atheris

    targets = instrumented([])
    from mutate import mutated
    from watch import Watch

    target = targets.TARGETS[name]
    seeds = seeds_of(target)
    words = [w.encode() for w in target.words()]
    watch = Watch(name, target.run, keep)

    def mutator(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.random() < 0.5:
            return bytes(atheris.Mutate(data, most))
        for _ in range(rng.choice((1, 1, 2, 4))):
            data = mutated(data, seeds, words, rng, most)
        return data

    def stop() -> None:
        say(watch.report("atheris"))
        os._exit(1 if watch.findings else 0)

    end = time.monotonic() + seconds

    def one(data: bytes) -> None:
        watch(data)
        if time.monotonic() > end:
            stop()

    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
    place = Path(tempfile.mkdtemp(prefix="corpus-"))
    grown = corpus or place / "grown"
    grown.mkdir(parents=True, exist_ok=True)
    first = place / "seeds"
    first.mkdir()
    for number, seed in enumerate(seeds):
        (first / str(number)).write_bytes(seed)
    options = [f"-max_len={target.most}", "-timeout=120", "-rss_limit_mb=6000", f"-artifact_prefix={keep or place}/", "-verbosity=0", "-close_fd_mask=0"]  # fmt: skip
    atheris.Setup([sys.argv[0], *options, str(grown), str(first)], one, custom_mutator=mutator)
    atheris.Fuzz()
    return 0


def by_search(name: str, seconds: float, keep: Path | None) -> Any:
    """Hypothesis chooses edits of the seeds, and looks for those that take long or tell much."""
    import targets
    from hypothesis import HealthCheck, given, settings
    from hypothesis import strategies as st
    from hypothesis import target as toward
    from mutate import mutated
    from watch import Watch

    target = targets.TARGETS[name]
    seeds = seeds_of(target)
    words = [w.encode() for w in target.words()]
    watch = Watch(name, target.run, keep)
    end = time.monotonic() + seconds

    @settings(max_examples=2000, deadline=None, database=None, suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(st.sampled_from(seeds), st.integers(1, 8), st.integers(0, 1 << 32))
    def search(data: bytes, edits: int, seed: int) -> None:
        if time.monotonic() > end:
            return
        rng = random.Random(seed)
        for _ in range(edits):
            data = mutated(data, seeds, words, rng, target.most)
        start = time.process_time()
        watch(data)
        toward(time.process_time() - start, label="seconds")

    while time.monotonic() < end:
        search()
    say(watch.report("hypothesis"))
    return watch


def by_count(name: str, inputs: int, keep: Path | None) -> tuple[int, int]:
    """The same mutations in every run: what a gate may stop at. How many inputs, how many findings."""
    import targets
    from mutate import mutated
    from watch import Watch

    target = targets.TARGETS[name]
    seeds, words = seeds_of(target), [w.encode() for w in target.words()]
    watch = Watch(name, target.run, keep)
    rng = random.Random(f"{name} {inputs}")
    for _ in range(inputs):
        data = rng.choice(seeds)
        for _ in range(rng.randint(1, 8)):
            data = mutated(data, seeds, words, rng, target.most)
        watch(data)
    say(watch.report("the same each time"))
    return watch.inputs, len(watch.findings)


def one(name: str, path: str) -> int:
    data = sys.stdin.buffer.read() if path == "-" else Path(path).read_bytes()
    import targets

    start = time.process_time()
    targets.TARGETS[name].run(data)
    seconds = time.process_time() - start
    # ru_maxrss would count what the parent had before this process was started
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    say(f"{seconds:.3f} {int(status['VmHWM'].split()[0]) / 1024:.0f}")
    return 0


def main() -> int | bool:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)  # fmt: skip
    parser.add_argument("target", nargs="?")
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--inputs", type=int, help="so many inputs a target, the same in every run")
    parser.add_argument("--keep", type=Path)
    parser.add_argument(
        "--corpus", type=Path, help="where inputs that reached something new are kept"
    )
    parser.add_argument("--one", metavar="FILE")
    parser.add_argument("--search", action="store_true", help="hypothesis, also where atheris is there")  # fmt: skip
    args = parser.parse_args()
    if args.one is not None:
        return one(args.target, args.one)
    guided = importlib.util.find_spec("atheris") is not None and not args.search
    if args.inputs is not None:
        import targets

        chosen = [args.target] if args.target else list(targets.TARGETS)
        with ProcessPoolExecutor() as workers:
            counted = list(workers.map(by_count, chosen, repeat(args.inputs), repeat(args.keep)))
        say(f"{sum(inputs for inputs, _ in counted)} inputs")
        return any(findings for _, findings in counted)
    if args.target and guided:
        return by_coverage(args.target, args.seconds, args.keep, args.corpus)
    import targets

    if args.target:
        return bool(by_search(args.target, args.seconds, args.keep).findings)
    if args.list or not args.all:
        say("\n".join(targets.TARGETS))
        return 0
    share = args.seconds / len(targets.TARGETS)
    if not guided:
        watches = [by_search(name, share, args.keep) for name in targets.TARGETS]
        say(f"{sum(w.inputs for w in watches)} inputs")
        return any(w.findings for w in watches)
    worst = 0
    for name in targets.TARGETS:
        words = [name, "--seconds", str(max(1, int(share)))]
        words += ["--keep", str(args.keep)] if args.keep else []
        done = subprocess.run([sys.executable, str(HERE / "run.py"), *words], check=False)
        worst = max(worst, done.returncode)
    return worst


if __name__ == "__main__":
    os.environ["PYTHONHASHSEED"] = "0"
    sys.exit(main())
