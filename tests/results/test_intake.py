"""What is taken from parts as they come is what the whole run says, in any order of parts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

import crashsense
from crashsense.errors import RunFolderError
from crashsense.plan import resolve_plan
from crashsense.results import Run, intake, open_run
from crashsense.results.folder import RunFolder, unpacked
from crashsense.results.intake import Intake
from crashsense.results.tables import VERDICT_SCHEMA, Task
from crashsense.results.tally import TALLY_COLUMNS, Tally

EVENTS = ["bumper_barrier_8", "hammer_tunnel"]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    plan = resolve_plan(events=EVENTS, draws=9, vary="sensor", seed=5)
    out = tmp_path_factory.mktemp("intake") / "run"
    return crashsense.evaluate(plan, out=out, chunk=4, engine="numpy", workers=1)


def parts_of(run: Run) -> dict[Task, pa.Table]:
    assert run.folder is not None
    folder = RunFolder(run.folder)
    tasks = [Task(*entry) for entry in folder.manifest()["tasks"]]
    return {task: folder.read_part(folder.part("verdicts", task), packed=True) for task in tasks}


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize("rows", [1, 40, 10**6])
def test_any_order_of_parts(
    seed: int, rows: int, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake, "TALLY_ROWS", rows)
    parts = parts_of(run)
    order = np.random.default_rng(seed).permutation(len(parts))
    taken = Intake(keeps=True)
    for place in order:
        task = list(parts)[place]
        # As a worker that writes it sends it, or as the folder gives it back.
        part = parts[task] if place % 2 else unpacked(parts[task], VERDICT_SCHEMA)
        taken.add(part, task=task)
        taken.add(part, task=task)  # a second time it counts for nothing
    plain = [unpacked(part, VERDICT_SCHEMA) for part in parts.values()]
    whole = pd.concat([part.to_pandas() for part in plain])
    wanted = Tally().add(whole[TALLY_COLUMNS])
    assert taken.tally.counts == wanted.counts
    assert taken.tally.counts_drawn == wanted.counts_drawn
    assert taken.tally.random == wanted.random
    assert taken.tally.statistics().equals(wanted.statistics())
    kept = taken.rows()
    assert kept is not None
    assert [unpacked(part, VERDICT_SCHEMA) for part in kept] == plain
    own = taken.rows(1)
    assert own is not None
    assert len(own) == sum(task.occurrence == 1 for task in parts)
    assert taken.nominal.to_pandas().equals(whole[whole["draw"] == 0].reset_index(drop=True))


def test_rows_are_kept_only_if_it_is_asked(run: Run) -> None:
    taken = Intake()
    for task, part in parts_of(run).items():
        taken.add(part, task=task)
    assert taken.rows() is None
    assert taken.tally.rows == len(run.verdicts)


@pytest.mark.parametrize("kept", [True, False])
def test_a_run_that_was_stopped_ends_as_one_that_was_not(
    kept: bool, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("crashsense.campaign.running.KEPT_ROWS", 10**6 if kept else 0)
    assert run.folder is not None
    again: dict[str, object] = {"chunk": 4, "engine": "numpy", "workers": 1}

    def stop(done: int, total: int, **more: object) -> None:
        if 0 < done < total:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        crashsense.evaluate(run.plan, out=tmp_path / "run", on_progress=stop, **again)
    parts = len(RunFolder(tmp_path / "run").parts())
    assert 0 < parts < len(parts_of(run))
    assert not (tmp_path / "run" / "summary.json").exists()
    ended = crashsense.evaluate(run.plan, out=tmp_path / "run", **again)
    assert ended.in_memory == kept
    assert ended.summary() == run.summary()
    assert ended.verdicts.equals(run.verdicts)
    assert ended.nominal.equals(run.nominal)
    assert ended.rows(EVENTS[1], draw=3).equals(run.rows(EVENTS[1], draw=3))
    for name in ("verdicts.csv", "statistics.csv"):
        assert (tmp_path / "run" / name).read_bytes() == (run.folder / name).read_bytes()
    assert open_run(tmp_path / "run").summary() == run.summary()


def test_a_part_that_is_seen_late_is_taken_in_the_end(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a disk far away the file of a worker may be seen later than it was written."""
    read_part, hidden = RunFolder.read_part, []

    def late(folder: RunFolder, path: Path, **named: object) -> pa.Table:
        if named.get("sha256") and len(hidden) < 2:
            hidden.append(path)
            raise RunFolderError("not there yet")
        return read_part(folder, path, **named)

    monkeypatch.setattr(RunFolder, "read_part", late)
    ended = crashsense.evaluate(run.plan, out=tmp_path / "run", chunk=4, engine="numpy", workers=2)
    assert len(hidden) == 2
    assert ended.verdicts.equals(run.verdicts)
    assert ended.summary() == run.summary()
