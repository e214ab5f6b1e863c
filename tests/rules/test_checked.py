"""What a rule gave back is sound, or named with draw and sample."""

from __future__ import annotations

import numpy as np
import pytest
from rules_support import samples

from crashsense.errors import RuleError
from crashsense.rules import Rule
from crashsense.rules.checked import check_branches, checked_branch_demands, prefix, rows

GIVEN = samples(central_x=np.zeros((3, 4)))


def checked(demand: object, *, given=GIVEN, **more: object) -> dict:
    branches = {"total": demand, "main": demand, **more}
    return check_branches(branches, name="Mine", samples=given)


@pytest.mark.parametrize("value", [0.0, -0.0, 1.0, 5e-324, 1.7e308])
def test_any_finite_demand_that_is_not_negative_is_sound(value: float) -> None:
    demand = np.zeros((3, 4))
    demand[1, 2] = value
    assert checked(demand)["total"] is demand


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, -5e-324, -1.0])
@pytest.mark.parametrize("rest", [0.0, 2.0])
def test_one_that_is_not_is_named_by_its_place(value: float, rest: float) -> None:
    demand = np.full((3, 4), rest)
    demand[1, 2] = demand[2, 0] = value
    said = f"Mine: total demand is {value:g} at draw 1, sample 2"
    with pytest.raises(RuleError, match=f"^{said}$"):
        checked(demand)
    with pytest.raises(RuleError, match="arming demand is .* at draw 1, sample 2"):
        checked(np.full((3, 4), rest), arming=demand)


@pytest.mark.parametrize("shape", [(0, 4), (3, 0), (0, 0)])
def test_no_draws_and_no_samples_are_sound(shape: tuple[int, int]) -> None:
    given = prefix(rows(GIVEN, list(range(shape[0]))), shape[1])
    assert checked(np.zeros(shape), given=given)["main"].shape == shape


@pytest.mark.parametrize(
    ("demand", "words"),
    [
        (np.zeros((4, 3)), r"shape \(4, 3\); expected \(3, 4\)"),
        (np.zeros(12), r"shape \(12,\); expected \(3, 4\)"),
        ([[0.0] * 4] * 3, r"shape list; expected \(3, 4\)"),
        (np.zeros((3, 4), dtype=np.float32), "demand is float32; expected float64"),
        (np.zeros((3, 4), dtype=np.int64), "demand is int64; expected float64"),
    ],
)
def test_shape_and_type_are_those_of_the_samples(demand: object, words: str) -> None:
    with pytest.raises(RuleError, match=words):
        checked(demand)


@pytest.mark.parametrize("branches", [None, [], {}, {"total": 0.0}, {"main": 0.0}])
def test_total_and_main_are_there(branches: object) -> None:
    with pytest.raises(RuleError, match="must give 'total' and 'main'"):
        check_branches(branches, name="Mine", samples=GIVEN)


class Gives(Rule):
    """A user's rule that gives back what it was made with, and keeps it or not."""

    requires = frozenset({"central_x"})

    def __init__(self, made, kept) -> None:
        self.made, self.kept = made, kept

    def demand(self, samples):
        whole = np.ones((3, 4) if self.made != "part" else (4, 4))
        if self.made != "own":
            self.kept.append(whole)
        return whole[:3] if self.made == "part" else whole


@pytest.mark.parametrize("made", ["own", "kept", "part"])
def test_demand_is_copied_where_others_may_write_to_it(made: str, monkeypatch) -> None:
    kept: list = []
    given: list[int] = []
    real = Gives.branch_demands

    def noted(rule, x):
        branches = real(rule, x)
        given.append(branches["total"].ctypes.data)
        return branches

    monkeypatch.setattr(Gives, "branch_demands", noted)
    found = checked_branch_demands(Gives(made, kept), GIVEN)
    assert found["total"] is found["main"]
    assert (found["total"].ctypes.data == given[0]) == (made == "own")
    for array in kept:
        array[:] = 7.0
    assert (found["total"] == 1.0).all()
