"""Numbers of an algorithm by name, what a calibration may move of them, and shapes of lines."""

from __future__ import annotations

import copy
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crashsense.errors import InputError
from crashsense.rules.numbers import (
    MOST_NUMBERS,
    Freedom,
    freedom_of,
    numbers_of,
    shape_shortfall,
    with_numbers,
    with_numbers_in_text,
)

TEXT = """\
name = "mine"
gate = true
[definitions.map]
family = "velocity_time_map"   # a line
line = [[4.0, 0.5], [10.0, 1.5], [20.0, 4.0]]
[definitions.front]
family = "velocity_change"
threshold_m_s = 1.5   # chosen on walls
leak_g = 2
[definitions.back]
threshold_m_s = 1.5
[rules.side]
family = "all_of"
of = [{ use = "map" }, { family = "level", windows = [[5.0, 0.3], [20.0, 0.8]], on = true }]
parameters = [7.0, 8.0, 9.0]
"""
TABLE = tomllib.loads(TEXT)


def test_numbers_are_named_by_their_path_and_vertices_by_their_place() -> None:
    assert numbers_of(TABLE) == {
        "map.line[0]": 0.5,
        "map.line[1]": 1.5,
        "map.line[2]": 4.0,
        "front.threshold_m_s": 1.5,
        "front.leak_g": 2.0,
        "back.threshold_m_s": 1.5,
        "side.of[1].windows[0]": 0.3,
        "side.of[1].windows[1]": 0.8,
        "side.parameters[0]": 7.0,
        "side.parameters[1]": 8.0,
        "side.parameters[2]": 9.0,
    }


@pytest.mark.parametrize("name", numbers_of(TABLE))
def test_one_number_replaced_is_that_number_and_no_other(name: str) -> None:
    kept = copy.deepcopy(TABLE)
    new = with_numbers(TABLE, {name: 123.25})
    assert kept == TABLE
    assert numbers_of(new) == {**numbers_of(TABLE), name: 123.25}
    text = with_numbers_in_text(TEXT, {name: 123.25})
    assert tomllib.loads(text) == new
    # A number on a line of its own is exchanged there, and every comment stays.
    assert ("# chosen on walls" in text) == ("# a line" in text) == ("[" not in name)


def test_an_unknown_number_is_named_with_the_nearest() -> None:
    with pytest.raises(InputError, match=r"front.treshold_m_s.*'front.threshold_m_s'"):
        with_numbers(TABLE, {"front.treshold_m_s": 1.0})


def freed(free: object, **more: object) -> dict[str, object]:
    return {**TABLE, "calibration": {"free": free, **more}}


def test_bounds_hold_the_number_of_the_file_at_either_end_too() -> None:
    for bounds in ([1.5, 4.0], [1.0, 1.5], [1, 2]):
        found = freedom_of(freed({"front.threshold_m_s": bounds}))
        assert found.bounds == {"front.threshold_m_s": tuple(bounds)}


@pytest.mark.parametrize(
    ("bounds", "expected"),
    [
        ([1.5, 1.5], "low below high"),
        ([4.0, 1.0], "low below high"),
        ([1.6, 4.0], "bounds that hold the value of the file, 1.5"),
        ([0.5, 1.4], "bounds that hold the value of the file, 1.5"),
        ([1.0], r"\[low, high\]"),
        ([1.0, 2.0, 3.0], r"\[low, high\]"),
        (["a", 2.0], r"\[low, high\]"),
        (1.0, r"\[low, high\]"),
    ],
)
def test_bounds_that_are_none_are_refused(bounds: object, expected: str) -> None:
    with pytest.raises(InputError, match=f"calibration.free.front.threshold_m_s.*{expected}"):
        freedom_of(freed({"front.threshold_m_s": bounds}))


