"""``crashsense explain`` on a run folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from crashsense.campaign import evaluate, open_run, replay
from crashsense.cli import main
from crashsense.rules.why import why

EVENT = "side_pole_90_29"


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("explained") / "run"
    evaluate(events=[EVENT], algorithms=["plain", "guarded"], draws=1, out=out)
    return out


def test_explain_names_branch_time_and_inputs(run_folder: Path, capsys) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["explain", str(run_folder), EVENT, "--restraint", "side_airbag_left"])
    assert not stop.value.code
    out = capsys.readouterr().out
    row = replay(open_run(run_folder), EVENT).rows.set_index("restraint").loc["side_airbag_left"]
    assert f"fired at {row['fire_time_ms']:.2f} ms" in out
    assert "door_left_pressure" in out
    assert "kpa (code" in out


def test_why_agrees_with_the_verdict(run_folder: Path) -> None:
    run = open_run(run_folder)
    for draw in (0, 1):
        for algorithm in ("plain", "guarded"):
            replayed = replay(run, EVENT, draw=draw, algorithm=algorithm)
            rows = replayed.rows.set_index("restraint")
            for restraint, rule in replayed.algorithm.rules.items():
                if rows.loc[restraint, "verdict"] == "not_evaluated":
                    continue
                found = why(rule, replayed.samples)
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
