"""Steps of the interpreter by function: for a block of draws, and for an event besides its draws.

Run:   python tests/benchmarks/bench_steps.py [--every 14] [--most 30]

A step is an instruction of Python's bytecode; calls into compiled code (numpy, kernels) are counted
beside them. Both are the same in every run, on busy cores too, where clocks say little: a change
that spares the interpreter work shows to the last step. What two runs of the same events differ by,
one with more draws, belongs to the blocks of draws; the rest is divided by the events. What a run
does once is in that rest: with many events it is small. Counting takes a hundred times as long as
the steps themselves.
"""

from __future__ import annotations

import argparse
import gc
import sys
import tempfile
from collections import Counter
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

from crashsense import campaign
from crashsense.plan import Plan, resolve_plan
from crashsense.trials.block import BLOCK

#: Draws of the two runs, both of whole blocks.
FEW, MANY = 2 * BLOCK, 8 * BLOCK

#: Steps and calls into compiled code, by file and function.
Counts = Counter[tuple[str, str]]


def counted(plan: Plan, folder: Path) -> tuple[Counts, Counts]:
    """Evaluate a plan in this process; return steps, and calls into compiled code."""
    steps: Counter[CodeType] = Counter()
    calls: Counter[CodeType] = Counter()

    def step(frame: FrameType, event: str, _: Any) -> Any:
        if event == "opcode":
            steps[frame.f_code] += 1
        return step

    def enter(frame: FrameType, _: str, __: Any) -> Any:
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        return step

    def call(frame: FrameType, event: str, _: Any) -> None:
        if event == "c_call":
            calls[frame.f_code] += 1

    gc.collect()
    gc.disable()
    sys.setprofile(call)
    sys.settrace(enter)
    try:
        campaign.evaluate(plan, out=folder, workers=1)
    finally:
        sys.settrace(None)
        sys.setprofile(None)
        gc.enable()
    return _by_function(steps), _by_function(calls)


def _by_function(found: Counter[CodeType]) -> Counts:
    """Sum up by file, from the package's name on, and function."""
    out: Counts = Counter()
    for code, number in found.items():
        out["/".join(Path(code.co_filename).parts[-3:]), code.co_qualname] += number
    return out


def main() -> None:
    """Count, and print the functions with most steps."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--every", type=int, default=14, help="every so many events of the library")
    parser.add_argument("--most", type=int, default=30, help="functions to print")
    asked = parser.parse_args()
    events = resolve_plan(draws=1).events[:: asked.every]
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for draws in (MANY, FEW):
            plan = resolve_plan(draws=draws, events=events)
            campaign.evaluate(plan, out=Path(folder) / f"first-{draws}", workers=1)
            found[draws] = counted(plan, Path(folder) / f"counted-{draws}")
    blocks, of_few = (MANY - FEW) // BLOCK * len(events), FEW // BLOCK
    of_block, of_event = [], []  # steps, then calls
    for few, many in zip(found[FEW], found[MANY], strict=True):
        names = few.keys() | many.keys()
        more = {name: (many[name] - few[name]) / blocks for name in names}
        of_block.append(more)
        of_event.append({name: few[name] / len(events) - of_few * more[name] for name in names})
    for title, (steps, calls) in (("a block of draws", of_block), ("an event besides", of_event)):
        print(f"{title}: {sum(steps.values()):.0f} steps, {sum(calls.values()):.0f} calls")
        for name in sorted(steps, key=lambda name: -steps[name])[: asked.most]:
            print(f"{steps[name]:10.0f} {calls.get(name, 0.0):8.1f}  {name[0]} {name[1]}")


if __name__ == "__main__":
    main()
