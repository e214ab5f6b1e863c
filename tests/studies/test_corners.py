"""Corners of build and temperature: a rule whose answer is known, and plans that say it again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crashsense.campaign import evaluate
from crashsense.cli import run as command
from crashsense.errors import InputError
from crashsense.plan import Plan, resolve_plan
from crashsense.rules import Algorithm, rule_from_table
from crashsense.sensing import Sensor, SensorSet, load_sensor_set
from crashsense.studies.corners import corner_plans, corner_rows
from crashsense.studies.tolerance import study_tolerance
from crashsense.trials import trial
from crashsense.trials.drawn import drawn_of

CRASH, KNOCK, STAGE_1 = "wall_full_40", "hammer_tunnel", "front_airbag_stage_1"
GAIN, WARM = 0.02, 1e-4


def one_sensor() -> SensorSet:
    """A central sensor of fine codes whose sensitivity alone varies, 2 % and 0.01 % a kelvin."""
    part = Sensor(
        part="fine",
        range=20_000.0,
        bits=20,
        filter_kind="bessel",
        corner_hz=400.0,
        sensitivity_tolerance=GAIN,
        sensitivity_temperature=WARM,
    )
    return replace(load_sensor_set("standard"), name="one", sensors={"central_x": part})


def linear() -> Algorithm:
    rule = rule_from_table(
        {"family": "velocity_change", "channel": "-central_x", "threshold_m_s": 1.0}
    )
    return Algorithm("linear", rules={STAGE_1: rule})


@pytest.fixture(scope="module")
def plan() -> Plan:
    return resolve_plan(
        events=[CRASH, KNOCK], sensor_sets=[one_sensor()], algorithms=[linear()], draws=20
    )


@pytest.fixture(scope="module")
def corners(plan: Plan) -> pd.DataFrame:
    return pd.DataFrame(corner_rows(plan)).set_index(["event", "corner"])


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("corner", "gain"),
    [
        # Gain 1 + 0.02 z + 0.0001 z' dT, z and z' at 3; dT = -65, 0 and +60 K.
        ("cold_min", 1.0 - 3 * GAIN - 3 * WARM * 65.0),
        ("cold_max", 1.0 + 3 * GAIN + 3 * WARM * 65.0),
        ("room_min", 1.0 - 3 * GAIN),
        ("hot_max", 1.0 + 3 * GAIN + 3 * WARM * 60.0),
    ],
)
def test_a_linear_rule_has_its_gain_at_the_corner(
    corners: pd.DataFrame, corner: str, gain: float
) -> None:
    for event in (CRASH, KNOCK):
        nominal = trial(event, sensor_set=one_sensor(), algorithm=linear())
        margin = float(nominal.scores(STAGE_1).demand_margin[0])
        # Must not fire: more gain hurts, less helps.
        here = gain if event == CRASH else 2.0 - gain
        demand = here * (1.0 + margin if event == CRASH else 1.0 - margin)
        expected = demand - 1.0 if event == CRASH else 1.0 - demand
        assert corners.loc[(event, corner), "demand_margin"] == pytest.approx(expected, abs=5e-4)


def test_each_side_is_named_and_what_does_nothing_is_not(corners: pd.DataFrame) -> None:
    assert corners.loc[(CRASH, "room_min"), "build"] == "central_x:sensitivity:-3"
    assert corners.loc[(CRASH, "cold_min"), "build"] == (
        "central_x:sensitivity:-3, central_x:sensitivity_temperature:3"
    )
    assert corners.loc[(KNOCK, "hot_min"), "build"] == (
        "central_x:sensitivity:3, central_x:sensitivity_temperature:3"
    )
    assert corners.loc[(CRASH, "hot_min"), "temperature_c"] == 85.0
    assert len(corners) == 2 * 6


def test_no_draw_is_beyond_the_corners_of_a_linear_rule(plan: Plan) -> None:
    only = resolve_plan(
        events=[CRASH],
        sensor_sets=[one_sensor()],
        algorithms=[linear()],
        draws=20,
        vary="sensor",
    )
    found = study_tolerance(only)
    margins = found.corners["demand_margin"]
    # Noise is 0 and the phase of the samples moves when the required time is met, not how far.
    assert margins.min() < found.worst["demand_margin"].iloc[0] < margins.max()


@pytest.mark.slow
def test_a_corner_is_evaluated_again_by_its_plan(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    arguments = ["--events", CRASH, "--algorithm", "plain", "--draws", "20", "--sigma", "2"]
    assert command(["study", "tolerance", *arguments, "--out", str(out)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Corners (every tolerance of the sensors that a rule reads at 2 sigma" in shown
    table = pd.read_csv(out / "tolerance_corners.csv")
    row = table[(table["restraint"] == STAGE_1) & (table["corner"] == "hot_min")].iloc[0]
    run = evaluate(out / "tolerance_corners" / row["plan"])
    again = run.nominal.set_index("restraint").loc[STAGE_1]
    assert again["demand_margin"] == pytest.approx(row["demand_margin"], abs=1e-12)
    assert (again["verdict"], again["fire_time_ms"]) == (row["verdict"], row["fire_time_ms"])
    assert any("85 degC" in note for note in run.summary()["notes"])


def test_objects_have_no_plan_to_write(plan: Plan) -> None:
    bare = replace(plan, keys=replace(plan.keys, algorithms=[]))
    table, texts = corner_plans(pd.DataFrame(corner_rows(bare)).head(1), bare)
    assert texts == {}
    assert table["plan"].tolist() == [""]


# -- sensors as built, in any plan -----------------------------------------------------------------


def test_what_is_held_is_held_in_every_draw() -> None:
    held = resolve_plan(
        events=[CRASH], build=["central_x:offset:2.5", "central_x:filter:0"], temperature_c=-40
    ).sensor_sets[0]
    found = drawn_of(trial(CRASH, sensor_set=held, draw=[0, 1, 2]))
    assert found["central_x offset"].tolist() == [2.5] * 3
    assert found["central_x filter"].tolist() == [0.0] * 3
    assert found["unit warmer_k"].tolist() == [-65.0] * 3
    assert np.ptp(found["central_x sensitivity"]) > 0.0


def test_a_held_offset_is_in_the_codes() -> None:
    base = load_sensor_set("standard")
    held = resolve_plan(events=[KNOCK], build=["central_x:offset:3"]).sensor_sets[0]
    means = [
        float(trial(KNOCK, sensor_set=one).samples.channels["central_x"][0, :60].mean())
        for one in (base, held)
    ]
    part = base.sensor("central_x")
    assert means[1] - means[0] == pytest.approx(3 * part.offset_tolerance, abs=part.step)


def test_what_cannot_be_held_is_refused() -> None:
    for build, told in (
        (["central_x:offset"], "expected CHANNEL:ROLE:VALUE"),
        (["central_x:ofset:1"], "did you mean 'offset'"),
        (["centrl_x:offset:1"], "did you mean 'central_x'"),
        (["central_x:offset:9"], "standard deviations, -6 to 6"),
        (["central_x:filter:1.5"], "a setting of the filter, 0 to 4"),
        (["central_x:offset:1", "central_x:offset:2"], "each role once"),
    ):
        with pytest.raises(InputError, match=told):
            resolve_plan(events=[CRASH], build=build)
    with pytest.raises(InputError, match="temperature_c: got 900"):
        resolve_plan(events=[CRASH], temperature_c=900)
