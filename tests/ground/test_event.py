"""Events state every restraint, and say at once all that is wrong with them."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from crashsense.campaign import evaluate
from crashsense.channels import CHANNELS, MIRRORED
from crashsense.errors import InputError
from crashsense.event import (
    RESTRAINTS,
    Context,
    Event,
    Requirement,
    Waiver,
    expired_waivers,
)
from crashsense.records.source import RecordSource
from crashsense.signal import Signal
from crashsense.synthesis import load_events


def make_signal() -> Signal:
    return Signal(
        np.linspace(0, -10, 50),
        rate_hz=1e4,
        start_s=-0.05,
        unit="m/s^2",
        axis="x",
        location="central",
    )


def make_event(**changes) -> Event:
    attributes = {
        "family": "frontal",
        "occurrence": "wall",
        "context": Context(),
        "signals": {"central_x": make_signal()},
        "requirements": {r: Requirement("open", basis="test") for r in RESTRAINTS},
        **changes,
    }
    return Event("wall", **attributes)


def test_event_without_source_repeats_its_signal():
    varied = make_event().vary(3, seed=1)
    assert varied["central_x"].samples.shape == (3, 50)
    assert np.ptp(varied["central_x"].samples, axis=0).max() == 0.0


def test_all_faults_of_an_event_at_once():
    with pytest.raises(InputError) as caught:
        make_event(family="frontall", signals={"centralx": make_signal()}, requirements={})
    text = str(caught.value)
    assert "did you mean 'frontal'" in text
    assert "did you mean 'central_x'" in text
    assert text.count("a requirement for") == len(RESTRAINTS)


def test_fire_needs_a_required_time_and_a_negative_one_is_kept():
    with pytest.raises(InputError, match="a required time for 'fire'"):
        Requirement("fire", basis="test")
    assert Requirement("fire", required_s=-0.0006, basis="test").required_s == -0.0006


def test_channel_file_names_carry_the_unit():
    names = {channel.file_name for channel in CHANNELS.values()}
    assert {"central_x_g", "door_left_pressure_kpa", "central_roll_rate_deg_s"} <= names


def test_mirroring_twice_changes_nothing():
    assert {MIRRORED[MIRRORED[name]] for name in CHANNELS} == set(CHANNELS)
    assert MIRRORED["side_left_y"] == "side_right_y"


def with_waivers(until: date) -> Event:
    waived = Requirement(
        "fire", required_s=0.02, basis="test", waiver=Waiver("agreed for the prototype", until)
    )
    open_ones = {r: Requirement("open", basis="test") for r in RESTRAINTS}
    return make_event(requirements={**open_ones, "front_airbag_stage_1": waived})


def test_a_waiver_holds_up_to_and_with_its_last_day():
    waiver = Waiver("agreed", date(2031, 3, 31))
    assert not waiver.expired(on=date(2031, 3, 31))
    assert waiver.expired(on=date(2031, 4, 1))


def test_expired_waivers_are_named_and_others_are_not():
    events = [with_waivers(date(2031, 3, 31)), make_event()]
    assert expired_waivers(events, on=date(2031, 3, 31)) == ()
    assert expired_waivers(events, on=date(2031, 4, 1)) == (
        "wall: waiver of front_airbag_stage_1 expired on 2031-03-31",
    )


def test_a_plan_tells_of_an_expired_waiver_and_its_rows_stay_waived():
    def row(until):
        run = evaluate(events=[with_waivers(until)], algorithms=["plain"])
        table = run.verdicts[run.verdicts["restraint"] == "front_airbag_stage_1"]
        return run.plan.notes, table

    notes, rows = row(date(2001, 1, 1))
    assert "wall: waiver of front_airbag_stage_1 expired on 2001-01-01" in notes
    assert rows["waived"].all()
    none, other = row(date(9999, 1, 1))
    assert not any("waiver" in note for note in none)
    assert rows.equals(other)


def test_an_event_shows_itself_briefly():
    event = make_event(
        requirements={
            **{r: Requirement("open", basis="test") for r in RESTRAINTS},
            "belt_pretensioner": Requirement("fire", required_s=0.02, basis="test"),
        }
    )
    shown = repr(event).split("\n")
    assert len(shown) <= 3
    assert "belt_pretensioner by 20.0 ms" in shown[1]
    table = event._repr_html_()
    assert table.count("<tr>") == 1 + len(RESTRAINTS)
    assert "Not qualified" in table


def test_the_figure_of_an_event_draws_what_is_asked_for():
    event = make_event()
    (panel,) = event.plot("central_x").axes
    drawn = panel.lines[0].get_ydata()
    assert drawn[-1] == pytest.approx(-10 / 9.80665)
    with pytest.raises(InputError, match="did you mean 'central_x'"):
        event.plot(["centralx"])


def test_the_figure_of_an_event_draws_the_range_of_its_draws():
    (varied,) = load_events(["hammer_tunnel"])
    (panel,) = varied.plot("central_x", draws=4).axes
    words = [text.get_text() for text in panel.get_legend().get_texts()]
    assert sorted(words) == ["nominal draw", "range of 4 random draws"]
    (nominal,) = varied.plot("central_x").axes
    assert not nominal.collections
    assert np.allclose(nominal.lines[0].get_ydata(), panel.lines[0].get_ydata())
    # by hand or measured: every draw repeats, and nothing lies behind the line
    by_hand = make_event()
    source = RecordSource.of(
        "wall", signals=by_hand.signals, requirements=by_hand.requirements, facts={}
    )
    for event in (by_hand, make_event(source=source)):
        assert not event.plot("central_x", draws=4).axes[0].collections
