"""Events state every restraint, and say at once all that is wrong with them."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense.channels import CHANNELS, MIRRORED
from crashsense.errors import InputError
from crashsense.event import RESTRAINTS, Context, Event, Requirement
from crashsense.signal import Signal


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
