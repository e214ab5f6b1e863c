"""The table of speed goals: this program against a tidied script and against a fused C kernel.

Run:   python tests/benchmarks/bench_goals.py [--rounds 3] [--small] [--save]
       python tests/benchmarks/bench_goals.py --scaling 1,2,4,8,16 --draws 50

Every ratio is taken within one run: rounds are interleaved, figures are medians (least to most).
Processor time, one core; wall time where two processes or a whole command are compared. The kernel
in C comes with the reference material beside a checkout and is compiled where a compiler is there.
``--save`` keeps the table as JSON in ``tests/benchmarks/results/``, by commit. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import ctypes
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import bench_library
import numpy as np
import yardstick

import crashsense
from crashsense import campaign, engine
from crashsense.scoring import fire_times_at_scales
from crashsense.sensing import load_sensor_set, sense
from crashsense.synthesis import load_events
from crashsense.synthesis.nominal_cache import in_processes

HERE = Path(__file__).resolve().parent
KERNEL = HERE.parents[2] / "shared" / "reference" / "yardstick" / "k.c"
SCRIPT_RUNS = 300

#: One event in so many is taken along the full path, with as many draws as elsewhere: what an
#: evaluation costs depends on the draws of an event, hardly on the number of events.
FULL_SHARE = 12

#: Engine fast with a rule of the house's families, against the script of the same rule.
FAMILIES = "fast, families"


@dataclass
class Case:
    """One timed piece of work: a call, and how many evaluations it holds."""

    call: Callable[[], object]
    count: int
    wall: bool = False
    taken: list[float] = field(default_factory=list)
    #: what the base took right before and after, over what this took
    ratios: list[float] = field(default_factory=list)

    def run(self) -> None:
        clock = time.perf_counter if self.wall else time.process_time
        start = clock()
        self.call()
        self.taken.append((clock() - start) / self.count)

    def run_between(self, base: Case) -> None:
        """Run, with the base right before and after: a machine is slower at some times."""
        base.run()
        self.run()
        base.run()
        self.ratios.append(statistics.mean(base.taken[-2:]) / self.taken[-1])

    @property
    def median(self) -> float:
        return statistics.median(self.taken)


# --- the two ends of the scale -------------------------------------------------------------------


def script(pulses: np.ndarray, *, house: bool = False) -> Case:
    """The tidied script, evaluation by evaluation; *house*: with the rule of the house's families.

    That is the base of what is measured with this rule: its way starts again where the car stands.
    """
    source = np.random.default_rng(0)
    evaluate = yardstick.tidied_house if house else yardstick.tidied

    def call() -> None:
        for run in range(SCRIPT_RUNS):
            evaluate(pulses[run % len(pulses)], source)

    return Case(call, SCRIPT_RUNS)


class Kernel:
    """The fused C kernel with fresh noise, or with a shared bank of noise."""

    def __init__(self, folder: str) -> None:
        library = str(Path(folder) / "kernel.so")
        command = ["gcc", "-O3", "-march=native", "-shared", "-fPIC", "-DF64"]
        subprocess.run([*command, str(KERNEL), "-o", library, "-lm"], check=True)
        self.library = ctypes.CDLL(library)
        sys.path.insert(0, str(KERNEL.parent))
        import core

        self.core = core

    def cases(self, draws: int, events: int) -> tuple[Case, Case]:
        """Noise at the rate of the words, and at the internal rate; codes, rule, fire index."""
        import scipy.signal as ss

        core, lanes = self.core, self.library.lanes()
        draws = draws // lanes * lanes
        pulses = core.events(events)
        scale, offset = core.draws(draws)
        step = core.lsb(core.RNG_A)
        gain = np.ascontiguousarray(scale.T)
        shift = np.ascontiguousarray(offset.T / step)
        sigma = np.full((2, draws), core.SIG / step)
        sections = np.ascontiguousarray(core.arma_sos()[0][:, [0, 1, 2, 4, 5]])
        unit = step * core.G * core.DT
        rule = (ctypes.c_double * 8)(
            1 - core.LEAK,
            unit / core.VTH,
            unit / core.WTH,
            unit * core.DT / core.STH,
            unit * core.T / core.STH,
            step * core.G * 0.5 * core.T**2 / core.STH,
            core.ATH / unit,
            core.HOLD,
        )
        words = [
            np.ascontiguousarray(ss.sosfilt(core.SOS, p, axis=-1)[:, :: core.DEC] / step)
            for p in pulses
        ]
        rest = np.ascontiguousarray(ss.sosfilt(core.SOS, np.ones(core.N))[:: core.DEC])
        fire, largest = np.zeros(draws, np.int32), np.zeros(draws)

        def at(array: np.ndarray) -> Any:
            return array.ctypes.data_as(ctypes.c_void_p)

        def call() -> None:
            for number, word in enumerate(words):
                self.library.dec(
                    *(at(word), at(rest), core.M, at(gain), at(shift), at(sigma), draws),
                    *(at(sections), 3, rule, None, number, 1, 0, at(fire), at(largest)),
                    *(None, 0, None, None),
                )

        inner = np.ascontiguousarray(core.SOS[:, [0, 1, 2, 4, 5]])
        readings = [np.ascontiguousarray(p / step) for p in pulses]

        def full() -> None:
            for number, reading in enumerate(readings):
                self.library.raw(
                    *(at(reading), core.N, core.DEC, at(gain), at(shift), at(sigma), draws),
                    *(at(inner), rule, None, number, 1, 0, at(fire), at(largest)),
                )

        return Case(call, draws * events), Case(full, draws * events)


def check_rules(pulses: np.ndarray) -> int:
    """The script's rule and ours fire at the same ticks on the same words; return how many fire."""
    fired = 0
    for event in yardstick.events(pulses):
        samples = sense(
            event.signals,
            load_sensor_set(),
            draws=range(8),
            occurrence=event.name,
            channels=yardstick.CHANNELS,
        ).samples
        demand = yardstick.ArrayRule().demand(samples)
        house = yardstick.house_rule().demand(samples)
        for row in range(8):
            main, second = (samples.channels[c][row] / yardstick.G for c in yardstick.CHANNELS)
            for scripted, given in (
                (yardstick.tidied_rule, demand),
                (yardstick.tidied_house_rule, house),
            ):
                tick, _ = scripted(main, second)
                ours = int(np.argmax(given[row] >= 1.0)) if (given[row] >= 1.0).any() else -1
                if ours != tick:
                    raise SystemExit(
                        f"{event.name}, draw {row}: script fires at {tick}, rule at {ours}"
                    )
            fired += tick >= 0
    return fired


