"""Scaled pulses: closed forms of free flight and of a linear rule, records, targets, files."""

from __future__ import annotations

from math import sqrt
from pathlib import Path

import numpy as np
import pytest

from crashsense import Context, Event, Requirement, Signal
from crashsense.cli import run as command
from crashsense.errors import InputError
from crashsense.event import RESTRAINTS
from crashsense.plan import resolve_plan
from crashsense.rules import Algorithm, rule_from_table
from crashsense.studies.scale import nearest_first, scale_figure, scale_sentences, study_scale
from crashsense.studies.scaled_event import scaled_event, scaled_signal
from crashsense.synthesis import load_events
from crashsense.units import STANDARD_GRAVITY as G

STAGE_1 = "front_airbag_stage_1"


def block_event(level_g: float, *, fire: bool, length_s: float = 0.3) -> Event:
    """A constant deceleration from time zero on: free flight is sqrt(2 s / a)."""
    times = np.arange(-0.06, length_s, 1e-4)
    samples = np.where(times >= 0.0, -level_g * G, 0.0)
    signal = Signal(samples, rate_hz=1e4, start_s=-0.06, unit="m/s^2", axis="x", location="central")
    required = sqrt(2 * 0.127 / (level_g * G)) - 0.030 if fire else None
    requirements = {
        name: Requirement("open", basis="not part of this check") for name in RESTRAINTS
    }
    requirements[STAGE_1] = Requirement(
        "fire" if fire else "no_fire", required_s=required, basis="free flight of 127 mm less 30 ms"
    )
    return Event(
        f"block_{level_g:g}",
        family="frontal",
        occurrence=f"block_{level_g:g}",
        context=Context(),
        signals={"central_x": signal},
        requirements=requirements,
    )


@pytest.mark.parametrize("factor", [0.5, 0.8, 1.3])
def test_required_time_follows_the_closed_form_of_free_flight(factor: float) -> None:
    scaled = scaled_event(block_event(20.0, fire=True), factor)
    expected = sqrt(2 * 0.127 / (factor * 20.0 * G)) - 0.030
    required = scaled.requirements[STAGE_1].required_s
    assert required == pytest.approx(expected, abs=1e-4)  # one sample


def test_time_and_constant_velocity_change_do_what_they_say() -> None:
    event = load_events(["wall_full_40"])[0]
    before = event.signals["central_x"]
    change = before.velocity().samples[-1]
    slower = scaled_event(event, 1.5, mode="time").signals["central_x"]
    assert slower.velocity().samples[-1] == pytest.approx(1.5 * change, rel=2e-3)
    # Same amplitude over 1.5 times the time; peaks between samples come out between samples.
    power = np.square(slower.samples).sum() / np.square(before.samples).sum()
    assert power == pytest.approx(1.5, rel=0.02)
    assert slower.start_s == pytest.approx(1.5 * before.start_s)
    sooner = scaled_event(event, 1.25, mode="constant_velocity").signals["central_x"]
    assert sooner.velocity().samples[-1] == pytest.approx(change, rel=2e-3)
    # The quiet before time zero does not get shorter.
    assert sooner.start_s <= before.start_s + 1e-9


def test_scaling_by_one_changes_nothing() -> None:
    event = load_events(["wall_full_40"])[0]
    for mode in ("amplitude", "time", "constant_velocity"):
        same = scaled_event(event, 1.0, mode=mode)
        for name, signal in event.signals.items():
            np.testing.assert_array_equal(same.signals[name].samples, signal.samples)
        assert same.requirements[STAGE_1].required_s == event.requirements[STAGE_1].required_s


@pytest.mark.slow
def test_draws_of_a_scaled_recipe_are_the_draws_of_the_recipe_scaled() -> None:
    event = load_events(["wall_full_40"])[0]
    scaled = scaled_event(event, 0.9)
    assert event.source is not None
    assert scaled.source is not None
    before = event.source.block([1, 2], seed=3)
    after = scaled.source.block([1, 2], seed=3)
    np.testing.assert_allclose(
        after.signals["central_x"].samples, 0.9 * before.signals["central_x"].samples
    )
    assert (after.required_s[scaled.name][STAGE_1] > before.required_s[event.name][STAGE_1]).all()


