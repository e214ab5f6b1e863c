"""The event data recorder: definitions of 49 CFR 563.5 in closed form, and what a run gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from crashsense.campaign import evaluate
from crashsense.cli import run as command
from crashsense.results import open_run
from crashsense.studies.recorder import (
    TRIGGER_M_S,
    ZERO_M_S,
    first_change,
    largest_change,
    recording,
    recording_figure,
    recording_sentence,
)

RATE = 2000.0
G = 9.80665


def ramp(level_g: float, *, length_s: float = 0.4, begins_s: float = 0.05) -> np.ndarray:
    """Velocity change under a constant deceleration from a time on."""
    times = np.arange(0.0, length_s, 1.0 / RATE)
    return -level_g * G * np.clip(times - begins_s, 0.0, None)


# Constant decelerations that just meet 49 CFR 563.5: 8 km/h in 150 ms is 1.5107 g, 0.8 km/h in
# 20 ms 1.1330 g, in 5 ms 4.5321 g (computed by hand from the text of the regulation).


def test_trigger_is_at_1_51_g_over_150_ms() -> None:
    for level, is_met in ((1.5106, False), (1.5108, True)):
        change = largest_change(ramp(level), rate_hz=RATE, window_s=0.150)
        assert (change >= TRIGGER_M_S) == is_met
    # Either sign, and no more than the window counts.
    assert largest_change(-ramp(1.0), rate_hz=RATE, window_s=0.150) == pytest.approx(0.150 * G)


def test_what_is_reached_sooner_than_the_window_counts() -> None:
    short = np.concatenate([np.zeros(100), np.linspace(0.0, 3.0, 41), 3.0 - np.linspace(0, 3, 400)])
    assert largest_change(short, rate_hz=RATE, window_s=0.150) == pytest.approx(3.0)


@pytest.mark.parametrize(("level", "window_s"), [(1.1330, 0.020), (4.5321, 0.005)])
def test_time_zero_is_at_1_13_and_4_53_g(level: float, window_s: float) -> None:
    about = {"rate_hz": RATE, "window_s": window_s, "above_m_s": ZERO_M_S}
    assert first_change(ramp(level - 2e-4), **about) is None
    found = first_change(ramp(level + 2e-4), **about)
    assert found == pytest.approx(0.05 * RATE, abs=1)  # the first point of the interval


def test_time_zero_is_the_first_point_of_the_interval_not_its_end() -> None:
    step = np.concatenate([np.zeros(200), np.full(200, -1.0)])
    found = first_change(step, rate_hz=RATE, window_s=0.020, above_m_s=ZERO_M_S)
    assert found == 200 - 40


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("recorder") / "run"
    evaluate(
        events=["wall_full_40", "hammer_tunnel", "side_pole_90_29"],
        algorithms=["guarded"],
        draws=1,
        vary="sensor",
        out=out,
    )
    return out


def test_recording_of_a_crash(run_folder: Path) -> None:
    found = recording(open_run(run_folder), "wall_full_40")
    assert found.trigger.startswith("longitudinal")
    table = found.table
    np.testing.assert_allclose(np.diff(table["time_ms"]), 10.0)
    assert table["time_ms"].max() <= 250.0
    recorded = table["delta_v_longitudinal_kmh"]
    np.testing.assert_array_equal(recorded, recorded.round())  # 1 km/h
    # Past the worst of the crash the words hold the true change to the accuracy of the regulation.
    late = table[table["time_ms"] >= 60.0]
    assert late["within_longitudinal"].all()
    values = found.elements.set_index("element")["value"]
    assert values["maximum_delta_v_longitudinal_kmh"] <= recorded.min() + 1.0
    assert values["time_maximum_delta_v_longitudinal_ms"] % 2.5 == 0.0
    verdicts = open_run(run_folder).nominal.set_index(["event", "restraint"])
    fired = verdicts.loc[("wall_full_40", "front_airbag_stage_1"), "fire_time_ms"]
    assert values["deployment_front_airbag_stage_1_ms"] == pytest.approx(
        fired - 1e3 * found.time_zero_s
    )
    assert recording_figure(found).axes


def test_a_side_impact_is_triggered_across(run_folder: Path) -> None:
    found = recording(open_run(run_folder), "side_pole_90_29", draw=1)
    assert found.trigger.startswith("lateral")
    assert found.draw == 1
    assert found.table["delta_v_lateral_kmh"].max() > 20.0


def test_a_blow_is_not_recorded(run_folder: Path) -> None:
    found = recording(open_run(run_folder), "hammer_tunnel")
    assert found.trigger == ""
    assert "nothing needs to be recorded" in recording_sentence(found)


@pytest.mark.slow
def test_command_makes_its_folder(
    run_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "new" / "recorder"
    assert command(["recorder", str(run_folder), "wall_full_40", "--out", str(out)]) == 0
    text = capsys.readouterr().out
    assert text.startswith("CAUTION")
    assert "49 CFR Part 563" in text
    names = {path.name for path in out.iterdir()}
    assert {"recorder.csv", "recorder_elements.csv", "recorder.svg"} <= names
    assert command(["recorder", str(run_folder), "wall_full_41"]) == 2
