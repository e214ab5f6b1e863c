"""Sensors that meet every event are drawn once, and read what sensors drawn anew would."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

from crashsense.sensing import ANY_OCCURRENCE
from crashsense.sensing.noise import NoiseBank
from crashsense.sensing.sense import prepared

DRAWS = np.arange(8)


@pytest.fixture
def drawn(monkeypatch):
    """Counts how often the deviations of some sensors are drawn."""
    module = sys.modules[prepared.__module__]  # its name is that of a function, too
    made = []

    def counting(draws, **how):
        made.append(tuple(how["sensors"]))
        return real(draws, **how)

    real = module.draw_sensors
    monkeypatch.setattr(module, "draw_sensors", counting)
    return made


def chosen(offset: float = 3.0):
    return sensor_set(part(offset_tolerance=offset, noise_density=1.0))


def offsets(bank, *, size: int, sensors, occurrence: str, **how):
    """Offsets of the central sensor in an event of that length."""
    true = {"central_x": acceleration(crash()[:size])}
    (made,) = prepared(true, sensors, draws=DRAWS, bank=bank, occurrence=occurrence, **how)
    return made.sensors["central_x"].drawn.offset


def test_events_share_what_was_drawn(drawn):
    bank, sensors = NoiseBank(most_bytes=10**7), chosen()
    first = offsets(bank, size=900, sensors=sensors, occurrence=ANY_OCCURRENCE)
    second = offsets(bank, size=700, sensors=sensors, occurrence=ANY_OCCURRENCE)
    assert len(drawn) == 1
    np.testing.assert_array_equal(first, second)
    np.testing.assert_array_equal(
        first, offsets(None, size=700, sensors=sensors, occurrence=ANY_OCCURRENCE)
    )


@pytest.mark.parametrize("other", [{"seed": 2}, {"vary": False}, {"occurrence": "its own"}])
def test_other_numbers_are_drawn_anew(drawn, other):
    bank, sensors = NoiseBank(most_bytes=10**7), chosen()
    how = {"sensors": sensors, "size": 900, "occurrence": ANY_OCCURRENCE}
    first = offsets(bank, **how)
    second = offsets(bank, **{**how, **other})
    assert len(drawn) == 2
    assert not np.array_equal(first, second)


def test_another_sensor_is_another_one_though_its_name_is_the_same(drawn):
    bank = NoiseBank(most_bytes=10**7)
    found = [
        offsets(bank, size=900, sensors=chosen(offset), occurrence=ANY_OCCURRENCE)
        for offset in (3.0, 6.0, 3.0)
    ]
    assert len(drawn) == 3
    np.testing.assert_array_equal(2.0 * found[0], found[1])
    np.testing.assert_array_equal(found[0], found[2])
