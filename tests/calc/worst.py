"""Where a search found ngspice furthest from the model: the points, and how far it stood from it.

Each line: the quantity (of test_ngspice.BOUNDS), the circuit over the model less one, the stage of judge.py, the
damping of the loop, whether the engineer states it, and where in its range each draw of the edge falls
(see fresh.edge_at). Nothing here imports the library.
"""

from __future__ import annotations

from typing import NamedTuple


class Worst(NamedTuple):
    """One of the worst known points."""

    quantity: str
    found: float
    stage: str
    damping: float
    stated: bool
    shares: tuple[float, ...]


_POINTS = """\
dV/dt | +59.1 % | 24 V, resistive | 0.051 | stated | 0.397 0.762 0.828 0.654 0.684 0.052 0.927 1 0.139 0.995 0.999 0.983 0.741 0.204 0.009 0
dV/dt | +38.7 % | 24 V, resistive | 0.25 | stated | 0.273 0.629 0.594 0 0.594 0.028 1 0.986 0.079 1 0 0.985 0.6 0.016 0 0
dV/dt | +14.2 % | 48 V | 0.057 | stated | 0.252 0.693 0.457 0 0.36 0.016 0.982 1 0 0 0.34 1 1 0.727 0.199 0.567
drain | +22.8 % | 48 V | 0.05 | stated | 0.94 0.233 0.558 0.822 0.594 0 0 0.751 0.75 1 0.174 0.007 0.512 0.996 0.94 0.121
held gate | +24.9 % | fan, 5 nC | 0.554 | stated | 0.003 1 0.2 0.876 0.011 0.892 0.844 0 0.502 0.813 0 0 0.111 0.491 0.446 0.772
held gate | +19.7 % | fan, 5 nC | 0.223 | stated | 0.586 0.909 0.875 1 0 0.863 0.991 0.004 0.655 0.778 0.028 0 0.21 0.916 0.597 0.471
held gate | +18.2 % | 24 V, resistive | 0.176 | stated | 0.272 0.809 0.63 0.362 0.759 0 0.955 0 0.253 0.144 0.999 0.024 0.087 0.923 0.284 0.633
held gate | +18.1 % | 24 V, resistive | 0.548 | stated | 0 0.963 0 0.465 0.453 0 0.939 0.131 0.307 0 0.905 0.089 0.003 0.822 0 0.763
held gate | +12.8 % | 12 V, 200 nC | 0.054 | stated | 0.064 0.919 0.713 0.72 0 1 0.982 0.027 0.206 0.158 0.02 0.636 0.385 0.905 0.427 0.1
held gate | +11.3 % | 12 V, 200 nC | 0.467 | stated | 0 1 0.971 0.949 0 0.978 1 0.034 0 0.551 0.05 1 0.337 0.7 0 0.608
held gate | +54.1 % | 24 V, resistive | 0.053 | unknown | 0.382 0.702 0.53 0.195 1 0.038 0.876 0.127 0.347 0 0.923 0.246 0.037 0.964 0.542 0.64
held gate | +59.1 % | fan, 5 nC | 0.053 | unknown | 0.195 0.92 0.155 0.721 0.125 0.841 0.961 0.003 0.618 0.875 0.329 0.451 0 0.002 0.206 0.522
dV/dt | +58.1 % | 24 V, resistive | 0.053 | unknown | 0.076 0.089 0.577 0.184 1 0.139 0.986 1 0.114 0.97 0.857 0.958 0.879 0.268 0.068 0.606
drain | +21.2 % | 48 V | 0.075 | unknown | 1 0.099 0.273 0.683 0.883 0.323 0 0.854 0.541 1 0.102 0 0.431 0 0.987 0.052
current off | +18.0 % | 12 V, 200 nC | 0.552 | stated | 0.822 0.834 0.761 0.557 0 0.555 0.606 0.003 0.376 0.938 0.707 0 0.998 0.004 0.94 0
current off | +21.6 % | 48 V | 0.303 | stated | 0.547 0.271 0.956 0.799 0.059 0.449 0.355 0.717 0.983 1 1 1 0 0.304 0.788 0.595
voltage edge off | +72.7 % | 48 V | 0.454 | stated | 0.076 0 0.819 0.727 0.987 0.157 0 0.914 1 1 0.411 0.262 0 0.547 0.093 0.192
voltage edge on | +109.3 % | 12 V, 200 nC | 0.700 | stated | 0 0 0.225 0.349 1 0 0.418 0.235 0.272 0.399 0.481 0.057 1 0 0.861 0.521
voltage edge on | -13.9 % | 12 V, 200 nC | 0.534 | stated | 1 0.599 0.003 1 0.275 0.76 0.638 0.192 0.499 0.993 0.142 0.118 0.073 0 0.222 0.646
"""


def _read(line: str) -> Worst:
    quantity, found, stage, damping, stated, shares = (part.strip() for part in line.split("|"))
    return Worst(
        quantity,
        float(found.removesuffix("%")) / 100,
        stage,
        float(damping),
        {"stated": True, "unknown": False}[stated],
        tuple(float(x) for x in shares.split()),
    )


HARDEST = [_read(line) for line in _POINTS.splitlines()]
