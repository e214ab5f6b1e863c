"""Chance of firing over impact speed: known answers, and a small study against plain runs."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import isotonic_regression
from scipy.special import expit

from crashsense import campaign
from crashsense.cli import run
from crashsense.errors import InputError
from crashsense.resources import CAUTION
from crashsense.results.statistics import clopper_pearson
from crashsense.studies.severity import (
    COLUMNS,
    CURVE_COLUMNS,
    SeverityStudy,
    _counted,
    falls,
    find_recipe,
    isotonic,
    matrix_limits,
    speed_at_share,
    speed_interval,
    study_severity,
)
from crashsense.studies.severity_report import severity_figure, severity_text
from crashsense.synthesis.severity import speed_sweep

STAGE_1 = "front_airbag_stage_1"
STAGE_2 = "front_airbag_stage_2"
SPEEDS = (12.0, 16.0, 18.0, 26.0)


def test_isotonic_fit_is_that_of_another_implementation() -> None:
    rng = np.random.default_rng(7)
    for _ in range(50):
        weights = rng.integers(1, 50, size=12).astype(float)
        shares = rng.random(12)
        expected = isotonic_regression(shares, weights=weights).x
        np.testing.assert_allclose(isotonic(shares, weights), expected, atol=1e-12)


def test_speed_at_a_share_of_a_broken_line() -> None:
    speeds = np.array([10.0, 20.0, 30.0, 40.0])
    rising = np.array([0.0, 0.2, 0.8, 1.0])
    # On a line through (20, 0.2) and (30, 0.8).
    assert speed_at_share(speeds, rising, 0.5) == pytest.approx(25.0)
    assert speed_at_share(speeds, rising, 0.1) == pytest.approx(15.0)
    assert speed_at_share(speeds, rising, 0.2) == pytest.approx(20.0)
    assert speed_at_share(speeds, np.array([0.0, 0.5, 0.5, 1.0]), 0.5) == pytest.approx(25.0)
    assert speed_at_share(speeds, np.array([0.5, 0.5, 1.0, 1.0]), 0.5) == pytest.approx(15.0)
    assert speed_at_share(speeds, np.array([0.0, 0.0, 0.5, 0.5]), 0.5) == pytest.approx(35.0)
    assert speed_at_share(speeds, rising + 0.6, 0.5) == -math.inf
    assert speed_at_share(speeds, rising / 3.0, 0.5) == math.inf


def test_interval_where_all_changes_within_one_step() -> None:
    speeds = np.array([14.0, 16.0, 18.0, 20.0])
    ten = np.full(4, 10)
    # 10 of 10: one-sided 1 - 0.025^(1/10) = 0.308 (Clopper and Pearson 1934) is below one half.
    assert speed_interval(speeds, np.array([0, 0, 10, 10]), ten, 0.5) == (16.0, 18.0)
    # 0 of 5: 1 - 0.025^(1/5) = 0.522 is not.
    five = np.full(4, 5)
    assert speed_interval(speeds, np.array([0, 0, 5, 5]), five, 0.5) == (-math.inf, math.inf)
    assert speed_interval(speeds, np.array([0, 0, 0, 0]), ten, 0.5) == (20.0, math.inf)
    assert speed_interval(speeds, np.array([10, 10, 10, 10]), ten, 0.5) == (-math.inf, 14.0)
    # A speed without draws tells nothing.
    counts = np.array([10, 10, 0, 10])
    assert speed_interval(speeds, np.array([0, 0, 0, 10]), counts, 0.5) == (16.0, 20.0)
    # The order matters: one speed that is not clear ends the chain.
    assert speed_interval(speeds, np.array([0, 5, 0, 10]), ten, 0.5)[0] == 14.0


def simulated(true_half: float, *, level: float) -> tuple[float, float, float]:
    """Coverage, bias and spread of the 50 % firing speed for a curve that is known."""
    draws = 100
    rng = np.random.default_rng(11)
    speeds = np.arange(10.0, 31.0, 1.0)
    inside, found = 0, []
    rounds = 600
    for _ in range(rounds):
        fired = rng.binomial(draws, expit((speeds - true_half) / 1.2))
        trials = np.full(speeds.size, draws)
        low, high = speed_interval(speeds, fired, trials, 0.5, level=level)
        inside += low <= true_half <= high
        fitted = isotonic(fired / draws, trials.astype(float))
        found.append(speed_at_share(speeds, fitted, 0.5))
    return inside / rounds, float(np.mean(found)) - true_half, float(np.std(found))


def test_half_fire_speed_of_a_known_curve() -> None:
    # Logistic, scale 1.2 km/h, half between two speeds and just above one, which is the hard case:
    # made here, so the answer is known.
    assert simulated(17.001, level=0.95)[0] >= 0.95
    coverage, bias, spread = simulated(17.3, level=0.95)
    assert coverage >= 0.95
    assert abs(bias) < 0.05
    # Close to the best that a fit of the right curve could do: the information of all speeds,
    # n sum p (1 - p) / scale^2 with sum p (1 - p) = scale / step, gives sqrt(1.2 / 100) = 0.11.
    assert 0.08 < spread < 0.2
    # The check can fail: narrower intervals miss more often.
    assert 0.2 <= simulated(17.001, level=0.2)[0] < 0.8


def test_a_share_that_falls_with_speed_is_told() -> None:
    hundred = np.full(4, 100)
    assert falls(np.array([0, 95, 50, 99]), hundred) == (1, 2)
    assert falls(np.array([0, 50, 45, 99]), hundred) is None
    assert falls(np.array([10, 0, 0, 0]), np.array([10, 0, 0, 0])) is None


@pytest.mark.quick(3)
@pytest.mark.parametrize(
    ("name", "restraint", "state", "speeds", "limits"),
    [
        # Rows F02 to F05, F12, L03, L06 and the low-risk rule of stage 2, as in the recipes.
        ("wall_full_25", STAGE_1, "unbelted", (10, 60), (13.0, 20.0)),
        ("wall_full_25", STAGE_1, "belted", (10, 15, 17, 60), (16.0, 25.0)),
        ("wall_full_25", STAGE_2, "belted", (10, 60), (26.0, 40.0)),
        ("wall_full_25", STAGE_1, "belted", (18, 22), (None, None)),
        ("wall_full_25", STAGE_1, "belted", (25, 60), (None, None)),
        ("wall_full_25", "side_airbag_left", "belted", (10, 60), (16.0, None)),
        ("wall_full_13", "belt_pretensioner", "belted", (8, 60), (13.0, 25.0)),
        ("wall_full_13", "belt_pretensioner", "unbelted", (8, 14), (13.0, None)),
        ("side_pole_90_29", "side_airbag_left", "belted", (5, 40), (10.0, 29.0)),
    ],
)
def test_limits_of_the_matrix(name, restraint, state, speeds, limits) -> None:  # type: ignore[no-untyped-def]
    assert matrix_limits(find_recipe(name), restraint, state, speeds_kmh=speeds) == limits


@pytest.fixture(scope="module")
def found() -> SeverityStudy:
    return study_severity("wall_full_25", speeds_kmh=SPEEDS, draws=8, seed=3)


@pytest.mark.slow
def test_shares_are_those_of_plain_runs(found: SeverityStudy) -> None:
    recipes = speed_sweep(find_recipe("wall_full_25"), speeds_kmh=[18.0, 26.0])
    events = [event for recipe in recipes for event in recipe.events()]
    rows = campaign.evaluate(events=events, algorithms=["guarded"], draws=8, seed=3).verdicts
    rows = rows[rows["draw"] > 0]
    fired = rows.assign(fired=rows["fire_time_ms"].notna(), timely=rows["verdict"] == "on_time")
    counts = fired.groupby(["event", "restraint"])[["fired", "timely"]].sum()
    table = found.table.set_index(["speed_kmh", "belts", "restraint"])
    assert len(table) == len(SPEEDS) * 2 * 7
    for (event, restraint), (number, timely) in counts.iterrows():
        speed, belts = str(event).removeprefix("wall_full_25_at_").split("_")
        row = table.loc[(float(speed), belts, restraint)]
        assert (row["fired"], row["draws"]) == (number, 8)
        assert (row["share_low"], row["share_high"]) == clopper_pearson(int(number), 8)
        if row["expectation"] == "fire":
            assert row["on_time"] == timely
    assert table.loc[(26.0, "belted", STAGE_1), "judged"] == 8
    assert math.isnan(table.loc[(18.0, "belted", STAGE_1), "on_time_share"])
    nominal = campaign.evaluate(events=events, algorithms=["guarded"]).verdicts
    wanted = nominal.query("event == 'wall_full_25_at_26_belted' and restraint == @STAGE_1")[
        "verdict"
    ].tolist()
    assert [table.loc[(26.0, "belted", STAGE_1), "nominal_verdict"]] == wanted


def test_curves_say_where_half_fire(found: SeverityStudy) -> None:
    curves = found.curves.set_index(["belts", "restraint"])
    row = curves.loc[("unbelted", STAGE_1)]
    assert row["fires"]
    # Half fire between the last speed with a smaller share and the first with a larger one.
    shares = found.table.query("belts == 'unbelted' and restraint == @STAGE_1")
    shares = shares.set_index("speed_kmh")["share"]
    below, above = shares[shares < 0.5].index.max(), shares[shares > 0.5].index.min()
    assert below < above
    assert below <= row["half_kmh"] <= above
    assert row["half_low_kmh"] <= row["half_kmh"] <= row["half_high_kmh"]
    assert (row["no_fire_to_kmh"], row["fire_from_kmh"]) == (13.0, 20.0)
    spread = row["p90_kmh"] - row["p10_kmh"]  # unknown where a share is not reached
    wanted = spread if np.isfinite(spread) else np.nan
    assert row["spread_kmh"] == pytest.approx(wanted, nan_ok=True)
    assert not curves.loc[("belted", "curtain_left"), "fires"]
    names = {n for key in COLUMNS for n in key.split(", ")}
    assert names == set(found.table.columns)
    names = {n for key in CURVE_COLUMNS for n in key.split(", ")}
    assert names | {"belts", "algorithm", "restraint"} == set(found.curves.columns)


def test_text_and_figure_carry_the_caution(found: SeverityStudy) -> None:
    text = severity_text(found)
    assert text.startswith(f"CAUTION: {CAUTION}\n")
    assert "13 / 20" in text
    assert "side_airbag_left, side_airbag_right, curtain_left, curtain_right" in text
    assert text.count("never fired: ") == 2
    figure = severity_figure(found)
    assert CAUTION in " ".join(figure.get_suptitle().split())
    fired = found.curves.query("fires")["restraint"].unique().tolist()
    shown = [axes.get_title(loc="left") for axes in figure.axes]
    assert shown[0] == STAGE_1
    assert set(fired) <= set(shown)
    unbelted = found.table.query("belts == 'unbelted' and restraint == @STAGE_1")
    drawn = [line.get_ydata() for line in figure.axes[0].lines]
    assert any(np.array_equal(line, unbelted["share"]) for line in drawn)


def test_a_rule_that_failed_tells_nothing_of_firing() -> None:
    rows = pd.DataFrame(
        {
            "event": "e", "restraint": STAGE_1, "algorithm": "a", "draw": range(5),
            "expectation": "fire", "fire_time_ms": [9.0, 9.0, np.nan, np.nan, 9.0],
            "required_time_ms": [20.0, 20.0, 20.0, 20.0, np.nan],
            "max_demand": [2.0, 2.0, 0.5, np.nan, 2.0],
            "verdict": ["on_time", "on_time", "missed", "rule_error", "not_evaluated"],
        }
    )  # fmt: skip
    halves = [rows.iloc[:2], rows.iloc[2:]]
    (row,) = _counted(halves, {"e": (20.0, "belted")}).to_dict("records")
    # Of draws 1 to 4 three have a demand; the one without a required time fired all the same.
    assert (row["draws"], row["fired"]) == (3, 2)
    # A failed rule fails its requirement; without a required time there is none.
    assert (row["judged"], row["on_time"]) == (3, 1)


@pytest.mark.slow
def test_belts_and_algorithms_are_chosen() -> None:
    study = study_severity(
        "wall_full_25",
        speeds_kmh=[30.0, 20.0, 30.0],
        draws=1,
        algorithms=["plain", "guarded"],
        belts=["belted"],
    )
    pairs = study.table[["algorithm", "belts", "speed_kmh"]].drop_duplicates()
    assert pairs.values.tolist() == [
        [algorithm, "belted", speed] for algorithm in ("guarded", "plain") for speed in (20.0, 30.0)
    ]


def test_command_writes_table_text_and_figure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    arguments = ["side_pole_90_29", "--speeds", "12:32:20", "--draws", "3", "--out", str(out)]
    assert run(["study", "severity", *arguments]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith(f"CAUTION: {CAUTION}")
    assert (out / "severity.txt").read_text() in printed
    table = pd.read_csv(out / "severity.csv")
    assert sorted(table["speed_kmh"].unique()) == [12.0, 32.0]
    assert len(pd.read_csv(out / "severity_curves.csv")) == 7
    assert (out / "severity.png").read_bytes()[:4] == b"\x89PNG"
    assert "<svg" in (out / "severity.svg").read_text()


@pytest.mark.slow
def test_default_folder_keeps_another_study(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    first = ["study", "severity", "wall_full_25", "--speeds", "20", "--draws", "1"]
    other = ["study", "severity", "odb_40_40", "--speeds", "20", "--draws", "1"]
    assert run(first) == 0
    kept = (tmp_path / "crashsense-study-severity" / "severity.txt").read_text()
    assert "1 speed, 20 to 20 km/h; 1 draw each" in kept
    assert run(other) == 0
    assert run(first) == 0
    assert (tmp_path / "crashsense-study-severity" / "severity.txt").read_text() == kept
    told = (tmp_path / "crashsense-study-severity-2" / "severity.txt").read_text()
    assert "odb_40_40: " in told
    # The same study once more takes its own folder.
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "crashsense-study-severity",
        "crashsense-study-severity-2",
    ]


def test_bad_input_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    for arguments, part in (
        (["wal_full_25"], "recipe: got 'wal_full_25'; expected one of"),
        (["wal_full_25"], "did you mean 'wall_full_25'?"),
        (["kerb_then_wall_40_20"], "expected a crash whose requirements follow speed"),
        (["wall_full_25", "--speeds", "10:600:2"], "got '102 to 600 km/h'; expected speeds within"),
        (["wall_full_25", "--speeds", "0,20"], "otherwise the obstacle never touches"),
        (["wall_full_25", "--speeds", "10:60"], "expected FIRST:LAST:STEP"),
        (["wall_full_25", "--speeds", "10:60:0"], "expected FIRST:LAST:STEP"),
        (["wall_full_25", "--speeds", "nan"], "expected FIRST:LAST:STEP"),
        (["side_pole_90_29", "--belts", "unbelted"], "expected belted, the belt states"),
        (["wall_full_25", "--algorithm", "gaurded"], "gaurded"),
        (["wall_full_25", "--draws", "0"], "--draws: got '0'"),
        (["wall_full_25", "--out", str(file)], "expected a folder to write in"),
    ):
        assert run(["study", "severity", *arguments]) == 2
        printed = capsys.readouterr()
        assert part in printed.err
        assert len(printed.err.splitlines()) == 1
        assert printed.out == ""
    with pytest.raises(InputError, match="1 or more"):
        study_severity("wall_full_25", speeds_kmh=[20.0], draws=0)
    with pytest.raises(InputError, match="at least one speed"):
        study_severity("wall_full_25", speeds_kmh=[])


def test_last_speed_of_a_range_is_included() -> None:
    from crashsense.cli.study_severity import Speeds

    assert Speeds().convert("10:11:0.1", None, None) == tuple(
        round(10 + 0.1 * k, 1) for k in range(11)
    )
    assert Speeds().convert("10:15:2", None, None) == (10.0, 12.0, 14.0)
    assert Speeds().convert("20,30.5", None, None) == (20.0, 30.5)


def test_a_named_folder_of_another_work_is_refused_before_computing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(campaign, "evaluate", None)  # nothing may be computed
    (tmp_path / "manifest.json").write_text("{}", encoding="utf-8")
    assert run(["study", "severity", "wall_full_25", "--out", str(tmp_path)]) == 2
    assert "one of this study; it holds 'manifest.json'" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["manifest.json"]
