"""What an explanation says, word by word and column by column, against what it is made from."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from pulses_by_hand import pulse, pulse_in_order

from crashsense.rules.algorithm import algorithm_from_toml
from crashsense.rules.why import Reading
from crashsense.trials import trial
from crashsense.trials.explain import Explanation, Row, main_explanation

STAGE_1, STAGE_2 = "front_airbag_stage_1", "front_airbag_stage_2"


def reading(amount, threshold=10.0, *, unit="m/s", decides=True, criterion="velocity change"):
    return Reading(
        criterion=criterion, amount=amount, threshold=threshold, unit=unit,
        share=amount / threshold, time_s=0.02, path="main", family="velocity_change",
        decides=decides,
    )  # fmt: skip


def explanation(verdict, *readings, required_ms=None, fire_ms=None, **more):
    found = SimpleNamespace(
        demand=max((r.share for r in readings), default=0.0),
        readings=readings, time_s=0.02, tick=40, lines=lambda: ["told"], short_lines=list,
    )  # fmt: skip
    return Explanation(
        STAGE_1, verdict, expectation="fire", required_ms=required_ms, why=found, fire_ms=fire_ms,
        at_required=found if verdict in ("late", "missed") else None, **more,
    )  # fmt: skip


@pytest.mark.parametrize(("unit", "ending"), [("m/s", " m/s"), ("-", "")])
def test_the_headline_gives_value_threshold_unit_and_what_was_short(unit, ending):
    held = explanation("held", reading(7.5, unit=unit))
    assert (
        held.headline
        == f"Held, as it must: velocity change reached 7.5 of 10.0{ending} at 20.0 ms."
    )
    missed = explanation("missed", reading(7.5, unit=unit), required_ms=20.0)
    assert missed.headline == (
        "Never fired; required by 20.0 ms: by then velocity change had reached"
        f" 7.5 of 10.0{ending} (at 20.0 ms); it needed another 2.5{ending}."
    )
    reached = explanation("late", reading(10.0, unit=unit), required_ms=20.0, fire_ms=21.5)
    assert "1.5 ms late" in reached.headline
    assert "another" not in reached.headline


def test_what_decided_comes_first():
    near = reading(9.0, decides=False, criterion="near")
    found = explanation("held", near, reading(1.0, criterion="cause"))
    assert [row.decides for row in found.rows] == [True, False]
    assert found.nearest == found.why.readings[1]


def rows_of(count, *, decides=1):
    """Rows by hand; the last *decides* of them decided."""
    return tuple(
        Row(f"criterion {k}", 10.0, "m/s", None, 1.0 + 0.1 * k, decides=k >= count - decides)
        for k in range(count)
    )


@pytest.mark.parametrize("count", [1, 3, 5, 6, 9])
@pytest.mark.parametrize("width", [80, 60])
def test_the_table_is_complete_or_says_how_much_it_leaves_out(monkeypatch, count, width):
    """At most six lines with the heads: all rows, or as many as leave room to say how many more."""
    monkeypatch.setattr(Explanation, "rows", property(lambda self: rows_of(count)))
    lines = explanation("held", reading(1.0)).table(most=6, width=width)
    assert len(lines) <= 6
    assert max(map(len, lines)) <= width
    body = lines[1:]
    if count <= 5:
        assert len(body) == count
        assert not body[-1].startswith("  and")
    else:
        shown = len(body) - 1
        assert body[-1] == f"  and {count - shown} more criteria: --tree"
        assert shown == 4
        body = body[:-1]
    # What decided first, then the nearest; numbers end below each other; heads above them.
    assert [line[0] for line in body] == ["*", *" " * (len(body) - 1)]
    assert [int(line.split()[2 if line[0] == "*" else 1]) for line in body] == [
        count - 1, *range(count - 2, count - 1 - len(body), -1),
    ]  # fmt: skip
    assert len({len(line) for line in (lines[0], *body)}) == 1


def test_a_long_name_is_shortened_to_the_width(monkeypatch):
    row = Row("x " * 100, 10.0, "m/s", None, 1.0, decides=True)
    monkeypatch.setattr(Explanation, "rows", property(lambda self: (row,)))
    lines = explanation("held", reading(1.0)).table(width=70)
    assert {len(line) for line in lines} == {70}
    assert "..." in lines[1]


def test_the_gravest_is_explained_first_then_the_nearest():
    """Of what fired in time the least slack, of what held the largest demand."""
    held = [explanation("held", reading(v)) for v in (2.0, 9.0, 5.0)]
    assert main_explanation(held) is held[1]
    in_time = [
        explanation("on_time", reading(12.0), required_ms=20.0, fire_ms=fire)
        for fire in (8.0, 15.0, 11.0)
    ]
    assert main_explanation([*held, *in_time]) is in_time[1]
    missed = explanation("missed", reading(1.0), required_ms=20.0)
    assert main_explanation([*held, *in_time, missed]) is missed
    # A verdict without reason says nothing; without any other there is none.
    silent = Explanation(STAGE_1, "missed", expectation="fire", required_ms=20.0)
    assert main_explanation([silent, *held]) is held[1]
    assert main_explanation([silent]) is None
    # An event without required time of a known firing: by demand.
    untimed = [explanation("on_time", reading(v)) for v in (11.0, 14.0)]
    assert main_explanation(untimed) is untimed[1]


def test_lines_of_what_was_late_tell_what_it_lacked():
    late = explanation("late", reading(4.0), required_ms=20.0, fire_ms=30.0)
    lines = late.lines()
    assert lines[0] == f"{STAGE_1}: late (required: fire by 20.00 ms)"
    assert lines[1].strip().startswith("up to the required time (20.00 ms) demand had reached 0.4")
    assert lines[-1].strip() == "told"
    assert explanation("on_time", reading(12.0), required_ms=20.0, fire_ms=3.0).lines()[1:] == [
        "  told"
    ]


def by_velocity(first, second):
    rules = (
        f'[rules.{restraint}]\nfamily = "velocity_change"\nthreshold_m_s = {threshold}\n'
        for restraint, threshold in ((STAGE_1, first), (STAGE_2, second))
    )
    return algorithm_from_toml('name = "two"\n' + "".join(rules))


@pytest.mark.parametrize("second", [2.5, 2.95, 3.0, 3.05, 3.5])
def test_an_order_is_told_with_a_positive_delay_on_the_right_side(second):
    found = trial(pulse_in_order("hand", 6.0), algorithm=by_velocity(3.0, second))
    name = "front_airbag_stage_2_after_stage_1"
    note = found.explain(name).note
    delay_ms = 1e3 * float(found.order(name).scores.delay_s[0])
    side = "after" if delay_ms >= 0.0 else "before"
    assert f", {abs(delay_ms):.1f} ms {side} {STAGE_1} (required" in note


def test_a_silent_rule_is_told_so_and_one_at_its_threshold_is_explained():
    quiet = trial(pulse("quiet", 0.0, fire=False), algorithm=by_velocity(3.0, 4.0))
    assert quiet.explain(STAGE_1).note == "its demand stays 0 throughout"
    assert quiet.explain(STAGE_1).why is None
    loud = trial(pulse("loud", 6.0, fire=False), algorithm=by_velocity(3.0, 4.0))
    largest = float(loud.demand(STAGE_1).max())
    at_one = trial(pulse("loud", 6.0, fire=False), algorithm=by_velocity(3.0 * largest, 40.0))
    assert at_one.explain(STAGE_1).why.demand == pytest.approx(1.0, abs=1e-12)
