"""Checks that other packages add, through the entry point group `gateword.checks`.

An entry point names a module that registers its checks when it is imported, and before them the
stage inputs that they need:

    from regmap.calc.registry import check
    from regmap.parameters import Parameter, add_stage_inputs

    add_stage_inputs([Parameter("fuse.melting_integral", "...", "melting integral of the fuse")])

    @check("fuse.survives-start", ...)
    def survives(work): ...

The packages are looked for when a stage is loaded or checks are run, and never by anything else:
the search costs more than the start of the program.
"""

from __future__ import annotations

from functools import lru_cache

from .errors import CallError

GROUP = "gateword.checks"


@lru_cache(maxsize=1)
def load_outside() -> tuple[str, ...]:
    """Import what the installed packages offer; the names of the entry points, sorted.

    Raises CallError that names the package when one cannot be imported.
    """
    from importlib.metadata import entry_points

    points = sorted(entry_points(group=GROUP), key=lambda p: (p.name, p.value))
    for point in points:
        try:
            point.load()
        except Exception as error:
            owner = point.dist.name if point.dist else "an installed package"
            text = f"{owner} cannot add its checks ({GROUP}: {point.name} = {point.value}): {error}"
            raise CallError(text) from error
    return tuple(p.name for p in points)
