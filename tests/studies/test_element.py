"""The study of elements: what a point is, what is lost, what the sentence says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crashsense.cli import run
from crashsense.errors import InputError
from crashsense.rules import Algorithm
from crashsense.rules.window import WindowVelocity
from crashsense.sensing import load_sensor_set
from crashsense.sensing.element_file import load_element
from crashsense.studies.element import ElementStudy, study_element
from crashsense.studies.element_report import element_figure, element_text
from crashsense.synthesis import load_events
from crashsense.units import STANDARD_GRAVITY as G

TEMPLATE = Path(__file__).resolve().parents[2] / "crashsense" / "cli" / "templates" / "element.toml"


@pytest.fixture(scope="module")
def study() -> ElementStudy:
    # A velocity rule alone, so that the central sensor decides: the soft elements clip.
    return study_element(
        load_events(["wall_full_40", "hammer_tunnel"]),
        element=load_element(TEMPLATE),
        vary={"beam_width_um": [1.0, 1.5, 3.0], "gap_um": [2.0]},
        algorithm="plain",
        draws=2,
    )


def test_points_are_the_elements_of_the_grid(study: ElementStudy) -> None:
    points = study.points.set_index("beam_width_um")
    base = load_element(TEMPLATE)
    for width, row in points.iterrows():
        one = replace(base, beam_width=width * 1e-6)
        assert row["range_g"] == pytest.approx(one.range / G)
        assert row["resonance_hz"] == pytest.approx(float(one.state().resonance_hz))
        assert row["footprint_mm2"] == pytest.approx(one.footprint * 1e6)
    assert points["stiffness_n_per_m"].is_monotonic_increasing
    assert points["quiet_noise_mg"].is_monotonic_increasing
    # Softer beams bring the amplifier's end nearer: more is clipped ahead of the filter.
    assert points["clipped_before_filter"].is_monotonic_decreasing
    assert points["clipped_before_filter"].iloc[0] > 0.02
    assert points["velocity_lost_m_s"].iloc[0] > points["velocity_lost_m_s"].iloc[-1]


def test_quiet_noise_is_that_of_the_words() -> None:
    # Fine words, so that only the low-pass decides: density times the root of its noise bandwidth,
    # from scipy's own Bessel filter.
    import scipy.signal as ss

    one = replace(load_element(TEMPLATE), centre_tolerance=0.0, centre_per_k=0.0)
    fine = load_sensor_set().changed("central_x", bits=20)
    found = study_element(
        load_events(["hammer_rail"]), element=one, vary={"fingers": [40.0]}, sensor_set=fine
    )
    hz, gain = ss.freqs(*ss.bessel(3, 400.0, analog=True, norm="mag"), worN=np.arange(0, 40000.0))
    width = np.trapezoid(np.abs(gain) ** 2, hz)
    row = found.points.iloc[0]
    assert row["quiet_noise_mg"] == pytest.approx(
        row["noise_mg_per_rthz"] * np.sqrt(width), rel=0.06
    )


def test_lost_is_against_the_ideal_sensor(study: ElementStudy) -> None:
    table, points = study.table, study.points
    assert set(table["event"]) == {*study.metadata["events"]}
    assert len(table) == len(points) * len(study.metadata["events"])
    for _, row in points.iterrows():
        mine = table[table["beam_width_um"] == row["beam_width_um"]]
        failed = set(
            mine[mine["verdict"].isin(["missed", "late", "early", "inadvertent"])]["event"]
        )
        lost = failed - set(study.metadata["ideal_failures"])
        assert row["lost"] == len(lost)
        assert set(filter(None, row["lost_events"].split(", "))) == lost
        assert row["missed_or_late"] + row["inadvertent"] == len(failed)


def test_conclusion_names_a_point_that_loses_nothing(study: ElementStudy) -> None:
    whole = study.points[(study.points["lost"] == 0) & (study.points["lost_in_draws"] == 0)]
    text = " ".join(study.conclusion)
    if len(whole):
        softest = whole.sort_values("stiffness_n_per_m").iloc[0]
        assert "The softest that loses no requirement is beam_width_um = " in text
        assert f"beam_width_um = {softest['beam_width_um']:g}, gap_um = 2" in text
    else:
        assert "No element of the grid keeps every requirement" in text
    shown = element_text(study)
    assert shown.startswith("CAUTION")
    assert text.split(";")[0] in shown.replace("\n", " ")
    assert [axes.get_ylabel() for axes in element_figure(study).axes] == [
        "range [g]",
        "velocity lost, worst event [m/s]",
        "c/m [-]",
    ]


def test_conclusion_by_hand() -> None:
    from crashsense.studies.element import _conclude

    columns = {
        "gap_um": [1.0, 2.0, 3.0],
        "footprint_mm2": [0.1, 0.2, 0.3],
        "stiffness_n_per_m": [5.0, 5.0, 5.0],
        "electrode_area_mm2": [0.1, 0.1, 0.1],
        "range_g": [20.0, 60.0, 90.0],
        "binds": ["linearity"] * 3,
        "quiet_noise_mg": [1.0, 2.0, 3.0],
        "lost": [1, 0, 0],
        "lost_events": ["wall_full_40_belted", "", ""],
        "lost_in_draws": [0, 0, 0],
        "worst_draw_event": ["", "", ""],
    }
    about = {
        "draws": 0,
        "events": ["a", "b"],
        "restraint": "r",
        "ideal_failures": [],
        "refused": [],
    }
    told = _conclude(pd.DataFrame(columns), about, varied=["gap_um"])
    assert told == [
        "The smallest that loses no requirement is gap_um = 2: 0.2 mm^2, range 60 g (linearity"
        " binds), 2 mg rms on the quiet road; the next below, gap_um = 1, loses"
        " wall_full_40_belted (2 events, r, nominal only)."
    ]
    columns["lost"] = [1, 1, 2]
    told = _conclude(pd.DataFrame(columns), about, varied=["gap_um"])
    assert told[0].startswith("No element of the grid keeps every requirement")


def test_coupling_reaches_the_lateral_channel_and_a_side_rule() -> None:
    # A frontal wall through a shared mass of two axes: the lateral channel reads a share of the
    # frontal pulse, and a side rule that looks at it alone sees a hit from the right.
    two = replace(load_element(TEMPLATE), axes=("x", "y"), shared_mass=True)
    rule = WindowVelocity(channel="-central_y", window_ms=20.0, threshold_m_s=1.0)
    found = study_element(
        load_events(["wall_full_56"]),
        element=two,
        vary={"coupling": [0.0, 0.03, 0.2]},
        sensors=["central_x", "central_y"],
        algorithm=Algorithm("lateral", rules={"side_airbag_right": rule}),
        restraint="side_airbag_right",
    )
    rows = found.table.sort_values("coupling")
    demand, velocity = rows["max_demand"].to_numpy(), rows["velocity_lost_m_s"].to_numpy()
    assert (np.diff(demand) > 0).all()
    assert (np.diff(velocity) > 0).all()
    # 56 km/h rebounding: about 17 m/s of velocity change, of which a fifth.
    assert velocity[-1] == pytest.approx(0.2 * 17.0, rel=0.2)
    assert demand[0] < 0.2
    assert demand[-1] > 0.6


def test_points_that_cannot_be_made_are_told() -> None:
    found = study_element(
        load_events(["hammer_rail"]),
        element=load_element(TEMPLATE),
        vary={"beam_width_um": [0.5, 3.0]},
    )
    assert len(found.points) == 1
    (entry,) = found.metadata["refused"]
    assert entry["point"] == {"beam_width_um": 0.5}
    assert "1 point of the grid cannot be made" in found.conclusion[-1]


def test_bad_input_all_at_once() -> None:
    with pytest.raises(InputError) as caught:
        study_element(
            [],
            element=load_element(TEMPLATE),
            vary={"gap_mu": [1.0], "thickness_um": [float("nan")]},
            sensors=["central_q", "central_roll_rate"],
            restraint="front_airbag",
            draws=-1,
        )
    text = str(caught.value)
    for words in (
        "events: got []",
        "did you mean 'gap_um'",
        "vary thickness_um: got nan",
        "did you mean 'central_",
        "an accelerometer",
        "front_airbag_stage_1",
        "draws: got -1",
    ):
        assert words in text
    with pytest.raises(InputError, match="grid with elements that exist"):
        study_element(
            load_events(["hammer_rail"]),
            element=load_element(TEMPLATE),
            vary={"gap_um": [0.15]},
        )


def test_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    asked = ["study", "element", str(TEMPLATE), "--events", "hammer_rail"]
    assert run([*asked, "--vary", "pressure_pa=2e4,1e5", "--out", "here"]) == 0
    assert "c/m" in capsys.readouterr().out
    names = {path.name for path in Path("here").iterdir()}
    assert {"element_points.csv", "element_events.parquet", "element.svg", "element.txt"} <= names
    assert len(pd.read_csv("here/element_points.csv")) == 2
    assert run([*asked, "--vary", "pressure_pa"]) == 2
    assert "gap_um=1,1.5,2" in capsys.readouterr().err
