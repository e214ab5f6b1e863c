"""What an explanation says, word by word and column by column, against what it is made from."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from pulses_by_hand import pulse, pulse_in_order

from crashsense.event import SignalBlock
from crashsense.rules.algorithm import algorithm_from_toml
from crashsense.rules.why import Reading
from crashsense.trials import trial
from crashsense.trials.explain import Explanation, Row, main_explanation, shared

STAGE_1, STAGE_2 = "front_airbag_stage_1", "front_airbag_stage_2"


def reading(amount, threshold=10.0, *, unit="m/s", decides=True, criterion="velocity change"):
    return Reading(
        criterion=criterion, amount=amount, threshold=threshold, unit=unit,
        share=amount / threshold, time_s=0.02, path="main", family="velocity_change",
        decides=decides, moves=False, note="",
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
    nearly = explanation("missed", reading(9.5, unit=unit), required_ms=20.0)
    assert f"; it needed another 0.5{ending}." in nearly.headline
    reached = explanation("late", reading(10.0, unit=unit), required_ms=20.0, fire_ms=21.5)
    assert "1.5 ms late" in reached.headline
    assert "another" not in reached.headline


def test_what_decided_comes_first():
    near = reading(9.0, decides=False, criterion="near")
    found = explanation("held", near, reading(1.0, criterion="cause"))
    assert [row.decides for row in found.rows] == [True, False]
    assert found.nearest == found.why.readings[1]


def test_only_what_decides_and_moves_no_threshold_sets_the_verdict():
    mover = replace(reading(1.0), moves=True)
    other = reading(0.5, decides=False)
    cause = reading(6.0, criterion="HF velocity")
    found = explanation("held", mover, other, cause, reading(9.0))
    assert found.nearest is cause
    assert found.headline == "Held, as it must: HF velocity reached 6.0 of 10.0 m/s at 20.0 ms."
    assert (
        "velocity in 3 ms"
        in explanation("held", reading(1.0, criterion="Velocity in 3 ms")).headline
    )
    # An abbreviation of two letters may have an index.
    assert "DVx reached" in explanation("held", reading(1.0, criterion="DVx")).headline
    assert "at 20.0 ms" not in explanation("held", mover, other).headline


def test_a_late_restraint_is_told_by_what_it_had_at_its_required_time():
    """Its rows: amount and threshold of then, and what decided then; a row without then, a dash."""
    then = (
        reading(4.0, 8.0, criterion="velocity"),
        reading(30.0, 20.0, criterion="peak", decides=False),
    )
    later = (
        reading(12.0, 10.0, criterion="velocity", decides=False),
        reading(30.0, 20.0, criterion="peak"),
        reading(1.0, 2.0, criterion="new"),
    )
    late = replace(
        explanation("late", *later, required_ms=20.0, fire_ms=30.0),
        at_required=explanation("late", *then).why,
    )
    rows = {row.criterion: row for row in late.rows}
    velocity, peak, new = (rows[name] for name in ("velocity", "peak", "new"))
    assert (velocity.at_required, velocity.needed_then, velocity.reached) == (4.0, 8.0, 12.0)
    assert (velocity.decides, peak.decides, new.decides) == (True, False, True)
    assert (new.at_required, new.needed_then) == (None, None)
    head, *lines = late.table()
    told = {line[2:].split()[0]: line for line in lines}
    assert "4.0 of 8.0  50 %" in told["velocity"]
    assert told["velocity"].endswith("12.0 120 %")
    assert "10.0 m/s" in told["velocity"]
    assert " - " in told["new"]
    # What fired in time needs no such column.
    in_time = explanation("on_time", *later, required_ms=20.0, fire_ms=15.0)
    assert all(row.at_required is None and row.needed_then is None for row in in_time.rows)
    assert "when required" not in in_time.table()[0]
    assert "when required" in head


@pytest.mark.parametrize(
    ("value", "threshold", "told"),
    [(3.0, 4.0, " 75 %"), (9.999, 10.0, " 99 %"), (10.0, 10.0, "100 %"), (29.0, 100.0, " 29 %"),
     (999.0, 100.0, "999 %"), (1000.0, 100.0, ">999 %"), (1.0, 0.0, ">999 %")],
)  # fmt: skip
def test_a_share_is_whole_percent_never_rounded_up(value, threshold, told):
    line = explanation("held", reading_of(value, threshold)).table()[1]
    assert line.endswith(told)


def reading_of(value, threshold):
    share = value / threshold if threshold else np.inf
    return replace(reading(1.0), amount=value, threshold=threshold, share=share)


def test_a_demand_without_unit_has_none_in_the_table():
    with_unit, without = (
        explanation("held", reading(1.0, unit=unit)).table()[1] for unit in ("m/s", "-")
    )
    assert with_unit.replace(" m/s", "", 1).split() == without.split()


def test_the_same_reason_is_told_once_for_all_its_restraints():
    one, same, other = (
        replace(explanation("held", reading(v)), restraint=name)
        for v, name in ((2.0, "a"), (2.0, "b"), (3.0, "c"))
    )
    found = shared([one, other, same])
    assert [group.restraints for group in found] == [("a", "b"), ("c",)]
    assert found[0].explanation is one
    assert found[0].headline == f"a, b: {one.headline}"


def test_the_share_of_a_row_is_that_of_its_threshold():
    row = Row("velocity change", 8.0, "m/s", None, 6.0, decides=True)
    assert row.share == 0.75
    assert replace(row, threshold=0.0).share == np.inf


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
    # Without a width it is that of a terminal, 80 columns.
    assert {len(line) for line in explanation("held", reading(1.0)).table()} == {80}


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
    fire_ms = 1e3 * float(found.order(name).fire_s[0])
    assert note.startswith(f"{STAGE_2} fired at {fire_ms:.1f} ms, {abs(delay_ms):.1f} ms {side}")
    assert found.explain(name).fire_ms == pytest.approx(fire_ms)


@pytest.mark.parametrize(
    ("first", "second", "told"),
    [(40.0, 3.0, f"ms, {STAGE_1} never did"), (3.0, 40.0, f"{STAGE_2} did not fire")],
)
def test_an_order_of_which_one_is_missing_is_told(first, second, told):
    found = trial(pulse_in_order("hand", 6.0), algorithm=by_velocity(first, second))
    assert f"{told} (required" in found.explain("front_airbag_stage_2_after_stage_1").note


def test_a_real_late_restraint_is_explained_by_its_clock():
    """5 m/s of 6 m/s in 60 ms come at 50 ms, with the delays; 45 ms are asked for."""
    event = pulse("late", 6.0, fire=True)
    asked = replace(event.requirements[STAGE_1], required_s=0.045)
    event = replace(event, requirements={**event.requirements, STAGE_1: asked})
    found = trial(event, algorithm=by_velocity(5.0, 9.0)).explain(STAGE_1)
    assert found.verdict == "late"
    assert found.required_ms == pytest.approx(45.0)
    assert 50.0 < found.fire_ms < 53.0
    # Demand rises by 0.02 a millisecond: what was short at 45 ms is what it fired later.
    assert found.at_required.demand == pytest.approx(1.0 - 0.02 * (found.fire_ms - 45.0), abs=0.02)
    assert found.at_required.time_s == pytest.approx(0.045, abs=6e-4)
    in_time = trial(event, algorithm=by_velocity(3.0, 9.0)).explain(STAGE_1)
    assert in_time.verdict == "on_time"
    assert in_time.at_required is None


class Once:
    """A source whose occupant has a required time in draw 2 alone: else he stays where he is."""

    occurrence, varies = "hand", True

    def __init__(self, event):
        self.event = event

    def block(self, draws, *, seed):
        draws = np.asarray(list(draws))
        times = {name: np.full(draws.size, np.nan) for name in self.event.requirements}
        times[STAGE_1] = np.where(draws == 2, 0.045, np.nan)
        signals = {
            name: signal.replaced(signal.samples[None].repeat(draws.size, axis=0), note="repeated")
            for name, signal in self.event.signals.items()
        }
        return SignalBlock(draws=draws, signals=signals, required_s={self.event.name: times})


def test_what_is_not_judged_says_why():
    event = pulse("hand", 6.0, fire=True)
    event = replace(event, source=Once(event))
    found = trial(event, algorithm=by_velocity(3.0, 4.0), draw=[1, 2])
    assert found.verdicts(STAGE_1).tolist() == ["not_evaluated", "on_time"]
    told = found.explain(STAGE_1, draw=1)
    assert told.note == "not evaluated: no required time applies in this draw"
    assert told.required_ms is None
    assert found.explain(STAGE_1, draw=2).required_ms == pytest.approx(45.0)
    blind = algorithm_from_toml(
        f'name = "blind"\n[rules.{STAGE_1}]\nfamily = "level"\nchannel = "+side_left_y"\n'
    )
    blinded = trial(event, algorithm=blind)
    note = blinded.explain(STAGE_1).note
    assert note == "not evaluated: side_left_y absent from the event"
    # Of what is not judged it is not said that no rule could have met it.
    assert not blinded.rows["infeasible"].any()
    assert blinded.rows.index.tolist() == list(range(len(blinded.rows)))


def test_a_silent_rule_is_told_so_and_one_at_its_threshold_is_explained():
    quiet = trial(pulse("quiet", 0.0, fire=False), algorithm=by_velocity(3.0, 4.0))
    assert quiet.explain(STAGE_1).note == "its demand stays 0 throughout"
    assert quiet.explain(STAGE_1).why is None
    loud = trial(pulse("loud", 6.0, fire=False), algorithm=by_velocity(3.0, 4.0))
    largest = float(loud.demand(STAGE_1).max())
    at_one = trial(pulse("loud", 6.0, fire=False), algorithm=by_velocity(3.0 * largest, 40.0))
    assert at_one.explain(STAGE_1).why.demand == pytest.approx(1.0, abs=1e-12)
