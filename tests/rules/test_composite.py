"""Which child of an operator decides, on numbers made by hand."""

from __future__ import annotations

import pytest

from crashsense.rules.composite import last_or_equal


@pytest.mark.parametrize(
    ("here", "before", "value", "who"),
    [
        ({"a": 1.2, "b": 1.5}, {"a": 0.9, "b": 1.4}, 1.2, "a"),  # the one that crossed last
        ({"a": 3.0, "b": 1.5}, {"a": 0.9, "b": 1.4}, 1.5, "a"),  # however far
        ({"a": 1.0, "b": 1.5}, {"a": 0.0, "b": 0.9}, 1.0, "ab"),  # both at once, 1 included
        ({"a": 1.2, "b": 1.1}, {"a": 1.0, "b": 1.3}, 1.1, "b"),  # all are over: the least
        ({"a": 0.5, "b": 1.5}, {"a": 0.4, "b": 0.9}, 0.5, "a"),  # what holds back
        ({"a": 0.5, "b": 0.5}, {"a": 0.4, "b": 0.9}, 0.5, "ab"),
    ],
)
def test_who_crossed_last_fired_it_and_before_that_the_least_holds_back(
    here: dict[str, float], before: dict[str, float], value: float, who: str
) -> None:
    assert last_or_equal(here, before, value) == set(who)