# --- through the interface -----------------------------------------------------------------------


def run_of(events: Any, rule: Any, *, draws: int, engine_name: str, **plan: Any) -> Case:
    """One campaign through the public interface, verdicts kept."""
    algorithm = yardstick.algorithm(rule)
    sets = plan.get("sensor_sets") or [None]

    def call() -> object:
        return campaign.evaluate(
            events=events,
            algorithms=[algorithm],
            draws=draws,
            vary="sensor",
            engine=engine_name,
            **{"workers": 1, **plan},
        )

    return Case(call, len(events) * len(sets) * draws)


def ranges() -> list[Any]:
    """Eight ranges of the central element, everything else as it is."""
    standard = load_sensor_set()
    return [
        standard.changed(
            "central_x", name=f"range_{g}", range=g * yardstick.G, front_end=g * yardstick.G
        )
        for g in (60, 70, 80, 90, 100, 110, 120, 140)
    ]


def sweeps(events: Any, rule: Any, engine_name: str, *, sensed: bool) -> tuple[Case, Case]:
    """One threshold, and 200 threshold scales; *sensed*: the words are there, the rule alone."""
    scales = np.linspace(0.5, 2.0, 200)

    def words(event: Any) -> Any:
        return sense(
            event.signals,
            load_sensor_set(),
            draws=range(1, 65),
            occurrence=event.name,
            channels=yardstick.CHANNELS,
        ).samples

    kept = [words(event) for event in events] if sensed else []

    def over(wanted: np.ndarray) -> Callable[[], None]:
        def call() -> None:
            with engine.using(engine_name):
                for samples in kept if sensed else map(words, events):
                    fire_times_at_scales(
                        rule.demand(samples),
                        scales=wanted,
                        start_s=samples.start_s,
                        rate_hz=samples.rate_hz,
                    )

        return call

    count = 64 * len(events)
    return Case(over(np.array([1.0])), count), Case(over(scales), count)


#: Draws of an event, as a multiple of those of the other cases, where one process is compared with
#: two: it then works for 20 s or more, of which the start of the workers (0.6 to 1 s) is less than
#: 5 %.
LONG = {"numpy": 8, "fast": 20}