def test_as_many_numbers_as_the_file_says_may_move_and_no_more() -> None:
    free = {name: [value - 1.0, value + 1.0] for name, value in numbers_of(TABLE).items()}
    few = dict(list(free.items())[:3])
    assert set(freedom_of(freed(few, most_numbers=3)).bounds) == set(few)
    assert set(freedom_of(freed(few, most_numbers=2), most=3).bounds) == set(few)
    for table, most, limit in (
        (freed(few, most_numbers=2), None, 2),
        (freed(few), 2, 2),
        ({"rules": {"r": {f"n{k}": 1.0 for k in range(MOST_NUMBERS + 1)}}, "calibration":
          {"free": {f"r.n{k}": [0.0, 2.0] for k in range(MOST_NUMBERS + 1)}}}, None, MOST_NUMBERS),
    ):  # fmt: skip
        with pytest.raises(InputError, match=f"calibration.free.*{limit} free numbers at most"):
            freedom_of(table, most=most)


def test_all_faults_of_a_freedom_at_once() -> None:
    table = freed(
        {"front.threshold_m_s": [1.0, 2.0], "front.nothing": [0.0, 1.0]},
        same={"back.threshold_m_s": "front.leak_g"},
        shape={"map.line": ["rising", "round"], "front.leak_g": ["rising"], "map": "smooth"},
        most=3,
    )
    with pytest.raises(InputError) as caught:
        freedom_of(table)
    faults = {fault.field for fault in caught.value.faults}
    assert faults == {
        "calibration.most", "front.nothing", "calibration.same.back.threshold_m_s",
        "calibration.shape.map.line", "calibration.shape.front.leak_g", "calibration.shape.map",
    }  # fmt: skip
    with pytest.raises(InputError, match=r"calibration.free.*\[low, high\] for each"):
        freedom_of(TABLE)


def test_what_follows_another_moves_with_it() -> None:
    table = freed(
        {"front.threshold_m_s": [1.0, 2.0]},
        same={"back.threshold_m_s": "front.threshold_m_s"},
        shape={"map.line": ["rising", "convex"]},
    )
    found = freedom_of(table)
    assert found == Freedom(
        {"front.threshold_m_s": (1.0, 2.0)},
        {"back.threshold_m_s": "front.threshold_m_s"},
        {"map.line": ("rising", "convex")},
    )
    assert found.spread({"front.threshold_m_s": 1.75}) == {
        "front.threshold_m_s": 1.75,
        "back.threshold_m_s": 1.75,
    }


values = st.floats(-8.0, 8.0).map(lambda v: round(v, 3))
lines = st.lists(st.tuples(st.integers(1, 9), values), min_size=2, max_size=7)


def placed(steps: list[tuple[int, float]]) -> list[list[float]]:
    line, t = [], 0.0
    for step, value in steps:
        t += step
        line.append([t, value])
    return line


@given(steps=lines, other=lines)
def test_shapes_are_what_their_words_say(
    steps: list[tuple[int, float]], other: list[tuple[int, float]]
) -> None:
    """Piece by piece, in words; falling short adds up over words and over lines."""
    line = placed(steps)
    table = {"definitions": {"a": {"line": line}}, "rules": {"b": {"line": placed(other)}}}
    slopes = []
    for k in range(1, len(line)):
        slopes.append((line[k][1] - line[k - 1][1]) / (line[k][0] - line[k - 1][0]))
    falls = sum(-slope for slope in slopes if slope < 0.0)
    flattens = sharp = 0.0
    for k in range(1, len(slopes)):
        before, after = slopes[k - 1], slopes[k]
        if after < before:
            flattens += before - after
        steeper, flatter = max(abs(before), abs(after)), min(abs(before), abs(after))
        if before * after < 0.0:  # a zigzag: the bend is the sum of both
            sharp += (steeper + flatter) - 0.5 * (steeper + flatter)
        elif steeper > 3.0 * flatter:
            sharp += (steeper - flatter) - 0.5 * (steeper + flatter)
    wanted = {"rising": falls, "convex": flattens, "smooth": sharp}
    for word, short in wanted.items():
        assert shape_shortfall(table, {"a.line": (word,)}) == pytest.approx(short, abs=1e-9)
    both = {"a.line": tuple(wanted), "b.line": tuple(wanted)}
    parts = [shape_shortfall(table, {name: (word,)}) for name in both for word in wanted]
    assert shape_shortfall(table, both) == pytest.approx(sum(parts), abs=1e-9)
    assert min(parts) >= 0.0
    assert shape_shortfall(table, {}) == 0.0
