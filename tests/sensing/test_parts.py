"""Into which parts a block of draws is cut, and which sensors of several sets are sensed once."""

from __future__ import annotations

import importlib
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from sensing.sensing_helpers import acceleration, crash, part, sensor_set

from crashsense import engine
from crashsense.arrays import IntArray
from crashsense.draws import PAGE
from crashsense.sensing import SensorSet, sense
from crashsense.sensing import common as common_module
from crashsense.sensing.common import CommonSensors
from crashsense.sensing.faults import BrokenWire
from crashsense.signal import Signal

module = importlib.import_module("crashsense.sensing.sense")
SAMPLES = 600  # 60 ms, of which 119 ticks fit at any phase


def pieces(signals: dict[str, Signal], draws: int, **options: Any) -> list[int]:
    """Draws of each piece that is prepared at once."""
    numbers = np.arange(1, draws + 1)
    return [one.draws.size for one in module.prepared(signals, sensor_set(part()), draws=numbers,
                                                      **options)]  # fmt: skip


def test_draws_are_prepared_as_many_pages_at_once_as_memory_allows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    draws = 3 * PAGE + 3
    own = {"central_x": acceleration(np.zeros((draws, SAMPLES)))}
    slow = {"central_x": acceleration(np.zeros((draws, SAMPLES // 5)), rate_hz=2000.0)}
    for signals in (own, slow):  # counted at the internal rate, at which they are kept
        monkeypatch.setattr(module, "PIECE_SAMPLES", 2 * PAGE * SAMPLES)
        assert pieces(signals, draws) == [2 * PAGE, PAGE + 3]
        monkeypatch.setattr(module, "PIECE_SAMPLES", 2 * PAGE * SAMPLES - 1)
        assert pieces(signals, draws) == [PAGE] * 3 + [3]
    # Fewer than a page of a long event, and one draw at least.
    few = {"central_x": acceleration(np.zeros((7, SAMPLES)))}
    monkeypatch.setattr(module, "PIECE_SAMPLES", 3 * SAMPLES)
    assert pieces(few, 7) == [3, 3, 1]
    monkeypatch.setattr(module, "PIECE_SAMPLES", SAMPLES // 2)
    assert pieces(few, 7) == [1] * 7
    # A signal that all share is there once, however many draws there are.
    shared = {"central_x": acceleration(np.zeros(SAMPLES))}
    assert pieces(shared, draws) == [draws]
    assert pieces({"central_x": acceleration(np.zeros((1, SAMPLES)))}, draws) == [draws]


def test_pieces_with_a_signal_that_all_share(monkeypatch: pytest.MonkeyPatch) -> None:
    true = {
        "central_x": acceleration(np.stack([crash(peak_g=20.0 + k) for k in range(7)])),
        "central_y": acceleration(0.3 * crash()[None], axis="y"),
    }
    two = SensorSet("two", sensors={"central_x": part(cross_axis=0.05), "central_y": part()})
    whole = sense(true, two, draws=range(7)).samples
    monkeypatch.setattr(module, "PIECE_SAMPLES", 2 * crash().size)
    cut = sense(true, two, draws=range(7)).samples
    for channel in two.sensors:
        np.testing.assert_array_equal(cut.codes[channel], whole.codes[channel])


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_short_events_are_sensed_many_draws_at_a_time(
    channels: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = ["central_x", "central_y", "central_z"][:channels]
    sensors = SensorSet("some", sensors={name: part() for name in names})
    draws = np.arange(9 * PAGE)
    true = {name: acceleration(np.zeros(SAMPLES), axis=name[-1]) for name in names}
    ticks = sense(true, sensors).samples.size
    monkeypatch.setattr(module, "GROUP", PAGE)

    def sizes(size: int, draws: IntArray = draws) -> list[int]:
        found = list(module.sense_in_parts(true, sensors, draws=draws, size=size))
        assert np.concatenate([one.draws for one in found]).tolist() == draws.tolist()
        return [one.draws.size for one in found]

    # As many pages as fit the ticks of all channels together, and the nominal draw with the first.
    for most, pages in ((4 * PAGE * ticks * channels, 4), (4 * PAGE * ticks * channels - 1, 3)):
        monkeypatch.setattr(module, "PART_SAMPLES", most)
        assert sizes(10**9)[:2] == [1 + pages * PAGE, pages * PAGE]
    monkeypatch.setattr(module, "PART_SAMPLES", 1)
    assert sizes(10**9) == [1 + PAGE, *[PAGE] * 7, PAGE - 1]  # a group at least
    # What was asked for, and the ticks of one channel, are limits too.
    monkeypatch.setattr(module, "PART_SAMPLES", 10**9)
    assert sizes(2 * PAGE)[1] == 2 * PAGE
    assert sizes(2 * PAGE + 1)[1] == 2 * PAGE
    assert sizes(3)[:2] == [1, 3]
    monkeypatch.setattr(module, "PART_TICKS", 3 * PAGE * ticks)
    assert sizes(10**9)[1] == 3 * PAGE
    monkeypatch.setattr(module, "PART_TICKS", 3 * PAGE * ticks - 1)
    assert sizes(10**9)[1] == 2 * PAGE
    monkeypatch.setattr(module, "PART_TICKS", 1)
    assert set(sizes(10**9)) == {1}
    assert sizes(10**9, draws[:1]) == [1]
    if engine.installed():
        monkeypatch.setattr(module, "PART_TICKS", 3 * PAGE * ticks)
        with engine.using("fast"):
            assert sizes(10**9)[:2] == [1, 3 * PAGE]
            assert sizes(10**9, draws[:1]) == [1]


# --- sensors that several sets have --------------------------------------------------------------


def made(ticks: int) -> Any:
    return SimpleNamespace(base=SimpleNamespace(ticks=ticks), keeps_runs=False)


def test_runs_are_kept_while_they_fit_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    one, draws, ticks = sensor_set(part()), np.arange(5), 70
    needed = draws.size * ticks * (np.dtype(float).itemsize + np.dtype(np.int32).itemsize + 1)
    for bytes_, kept in ((needed, [True, False]), (needed - 1, [False, False]),
                         (2 * needed, [True, True])):  # fmt: skip
        monkeypatch.setattr(common_module, "MOST_BYTES", bytes_)
        common = CommonSensors([one, one])
        first = common.get("central_x", one, draws, lambda: made(ticks))
        again = common.get("central_x", one, draws, lambda: made(ticks))
        other = common.get("central_x", one, draws + 1, lambda: made(ticks))
        assert again is first
        assert other is not first
        assert [first.keeps_runs, other.keeps_runs] == kept
        common.begin_block()
        new = common.get("central_x", one, draws, lambda: made(ticks))
        assert new is not first
        assert new.keeps_runs == kept[0]


def test_what_is_common_is_the_same_part_read_at_the_same_time() -> None:
    """Equal numbers; not a faulty one, nor one that only one of the sets has."""
    base, draws = sensor_set(part()), np.arange(3)

    def both(first: SensorSet, second: SensorSet) -> bool:
        common = CommonSensors([first, second])
        a, b = (common.get("central_x", one, draws, lambda: made(9)) for one in (first, second))
        return a is b

    assert both(base, sensor_set(part()))
    assert both(base, sensor_set(part(), task_s=500e-6))
    assert not both(base, sensor_set(part(range=50.0)))
    assert not both(base, sensor_set(part(), task_s=600e-6))
    faulty = sensor_set(part(faults=(BrokenWire(),)))
    assert not both(faulty, faulty)
    # Two parts at one channel, each in two of four sets.
    four = [sensor_set(part(range=r)) for r in (50.0, 60.0, 50.0, 60.0)]
    common = CommonSensors(four)
    found = [common.get("central_x", one, draws, lambda: made(9)) for one in four]
    assert found[0] is found[2]
    assert found[1] is found[3]
    assert found[0] is not found[1]