WHOLE = """
import json, os, resource, sys, time
sys.path.insert(0, {here!r})
import yardstick
from crashsense import campaign

if __name__ == "__main__":
    events = yardstick.events(yardstick.pulses({events}))
    rule = yardstick.CompiledRule() if {engine!r} == "fast" else yardstick.ArrayRule()
    start = time.perf_counter()
    campaign.evaluate(events=events, algorithms=[yardstick.algorithm(rule)], draws={draws},
                      vary="sensor", engine={engine!r}, workers={workers}, out="run")
    seconds = time.perf_counter() - start
    # ru_maxrss of a process may be that of its parent before it; the kernel's own mark is not.
    own = [line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")]
    worker = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(json.dumps([seconds, sum(os.times()[:4]), int(own[0]) / 1024, worker / 1024]))
"""


@dataclass
class Alone:
    """A campaign in a process of its own.

    Seconds on the clock, and of all processors with imports; peak memory of the process and of its
    largest worker [MB].
    """

    seconds: float
    processor_s: float
    peak: float
    worker: float


def alone(*, engine_name: str, draws: int, events: int, workers: int) -> Alone:
    """Run a campaign in a process of its own."""
    code = WHOLE.format(
        here=str(HERE), events=events, engine=engine_name, draws=draws, workers=workers
    )
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "whole.py"
        file.write_text(code, encoding="utf-8")
        run: Any = {"capture_output": True, "text": True, "cwd": folder}
        done = subprocess.run([sys.executable, str(file)], **run)
    if done.returncode:
        raise SystemExit(done.stderr)
    return Alone(*json.loads(done.stdout.splitlines()[-1]))


def command_seconds(*arguments: str) -> float:
    """Wall time of a command in an empty folder."""
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        subprocess.run([sys.executable, *arguments], cwd=folder, capture_output=True)
        return time.perf_counter() - start


# --- the table -----------------------------------------------------------------------------------


@dataclass
class Row:
    """One goal: what it asks, what was found, in words and in numbers."""

    name: str
    engine: str
    goal: str
    met: bool | None
    found: str
    values: dict[str, float]


def ratio_row(name: str, case: Case, *, engine_name: str, goal: float) -> Row:
    ratio, low, high = statistics.median(case.ratios), min(case.ratios), max(case.ratios)
    found = f"{ratio:6.1f} ({low:.1f} to {high:.1f}), {1e6 * case.median:.1f} us"
    values = {"ratio": ratio, "least": low, "most": high, "us": 1e6 * case.median}
    return Row(name, engine_name, f">= {goal:g}", ratio >= goal, found, values)


def further_cases(
    rules: dict[str, Any], *, one: Any, hard: Any, engine_name: str, draws: int, many: int
) -> dict[tuple[str, str], Case]:
    """The full path on hard events, and eight ranges of one event, for each rule by its label."""
    found = {}
    for label, rule in rules.items():
        found["full path", label] = run_of(
            hard, rule, draws=draws, engine_name=engine_name, path="full"
        )
        found["8 ranges", label] = run_of(
            one, rule, draws=many, engine_name=engine_name, sensor_sets=ranges()
        )
    return found


