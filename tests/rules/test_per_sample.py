"""Rules written sample by sample, in this process: what they are given, what they may return."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from rules_support import samples

from crashsense.errors import RuleError
from crashsense.rules import reads_context
from crashsense.rules.per_sample import PerSample


class Plain:
    """A rule that says what it must, and nothing more."""

    requires = frozenset({"central_x"})
    uses = frozenset({"central_y"})

    def __init__(self, returns=None):
        self.returns = returns
        self.seen = []

    def reset(self, *, rate_hz, context):
        self.seen.append((rate_hz, context))

    def update(self, frame):
        self.seen.append((dict(frame.values), dict(frame.valid)))
        return abs(frame.value("central_x")) if self.returns is None else self.returns[0]


def test_a_rule_that_claims_nothing_is_taken_to_claim_nothing():
    rule = PerSample(Plain, parameters={})
    assert (rule.scales, rule.monotone, rule.rates_hz) == (False, False, None)
    assert rule.at_scale(2.0) is None
    assert reads_context(rule)
    assert (rule.requires, rule.uses) == ({"central_x"}, {"central_x", "central_y"})


@pytest.mark.parametrize("known", [True, False])
def test_each_draw_begins_anew_and_a_channel_that_is_not_valid_reads_0(known):
    """Whether the sensor set has such a channel or not."""
    x = np.array([[1.0, np.nan, -3.0], [4.0, 5.0, np.nan]])
    given = samples(central_x=x)
    if not known:
        names = [name for name in given.channels if name != "central_y"]
        tables = ("channels", "valid", "codes")
        kept = {table: {n: getattr(given, table)[n] for n in names} for table in tables}
        given = replace(given, **kept)
    rule = PerSample(Plain, parameters={})
    wanted = np.nan_to_num(np.abs(x))
    np.testing.assert_array_equal(rule.demand(given), wanted)
    told = []
    for row in x.tolist():
        told.append((given.rate_hz, given.context))
        for value in row:
            there = value == value
            told.append(
                (
                    {"central_x": value if there else 0.0, "central_y": 0.0},
                    {"central_x": there, "central_y": False},
                )
            )
    assert rule.inner.seen == told


GOOD = [1, True, np.float32(1.0), np.int8(1), np.bool_(True), np.array(1.0), np.array(1)]
BAD = ["1", b"1", None, [1.0], (1.0,), np.array([1.0]), np.array("1"), 1j, np.array(1j)]


@pytest.mark.parametrize("result", GOOD, ids=lambda r: f"{type(r).__name__} {r!r}")
def test_one_number_of_any_kind_is_a_demand(result):
    rule = PerSample(Plain, parameters={"returns": (result,)})
    np.testing.assert_array_equal(rule.demand(samples(central_x=np.zeros(3))), np.ones((1, 3)))


@pytest.mark.parametrize("result", BAD, ids=lambda r: f"{type(r).__name__} {r!r}")
def test_whatever_is_not_one_number_is_refused(result):
    """Also what numpy would turn into a number."""
    rule = PerSample(Plain, parameters={"returns": (result,)})
    words = f"Plain.update returned {result!r} at tick 0; expected one number"
    with pytest.raises(RuleError, match=re.escape(words)):
        rule.demand(samples(central_x=np.zeros(3)))
