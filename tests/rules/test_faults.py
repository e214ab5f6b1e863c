"""Parameters that contradict each other are refused, at equality too; what is allowed is taken."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crashsense.errors import InputError
from crashsense.rules import rule_from_table
from crashsense.rules.polyline import ray_faults, time_faults

LEVEL = {"family": "level"}
STAGED = {"family": "staged", "rule": LEVEL, "measure": LEVEL}

#: Family and what goes together, what does not, and the field that is named.
CASES: list[tuple[dict[str, Any], dict[str, Any], list[dict[str, Any]], str]] = [
    (
        {"family": "window_difference"},
        {"short_ms": 5.0, "long_ms": 5.1},
        [{"short_ms": 5.0, "long_ms": 5.0}, {"short_ms": 5.0, "long_ms": 4.0}],
        "long_ms",
    ),
    (
        {"family": "band_energy"},
        {"low_hz": 50.0, "high_hz": 50.1},
        [{"low_hz": 50.0, "high_hz": 50.0}, {"low_hz": 50.0, "high_hz": 20.0}],
        "high_hz",
    ),
    (
        {"family": "left_right_difference"},
        {"left": "-upfront_left_x", "right": "-upfront_right_x"},
        [{"left": "-upfront_left_x", "right": "-upfront_left_x"}],
        "right",
    ),
    (
        {"family": "window_velocity"},
        {"windows": [[1e-3, 1e-3]]},
        [{"windows": [[0.0, 1.0]]}, {"windows": [[5.0, 0.0]]}, {"windows": [[-1.0, 1.0]]}],
        r"windows\[0\]",
    ),
    (
        STAGED,
        {"stages": [[1e-3, 0.5], [2e-3, 1e-3]]},
        [{"stages": [[0.0, 0.5]]}, {"stages": [[0.5, 0.0]]}, {"stages": [[-0.5, 0.5]]}],
        r"stages\[0\]",
    ),
    (
        STAGED,
        {"stages": [[0.5, 0.5], [0.6, 0.5]]},
        [{"stages": [[0.5, 0.5], [0.5, 0.4]]}, {"stages": [[0.5, 0.5], [0.4, 0.4]]}],
        r"stages\[1\]",
    ),
    (
        {"family": "at_least", "of": [LEVEL, LEVEL]},
        {"count": 2},
        [{"count": 3}, {"count": 0}],
        "count",
    ),
]


@pytest.mark.parametrize(("base", "good", "bad", "field"), CASES)
def test_what_does_not_go_together_is_refused_by_name(
    base: dict[str, Any], good: dict[str, Any], bad: list[dict[str, Any]], field: str
) -> None:
    rule_from_table({**base, **good})
    for parameters in bad:
        with pytest.raises(InputError, match=rf"(^|\W){field}: got"):
            rule_from_table({**base, **parameters})


vertices = st.lists(st.tuples(st.integers(-1, 4), st.integers(-1, 4)), min_size=1, max_size=4)


@given(vertices)
def test_a_line_is_crossed_once_by_every_ray(line: list[tuple[int, int]]) -> None:
    """Vertices in the first quadrant, from left to right, each below the ray of the one before."""

    def steepness(u: int, v: int) -> Fraction | float:
        return math.inf if u == 0 else Fraction(v, u)

    inside = all(u >= 0 and v >= 0 and (u, v) != (0, 0) for u, v in line)
    pairs = list(zip(line[:-1], line[1:], strict=True))
    sound = inside and all(b[0] > a[0] and steepness(*b) < steepness(*a) for a, b in pairs)
    points = [(float(u), float(v)) for u, v in line]
    assert (ray_faults(points, where="rule", field="line") == []) == sound


@given(vertices)
def test_thresholds_over_time_are_positive_at_rising_times(line: list[tuple[int, int]]) -> None:
    pairs = zip(line[:-1], line[1:], strict=True)
    sound = all(t >= 0 and v > 0 for t, v in line) and all(b[0] > a[0] for a, b in pairs)
    points = [(float(t), float(v)) for t, v in line]
    assert (time_faults(points, where="rule", field="line") == []) == sound