def measured(rounds: int, *, small: bool, folder: str) -> list[Row]:
    """Time everything, round by round, and return the table."""
    draws, many, size = (200, 1000, 12) if small else (1000, 10_000, 60)
    pulses = yardstick.pulses(size)
    events, hard = yardstick.events(pulses), yardstick.events(yardstick.pulses(size, hard=3.0))
    engines = ["numpy", *(["fast"] if engine.installed() else [])]
    rules = {"numpy": {"numpy": yardstick.ArrayRule()}}
    if "fast" in engines:
        own = yardstick.CompiledRule()
        rules["fast"] = {"fast": own, "fast, rule not compiled": yardstick.ArrayRule()}
        rules["fast"] |= {FAMILIES: yardstick.house_rule()}
    base, house = script(pulses), script(pulses, house=True)
    cases: dict[tuple[str, str], Case] = {}
    for name in engines:
        for label, rule in rules[name].items():
            fresh = run_of(events, rule, draws=draws, engine_name=name)
            shared = run_of(events, rule, draws=draws, engine_name=name, sensor_draws="shared")
            cases["fresh noise", label] = fresh
            cases["shared noise", label] = shared
        rule = next(iter(rules[name].values()))
        cases |= further_cases(
            {label: one for label, one in rules[name].items() if "not compiled" not in label},
            one=events[3:4],
            hard=hard[: size // FULL_SHARE],
            engine_name=name,
            draws=draws,
            many=many,
        )
        for kind, sensed in (("", False), (", rule alone", True)):
            one, swept = sweeps(events, rule, name, sensed=sensed)
            cases[f"one scale{kind}", name], cases[f"200 scales{kind}", name] = one, swept
    if shutil.which("gcc") and KERNEL.is_file():
        fast, full = Kernel(folder).cases(draws, size)
        cases["kernel in C", "C"], cases["full kernel in C", "C"] = fast, full
    for case in (base, house, *cases.values()):
        case.call()
    for number in range(rounds):
        for (_, label), case in cases.items():
            case.run_between(house if label == FAMILIES else base)
        print(f"round {number + 1} of {rounds}", file=sys.stderr, flush=True)

    goals = {
        "fresh noise": (f"{size} events x {draws} draws, fresh noise", 8, 60),
        "shared noise": ("the same, shared noise", 14, 80),
        "full path": ("full path (saturation before the filter)", 2.5, 20),
        "8 ranges": (f"8 sensor ranges x {many} draws of one event", 18, 60),
    }
    found = [
        Row(
            "tidied script", "", "1", None, f"{1e6 * base.median:.0f} us", {"us": 1e6 * base.median}
        )
    ]
    for (kind, label), case in cases.items():
        if kind in goals:
            name, *wanted = goals[kind]
            goal = wanted[0] if label == "numpy" else wanted[1]
            found.append(ratio_row(name, case, engine_name=label, goal=goal))
        if kind.startswith("200 scales"):
            only = kind.removeprefix("200 scales")
            ratio = case.median / cases[f"one scale{only}", label].median
            goal = 1.3 if label == "numpy" else 1.2
            name = f"200 threshold scales / one{only}"
            row = Row(name, label, f"<= {goal}", ratio <= goal, f"{ratio:6.2f}", {"ratio": ratio})
            if only:  # no goal: sensing is part of an evaluation
                row.goal, row.met = "", None
            found.append(row)
        if kind.endswith("kernel in C"):
            name = "fused kernel, " + ("full path" if kind.startswith("full") else "fresh noise")
            row = ratio_row(name, case, engine_name="C", goal=0)
            row.goal, row.met = "the ceiling", None
            found.append(row)
    found += whole_rows(engines, rounds, draws=draws, size=size)
    return sorted(found, key=lambda row: (row.met is not None, row.name))


def pair_rows(name: str, rounds: int, *, draws: int, size: int) -> list[Row]:
    """Two workers against one on long work, and the memory of the process and of a worker.

    Where other work shares the processors the clock says little; then the ratio of processor time
    says what two workers cost each other (cache, memory, start).
    """
    found: dict[int, list[Alone]] = {1: [], 2: []}
    for _ in range(rounds):
        for workers, runs in found.items():
            how: Any = {"engine_name": name, "draws": LONG[name] * draws, "events": size}
            runs.append(alone(**how, workers=workers))

    def median(workers: int, of: str) -> float:
        return statistics.median(getattr(run, of) for run in found[workers])

    ratio = median(1, "seconds") / median(2, "seconds")
    work = median(2, "processor_s") / median(1, "processor_s")
    pair = f"{ratio:6.2f} of {median(1, 'seconds'):.0f} s, processor time times {work:.2f}"
    values = {"ratio": ratio, "seconds": median(1, "seconds"), "processor": work}
    peak, worker = (max(getattr(run, of) for run in found[n]) for n, of in _PEAKS)
    most = 250 if name == "numpy" else 350
    text = f"{peak:6.0f} MB, a worker {worker:.0f} MB"
    held = {"megabytes": peak, "worker": worker}
    return [
        Row("two processes / one", name, ">= 1.7", ratio >= 1.7, pair, values),
        Row("peak memory", name, f"<= {most} MB", peak <= most, text, held),
    ]


#: Number of workers, and whose peak memory is shown of such a run.
_PEAKS = ((1, "peak"), (2, "worker"))


def whole_rows(engines: list[str], rounds: int, *, draws: int, size: int) -> list[Row]:
    """What whole processes take: two workers, memory, commands, the shipped library."""
    rows = []
    for name in engines:
        rows += pair_rows(name, rounds, draws=draws, size=size)
    program = ("-m", "crashsense")
    bare, helped, library, imports = [], [], [], []
    names = "numpy, scipy.special, pandas, pyarrow, pyarrow.dataset, pydantic, jinja2, click"
    for _ in range(rounds):
        bare.append(command_seconds("-c", "pass"))
        helped.append(command_seconds(*program, "--help"))
        imports.append(command_seconds("-c", f"import {names}"))
        library.append(command_seconds(*program, "evaluate"))
    seconds = statistics.median(helped)
    text = f"{seconds:6.2f} s, bare interpreter {statistics.median(bare):.2f} s"
    rows.append(Row("--help", "any", "<= 0.2 s", seconds <= 0.2, text, {"seconds": seconds}))
    seconds = statistics.median(library)
    text = f"{seconds:6.1f} s ({min(library):.1f} to {max(library):.1f}), "
    text += f"imports {statistics.median(imports):.1f} s of it"
    name = "shipped library, start to report"
    values = {"seconds": seconds, "imports": statistics.median(imports)}
    rows.append(Row(name, engines[-1], "<= 10 s", seconds <= 10.0, text, values))
    return rows


def commit() -> str:
    """Hash of the commit, with a plus sign if the checkout differs from it."""
    run: Any = {"capture_output": True, "text": True, "cwd": HERE}
    head = subprocess.run(["git", "rev-parse", "--short=12", "HEAD"], **run).stdout.strip()
    dirty = subprocess.run(
        ["git", "status", "--porcelain", "--untracked-files=no"], **run
    ).stdout.strip()
    return f"{head or 'unknown'}{'+' if dirty else ''}"


def whole_library(workers: list[int], *, draws: int) -> dict[str, Any]:
    """The user's time: the whole library by family and stage, over workers, from start to page."""
    every, drawn = 4, 20
    name, _ = engine.choose(None)
    print(f"commit {commit()}", flush=True)
    with engine.using(name), in_processes():
        load_events()  # nominal signals are kept from here on
    families = bench_library.by_family(draws=drawn, every=every, engine_name=name)
    bench_library.print_families(families, engine_name=name, draws=drawn)
    found = bench_library.scaling(workers, draws=draws)
    bench_library.print_scaling(found)
    stages = {number: bench_library.stages_of_a_run(number) for number in (0, drawn)}
    bench_library.print_stages(stages)
    cluster = bench_library.cluster_gain(min(4, max(workers)), draws=drawn, every=every)
    print(f"\ndask cluster of local processes: {cluster or 'distributed is not installed'}")
    return {"families": families, "scaling": found, "stages": stages, "cluster": cluster}


def save(name: str, content: dict[str, Any]) -> None:
    """Keep what was found as JSON, with the machine it was found on."""
    folder = HERE / "results"
    folder.mkdir(exist_ok=True)
    about = {
        "commit": commit(),
        "crashsense": crashsense.__version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "processor": platform.machine(),
        "cores": os.cpu_count(),
    }
    path = folder / f"{name}.json"
    path.write_text(json.dumps({**about, **content}, indent=1) + "\n", encoding="utf-8")
    print(f"saved: {path}")


def main(arguments: list[str] | None = None) -> None:
    """Measure, print, save."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--small", action="store_true", help="a fifth of the work")
    parser.add_argument("--save", action="store_true", help="keep the table as JSON, by commit")
    parser.add_argument("--scaling", help="workers, as 1,2,4: only the whole library over workers")
    parser.add_argument("--draws", type=int, default=50, help="draws of each event in --scaling")
    options = parser.parse_args(arguments)
    if options.scaling:
        workers = [int(number) for number in options.scaling.split(",")]
        found = whole_library(workers, draws=options.draws)
        if options.save:
            save(f"library-{commit()}", found)
        return
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    fired = check_rules(yardstick.pulses(12))
    print(f"script and rule fire at the same ticks ({fired} of 96 draws fire)")
    with tempfile.TemporaryDirectory() as folder:
        rows = measured(options.rounds, small=options.small, folder=folder)
    print(f"\n{options.rounds} interleaved rounds, commit {commit()}, {os.cpu_count()} cores")
    print(f"{'':44} {'engine':24} {'goal':12} {'met':4} found: median (least to most)")
    for row in rows:
        met = {True: "yes", False: "NO", None: ""}[row.met]
        print(f"{row.name:44} {row.engine:24} {row.goal:12} {met:4} {row.found}")
    if options.save:
        content = {"rounds": options.rounds, "small": options.small}
        save(commit(), {**content, "rows": [vars(row) for row in rows]})


if __name__ == "__main__":
    main()
