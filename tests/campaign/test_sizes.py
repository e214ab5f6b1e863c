"""How long a plan will take, where its run goes, and what is said of both before it begins."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyarrow.parquet as pq
import pytest
from pulses_by_hand import pulse

import crashsense
from crashsense.campaign import executors, running
from crashsense.campaign.evaluation import Job
from crashsense.campaign.running import CSV_ROWS, MEASURED_DRAWS
from crashsense.errors import RunFolderError
from crashsense.event import Context
from crashsense.plan import Plan, resolve_plan
from crashsense.results.folder import RunFolder
from crashsense.results.tables import SCHEMA_VERSION, Task
from crashsense.rules import algorithm_from_toml
from crashsense.signal import Signal
from crashsense.trials import Conditions

ALGORITHM = algorithm_from_toml(
    'name = "one"\n[rules.front_airbag_stage_1]\nfamily = "velocity_change"\nthreshold_m_s = 3.0\n'
)


def plan_of(draws: int, *, lengths: tuple[int, ...]) -> Plan:
    """A plan of one event of each length [samples], from a different occurrence each."""
    events = []
    for number, size in enumerate(lengths):
        event = pulse(f"hand_{number}", 5.0, fire=True)
        signal = event.signals["central_x"]
        kept = replace(signal, samples=signal.samples[:size])
        assert isinstance(kept, Signal)
        events.append(replace(event, signals={"central_x": kept}))
    return resolve_plan(events=events, algorithms=[ALGORITHM], draws=draws)


def campaign(plan: Plan, how: running.How | None = None) -> Any:
    job = Job(tuple(plan.occurrences()), plan.sensor_sets, plan.algorithms, Conditions())
    return running._Campaign(plan, job, how or running.How())


@pytest.mark.parametrize("draws", [0, 1, 5, 200])
@pytest.mark.parametrize("lengths", [(800,), (800, 1600), (800, 1200, 1600, 2400, 2000)])
def test_the_time_of_a_draw_goes_with_its_length_and_three_are_measured(
    draws: int, lengths: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clock made by hand: what lasts as long as it has samples is found to do so."""
    plan = plan_of(draws, lengths=lengths)
    found = campaign(plan)
    clock, asked = [100.0], []

    def run_task(job: Job, task: Task) -> None:
        asked.append(task)
        size = job.occurrences[task.occurrence][0].signals["central_x"].samples.shape[-1]
        clock[0] += 1e-6 * size * (task.last - task.first)

    monkeypatch.setattr(running, "run_task", run_task)
    monkeypatch.setattr(running.time, "perf_counter", lambda: clock[0])
    expected = [1e-6 * size for size in lengths]
    assert found.seconds_a_draw() == pytest.approx(expected)
    number = len(lengths)
    assert {task.occurrence for task in asked} == {0, number // 2, number - 1}
    first, last = (0, 1) if draws == 0 else (1, 1 + min(draws, MEASURED_DRAWS))
    warm, measured = asked[::2], asked[1::2]
    assert {(task.first, task.last) for task in measured} == {(first, last)}
    # Loaded with a few draws of those that are then measured.
    assert all(first == task.first < task.last <= min(last, first + 8) for task in warm)


@pytest.mark.parametrize("draws", [0, 3, 2 * CSV_ROWS // 7])
@pytest.mark.parametrize("workers", [None, 1, 4])
def test_an_estimate_adds_up(
    draws: int, workers: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = plan_of(draws, lengths=(800, 1600))
    found = campaign(plan, running.How(workers=workers))
    monkeypatch.setattr(running, "cores", lambda: 8)
    monkeypatch.setattr(found, "seconds_a_draw", lambda: [0.5, 1.5])
    told = found.estimate(loading_s=3.0)
    assert (told.events, told.sensor_sets, told.algorithms, told.draws) == (2, 1, 1, draws + 1)
    assert told.evaluations == 2 * (draws + 1)
    assert told.rows == 7 * told.evaluations
    computing = 2.0 * (draws + 1)
    assert told.workers == (workers or (8 if computing > running.PROCESSES_FROM_S else 1))
    assert told.seconds == pytest.approx(3.0 + computing / told.workers)
    # 20 kB a part, 40 bytes a row, 160 a line of verdicts.csv: draw 0 only of a large table.
    lines = told.rows if told.rows <= CSV_ROWS else 7 * 2
    assert told.bytes == 20_000 * len(found.tasks()) + 40 * told.rows + 160 * lines
    assert isinstance(told.bytes, int)


@pytest.mark.parametrize(
    ("how", "seconds", "told"),
    [
        (running.How(workers=1), 40.0, "about 40 s of computing in 1 process"),
        (running.How(executor=executors.InProcess()), 40.0, "about 40 s of computing in 1 process"),
        (running.How(workers=4), 48.0, "about 12 s of computing in 4 processes"),
        (running.How(), 600.0, "about 2.5 min of computing in 4 processes"),
        (running.How(workers=4), 39.0, None),
        (running.How(workers=1), 9.0, None),
    ],
)
def test_long_work_is_announced_with_the_processes_that_share_it(
    how: running.How, seconds: float, told: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = plan_of(3000, lengths=(800, 1600))
    found = campaign(plan, how)
    said: list[str] = []
    found.on_begin = said.append
    tasks = found.tasks()
    monkeypatch.setattr(running, "cores", lambda: 4)
    # A draw of either takes the same, and a nominal one as long as 16 (its traces are kept).
    each = seconds / (2 * (3000 + 16))
    monkeypatch.setattr(found, "seconds_a_draw", lambda: [each, each])
    found.choose(tasks)
    assert said == ([] if told is None else [told])


def test_a_guess_counts_what_is_evaluated_and_is_said_to_be_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    cluster: Any = SimpleNamespace(workers=2)
    plan = plan_of(3000, lengths=(800, 1600))
    one = campaign(plan, running.How(executor=cluster))
    sets = [replace(plan.sensor_sets[0], name=name) for name in "abc"]
    pair = [plan.algorithms[0], replace(plan.algorithms[0], name="other")]
    more = campaign(
        resolve_plan(events=plan.events, sensor_sets=sets, algorithms=pair, draws=3000),
        running.How(executor=cluster),
    )
    expected = [6 * seconds for seconds in one.guessed_seconds_a_draw()]
    assert more.guessed_seconds_a_draw() == pytest.approx(expected)
    said: list[str] = []
    more.on_begin = said.append
    # 3 x 2 evaluations of 800 and 1600 samples; a nominal draw counts as 16.
    monkeypatch.setattr(running, "SECONDS_A_SAMPLE", {"numpy": 48.0 / (6 * 2400 * 3016)})
    more.choose(more.tasks())
    assert said == ["about 24 s of computing in 2 processes (a rough guess, not measured)"]


def test_a_worker_is_asked_for_the_engine_only_where_one_is_at_hand_and_numba_is_wanted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(running, "choose", lambda wanted, *, thorough: (wanted, "here"))
    there: Callable[..., Any] = lambda wanted, *_, **__: (wanted, "there")  # noqa: E731
    monkeypatch.setattr(running, "asked", there)
    for near in (True, False):
        monkeypatch.setattr(running, "at_hand", lambda near=near: near)
        assert running._engine("numpy") == ("numpy", "here")
        assert running._engine("fast") == ("fast", "there" if near else "here")


def test_failures_in_parts_that_are_there_count_from_the_start(tmp_path: Path) -> None:
    events = [pulse(f"weak_{k}", 1.0, fire=True) for k in range(3)]  # 3 m/s are never reached
    events.append(pulse("hard", 6.0, fire=True))
    told: list[int] = []

    def note(done: int, total: int, *, failures: int, **_: Any) -> None:
        told.append(failures)

    run = tmp_path / "run"
    plan = resolve_plan(events=events, algorithms=[ALGORITHM])

    def evaluated() -> str:
        told.clear()
        crashsense.evaluate(plan, out=run, engine="numpy", on_progress=note)
        return str(json.loads((run / "provenance.json").read_text())["finished"])

    finished = evaluated()
    assert datetime.fromisoformat(finished) <= datetime.now(UTC)
    assert (told[0], told[-1]) == (0, 3)
    assert evaluated() == finished  # nothing was missing
    parts = sorted(run.glob("verdicts.parquet/part-*"))
    assert len(parts) == 4
    for part in parts[1:]:
        part.unlink()
    evaluated()
    failed = [row["verdict"] == "missed" for row in rows_of(parts[0])]
    assert told[0] == sum(failed)
    assert told[-1] == 3
    assert sum(sum(row["verdict"] == "missed" for row in rows_of(part)) for part in parts) == 3


def test_progress_counts_its_seconds_from_the_beginning(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[Any] = []
    found = campaign(plan_of(0, lengths=(800,)))
    found.on_progress = lambda done, total, **more: told.append((done, total, more))
    found.began = 100.0
    monkeypatch.setattr(running, "time", SimpleNamespace(monotonic=lambda: 107.5))
    found._tell(1, 2, 3)
    assert told == [(1, 2, {"seconds": 7.5, "failures": 3})]


@pytest.mark.parametrize("waiting", [False, True])
def test_a_run_is_begun_with_kernels_that_all_work(
    waiting: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the process that will compute: a worker where some are at hand."""
    asked: list[Any] = []

    def choose(wanted: str, *, thorough: bool = False) -> tuple[str, str]:
        asked.append(("tried", wanted, thorough))
        return "numpy", "a note"

    def of_a_worker(wanted: str, function: Any, *given: Any, **more: Any) -> Any:
        asked.append(("worker", wanted))
        return function(*given, **more)

    monkeypatch.setattr(running, "at_hand", lambda: waiting)
    monkeypatch.setattr(running, "choose", choose)
    monkeypatch.setattr(running, "asked", of_a_worker)
    assert running._engine("fast") == ("numpy", "a note")
    assert asked == [("worker", "fast")] * waiting + [("tried", "fast", True)]
    asked.clear()
    running._engine("numpy")
    assert asked == [("tried", "numpy", True)]


def rows_of(part: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = pq.read_table(part).to_pylist()
    return rows


def manifest(folder: Path, identity: dict[str, Any]) -> None:
    folder.mkdir()
    RunFolder(folder).write_manifest({"schema_version": SCHEMA_VERSION, "identity": identity})


def test_the_next_free_folder_is_taken_where_another_plan_is_in_the_way(tmp_path: Path) -> None:
    found = campaign(plan_of(0, lengths=(800,)))
    run = tmp_path / "run"
    assert found.free(run) == run
    mine = found._identity()
    manifest(run, {**mine, "plan": {"draws": 7}})
    assert found.free(run) == tmp_path / "run-2"
    manifest(tmp_path / "run-2", {**mine, "plan": {"draws": 8}})
    assert found.free(run) == tmp_path / "run-3"
    manifest(tmp_path / "run-3", mine)  # its own, to be continued
    assert found.free(run) == tmp_path / "run-3"


@pytest.mark.parametrize(("existed", "content"), [(False, False), (True, False), (False, True)])
def test_a_run_that_could_not_begin_leaves_no_empty_folder_of_its_own(
    existed: bool, content: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = campaign(plan_of(0, lengths=(800,)))
    run = tmp_path / "run"
    if existed:
        run.mkdir()

    def fail(folder: RunFolder, identity: object) -> None:
        if content:
            (folder.path / "run.log").write_text("begun\n")
        raise RunFolderError("no")

    monkeypatch.setattr(found, "_run_locked", fail)
    with pytest.raises(RunFolderError, match="no"):
        found.run_in_folder(run)
    assert run.exists() == (existed or content)


@pytest.mark.parametrize("csv_rows", [10**6, 1])
def test_rows_of_a_run_too_large_for_memory_are_written_in_their_order(
    csv_rows: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """In pieces, which end within a draw; of two events that share an occurrence one by one."""
    later, last = pulse("b", 5.0, fire=True), pulse("c", 2.0, fire=False)
    first = replace(later, name="a", context=Context(belted=False))
    plan = {"events": [last, later, first], "algorithms": [ALGORITHM, replace(ALGORITHM, name="a")]}
    whole = crashsense.evaluate(**plan, draws=5, engine="numpy").verdicts
    monkeypatch.setattr("crashsense.results.run.KEPT_ROWS", 0)
    monkeypatch.setattr(running, "KEPT_ROWS", 0)
    monkeypatch.setattr(running, "CSV_ROWS", csv_rows)
    monkeypatch.setattr(running, "PIECE", 13)
    run = crashsense.evaluate(**plan, draws=5, engine="numpy", out=tmp_path / "run", chunk=3)
    assert not run.in_memory
    wanted = whole if csv_rows > 1 else whole[whole["draw"] == 0]
    text = (tmp_path / "run" / "verdicts.csv").read_text(encoding="utf-8")
    assert text == wanted.to_csv(index=False)
