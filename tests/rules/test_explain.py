"""``crashsense explain`` on a run folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from crashsense.campaign import evaluate
from crashsense.cli import main
from crashsense.results import open_run, replay
from crashsense.rules.why import why

EVENT = "side_pole_90_29"


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("explained") / "run"
    evaluate(events=[EVENT], algorithms=["plain", "guarded"], draws=1, out=out)
    return out


def test_explain_names_branch_time_and_inputs(run_folder: Path, capsys) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["explain", str(run_folder), EVENT, "--restraint", "side_airbag_left", "--tree"])
    assert not stop.value.code
    out = capsys.readouterr().out
    row = replay(open_run(run_folder), EVENT).rows.set_index("restraint").loc["side_airbag_left"]
    assert out.startswith("CAUTION: ")
    assert f"fired at {row['fire_time_ms']:.2f} ms" in out
    assert "door_left_pressure" in out
    assert "kpa (code" in out


def test_why_agrees_with_the_verdict(run_folder: Path) -> None:
    run = open_run(run_folder)
    for draw in (0, 1):
        for algorithm in ("plain", "guarded"):
            replayed = replay(run, EVENT, draw=draw, algorithm=algorithm)
            rows = replayed.rows.set_index("restraint")
            for restraint, rule in replayed.trial.algorithm.rules.items():
                if rows.loc[restraint, "verdict"] == "not_evaluated":
                    continue
                found = why(rule, replayed.trial.samples)
                fire_ms = rows.loc[restraint, "fire_time_ms"]
                assert found.fired == (fire_ms == fire_ms)
                if found.fired:
                    assert found.time_s * 1e3 == pytest.approx(fire_ms, abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([EVENT, "--restraint", "side_airbag_lef"], "did you mean 'side_airbag_left'"),
        (["side_pole_90_92"], "side_pole_90_29"),
        ([EVENT, "--draw", "7"], "0 to 1, the draws of the run"),
        ([EVENT, "--algorithm", "gaurded"], "did you mean 'guarded'"),
    ],
)
def test_bad_input(run_folder: Path, capsys, arguments: list[str], message: str) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["explain", str(run_folder), *arguments])
    assert stop.value.code == 2
    assert message in capsys.readouterr().err


def test_a_late_restraint_is_explained_at_its_required_time(
    tmp_path_factory: pytest.TempPathFactory, capsys
) -> None:
    out = tmp_path_factory.mktemp("late") / "run"
    run = evaluate(events=["underride_40"], algorithms=["plain"], out=out)
    rows = run.verdicts.set_index("restraint")
    row = rows.loc["front_airbag_stage_1"]
    assert row["verdict"] == "late"
    with pytest.raises(SystemExit) as end:
        main(["explain", str(out), "underride_40", "--restraint", "front_airbag_stage_1", "--tree"])
    assert end.value.code == 0
    text = capsys.readouterr().out
    due, reached = row["required_time_ms"], row["demand_at_required_time"]
    assert f"up to the required time ({due:.2f} ms) demand had reached {reached:.4g} of 1" in text
    # Plain: velocity change against 1.8 m/s where belted.
    assert f"nearest: belted: velocity change {1.8 * reached:.2f} of 1.80 m/s" in text
    assert f"short by {1.8 - 1.8 * reached:.3g} m/s" in text
    assert "unbelted: velocity_change does not count: the event is belted" in text
    assert f"fired at {row['fire_time_ms']:.2f} ms" in text


@pytest.mark.slow
def test_a_rule_that_failed_is_explained_by_its_error(tmp_path: Path, capsys) -> None:
    (tmp_path / "fails.py").write_text(
        "class Fails:\n    requires = frozenset({'central_x'})\n"
        "    def reset(self, *, rate_hz, context): pass\n"
        "    def update(self, frame): raise SystemExit(5)\n"
    )
    (tmp_path / "mine.toml").write_text(
        '[rules.belt_pretensioner]\nfamily = "python"\nfile = "fails.py:Fails"\n'
    )
    out = tmp_path / "run"
    run = evaluate(events=["hammer_tunnel"], algorithms=[str(tmp_path / "mine.toml")], out=out)
    verdicts = run.verdicts.set_index("restraint")["verdict"]
    assert verdicts["belt_pretensioner"] == "rule_error"
    with pytest.raises(SystemExit) as stop:
        main(["explain", str(out), "hammer_tunnel"])
    assert not stop.value.code
    said = " ".join(capsys.readouterr().out.split())  # the words break where the line ends
    assert "the rule itself failed: PythonRule: SystemExit: 5" in said
