"""What is a finding: a traceback, two seconds of computing, 250 MB; each kind once, with its input."""

from __future__ import annotations

import hashlib
import json
import resource
import signal
import subprocess
import sys
import time
import traceback
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

#: What one input of less than 100 kB may take, in a process of its own on a busy machine; twelve lines to the
#: composer may each begin a sweep.
MOST_SECONDS = 4.0
MOST_MB = 250.0
#: What makes an input suspicious here, where every branch is counted as well.
SUSPECT_SECONDS = 1.0
SUSPECT_MB = 40.0
#: Computing time after which it is broken off.
ENOUGH_SECONDS = 20.0


def short(data: bytes) -> bool:
    """Less than 100 kB; a packed input counts as what it unpacks to, which has a budget of its own."""
    if data[:2] == b"\x1f\x8b":
        try:
            data = zlib.decompressobj(31).decompress(data, 100_000)
        except zlib.error:
            return True
    return len(data) < 100_000


class TooLong(BaseException):
    """Broken off; no code that catches errors stops it."""


def _too_long(_number: int, _frame: FrameType | None) -> None:
    raise TooLong


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def signature(error: BaseException) -> str:
    """Where it came from: the kind of error and the two innermost places of ours."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "/regmap/" in f.filename or "/cli/" in f.filename]
    places = [f"{Path(f.filename).stem}.{f.name}" for f in (ours or frames)[-2:]]
    return f"{type(error).__name__} {' '.join(places)}"


@dataclass
class Watch:
    """Runs a target on one input after another, counts, and keeps what is found."""

    name: str
    run: Callable[[bytes], None]
    keep: Path | None = None
    inputs: int = 0
    longest: float = 0.0
    growth: float = 0.0
    findings: dict[str, str] = field(default_factory=dict)
    suspects: int = 0
    began: float = field(default_factory=time.monotonic)

    def __post_init__(self) -> None:
        signal.signal(signal.SIGVTALRM, _too_long)

    def __call__(self, data: bytes) -> None:
        self.inputs += 1
        before, start = peak_mb(), time.process_time()
        signal.setitimer(signal.ITIMER_VIRTUAL, ENOUGH_SECONDS)
        try:
            self.run(data)
        except TooLong as error:
            self.found(f"hang: {signature(error)}", data, error)
        except KeyboardInterrupt:
            raise
        except BaseException as error:
            self.found(signature(error), data, error)
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        took, grown = time.process_time() - start, peak_mb() - before
        if self.inputs > 3:
            self.longest, self.growth = max(self.longest, took), max(self.growth, grown)
        if (took > SUSPECT_SECONDS or grown > SUSPECT_MB) and short(data):
            self.suspect(data)

    def suspect(self, data: bytes) -> None:
        """Once more in a process that does nothing else."""
        self.suspects += 1
        if self.suspects > 40:
            return
        seconds, peak = alone(self.name, data)
        if seconds > MOST_SECONDS:
            self.found(f"slow: {seconds:.1f} s", data)
        if peak > MOST_MB:
            self.found(f"large: {peak:.0f} MB", data)

    def found(self, what: str, data: bytes, error: BaseException | None = None) -> None:
        if what in self.findings:
            return
        self.findings[what] = hashlib.sha256(data).hexdigest()[:12]
        if self.keep is not None:
            self.keep.mkdir(parents=True, exist_ok=True)
            path = self.keep / f"{self.name}-{self.findings[what]}"
            path.write_bytes(data)
            text = "".join(traceback.format_exception(error)) if error is not None else ""
            path.with_name(path.name + ".txt").write_text(f"{what}\n{text}", encoding="utf-8")

    def report(self, engine: str) -> str:
        return json.dumps(
            {
                "target": self.name, "engine": engine, "inputs": self.inputs,
                "seconds": round(time.monotonic() - self.began), "longest_s": round(self.longest, 2),
                "largest_growth_mb": round(self.growth), "findings": self.findings,
            }
        )  # fmt: skip


def alone(name: str, data: bytes) -> tuple[float, float]:
    """Seconds of computing and peak megabytes of one input in a process of its own."""
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("run.py")), name, "--one", "-"],
        input=data, capture_output=True, check=False, timeout=120,
    )  # fmt: skip
    try:
        seconds, peak = done.stdout.split()[-2:]
        return float(seconds), float(peak)
    except ValueError:
        return 0.0, 0.0
