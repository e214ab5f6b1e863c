"""Which tolerance matters: a published function, a rule whose answer is known, and the run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from crashsense.campaign import evaluate
from crashsense.cli import run as command
from crashsense.errors import InputError
from crashsense.plan import Plan, resolve_plan
from crashsense.results import open_run, replay
from crashsense.rules import Algorithm, rule_from_table
from crashsense.studies.tolerance import (
    chance_level,
    rank_correlation,
    sobol_indices_of,
    study_tolerance,
    tolerance_figure,
    tolerance_sentences,
)
from crashsense.trials import trial
from crashsense.trials.drawn import drawn_of

STAGE_1 = "front_airbag_stage_1"
KNOCK = "hammer_tunnel"


def test_sobol_indices_of_the_ishigami_function() -> None:
    # Ishigami and Homma 1990, a = 7, b = 0.1, x uniform in -pi..pi. Closed form:
    # V = a^2/8 + b pi^4/5 + b^2 pi^8/18 + 1/2; V1 = (1 + b pi^4/5)^2/2; V2 = a^2/8; V13 = 8 b^2
    # pi^8/225. Gives 0.3139, 0.4424, 0 alone and 0.5576, 0.4424, 0.2437 with all others.
    a, b, pi = 7.0, 0.1, np.pi
    v1, v2, v13 = 0.5 * (1 + b * pi**4 / 5) ** 2, a**2 / 8, 8 * b**2 * pi**8 / 225
    total = v1 + v2 + v13
    assert v1 / total == pytest.approx(0.3139, abs=1e-4)

    def ishigami(x: np.ndarray) -> np.ndarray:
        return np.sin(x[0]) + a * np.sin(x[1]) ** 2 + b * x[2] ** 4 * np.sin(x[0])

    first, whole = sobol_indices_of(
        ishigami, 3, points=4096, seed=1, distribution=stats.uniform(-pi, 2 * pi)
    )
    np.testing.assert_allclose(first[0], np.array([v1, v2, 0.0]) / total, atol=0.02)
    np.testing.assert_allclose(whole[0], np.array([v1 + v13, v2, v13]) / total, atol=0.02)


def test_rank_correlation_is_spearmans() -> None:
    rng = np.random.default_rng(4)
    one, two = rng.normal(size=50), rng.normal(size=50)
    assert rank_correlation(one, two) == pytest.approx(stats.spearmanr(one, two).statistic)
    assert np.isnan(rank_correlation(one[:10], two[:10]))


@pytest.mark.slow
def test_chance_passes_the_level_as_often_as_it_says() -> None:
    rng = np.random.default_rng(5)
    hits = [
        abs(rank_correlation(rng.normal(size=60), rng.normal(size=60))) > chance_level(60)
        for _ in range(4000)
    ]
    assert sum(hits) <= 14  # 4 expected


@pytest.fixture(scope="module")
def plan() -> Plan:
    """A rule that is linear in one sensor: its gain and offset are all that there is."""
    rule = rule_from_table({"family": "level", "channel": "-central_x", "threshold_g": 60.0})
    return resolve_plan(
        events=[KNOCK],
        algorithms=[Algorithm("linear", rules={STAGE_1: rule})],
        draws=60,
        vary="sensor",
    )


def test_the_only_sensor_that_is_read_explains_the_margin(plan: Plan) -> None:
    found = study_tolerance(plan, sobol=32)
    rows = found.table.set_index("quantity")
    assert {name.split()[0] for name in rows.index} == {"central_x", "unit"}
    shares = rows.loc[["central_x sensitivity", "central_x offset"], "sobol_first"]
    # Linear in both: what they do alone is nearly all, and together they leave nothing.
    assert shares.sum() == pytest.approx(1.0, abs=0.15)
    assert rows["sobol_total"].max() <= 1.2
    told = rows[rows["is_told"]]
    assert len(told)
    assert (np.sign(told["swing"]) == np.sign(told["rank_margin"])).all()
    assert tolerance_figure(found).axes
    assert "worst draw" in tolerance_sentences(found)[0]


@pytest.mark.slow
def test_worst_draw_is_that_of_the_run_and_can_be_replayed(plan: Plan, tmp_path: Path) -> None:
    own = resolve_plan(events=[KNOCK], algorithms=["guarded"], draws=24, vary="sensor")
    found = study_tolerance(own, out=tmp_path / "run")
    worst = found.worst.set_index("restraint").loc[STAGE_1]
    run = open_run(tmp_path / "run")
    rows = run.verdicts
    rows = rows[(rows["restraint"] == STAGE_1) & (rows["draw"] > 0)]
    assert worst["demand_margin"] == rows["demand_margin"].min()
    again = replay(run, KNOCK, draw=int(worst["draw"]))
    assert again.differences == ()
    kept = next(iter(run.parts("drawn")))
    assert set(kept["draw"]) == set(range(25))


def test_drawn_values_are_those_of_the_trial() -> None:
    draws = [0, 1, 2, 3]
    found = trial(KNOCK, draw=draws, channels=["central_x"], algorithm=[])
    drawn = drawn_of(found)
    sensor = found.sensor_set.sensors["central_x"]
    # Before anything happens a word holds offset and noise: no noise in draw 0, little elsewhere.
    early = found.samples.channels["central_x"][:, :40].mean(axis=1)
    expected = (
        sensor.offset_tolerance * drawn["central_x offset"]
        + sensor.offset_temperature
        * drawn.get("central_x offset_temperature", np.zeros(4))
        * drawn["unit warmer_k"]
    )
    np.testing.assert_allclose(early, expected, atol=0.75 * sensor.step)
    assert drawn["unit phase"][0] == 0.0
    again = drawn_of(trial(KNOCK, draw=[2], channels=["central_x"], algorithm=[]))
    assert again["central_x offset"][0] == drawn["central_x offset"][2]


def test_nothing_is_listed_that_does_not_vary() -> None:
    none = trial(KNOCK, draw=[1], channels=["central_x"], algorithm=[], vary="none")
    assert drawn_of(none) == {}
    pulse = drawn_of(trial(KNOCK, draw=[1], channels=["central_x"], algorithm=[], vary="pulse"))
    assert pulse
    assert all(name.startswith("pulse ") for name in pulse)


def test_too_few_draws_are_refused(plan: Plan) -> None:
    few = resolve_plan(events=[KNOCK], draws=5)
    with pytest.raises(InputError, match="20 or more"):
        study_tolerance(few)
    with pytest.raises(InputError, match="power of 2"):
        study_tolerance(plan, sobol=12)


@pytest.mark.slow
def test_plan_key_and_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = evaluate(events=[KNOCK], algorithms=["plain"], draws=1, vary="sensor", keep=["drawn"])
    table = next(iter(run.parts("drawn")))
    assert set(table.columns) == {"occurrence", "sensor_set", "draw", "quantity", "value"}
    out = tmp_path / "deep" / "tolerance"
    arguments = ["study", "tolerance", "--events", KNOCK, "--draws", "20", "--vary", "sensor"]
    assert command([*arguments, "--out", str(out)]) == 0
    assert "crashsense replay" in capsys.readouterr().out
    assert (out / "tolerance.parquet").is_file()
    assert (out / "tolerance_run" / "verdicts.csv").is_file()
