"""What a card accepts and refuses, kind by kind."""

from __future__ import annotations

import math

import numpy as np
import pytest

from crashsense.rules.parameters import Parameter, check_sense, sense_parts

SENSES = ["central_x", "+central_x", "-central_x", "|central_x|"]
NO_SENSES = ["", "central_q", "--central_x", "|central_x", "central_x|", "|", "||", 3, None, True]

#: Kind -> values that are right, values that are wrong.
KINDS: dict[str, tuple[list[object], list[object]]] = {
    "polyline": (
        [[[1, 2.5]], ((1.0, 2.0), (3.0, 4.0)), [(0, 0)], [[np.float64(1.0), np.int64(2)]]],
        [None, "ab", 3.0, [], [3.0], ["ab"], [[1.0]], [[1.0, 2.0, 3.0]], [(1.0, 2.0), 3.0],
         [[1.0, math.nan]], [[math.inf, 1.0]], [[True, 1.0]], [["1", 2.0]], [[1.0, 10**400]],
         {1.0: 2.0}, [{1.0, 2.0}], [[1.0, 2.0], [3.0]]],
    ),
    "numbers": (
        [[], [1, 2.5], (np.float32(1.0),)],
        [None, "12", 3.0, [math.nan], [1.0, math.inf], [True], ["1"], [[1.0]], [1.0, None]],
    ),
    "channels": (
        [[], [SENSES[0]], tuple(SENSES)],
        [None, "central_x", 3.0, *([SENSES[0], wrong] for wrong in NO_SENSES)],
    ),
    "channel": (list(SENSES), list(NO_SENSES)),
    "text": (["a", " "], ["", None, 3.0, b"a"]),
    "table": ([{}, {"a": 1}], [None, [], "a"]),
}  # fmt: skip
KINDS["stages"] = KINDS["polyline"]


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_takes_what_it_is_and_nothing_else(kind: str) -> None:
    card = Parameter("-", 0.0, math.inf, "", kind=kind)
    good, bad = KINDS[kind]
    assert [value for value in good if card.check(value) is not None] == []
    assert [value for value in bad if not card.check(value)] == []
    if None in bad:
        assert Parameter("-", 0.0, math.inf, "", kind=kind, optional=True).check(None) is None


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("above", [True, False])
def test_a_number_lies_in_its_range_ends_included_unless_it_must_be_above(
    whole: bool, above: bool
) -> None:
    card = Parameter("g", 2.0, 5.0, "", kind="whole" if whole else "number", above=above)
    for value in np.arange(0.0, 7.0, 0.25).tolist():
        inside = (value > 2.0 if above else value >= 2.0) and value <= 5.0
        right = inside and (not whole or value % 1.0 == 0.0)
        assert (card.check(value) is None) == right, value
    for odd in (True, "3", None, math.nan, math.inf, -math.inf, 10**400, [3.0], 3 + 0j):
        assert card.check(odd) is not None


def test_a_sense_is_a_sign_and_a_channel() -> None:
    assert [sense_parts(sense) for sense in SENSES] == [
        (sign, "central_x") for sign in ("+", "+", "-", "|")
    ]
    assert all(check_sense(sense) is None for sense in SENSES)
    assert all(check_sense(sense) for sense in NO_SENSES)
