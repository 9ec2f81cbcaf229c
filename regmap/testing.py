"""A simulated chip for the host tests of a firmware team, with pytest.

In a test module or conftest.py:

    from regmap.testing import gateword_twin, gateword_port      # noqa: F401

    def test_driver_configures(gateword_twin):
        twin = gateword_twin("devices/ours.yaml", seed=1)        # a path, or a bundled name
        twin.disturb("undervoltage at 5 ms for 2 ms")
        driver = Driver(transfer=lambda words: twin.transfer(words))
        ...
        assert twin.word("GATE_HS") == 0x2AD

`gateword_port` serves a chip on a pseudo-terminal behind the adapter protocol and gives its path,
for firmware tools that talk to a port. Both close what they opened when the test ends; a twin that
was given a `vcd` path leaves its value change dump there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from .chip.model import Chip
from .maps.load import load_map
from .twin import Twin

MakeTwin = Callable[..., Twin]
MakePort = Callable[..., str]


def _chip(which: str | Path | Chip) -> Chip:
    return which if isinstance(which, Chip) else load_map(which)


@pytest.fixture
def gateword_twin() -> Iterator[MakeTwin]:
    """A function that makes simulated chips: (map or chip, **options of `regmap.twin.Twin`)."""
    made: list[Twin] = []

    def make(which: str | Path | Chip, **options: Any) -> Twin:
        made.append(Twin(_chip(which), **options))
        return made[-1]

    yield make
    for twin in made:
        twin.close()


@pytest.fixture
def gateword_port() -> Iterator[MakePort]:
    """A function that serves a simulated chip on a pseudo-terminal: (map, chip or twin) -> path."""
    from .twin.adapter import Adapter, Terminal

    served: list[tuple[Terminal, Twin]] = []

    def make(which: str | Path | Chip | Twin, **options: Any) -> str:
        twin = which if isinstance(which, Twin) else Twin(_chip(which), **options)
        terminal = Terminal(Adapter(twin.bus, [twin]), twin.chip.name)
        served.append((terminal, twin))
        return terminal.path

    yield make
    for terminal, twin in served:
        terminal.close()
        twin.close()
