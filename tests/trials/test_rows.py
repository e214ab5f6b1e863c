"""Rows from columns, against rows made one by one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crashsense.scoring import HELD_BY, VERDICTS, Reached, judge
from crashsense.trials.rows import Coded, build_table, scored_columns
from crashsense.verdict_schema import VERDICT_SCHEMA

SCHEMA = pa.schema(
    [("word", pa.string()), ("number", pa.float64()), ("count", pa.int64()), ("flag", pa.bool_())]
)

words = st.sampled_from(["a", "b", None])
numbers = st.sampled_from([0.0, -1.5, math.nan])
counts = st.integers(-3, 9)
flags = st.booleans()


@st.composite
def pieces(draw: Any) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """A piece and its rows: each column an array, coded words, or one value for all rows."""
    size = draw(st.integers(0, 5))
    piece: dict[str, Any] = {}
    columns: dict[str, list[Any]] = {}
    for name, of in (("word", words), ("number", numbers), ("flag", flags), ("count", counts)):
        values = draw(st.lists(of, min_size=size, max_size=size))
        how = draw(st.sampled_from(["array", "one"] + ["coded"] * (name == "word")))
        if how == "one" and name != "count":  # one column says how many rows there are
            one = draw(of)
            values = [one] * size
            piece[name] = one
        elif how == "coded":
            names = ("b", None, "a")
            piece[name] = Coded(np.array([names.index(v) for v in values], dtype=np.int8), names)
        else:
            piece[name] = np.array(values, dtype=object if name == "word" else None)
        columns[name] = [None if v != v else v for v in values]
    keys = columns.keys()
    return piece, [dict(zip(keys, row, strict=True)) for row in zip(*columns.values(), strict=True)]


@given(st.lists(pieces(), max_size=4))
def test_a_table_is_its_pieces_row_by_row(made: list[Any]) -> None:
    table = build_table([piece for piece, _ in made], schema=SCHEMA)
    assert table.schema.equals(SCHEMA)
    table.validate(full=True)
    assert table.to_pylist() == [
        {name: row[name] for name in SCHEMA.names} for _, rows in made for row in rows
    ]


def reached(ticks: list[int]) -> Reached:
    size = len(ticks)
    fire = np.array(ticks)
    high = np.where(fire >= 0, 1.5, 0.5)
    arming = np.where(fire >= 0, fire - 4, -1)
    return Reached(fire, fire, arming, high, high, np.zeros(size), high)


@pytest.mark.parametrize("expectation", ["fire", "no_fire"])
@pytest.mark.parametrize("errors", [{}, {1: "boo"}, {2: "bah", 0: "boo"}])
def test_a_rule_that_failed_in_a_draw_has_a_row_of_its_own_kind_there_alone(
    expectation: str, errors: dict[int, str]
) -> None:
    start_s, required_s = np.full(4, -0.05), np.full(4, 0.02)
    scores = judge(
        reached([110, 160, -1, 130]), start_s=start_s, rate_hz=2000.0, expectation=expectation,
        required_s=required_s, chain_delay_s=np.zeros(4),
    )  # fmt: skip
    piece = scored_columns(scores, required_s, errors=errors)
    about = {
        name: "x" if pa.types.is_string(kind) else pa.types.is_boolean(kind) or 0
        for name, kind in zip(VERDICT_SCHEMA.names, VERDICT_SCHEMA.types, strict=True)
    }
    rows = build_table([{**about, **piece}], schema=VERDICT_SCHEMA).to_pylist()
    measured = {
        "fire_time_ms": 1e3 * scores.fire_s,
        "time_margin_ms": 1e3 * scores.time_margin_s,
        "max_demand": scores.max_demand,
        "demand_at_required_time": scores.demand_at_required,
        "demand_before_allowed": scores.demand_before_allowed,
        "demand_margin": scores.demand_margin,
        "arming_time_ms": 1e3 * scores.arming_s,
    }
    for at, row in enumerate(rows):
        failed = at in errors
        assert row["required_time_ms"] == 20.0
        assert row["reason"] == errors.get(at)
        assert row["infeasible"] == scores.infeasible[at]
        assert row["verdict"] == ("rule_error" if failed else VERDICTS[scores.verdict_code[at]])
        held = HELD_BY[scores.held_code[at]] if scores.held_code[at] > 0 else None
        assert row["held_by"] == (None if failed else held)
        for name, values in measured.items():
            value = None if failed or math.isnan(values[at]) else values[at]
            assert row[name] == value, name
    fired = [row["fire_time_ms"] for row in rows]
    wanted = [5.0, 30.0, None, 15.0]  # ticks of 0.5 ms from -50 ms on
    assert fired == [None if at in errors else pytest.approx(v) for at, v in enumerate(wanted)]
    armed = [row["arming_time_ms"] for row in rows]
    wanted = [3.0, 28.0, None, 13.0]
    assert armed == [None if at in errors else pytest.approx(v) for at, v in enumerate(wanted)]
