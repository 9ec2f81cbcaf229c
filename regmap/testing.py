"""A simulated chip for the host tests of a firmware team: a pytest plugin, at hand once this package is installed.

    def test_driver_configures(gateword_twin):
        twin = gateword_twin("devices/ours.yaml", seed=1)        # a path, or a bundled name
        twin.disturb("undervoltage at 5 ms for 2 ms")
        driver = Driver(transfer=lambda words: twin.transfer(words))
        ...
        assert twin.word("GATE_HS") == 0x2AD

    @pytest.mark.gateword("quoll16", seed=1)                     # the map and options of the twin
    @pytest.mark.disturbance("vds_uh at 12 ms for 30 us")        # one or several
    def test_fault_is_handled(gateword_chip): ...

    def test_tool_over_a_port(gateword_port):
        port = gateword_port("quoll16")                          # path of a pseudo-terminal

`gateword_port` serves a chip behind the adapter protocol, on a pseudo-terminal or, with `tcp=True`
and wherever there are none (they are POSIX only), on a port of this machine: `socket://127.0.0.1:N`.
Everything is closed when the test ends; a twin that was given a `vcd` path leaves its value change
dump there. Nothing is shared between tests, so they run in any order and in parallel (pytest-xdist).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from .chip.model import Chip
    from .twin import Twin

    MakeTwin = Callable[..., Twin]
    MakePort = Callable[..., str]


def pytest_configure(config: pytest.Config) -> None:
    """The markers, told to `pytest --markers` and allowed under --strict-markers."""
    config.addinivalue_line(
        "markers", "gateword(map, **options): the simulated chip that gateword_chip gives"
    )
    config.addinivalue_line(
        "markers", "disturbance(what, ...): what goes wrong in every simulated chip of this test"
    )


def _twin(
    which: str | Path | Chip | Twin, disturbances: list[str], options: dict[str, Any]
) -> Twin:
    # imported when a test asks for a chip: pytest loads this plugin in runs that never do
    from .maps.load import load_map
    from .twin import Twin

    if isinstance(which, Twin):
        twin = which
    else:
        twin = Twin(load_map(which) if isinstance(which, (str, Path)) else which, **options)
    for text in disturbances:
        twin.disturb(text)
    return twin


def _marked(request: pytest.FixtureRequest) -> list[str]:
    """The disturbances of a test's markers, the outermost first."""
    marks = reversed(list(request.node.iter_markers("disturbance")))
    return [text for mark in marks for text in mark.args]


@pytest.fixture
def gateword_twin(request: pytest.FixtureRequest) -> Iterator[MakeTwin]:
    """A function that makes simulated chips: (map or chip, **options of `regmap.twin.Twin`)."""
    made: list[Twin] = []

    def make(which: str | Path | Chip, **options: Any) -> Twin:
        made.append(_twin(which, _marked(request), options))
        return made[-1]

    yield make
    for twin in made:
        twin.close()


@pytest.fixture
def gateword_chip(request: pytest.FixtureRequest, gateword_twin: MakeTwin) -> Twin:
    """The simulated chip that the test's marker `gateword` names."""
    mark = request.node.get_closest_marker("gateword")
    if mark is None or not mark.args:
        raise pytest.UsageError(f"{request.node.nodeid} has no @pytest.mark.gateword(MAP)")
    return gateword_twin(mark.args[0], **mark.kwargs)


@pytest.fixture
def gateword_port(request: pytest.FixtureRequest) -> Iterator[MakePort]:
    """A function that serves a simulated chip on a port: (map, chip or twin, tcp=False, **options) -> its name."""
    closing: list[Callable[[], None]] = []

    def make(which: str | Path | Chip | Twin, *, tcp: bool = False, **options: Any) -> str:
        from .twin.adapter import Adapter, Terminal, identity
        from .wire.ports import serve
        from .wire.server import Server
        from .wire.tcp import LoopbackPort

        twin = _twin(which, _marked(request), options)
        closing.append(twin.close)
        adapter = Adapter(twin.bus, [twin])
        if not tcp and os.name == "posix":
            terminal = Terminal(adapter, twin.chip.name)
            closing.append(terminal.close)
            return terminal.path
        port, done = LoopbackPort(), threading.Event()
        server = Server(adapter, identity(twin.chip.name))
        thread = threading.Thread(target=serve, args=(port, server, done.is_set), daemon=True)
        thread.start()
        closing.extend((port.close, lambda: thread.join(5.0), done.set))
        return port.url

    yield make
    for close in reversed(closing):
        close()
