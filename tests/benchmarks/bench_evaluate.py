"""Whole ``crashsense evaluate`` on the shipped library, start to finish, imports shown apart.

Run:   python tests/benchmarks/bench_evaluate.py [rounds]

Prints medians and ranges of interleaved rounds, and the seconds inside the program by stage.
Figures belong to one machine; nothing here is asserted.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import bench_library

IMPORTS = "numpy, scipy.special, pandas, pyarrow, pyarrow.dataset, pydantic, jinja2, click"


def seconds(command: list[str], *, folder: str) -> float:
    """Wall time of a command that must end with 0 or 1."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    start = time.perf_counter()
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True)
    taken = time.perf_counter() - start
    if done.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(command)} ended with {done.returncode}:\n{done.stderr}")
    return taken


def main(rounds: int) -> None:
    """Measure and print."""
    program = [sys.executable, "-m", "crashsense"]
    commands = {
        "whole evaluate": [*program, "evaluate"],
        "imports alone": [sys.executable, "-c", f"import {IMPORTS}"],
        "--help": [*program, "--help"],
        "--version": [*program, "--version"],
        "bare interpreter": [sys.executable, "-c", "pass"],
    }
    taken: dict[str, list[float]] = {name: [] for name in commands}
    size = 0
    for _ in range(rounds):
        for name, command in commands.items():
            with tempfile.TemporaryDirectory() as folder:
                taken[name].append(seconds(command, folder=folder))
                page = Path(folder) / "crashsense-run" / "report.html"
                size = page.stat().st_size if page.exists() else size
    print(f"{rounds} rounds, {os.cpu_count()} cores; seconds, median (least to most)")
    for name, values in taken.items():
        middle = statistics.median(values)
        print(f"  {name:<18} {middle:6.2f} ({min(values):.2f} to {max(values):.2f})")
    rest = statistics.median(taken["whole evaluate"]) - statistics.median(taken["imports alone"])
    print(f"  evaluate less imports {rest:.2f}; report.html {size / 1e6:.1f} MB")
    bench_library.print_stages({draws: bench_library.stages_of_a_run(draws) for draws in (0, 20)})


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