@pytest.mark.parametrize("threshold_g", [16.0, 30.0])
def test_k_flip_of_a_linear_rule_is_one_over_its_largest_demand(threshold_g: float) -> None:
    # A mean over a window is linear in the signal; the part neither clips (240 g) nor rounds
    # by more than a code of 0.25 g, of 8 g and more.
    rule = rule_from_table(
        {"family": "level", "channel": "-central_x", "threshold_g": threshold_g, "window_ms": 4.0}
    )
    event = block_event(10.0, fire=False)
    plan = resolve_plan(events=[event], algorithms=[Algorithm("linear", rules={STAGE_1: rule})])
    row = study_scale(plan, high=5.0).table.iloc[0]
    assert row["verdict"] == "held"
    assert row["verdict_beyond"] == "inadvertent"
    assert row["max_demand"] == pytest.approx(10.0 / threshold_g, rel=0.03)
    assert row["k_flip"] == pytest.approx(1.0 / row["max_demand"], rel=0.02)
    assert row["against_target"] == "beyond"


def test_what_fails_as_it_is_goes_the_other_way() -> None:
    rule = rule_from_table({"family": "level", "channel": "-central_x", "threshold_g": 8.0})
    plan = resolve_plan(
        events=[block_event(10.0, fire=False)],
        algorithms=[Algorithm("linear", rules={STAGE_1: rule})],
    )
    row = study_scale(plan).table.iloc[0]
    assert row["verdict"] == "inadvertent"
    assert row["against_target"] == "fails"
    assert row["k_flip"] == pytest.approx(0.8, abs=0.02)
    assert row["verdict_beyond"] == "held"


def test_must_fire_is_made_milder_until_it_is_missed() -> None:
    rule = rule_from_table({"family": "level", "channel": "-central_x", "threshold_g": 15.0})
    plan = resolve_plan(
        events=[block_event(20.0, fire=True)],
        algorithms=[Algorithm("linear", rules={STAGE_1: rule})],
    )
    found = study_scale(plan)
    row = found.table.iloc[0]
    assert row["verdict"] == "on_time"
    assert row["k_flip"] == pytest.approx(0.75, abs=0.02)
    assert row["required_time"] == "follows"
    assert "beyond 0.8" in scale_sentences(found)[0]
    assert scale_figure(found).axes


def test_a_measured_record_is_scaled_too(record_folder: Path) -> None:
    plan = resolve_plan(records=[str(record_folder)], algorithms=["guarded"])
    table = study_scale(plan, restraints=[STAGE_1]).table
    assert set(table["event"]) == {event.name for event in plan.events}
    assert set(table["required_time"]) == {"follows"}
    met = table[table["verdict"] == "on_time"]
    assert (met["k_flip"].dropna() < 1.0).all()


def test_impossible_values_are_refused() -> None:
    plan = resolve_plan(events=[block_event(10.0, fire=False)], algorithms=["plain"])
    with pytest.raises(InputError, match="amplitude"):
        study_scale(plan, modes=["amplitud"])
    with pytest.raises(InputError, match="high"):
        study_scale(plan, high=20.0)
    with pytest.raises(InputError, match="0.1 to 10"):
        scaled_event(plan.events[0], 11.0)


def test_command_writes_table_and_figure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "a" / "scale"
    arguments = ["study", "scale", "--events", "hammer_tunnel", "--out", str(out)]
    assert command([*arguments, "--restraint", STAGE_1]) == 0
    assert "must not fire" in capsys.readouterr().out
    assert {p.suffix for p in out.iterdir()} == {".csv", ".parquet", ".txt", ".svg", ".png"}


def test_nearest_first_puts_failures_on_top() -> None:
    plan = resolve_plan(
        events=[block_event(10.0, fire=False), block_event(12.0, fire=False)],
        algorithms=[
            Algorithm(
                "linear",
                rules={
                    STAGE_1: rule_from_table(
                        {"family": "level", "channel": "-central_x", "threshold_g": 11.0}
                    )
                },
            )
        ],
    )
    table = nearest_first(study_scale(plan).table)
    assert table["event"].tolist() == ["block_12", "block_10"]
    assert scaled_signal(
        plan.events[0].signals["central_x"], amplitude=2.0, stretch=1.0
    ).samples.min() == pytest.approx(-20.0 * G)
