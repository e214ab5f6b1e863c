"""Overlay: where events come nearest to the line, by hand; what is written."""

from __future__ import annotations

import numpy as np
import pytest
from pulses_by_hand import pulse

from crashsense.errors import InputError
from crashsense.studies.overlay import overlay_figure, overlay_text, study_overlay, write_overlay

ALGORITHM = """\
name = "three"
[definitions.ramp]
family = "velocity_time_ramp"
start_m_s = 1.0
flat_ms = 30.0
then_g = 5.0
leak_g = 0.0
[definitions.plain]
family = "velocity_change"
threshold_m_s = 3.0
[definitions.both]
family = "all_of"
of = [{ use = "ramp" }, { use = "plain" }]
[rules.front_airbag_stage_1]
use = "both"
"""


@pytest.fixture(scope="module")
def events():
    return [pulse("must", 6.0, fire=True), pulse("must_not", 1.5, fire=False)]


def test_a_rectangular_pulse_lies_where_its_integral_is(algorithm, events) -> None:
    found = study_overlay(f"{algorithm}:ramp", events=events)
    rows = found.table.set_index("event")
    # The line is 1 m/s up to 30 ms and then gains 49 m/s^2. 6 m/s in 60 ms are 3 m/s at 30 ms, and
    # less of the line later: 6 over 1 + 49.03 x 0.03. So too a quarter of it.
    assert rows.loc["must", "demand"] == pytest.approx(3.0, rel=0.05)
    assert rows.loc["must", "x"] == pytest.approx(30.0, abs=1.5)
    assert rows.loc["must_not", "demand"] == pytest.approx(0.75, rel=0.07)
    assert rows.loc["must_not", "x"] == pytest.approx(30.0, abs=1.5)
    assert (found.across, found.up) == ("time since it began [ms]", "velocity change [m/s]")
    assert np.interp(40.0, *found.line) == pytest.approx(1.0 + 49.03325 * 0.01, rel=1e-3)


def test_a_plain_criterion_is_drawn_in_its_unit(algorithm, events) -> None:
    found = study_overlay(f"{algorithm}:plain", events=events)
    assert found.up == "velocity change [m/s]"
    assert found.line[1].tolist() == pytest.approx([3.0, 3.0])
    text = overlay_text(found)
    assert "1 of 1 must-fire event reach the line" in text
    assert "0 of 1 event that must not fire reach it; must_not comes farthest" in text


def test_what_is_written(algorithm, events, tmp_path) -> None:
    found = study_overlay(f"{algorithm}:ramp", events=events)
    names = {text.get_text() for text in overlay_figure(found).axes[0].texts}
    assert names == {"must", "must_not"}
    folder = write_overlay(found, tmp_path / "out")
    assert sorted(path.suffix for path in folder.iterdir()) == [
        ".csv",
        ".parquet",
        ".png",
        ".svg",
        ".txt",
    ]


def test_faults_are_told(algorithm, events) -> None:
    with pytest.raises(InputError, match="did you mean 'ramp'"):
        study_overlay(f"{algorithm}:ram", events=events)
    with pytest.raises(InputError, match="no composition"):
        study_overlay(f"{algorithm}:both", events=events)
