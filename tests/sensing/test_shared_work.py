"""What several sensors feel is brought over, and looked at, once; the numbers are those of each."""

from __future__ import annotations

import importlib

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, part, sensor_set

from crashsense import engine
from crashsense.sensing import choice_of_path, load_sensor_set, sense
from crashsense.sensing.one_sensor import OneSensor
from crashsense.sensing.peaks import Peaks, largest_of_rows
from crashsense.sensing.sense import prepared
from crashsense.sensing.timebase import at_internal_rate
from crashsense.signal import Signal
from crashsense.units import STANDARD_GRAVITY as G

DRAWS = np.arange(1, 5)


def ride(size: int = 600) -> dict[str, Signal]:
    """Signals at 2 kHz: two places with one motion, one of its own, one at rest."""
    rows = 5.0 * G * np.random.default_rng(2).standard_normal((2, DRAWS.size, size))
    motion = {
        "central_x": (rows[0], "x"),
        "central_safing_x": (rows[0], "x"),
        "central_z": (rows[1], "z"),
        "central_y": (np.zeros((1, size)), "y"),
    }
    return {
        name: Signal.owning(
            samples,
            rate_hz=2_000.0,
            start_s=-0.05,
            unit="m/s^2",
            axis=axis,
            location=name.rsplit("_", 1)[0],
        )
        for name, (samples, axis) in motion.items()
    }


def test_one_motion_is_brought_to_the_internal_rate_once(monkeypatch: pytest.MonkeyPatch) -> None:
    module = importlib.import_module("crashsense.sensing.timebase")
    original, raised = module.resampled_and_largest, []
    monkeypatch.setattr(
        module,
        "resampled_and_largest",
        lambda rows, **how: raised.append(rows) or original(rows, **how),
    )
    true = ride()
    unit = load_sensor_set().control_unit
    found, _ = at_internal_rate(true, unit=unit, draws=DRAWS.size, quiet=frozenset({"side_left_y"}))
    assert len(raised) == 2
    assert found["central_x"] is found["central_safing_x"]
    assert found["central_y"] is found["side_left_y"]
    assert not found["central_y"].any()
    for name in ("central_x", "central_z"):
        again, _ = original(true[name].samples, rate_hz=2_000.0, to_hz=10_000.0)
        np.testing.assert_array_equal(found[name], again)


def test_signals_with_another_start_are_not_taken_for_the_same() -> None:
    rows = ride()["central_x"]
    later = rows.replaced(rows.samples, note="later", start_s=-0.04)
    later = Signal.owning(rows.samples, **{**_attributes(later), "location": "central_safing"})
    unit = load_sensor_set().control_unit
    found, base = at_internal_rate(
        {"central_x": rows, "central_safing_x": later}, unit=unit, draws=DRAWS.size
    )
    assert base.first == -400
    np.testing.assert_array_equal(found["central_x"][:, :-100], found["central_safing_x"][:, 100:])
    assert found["central_x"][:, 0].all()


def _attributes(signal: Signal) -> dict[str, object]:
    return {
        name: getattr(signal, name)
        for name in ("rate_hz", "start_s", "unit", "axis", "location", "history")
    }


@pytest.mark.parametrize("quadratic", [0.0, 0.02])
@pytest.mark.parametrize("nonlinearity", [-0.2, 0.0, 0.01])
@pytest.mark.parametrize("stop_g", [12.0, 40.0])
def test_the_largest_reading_is_found_to_the_last_bit(
    quadratic: float, nonlinearity: float, stop_g: float
) -> None:
    own = part(range=10 * G, quadratic=quadratic, nonlinearity=nonlinearity, stop=stop_g * G)
    (made,) = prepared(ride(), sensor_set(own), draws=DRAWS, channels=["central_x"])
    one = made.sensors["central_x"]
    plain = np.maximum(one.reading.max(axis=-1), -one.reading.min(axis=-1))
    np.testing.assert_array_equal(choice_of_path.largest_reading(one), plain)
    assert one.reading.std() > G


