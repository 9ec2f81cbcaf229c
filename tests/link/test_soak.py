"""A short soak: every kind of disturbance on two chips, and a reset at every frame of a bring-up."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from regmap.maps.load import load_map


def _load() -> ModuleType:
    path = Path(__file__).parents[1] / "soak.py"
    spec = importlib.util.spec_from_file_location("soak", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["soak"] = module
    spec.loader.exec_module(module)
    return module


soaking = _load()


def test_there_are_forty_kinds_of_disturbance() -> None:
    assert len(soaking.KINDS) >= 40


@pytest.mark.parametrize("kind", soaking.KINDS)
@pytest.mark.parametrize("name", ["quoll16", "wombat24"])
@pytest.mark.one_in(8)
def test_nothing_wrong_is_called_good_and_no_loss_is_kept_back(name: str, kind: str) -> None:
    happened = list(soaking.soak(load_map(name), kind, 12, seed=5))
    assert len(happened) == 12
    assert not [why for _, why in happened if why]


def test_everything_goes_through_where_nothing_is_wrong() -> None:
    happened = [what for what, _ in soaking.soak(load_map("quoll16"), "quiet", 60, seed=2)]
    assert set(happened) <= {"read good", "write verified"}


def test_a_reset_at_every_frame_of_a_bring_up() -> None:
    """Each seventeenth here; `python tests/soak.py` takes every one, of every chip."""
    found = list(soaking.bring_ups(load_map("wombat24"), ("reset", "no_power for 3 us"), every=17))
    assert len(found) > 12
    assert not [why for _, why in found if why]
    assert "bring-up stopped" in {what for what, _ in found}


def test_a_soak_that_was_stopped_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "soaked.jsonl"
    first = soaking.Results(path)
    first.take("quoll16", "quiet", 1, lambda: [("read good", ""), ("read lost", "made up")])
    with path.open("a") as file:
        file.write('{"chip": "quoll16", "ki')
    again = soaking.Results(path)
    again.take("quoll16", "quiet", 1, lambda: pytest.fail("done already"))
    assert again.counts == first.counts
    assert again.wrong == ["quoll16, quiet, seed 1: made up"]


def test_a_first_frame_that_was_lost_makes_no_rejected_read_believed() -> None:
    """The chip misses the first frame of an exchange, rejects the second by its counter, and answers that as if
    address 0 held 0: the counter of its replies shows it, where it goes on from the exchange before."""
    for number, (what, why) in enumerate(
        soaking.soak(load_map("bilby32"), "lost frames 1 %", 160, 1)
    ):
        assert not why, (number, what)
