"""Evaluate: from a plan to a run."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, fields, replace
from itertools import count
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from crashsense.campaign.evaluation import COUNTED, Job, Made, Written, count_failures, run_task
from crashsense.campaign.executors import Cluster, Executor, InProcess, Processes
from crashsense.campaign.size import Estimate, long_time
from crashsense.campaign.tasks import Bundle, bundled, split, work_of
from crashsense.engine import choose, requested, using
from crashsense.errors import Fault, InputError, RunFolderError, nearest
from crashsense.event import RESTRAINTS
from crashsense.plan.inputs import code_digest
from crashsense.plan.resolve import Plan, conditions_of, resolve_plan
from crashsense.processes import asked, at_hand, cores
from crashsense.results.ahead import ReadAhead
from crashsense.results.folder import (
    PLAN,
    FolderLock,
    RunFolder,
    changes,
    refuse_change,
    write_csv,
    write_text,
)
from crashsense.results.input_copies import keep_inputs
from crashsense.results.intake import Intake
from crashsense.results.provenance import (
    PROVENANCE,
    finished_before,
    now,
    provenance,
    versions,
)
from crashsense.results.run import KEPT_ROWS, SUMMARY, Run
from crashsense.results.tables import SCHEMA_VERSION, Task, in_order, returned_memory
from crashsense.rules import Rule
from crashsense.rules.trust import note_evaluated
from crashsense.trials.block import PATHS, release_noise
from crashsense.trials.judge import release_rules

#: Up to this many rows verdicts.csv holds every draw; beyond, draw 0 only.
CSV_ROWS = 200_000

#: Rows of verdicts.csv that are written at once.
PIECE = 2**13

#: Most worker processes on one machine: more is a typing error, and would exhaust its memory.
MOST_WORKERS = 1000

#: Seconds of estimated work from which processes are started without being asked for; and where
#: they are at hand (:func:`crashsense.processes.begun`).
PROCESSES_FROM_S, AT_HAND_FROM_S = 20.0, 1.0

#: Seconds that an occurrence and a draw hardly ever take longer than: a plan that is short even so
#: is run here at once, without measuring.
SLOW_OCCURRENCE_S, SLOW_DRAW_S = 0.1, 0.02

#: Estimated work [s] from which the expected time is announced.
ANNOUNCED_FROM_S = 10.0

#: Draws used to measure the time of a plan: whole groups of the compiled kernels.
MEASURED_DRAWS = 32

#: What a draw costs where nothing was measured, by engine [s a sample of the longest signal, sensor
#: set and algorithm]: bundles need only know which of them are long.
SECONDS_A_SAMPLE = {"numpy": 1.2e-6, "fast": 2.5e-7}

Progress = Callable[..., None]


def evaluate(
    plan: str | Path | Plan | None = None,
    *,
    out: str | Path | None = None,
    or_next: bool = False,
    workers: int | None = None,
    executor: Executor | None = None,
    cluster: Any = None,
    engine: str | None = None,
    path: str = "auto",
    chunk: int | None = None,
    on_progress: Progress | None = None,
    on_begin: Callable[[str], None] | None = None,
    **keys: Any,
) -> Run:
    """Run a plan.

    Parameters
    ----------
    plan : a plan file, a resolved :class:`Plan`, or None for the shipped library
    out : run folder; None keeps the tables in memory. The same plan on the same folder does only
        what is missing
    or_next : where *out* holds a run of another plan, take ``out-2``, ``out-3``, ... instead of
        refusing; the run says which
    workers : processes; None: one, or all cores for long work
    executor : the caller's :class:`~crashsense.campaign.executors.Executor`
    cluster : address or client of a dask cluster. Its tasks take some 5 % less time where dask's
        profiler is off (``DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED=False`` for its workers)
    engine : ``"numpy"`` or ``"fast"`` (extra ``fast``); None: the fastest installed. Verdicts and
        fire times are the same, floats agree to 1e-9
    path : ``"auto"`` or ``"full"`` (noise and filters at the high rate throughout)
    chunk : draws per task; does not affect results
    on_progress : called as ``on_progress(done, total, seconds=, failures=)``: evaluations, and
        nominal requirements that gating algorithms have not met so far; a
        :class:`~crashsense.campaign.progress.ProgressLine` writes them as a line
    on_begin : called once with a sentence on how long the work will take, if that is long
    keys : keys of a plan that override it: ``events``, ``algorithms``, ``draws``, ... Names, paths
        or objects, see :func:`crashsense.plan.resolve_plan`
    """
    how = How(
        workers=workers, executor=executor, cluster=cluster, engine=engine, path=path, chunk=chunk
    )
    if out is not None:
        # Before the plan is resolved: that may take a minute.
        RunFolder(Path(out)).check_new_or_run()
    with _campaign(plan, keys, how, on_progress=on_progress) as campaign:
        campaign.on_begin = on_begin
        if out is None:
            return campaign.run_in_memory()
        # Made absolute at once: a rule in this process may change the working folder.
        folder = Path(out).absolute()
        return campaign.run_in_folder(campaign.free(folder) if or_next else folder)


def estimate(plan: str | Path | Plan | None = None, **given: Any) -> Estimate:
    """Measure a few draws of a plan and estimate the whole.

    *given*: fields of :class:`How`, and keys of a plan that override it, as :func:`evaluate` takes.
    """
    began = time.perf_counter()
    how = How(**{one.name: given.pop(one.name) for one in fields(How) if one.name in given})
    with _campaign(plan, given, how) as campaign:
        return campaign.estimate(loading_s=time.perf_counter() - began)


@dataclass(frozen=True, kw_only=True)
class How:
    """Where and how a plan is computed; for each field see :func:`evaluate`."""

    workers: int | None = None
    executor: Executor | None = None
    cluster: Any = None
    engine: str | None = None
    path: str = "auto"
    chunk: int | None = None

    def __post_init__(self) -> None:
        faults = []
        if self.workers is not None and not 1 <= self.workers <= MOST_WORKERS:
            faults.append(Fault("evaluate", "workers", self.workers, f"1 to {MOST_WORKERS}"))
        if self.chunk is not None and self.chunk < 1:
            faults.append(Fault("evaluate", "chunk", self.chunk, "1 or more draws"))
        if self.path not in PATHS:
            faults.append(Fault("evaluate", "path", self.path, nearest(str(self.path), PATHS)))
        if faults:
            raise InputError(faults)


@contextmanager
def _campaign(
    plan: str | Path | Plan | None,
    keys: Mapping[str, Any],
    how: How,
    *,
    on_progress: Progress | None = None,
) -> Iterator[_Campaign]:
    """Resolve the plan; release memory and connections at the end."""
    # Signals have the same bits with both engines: which one really computes is asked afterwards.
    wanted = requested(how.engine)
    with using(wanted):
        resolved = resolve_plan(plan, **keys)
    chosen, note = _engine(wanted)
    note_evaluated(place for a in resolved.algorithms for place in _code_of(a.rules.values()))
    if note:
        resolved = replace(resolved, notes=(*resolved.notes, note))
    job = Job(
        occurrences=tuple(resolved.occurrences()),
        sensor_sets=resolved.sensor_sets,
        algorithms=resolved.algorithms,
        conditions=conditions_of(resolved.keys, path=how.path),
        keep=tuple(resolved.keys.keep),
        engine=chosen,
    )
    with ExitStack() as stack:
        stack.enter_context(returned_memory())
        stack.callback(release_noise)
        stack.callback(release_rules)
        if how.executor is None and how.cluster is not None:
            how = replace(how, executor=stack.enter_context(closing(Cluster(how.cluster))))
        yield _Campaign(resolved, job, how, on_progress=on_progress)


def _engine(wanted: str) -> tuple[str, str]:
    """The engine for a run, and a note; as a worker says, if workers are at hand.

    The server that forks them has loaded every kernel, and this process may never need one.
    """
    if at_hand() and wanted == "fast":
        return asked(wanted, choose, wanted, thorough=True)
    return choose(wanted, thorough=True)


class _Campaign:
    """Sizes the tasks, runs them, keeps count."""

    def __init__(
        self, plan: Plan, job: Job, how: How, *, on_progress: Progress | None = None
    ) -> None:
        self.plan = plan
        self.job = job
        self.workers = how.workers
        self.executor = how.executor
        self.chunk = how.chunk
        self.on_progress = on_progress
        self.on_begin: Callable[[str], None] | None = None
        self.settings = len(plan.sensor_sets) * len(plan.algorithms)
        self.began = time.monotonic()

    # -- sizes ---------------------------------------------------------------------------------

    def seconds_a_draw(self) -> list[float]:
        """Return the time of one draw of each occurrence, measured on a few draws of three of them.

        The others are assumed to cost more, the longer their signals are.
        """
        most = min(MEASURED_DRAWS, self.plan.draws)
        first, last = (0, 1) if self.plan.draws == 0 else (1, 1 + most)
        number = len(self.job.occurrences)
        picks = sorted({0, number // 2, number - 1})
        took = 0.0
        for index in picks:
            run_task(self.job, Task(index, first, min(last, first + 8)))  # load, design filters
            start = time.perf_counter()
            run_task(self.job, Task(index, first, last))
            took += (time.perf_counter() - start) / (last - first)
        length = self._lengths()
        a_sample = took / sum(length[index] for index in picks)
        return [a_sample * size for size in length]

    def guessed_seconds_a_draw(self) -> list[float]:
        """Return roughly what one draw of each occurrence takes, without measuring."""
        a_sample = SECONDS_A_SAMPLE[self.job.engine] * self.settings
        return [a_sample * size for size in self._lengths()]

    def _lengths(self) -> list[int]:
        """Samples of the longest signal of each occurrence."""
        return [
            max((signal.samples.shape[-1] for signal in events[0].signals.values()), default=1)
            for events in self.job.occurrences
        ]

    def estimate(self, *, loading_s: float) -> Estimate:
        """Measure a few draws and estimate the whole; resolving the plan took *loading_s*."""
        evaluations = self.plan.evaluations
        rows = evaluations * 7
        total = sum(self.seconds_a_draw()) * (self.plan.draws + 1)
        workers = self.workers or (cores() if total > PROCESSES_FROM_S else 1)
        if self.executor is not None:
            workers = self.executor.workers
        return Estimate(
            events=len(self.plan.events),
            sensor_sets=len(self.plan.sensor_sets),
            algorithms=len(self.plan.algorithms),
            draws=self.plan.draws + 1,
            evaluations=evaluations,
            rows=rows,
            seconds=loading_s + total / workers,
            # Measured: a part has a fixed share, a row packs to 4-40 bytes, a line of CSV has 160.
            bytes=20_000 * len(self.tasks())
            + 40 * rows
            + 160 * (rows if rows <= CSV_ROWS else rows // (self.plan.draws + 1)),
            workers=workers,
        )

    # -- running -------------------------------------------------------------------------------

    def choose(self, tasks: Sequence[Task]) -> tuple[Executor, Sequence[Bundle]]:
        """Say where tasks run, and bundle them for it.

        In this process for short work; processes when asked for, or for long work.
        """
        alone: list[Bundle] = [(task,) for task in tasks]
        draws = sum(task.last - task.first for task in tasks)
        most = SLOW_OCCURRENCE_S * len(tasks) + SLOW_DRAW_S * draws
        limit = AT_HAND_FROM_S if at_hand() else PROCESSES_FROM_S
        can_share = self.workers != 1 and len(tasks) > 1
        if self.workers is None:
            can_share = can_share and cores() > 1 and most > limit
        if isinstance(self.executor, InProcess) or (self.executor is None and not can_share):
            if self.on_begin is not None and most > PROCESSES_FROM_S:
                self._announce(work_of(tasks, seconds_a_draw=self.seconds_a_draw()), workers=1)
            return self.executor or InProcess(), alone
        # Workers that are there, here or in a cluster, would wait while this process measures and
        # loads what only they need.
        waiting = at_hand() or self.executor is not None
        cost = self.guessed_seconds_a_draw() if waiting else self.seconds_a_draw()
        work = work_of(tasks, seconds_a_draw=cost)
        executor = self.executor
        if executor is None:
            if self.workers is None and work <= limit:
                return InProcess(), alone
            executor = Processes(self.workers or cores())
        self._announce(work, workers=executor.workers, guessed=waiting)
        beside = self.job.engine == "numpy"
        return executor, bundled(
            tasks, seconds_a_draw=cost, workers=executor.workers, beside=beside
        )

    def _announce(self, work: float, *, workers: int, guessed: bool = False) -> None:
        """Announce how long the work will take, if it is long."""
        if self.on_begin is not None and work / workers > ANNOUNCED_FROM_S:
            words = f"about {long_time(work / workers)} of computing in {workers} process"
            words += "es" * (workers != 1) + " (a rough guess, not measured)" * guessed
            self.on_begin(words)

    def results(self, tasks: Sequence[Task], *, failures: int = 0) -> Generator[tuple[Task, Made]]:
        """Yield the results of the tasks, reporting progress over those to be done now.

        *failures*: those in the parts that are there already.
        """
        if not tasks:
            return
        total = sum(self._evaluations(task) for task in tasks)
        done = 0
        executor, bundles = self.choose(tasks)
        self.began = time.monotonic()
        self._tell(done, total, failures)
        with closing(executor.run(self.job, bundles)) as finished:
            for task, made in finished:
                done += self._evaluations(task)
                failures += (
                    made.failures
                    if isinstance(made, Written)
                    else count_failures(self.job, made["verdicts"])
                )
                yield task, made
                self._tell(done, total, failures)

    def _evaluations(self, task: Task) -> int:
        events = len(self.job.occurrences[task.occurrence])
        return events * self.settings * (task.last - task.first)

    def _tell(self, done: int, total: int, failures: int) -> None:
        if self.on_progress is not None:
            seconds = time.monotonic() - self.began
            self.on_progress(done, total, seconds=seconds, failures=failures)

    def tasks(self) -> list[Task]:
        """All tasks of the plan."""
        return split(self.job, draws=self.plan.draws, chunk=self.chunk)

    def run_in_memory(self) -> Run:
        """Run the plan and keep the tables."""
        kept: dict[str, dict[Task, pa.Table]] = {}
        with closing(self.results(self.tasks())) as results:
            for task, made in results:
                assert not isinstance(made, Written)  # there is no folder
                for name, table in made.items():
                    kept.setdefault(name, {})[task] = table
        ordered = {name: [by[task] for task in sorted(by)] for name, by in kept.items()}
        return Run(
            plan=self.plan,
            folder=None,
            tables=ordered,
            path=self.job.conditions.path,
            engine=self.job.engine,
        )

    def free(self, path: Path) -> Path:
        """Return the path, or the first free numbered one if it holds another plan's run."""
        identity = self._identity()
        for number in count(1):
            candidate = path if number == 1 else path.with_name(f"{path.name}-{number}")
            folder = RunFolder(candidate)
            if not folder.exists or not changes(folder.manifest()["identity"], identity):
                return candidate
        raise AssertionError  # there is always another number

    def run_in_folder(self, path: Path) -> Run:
        """Run the plan and write its folder; existing parts are kept."""
        folder = RunFolder(path)
        folder.check_new_or_run()
        identity = self._identity()
        if folder.exists:
            refuse_change(path, folder.manifest()["identity"], identity)
        existed = path.exists()
        try:
            with FolderLock(path):
                return self._run_locked(folder, identity)
        except BaseException:
            if not existed and path.is_dir() and not any(path.iterdir()):
                path.rmdir()
            raise

    def _identity(self) -> dict[str, Any]:
        return {
            "plan": self.plan.keys.written(),
            "inputs": dict(self.plan.inputs),
            "versions": versions(self.job.engine),
            "code": code_digest(),
            "path": self.job.conditions.path,
            "engine": self.job.engine,
        }

    def _run_locked(self, folder: RunFolder, identity: dict[str, Any]) -> Run:
        self.job = replace(self.job, nominal=True)
        folder.remove_temporary()
        names = ["verdicts", "nominal"]
        if "fire_curves" in self.job.keep:
            names.append("fire_curves")
        if {"traces_nominal", "traces_failed"} & set(self.job.keep):
            names.append("traces")
        if "drawn" in self.job.keep:
            names.append("drawn")
        plan_text = self.plan.to_toml()
        if folder.exists:
            manifest = folder.manifest()
            refuse_change(folder.path, manifest["identity"], identity)
            tasks = [Task(*entry) for entry in manifest["tasks"]]
            names = manifest["tables"]
        else:
            tasks = self.tasks()
            folder.write_manifest(
                {
                    "schema_version": SCHEMA_VERSION,
                    "tables": names,
                    "begun": now(),
                    "identity": identity,
                    "tasks": [[t.occurrence, t.first, t.last] for t in tasks],
                    "plan_sha256": hashlib.sha256(plan_text.encode()).hexdigest(),
                }
            )
        # Every time: an earlier run may have been stopped between the manifest and this.
        write_text(folder.path / PLAN, plan_text)
        self.job = replace(self.job, folder=str(folder.path.resolve()), mark=folder.mark)
        keep_inputs(self.plan, folder.path)
        missing = [t for t in tasks if not folder.is_done(t, tables=t.parts_of(names))]
        # Before a run is complete nobody has waited for its parts, those of a stopped one neither.
        complete = (folder.path / SUMMARY).exists()
        not_on_disk = missing if complete else tasks
        if missing:  # a summary must not outlive the parts that it sums up
            (folder.path / SUMMARY).unlink(missing_ok=True)
        failures = 0
        if missing and self.on_progress is not None:
            to_do = set(missing)
            done = [folder.part("verdicts", t) for t in tasks if t not in to_do]
            failures = sum(
                count_failures(self.job, folder.read_part(path, columns=COUNTED)) for path in done
            )
        folder.log(f"{len(tasks)} tasks, {len(missing)} to do, {self.plan.evaluations} evaluations")
        small = self.plan.evaluations * len(RESTRAINTS) <= KEPT_ROWS
        intake = Intake(keeps=small)
        # A command draws the page next; in a script what is held would only take memory.
        ahead = ReadAhead(folder, ("nominal",) if small and at_hand() else ())
        try:
            with closing(self.results(missing, failures=failures)) as results:
                for task, made in results:
                    if isinstance(made, Written):
                        folder.note(task, made.sums)
                        ahead.read(task, made.sums)
                    else:
                        folder.write_parts(task, made)
                    part = _verdicts_of(folder, task, made, columns=intake.columns(task))
                    if part is not None:
                        intake.add(part, task=task)
        except BaseException as error:
            folder.log(f"stopped: {type(error).__name__}: {error}")
            raise
        folder.check_files(folder.manifest())
        for task in intake.lacks(tasks):
            path = folder.part("verdicts", task)
            part = folder.read_part(path, columns=intake.columns(task), packed=True)
            intake.add(part, task=task)
        run = Run(
            plan=self.plan,
            folder=folder.path,
            intake=intake,
            path=self.job.conditions.path,
            engine=self.job.engine,
            nominal_parts=ahead.held.get("nominal"),
        )
        finished = finished_before(folder) if complete and not missing else None
        with ThreadPoolExecutor(1) as beside:
            on_disk = beside.submit(folder.bring_to_disk, not_on_disk)
            self._finish(folder, run, intake=intake, finished=finished, on_disk=on_disk)
        folder.log("complete")
        return run

    def _finish(
        self,
        folder: RunFolder,
        run: Run,
        *,
        intake: Intake,
        finished: str | None,
        on_disk: Future[None],
    ) -> None:
        """Write what follows from the parts, while these are brought to the disk."""
        summary = run.summary()
        if summary["rows"] <= CSV_ROWS:
            write_csv(folder.path / "verdicts.csv", self._sorted(folder, intake))
        else:
            write_csv(folder.path / "verdicts.csv", [run.nominal])
        if self.plan.draws:
            write_csv(folder.path / "statistics.csv", [run.statistics()])
        on_disk.result()  # before anything says that the run is complete, or when it was
        folder.write_json(
            PROVENANCE, provenance(self.plan, folder.manifest(), finished=finished or now())
        )
        folder.write_json(SUMMARY, summary)  # last: a folder that has it is complete

    def _sorted(self, folder: RunFolder, intake: Intake) -> Iterator[pa.Table]:
        """Yield the verdicts in small pieces, in the order of the key."""
        kept = intake.rows()
        for part in self._by_event(folder) if kept is None else [pa.concat_tables(kept)]:
            order = in_order(part)
            for first in range(0, order.size, PIECE):
                yield part.take(order[first : first + PIECE])

    def _by_event(self, folder: RunFolder) -> Iterator[pa.Table]:
        """Yield the verdicts of each event in turn, its draws ascending from part to part."""
        groups = enumerate(self.job.occurrences)
        where = {event.name: index for index, group in groups for event in group}
        for name in sorted(where):
            for part in folder.tables(occurrence=where[name], packed=True):
                yield part.filter(pc.equal(part.column("event"), name))


def _verdicts_of(
    folder: RunFolder, task: Task, made: Made, *, columns: list[str] | None
) -> pa.Table | None:
    """The verdicts of a task that has ended; None where they cannot be read at once.

    On a disk far away a worker's file may be seen later: then it is read when all have ended.
    """
    if not isinstance(made, Written):
        return made["verdicts"]
    path, sha256 = folder.part("verdicts", task), made.sums["verdicts"]
    try:
        return folder.read_part(path, columns=columns, packed=True, sha256=sha256)
    except (RunFolderError, OSError):
        return None


def _code_of(rules: Iterable[Rule]) -> Iterator[str]:
    """Files with the code of the user's rules."""
    for rule in rules:
        file = str(getattr(rule, "file", ""))
        if file:
            yield file
        yield from _code_of(rule.children.values())
