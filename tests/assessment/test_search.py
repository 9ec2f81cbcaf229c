"""The search against brute force: same codes, same ties, on random problems of every shape."""

from __future__ import annotations

import itertools
import math
import random

import pytest

from regmap.assessment.search import Choosable, Goal, Search, TooLongError, groups


def key(vector: tuple[float, ...]) -> tuple[float, ...]:
    """Smallest first, larger is better; what is missing at the end asks for nothing."""
    return (*(-m for m in vector), -math.inf)


def brute(variables: list[Choosable], goals: list[Goal], cap: float) -> tuple[object, ...]:
    """The best of all combinations, each looked at."""
    ranked = []
    for codes in itertools.product(*(v.codes for v in variables)):
        margins = [min(g.margin(tuple(codes[n] for n in g.scope)), cap) for g in goals]
        vector = tuple(sorted(m for m in margins if m != math.inf))
        pairs = list(zip(codes, variables, strict=True))
        away = (sum(c != v.current for c, v in pairs), sum(v.steps(c) for c, v in pairs))
        ranked.append((key(vector), away, codes))
    return min(ranked)


def problem(seed: int) -> tuple[list[Choosable], list[Goal], float]:
    draw = random.Random(seed)
    variables = []
    for n in range(draw.randint(1, 5)):
        codes = sorted(draw.sample(range(9), draw.randint(1, 5)))
        variables.append(
            Choosable(
                f"v{n}", tuple(codes), draw.randint(0, 8), tuple(draw.sample(codes, len(codes)))
            )
        )
    goals = []
    for n in range(draw.randint(1, 7)):
        scope = tuple(
            sorted(draw.sample(range(len(variables)), draw.randint(0, min(len(variables), 3))))
        )
        levels = draw.choice([3, 10, 1000])  # few levels make many ties

        def work(codes: tuple[int, ...], n: int = n, levels: int = levels) -> float:
            dice = random.Random(f"{seed} {n} {codes}")
            if dice.random() < 0.08:
                return dice.choice([-math.inf, math.inf])
            return dice.randint(-levels // 3, levels) / levels

        goals.append(Goal(f"g{n}", scope, work))
    return variables, goals, draw.choice([math.inf, 0.5, 0.2, 0.0])


@pytest.mark.parametrize("block", range(8))
def test_same_optimum_as_brute_force(block: int) -> None:
    for seed in range(block * 60, block * 60 + 60):
        variables, goals, cap = problem(seed)
        search = Search(dict(enumerate(variables)), goals, cap=cap)
        start = {
            n: v.current if v.current in v.codes else v.codes[0] for n, v in enumerate(variables)
        }
        if seed % 3 == 0:
            found = search.best()
        elif seed % 3 == 1:
            found = search.best(start=start)
        else:
            good = search.vector(search.climb(start))
            found = search.best(good[0] if good else -math.inf)
        assert found is not None
        got = (key(found.vector), found.away, tuple(found.codes[n] for n in range(len(variables))))
        assert got == brute(variables, goals, cap), seed


def test_climbing_never_ends_below_its_start() -> None:
    for seed in range(200):
        variables, goals, cap = problem(seed)
        search = Search(dict(enumerate(variables)), goals, cap=cap)
        start = {n: v.codes[0] for n, v in enumerate(variables)}
        assert key(search.vector(search.climb(start))) <= key(search.vector(start))


def test_a_floor_nothing_reaches_gives_nothing() -> None:
    for seed in range(200):
        variables, goals, _ = problem(seed)
        best = brute(variables, goals, math.inf)
        smallest = -best[0][0]  # type: ignore[index]
        if smallest == math.inf:
            continue
        above = smallest + 1e-6 if math.isfinite(smallest) else -1e9
        assert Search(dict(enumerate(variables)), goals).best(above) is None
        assert Search(dict(enumerate(variables)), goals).best(smallest) is not None


def test_asking_only_whether_all_can_be_met() -> None:
    for seed in range(200):
        variables, goals, _ = problem(seed)
        can = any(
            all(g.margin(tuple(codes[n] for n in g.scope)) >= 0 for g in goals)
            for codes in itertools.product(*(v.codes for v in variables))
        )
        found = Search(dict(enumerate(variables)), goals, cap=0.0, ties=False).best(0.0)
        assert (found is not None) == can


def test_steps_are_counted_and_can_be_bounded() -> None:
    left = 40

    def tick() -> None:
        nonlocal left
        left -= 1
        if left < 0:
            raise TooLongError

    variables = {n: Choosable(f"v{n}", tuple(range(30)), 0) for n in range(4)}
    goals = [
        Goal(f"g{n}", (n, (n + 1) % 4), lambda c: -abs(c[0] - c[1] - 7) / 10) for n in range(4)
    ]
    with pytest.raises(TooLongError):
        Search(variables, goals, tick=tick).best()


def test_groups_share_no_scope() -> None:
    assert groups(6, [(0, 3), (4,), (3, 5), ()]) == [[0, 3, 5], [1], [2], [4]]
    assert groups(0, []) == []