@pytest.mark.parametrize(
    "curved", [{}, {"quadratic": -0.02, "nonlinearity": 0.05}, {"nonlinearity": -0.05}]
)
def test_the_largest_deviations_of_all_draws_decide_as_each_draw_by_itself(
    curved: dict[str, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    own = part(
        range=10 * G,
        sensitivity_tolerance=0.05,
        cross_axis=0.03,
        offset_tolerance=0.3 * G,
        noise_density=2e-3 * G,
        **curved,
    )
    draws, seen = np.arange(40), set()
    true = {name: signal.row(0, note="one for all") for name, signal in ride().items()}

    def found(level: float) -> OneSensor:
        sensors = sensor_set(own.changed(front_end=level))
        (made,) = prepared(true, sensors, draws=draws, channels=["central_x"])
        return made.sensors["central_x"]

    for level in np.linspace(10 * G, 30 * G, 201):
        quick = choice_of_path.can_be_fast(found(level))
        assert quick.shape == draws.shape
        with monkeypatch.context() as patch:
            patch.setattr(choice_of_path, "linear_at_most", lambda _: False)
            np.testing.assert_array_equal(quick, choice_of_path.can_be_fast(found(level)))
        seen.add(
            (choice_of_path.linear_at_most(found(level)), bool(quick.all()), bool(quick.any()))
        )
    # Surely linear; all linear, though the largest together would not be; some; none.
    assert seen == {(True, True, True), (False, True, True), (False, False, True),
                    (False, False, False)}  # fmt: skip


@pytest.mark.skipif(not engine.installed(), reason="needs numba (extra fast)")
def test_peaks_by_either_engine_are_the_same_bits() -> None:
    rows = 1e3 * np.random.default_rng(4).standard_normal((7, 301))
    rows[1], rows[2], rows[3, 17] = 0.0, -np.abs(rows[2]), 5e-324
    found = {}
    for name in engine.ENGINES:
        with engine.using(engine.choose(name)[0]):
            found[name] = largest_of_rows(rows)
            part = rows[:, 3:]  # not in C order
            np.testing.assert_array_equal(largest_of_rows(part), largest_of_rows(part.copy()))
    np.testing.assert_array_equal(found["fast"], found["numpy"])


@pytest.mark.skipif(not engine.installed(), reason="needs numba (extra fast)")
@pytest.mark.parametrize("rate_hz", [2_000.0, 10_000.0])
@pytest.mark.parametrize("later", [0, 3])
def test_largest_values_known_on_the_way_are_those_that_would_be_found(
    rate_hz: float, later: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_at = []
    module = importlib.import_module("crashsense.sensing.peaks")
    monkeypatch.setattr(
        module, "largest_of_rows", lambda rows: looked_at.append(rows) or largest_of_rows(rows)
    )
    unit, peaks = load_sensor_set().control_unit, Peaks()
    with engine.using("fast"):
        true = {
            name: Signal.owning(one.samples, **{**_attributes(one), "rate_hz": rate_hz})
            for name, one in ride().items()
        }
        one = true["central_z"]
        start = {**_attributes(one), "start_s": one.start_s - later / rate_hz}
        true["central_z"] = Signal.owning(-9.0 * one.samples, **start)
        found, _ = at_internal_rate(true, unit=unit, draws=DRAWS.size, peaks=peaks)
        for samples in found.values():
            plain = np.maximum(samples.max(axis=-1), -samples.min(axis=-1))
            np.testing.assert_array_equal(peaks.of(samples), plain)
    # Where a signal is cut to the common span its largest sample may be outside.
    cut = [found["central_z"], found["central_x"]] if later else []
    assert len(looked_at) == len({id(samples) for samples in cut})


def test_pieces_of_a_block_are_views_of_its_signals(monkeypatch: pytest.MonkeyPatch) -> None:
    module = importlib.import_module("crashsense.sensing.sense")
    true = ride()
    monkeypatch.setattr(module, "PIECE_SAMPLES", 2 * 5 * true["central_x"].size)
    part_of = true["central_x"].rows(slice(2, 4), note="draws 2 and on")
    assert np.shares_memory(part_of.samples, true["central_x"].samples)
    assert part_of.history[-1] == "draws 2 and on"
    assert true["central_y"].rows(slice(2, 4), note="all") is true["central_y"]
    pieces = sense(true, load_sensor_set(), draws=DRAWS, channels=["central_x"])
    monkeypatch.undo()
    whole = sense(true, load_sensor_set(), draws=DRAWS, channels=["central_x"])
    np.testing.assert_array_equal(
        pieces.samples.channels["central_x"], whole.samples.channels["central_x"]
    )


def test_words_of_time_are_kept_for_long_events_too() -> None:
    size = 20_000 // 5 + 2_000
    own = part(drift_tolerance=0.1)
    true = {"central_x": acceleration(np.zeros(5 * size))}
    first, second = (
        next(iter(prepared(true, sensor_set(own), draws=DRAWS))).sensors["central_x"].ramp_line
        for _ in range(2)
    )
    assert first is second
    assert first.any()
