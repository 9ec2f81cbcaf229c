"""A derived variable as a function of the fewest independent ones below it, with what is proven of their directions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from .program import Program


class Node(Protocol):
    """What is asked of a variable here: an input, or a formula (with its function and directions) of others."""

    key: str
    typ: Any
    formula: Any
    args: dict[str, Any]

    @property
    def leaves(self) -> dict[str, Any]: ...


#: those independent variables, the function of their values, its direction in each, the numbers of those searched inside
Reduced = tuple[list[Any], Program, list[int], list[int]]


def reduce_variable(root: Node) -> Reduced:
    """A derived variable as a function of the fewest independent ones below it.

    (those blocks, the function of their values, its direction in each, the numbers of those whose
    extreme may lie inside). A block shares no input with the rest: it takes any value of its band.
    """
    assert root.formula is not None
    if sum(len(a.leaves) for a in root.args.values()) == len(root.leaves):
        return _flat(root, root.formula)
    # one number for each node: inputs by key, the rest by identity
    order: dict[object, Node] = {}

    def collect(variable: Node) -> None:
        if variable.leaves and _ident(variable) not in order:
            for arg in variable.args.values():
                collect(arg)
            order[_ident(variable)] = variable

    collect(root)
    paths: dict[object, int] = dict.fromkeys(order, 0)
    paths[_ident(root)] = 1
    reach: dict[object, dict[str, int]] = {}
    for name, variable in order.items():
        if variable.formula is None:
            reach[name] = {variable.key: 1}
            continue
        reach[name] = dict.fromkeys(variable.leaves, 0)
        for arg in variable.args.values():
            if arg.leaves:
                for key, count in reach[_ident(arg)].items():
                    reach[name][key] += count
    for name in reversed(order):
        for arg in order[name].args.values():
            if arg.leaves:
                paths[_ident(arg)] += paths[name]
    whole = reach[_ident(root)]
    blocks: dict[object, Node] = {}
    inner: dict[object, Node] = {}

    def walk(variable: Node) -> None:
        for arg in variable.args.values():
            name = _ident(arg)
            if not arg.leaves or name in blocks or name in inner:
                continue
            if all(paths[name] * count == whole[key] for key, count in reach[name].items()):
                blocks[name] = arg
            else:
                walk(arg)
        inner[_ident(variable)] = variable

    walk(root)
    signs: dict[object, int] = {_ident(root): 1}
    loose: dict[object, bool] = {_ident(root): False}
    for name in reversed(inner):
        rule = inner[name].formula
        assert rule is not None
        for word, arg in inner[name].args.items():
            if arg.leaves:
                below = _ident(arg)
                sign = signs[name] * rule.direction(word)
                signs[below] = sign if signs.get(below, sign) == sign else 0
                loose[below] = loose.get(below, False) or loose[name] or word in rule.free
    inside = [n for n, b in enumerate(blocks) if not signs[b] and (loose[b] or paths[b] > 1)]
    return list(blocks.values()), _program(blocks, inner), [signs[b] for b in blocks], inside


def _ident(variable: Node) -> object:
    return variable.key if variable.formula is None else id(variable)


def _flat(root: Node, rule: Any) -> Reduced:
    """The common case: no two arguments share an input."""
    names = [name for name in rule.order if root.args[name].leaves]
    blocks: dict[object, Node] = {_ident(root.args[name]): root.args[name] for name in names}
    return (
        list(blocks.values()),
        _program(blocks, {_ident(root): root}),
        [rule.direction(name) for name in names],
        [n for n, name in enumerate(names) if name in rule.free],
    )


def _program(blocks: Mapping[object, Node], inner: Mapping[object, Node]) -> Program:
    """The function of the blocks' values: the formulas of `inner` one after the other."""
    place = {name: n for n, name in enumerate((*blocks, *inner))}
    steps = []
    count = len(place)
    constants: list[float] = []  # which stand behind the results, at places of their own
    for variable in inner.values():
        assert variable.formula is not None
        taken = []
        for word in variable.formula.order:
            arg = variable.args[word]
            if arg.leaves:
                taken.append(place[_ident(arg)])
            else:
                taken.append(count + len(constants))
                constants.append(arg.typ)
        steps.append((place[_ident(variable)], variable.formula.function, tuple(taken)))
    return Program(len(blocks), steps, constants)
