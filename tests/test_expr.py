"""Conditions: three-valued logic, codes against physical values, hostile text."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regmap.chip.bank import Bank
from regmap.errors import CallError
from regmap.expr import Env, evaluate, parse_expr
from regmap.maps.load import load_map

CHIP = load_map("quoll16")


def bank(**words: int) -> Bank:
    return Bank(CHIP, words)


@pytest.mark.parametrize(
    ("text", "words", "answer"),
    [
        ("MODE.PWM == three_input", {"MODE": 3}, True),
        ("MODE.PWM == three_input", {"MODE": 0}, False),
        ("MODE.PWM == three_input", {}, None),
        ("MODE.PWM != three_input", {"MODE": 0}, True),
        ("MODE.PWM in (one_input, three_input)", {"MODE": 3}, True),
        ("TIMING.DEAD_TIME >= 400 ns", {"TIMING": 3}, True),
        ("TIMING.DEAD_TIME >= 400 ns", {"TIMING": 2}, False),
        ("TIMING.DEAD_TIME >= 3", {"TIMING": 3}, True),
        ("TIMING.BLANKING > TIMING.DEAD_TIME", {"TIMING": 7 | 1 << 6}, False),
        ("TIMING.BLANKING > TIMING.DEAD_TIME", {"TIMING": 7 | 2 << 6}, True),
        ("SENSE.OC_EN and not SENSE.CAL", {"SENSE": 1 << 9}, True),
        ("SENSE.OC_EN or MODE.PWM == one_input", {"SENSE": 1 << 9}, True),
        ("MODE.PWM in (one_input, three_input)", {}, None),
        ("not (MODE.PWM in (one_input, three_input))", {}, None),
        ("SENSE.OC_EN or MODE.PWM == one_input", {"SENSE": 0}, None),
        ("SENSE.OC_EN and MODE.PWM == one_input", {"SENSE": 0}, False),
        # what is unknown first must not keep what decides afterwards from deciding
        ("MODE.PWM == one_input and SENSE.OC_EN", {"SENSE": 0}, False),
        ("MODE.PWM == one_input or SENSE.OC_EN", {"SENSE": 1 << 9}, True),
        ("MODE.PWM == one_input or SENSE.OC_EN", {"SENSE": 0}, None),
        ("not (SENSE.OC_EN and SENSE.CAL)", {"SENSE": 1 << 9 | 1 << 3}, False),
        ("0x10 + 2 * 3 == 22", {}, True),
        ("not not SENSE.OC_EN", {"SENSE": 1 << 9}, True),
    ],
)
def test_truth(text: str, words: dict[str, int], answer: bool | None) -> None:
    assert evaluate(parse_expr(text), bank(**words)) is answer


@pytest.mark.parametrize(
    ("text", "supply", "answer"),
    [
        ("supply >= 5.5 V", 6, True),
        ("supply >= 5.5e0 V", 5, False),
        ("supply > -3 V", 0, True),
        ("supply - 2 V == 4 V", 6, True),
        ("supply * 2 > 11 V and 1 < 2", 6, True),
        ("20 V/V > 19 V/V", 0, True),
        ("-40 degC < 25 degC", 0, True),
        ("3 K/W > 2 K/W", 0, True),
        ("10 mV/us == 10 V/ms", 0, True),
        ("2 > -1", 0, True),
        ("50 % == 0.5 V/V", 0, True),
        ("supply / 2 > 2 V", 6, True),
    ],
)
def test_every_unit_of_quantities_is_one_of_conditions(
    text: str, supply: int, answer: bool
) -> None:
    env = Bank(CHIP, supply=Fraction(supply))
    assert evaluate(parse_expr(text), env) is answer


def test_a_gain_is_compared_in_its_unit() -> None:
    """quoll16 SENSE.GAIN: the codes' values rise, so one bound splits them."""
    field = CHIP.field("SENSE.GAIN")
    assert field is not None
    truths = []
    for code in range(1 << field.width):
        env = Bank(CHIP, {"SENSE": 0})
        env.put(field, code)
        gain = env.physical("SENSE.GAIN")
        assert gain is not None
        truths.append((evaluate(parse_expr("SENSE.GAIN >= 20 V/V"), env), gain >= 20))
    assert all(a is b for a, b in truths)
    assert len({b for _, b in truths}) == 2


def test_states_and_supply() -> None:
    env = Bank(CHIP, states={"locked": True}, supply=Fraction(6))
    assert evaluate(parse_expr("locked and supply < 7 V"), env) is True
    assert evaluate(parse_expr("locked"), Bank(CHIP)) is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("MODE.PWM ==", "the expression ends where a name"),
        ("MODE.PWM == (1", "ends where"),
        ("MODE.PWM & 1", "'& 1' at column"),
        ("1 2", "'2' at column 3: expected an operator or the end"),
        ("(" * 60 + "1" + ")" * 60, "nest deeper"),
        ("x" * 1000, "an expression of 1000 characters"),
        ("__import__('os')", "at column"),
    ],
)
def test_refused(text: str, says: str) -> None:
    with pytest.raises(CallError) as caught:
        parse_expr(text)
    assert says in str(caught.value)


@given(st.text(alphabet="()<>=!+-*/., notandrMODE.PW0x1234mVs", max_size=60))
def test_any_text_parses_or_is_refused_and_never_runs_wild(text: str) -> None:
    env: Env = Bank.at_reset(CHIP)
    try:
        answer = evaluate(parse_expr(text), env)
    except CallError:
        return
    assert answer in (True, False, None)


# an independent oracle: Python's own three-valued reading of the same tree
_BOOLS = {"SENSE.OC_EN": 9, "SENSE.CAL": 3, "WATCHDOG.ENABLE": 0}


@given(
    st.recursive(
        st.sampled_from(sorted(_BOOLS)),
        lambda inner: st.one_of(
            st.tuples(st.just("not"), inner),
            st.tuples(st.sampled_from(["and", "or"]), inner, inner),
        ),
        max_leaves=8,
    ),
    st.integers(0, 7),
)
def test_logic_agrees_with_python(tree: object, bits: int) -> None:
    values = {name: bool(bits >> i & 1) for i, name in enumerate(sorted(_BOOLS))}

    def text(node: object) -> str:
        if isinstance(node, str):
            return node
        assert isinstance(node, tuple)
        return (
            f"not ({text(node[1])})"
            if node[0] == "not"
            else f"({text(node[1])} {node[0]} {text(node[2])})"
        )

    python = text(tree)
    for name, value in values.items():
        python = python.replace(name, str(value))
    words = {"SENSE": 0, "WATCHDOG": 0}
    for name, bit in _BOOLS.items():
        words[name.split(".")[0]] |= values[name] << bit
    assert evaluate(parse_expr(text(tree)), bank(**words)) is eval(python)
