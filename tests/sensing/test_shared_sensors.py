"""Sensors that meet every event are drawn once, and read what sensors drawn anew would."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

from crashsense.sensing import ANY_OCCURRENCE, Sensor
from crashsense.sensing.noise import NoiseBank
from crashsense.sensing.sense import prepared
from crashsense.sensing.tolerance import UnitDraws, draw_sensors, known_by

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
    assert len(drawn) == 2  # the third is as the first
    np.testing.assert_array_equal(2.0 * found[0], found[1])
    np.testing.assert_array_equal(found[0], found[2])


def test_sets_whose_sensors_deviate_alike_share_what_was_drawn(drawn):
    bank, sensors = NoiseBank(most_bytes=10**7), chosen()
    wider = sensors.changed("central_x", range=2.0 * sensors.sensors["central_x"].range)
    how = {"size": 900, "occurrence": "its own"}
    found = [offsets(bank, sensors=one, **how) for one in (sensors, wider)]
    assert len(drawn) == 1
    for one, offset in zip((sensors, wider), found, strict=True):
        np.testing.assert_array_equal(offset, offsets(None, sensors=one, **how))


#: A number of a sensor that differs from that of the part below, where twice as much would not do.
OTHER = {
    "part": "other",
    "kind": "pressure",
    "title": "other",
    "filter_kind": "none",
    "on_lost": "flag",
    "combine": "mean",
    "stop": 2000.0,
    "code_limit": 400,
    "failed_code": 505,
    "build": {"offset": 2.0},
    "basis": {"range": "assumed"},
}


def told(sensor: Sensor) -> list[np.ndarray]:
    """All deviations of a sensor among others, of some draws."""
    shared = UnitDraws(np.zeros(8, dtype=np.int64), np.linspace(-60.0, 60.0, 8))
    how = {"shared": shared, "seed": 1, "occurrence": "one", "vary": True, "felt": None}
    one = draw_sensors(DRAWS, sensors={"central_x": sensor}, **how)["central_x"]
    return [one.gain, *one.cross.values(), one.offset, one.drift, one.setting, one.largest]


@pytest.mark.parametrize("name", sorted(set(Sensor.__dataclass_fields__) - {"faults", "element"}))
def test_sensors_known_alike_deviate_alike(name):
    sensor = part(
        **dict.fromkeys(["offset_tolerance", "drift_tolerance", "offset_temperature"], 0.3),
        **dict.fromkeys(["misalignment_tolerance", "cross_axis_tolerance", "cross_axis"], 0.02),
        **dict.fromkeys(["sensitivity_tolerance", "mounting_angle"], 0.02),
        sensitivity_temperature=1e-4,
        corner_tolerance=0.05,
        quality_tolerance=0.05,
        noise_density=0.01,
        jitter_s=1e-5,
        lost_frame_probability=0.01,
        slot_start_s=1e-5,
        bit_time_s=8e-6,
        nonlinearity=0.01,
        quadratic=0.01,
        offset_cancellation_hz=0.01,
        filter_order=2,
    )
    value = OTHER.get(name) or 2 * getattr(sensor, name)
    other = sensor.changed(**{name: value})
    alike = all(map(np.array_equal, told(sensor), told(other)))
    known = [known_by({"central_x": one}, felt=None) for one in (sensor, other)]
    assert (known[0] == known[1]) == alike
    assert known_by({"central_y": sensor}, felt=None) != known[0]
