"""Sensors that several sets have in common are sensed once, and no row changes by it."""

from __future__ import annotations

from collections.abc import Collection, Iterable

import numpy as np
import pandas as pd
import pytest

from crashsense import engine
from crashsense.event import SignalBlock
from crashsense.rules import load_algorithm
from crashsense.sensing import SensorSet, load_sensor_set
from crashsense.sensing.common import CommonSensors
from crashsense.sensing.one_sensor import OneSensor
from crashsense.synthesis import load_events
from crashsense.synthesis.recipe import Recipe
from crashsense.trials import Conditions, run_trials
from crashsense.units import STANDARD_GRAVITY as G


def ranges() -> list[SensorSet]:
    """Three ranges of the central sensor; the first with other safing as well."""
    standard = load_sensor_set("standard")
    sets = [
        standard.changed("central_x", name=f"range_{g}", range=g * G, front_end=g * G)
        for g in (60, 90, 120)
    ]
    sets[0] = sets[0].changed("central_safing_x", range=40.0 * G)
    return sets


def rows(sets: list[SensorSet], *, scores_only: bool, vary: str) -> pd.DataFrame:
    """Verdict rows of some draws, in the order of the sets."""
    trials = run_trials(
        load_events(["odb_40_40"]),
        range(40),
        sensor_sets=sets,
        algorithms=[load_algorithm("guarded")],
        conditions=Conditions(vary=vary),
        scores_only=scores_only,
    )
    table = pd.concat([trial.rows for trial in trials], ignore_index=True)
    key = ["sensor_set", "event", "algorithm", "restraint", "draw"]
    return table.sort_values(key, ignore_index=True)


@pytest.fixture
def crash_made_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each block of draws of the crash be integrated once: no sensor set moves the car."""
    made: dict[object, SignalBlock] = {}
    original = Recipe._block

    def block(
        self: Recipe, draws: Iterable[int], *, seed: int, only: Collection[str] | None
    ) -> SignalBlock:
        numbers = tuple(draws)
        key = (self.name, numbers, seed, None if only is None else frozenset(only))
        if key not in made:
            made[key] = original(self, numbers, seed=seed, only=only)
        return made[key]

    monkeypatch.setattr(Recipe, "_block", block)


@pytest.mark.usefixtures("crash_made_once")
@pytest.mark.quick(1)
@pytest.mark.parametrize("vary", ["sensor", "both"])
@pytest.mark.parametrize("name", ["numpy", "fast"])
def test_rows_of_several_sets_are_those_of_each_alone(name: str, vary: str) -> None:
    if name == "fast" and not engine.installed():
        pytest.skip("needs numba (extra fast)")
    with engine.using(name):
        for scores_only in (True, False):
            together = rows(ranges(), scores_only=scores_only, vary=vary)
            alone = [rows([one], scores_only=scores_only, vary=vary) for one in ranges()]
            one_by_one = pd.concat(alone, ignore_index=True)
            one_by_one = one_by_one.sort_values(
                ["sensor_set", "event", "algorithm", "restraint", "draw"], ignore_index=True
            )
            pd.testing.assert_frame_equal(together, one_by_one, check_exact=True)
            assert together.groupby("sensor_set")["max_demand"].sum().nunique() == 3


def test_a_common_sensor_is_run_once(monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[str] = []
    original = OneSensor.run_rows

    def counted(self: OneSensor, places: np.ndarray) -> object:
        ran.append(self.channel)
        return original(self, places)

    monkeypatch.setattr(OneSensor, "run_rows", counted)
    with engine.using("numpy"):
        rows(ranges(), scores_only=True, vary="sensor")
    assert ran.count("central_x") == 3
    assert ran.count("central_safing_x") == 2
    assert ran.count("upfront_left_x") == 1


def test_sensors_with_faults_or_of_another_unit_are_not_common() -> None:
    standard = load_sensor_set("standard")
    faulty = load_sensor_set("standard").changed("central_x", faults=(object(),))
    found = CommonSensors([faulty, faulty])
    made = []

    class One:
        """Stands for a sensor that is made."""

        keeps_runs = False

        class base:  # noqa: N801
            ticks = 10

    def make() -> One:
        made.append(One())
        return made[-1]

    draws = np.arange(3)
    for sensor_set in (faulty, faulty):
        found.get("central_x", sensor_set, draws, make)  # type: ignore[arg-type]
    assert len(made) == 2
    for sensor_set in (faulty, standard, faulty):
        found.get("central_safing_x", sensor_set, draws, make)  # type: ignore[arg-type]
    assert len(made) == 3
    found.get("central_safing_x", faulty, draws + 1, make)  # type: ignore[arg-type]
    assert len(made) == 4
    found.begin_block()
    found.get("central_safing_x", faulty, draws, make)  # type: ignore[arg-type]
    assert len(made) == 5
