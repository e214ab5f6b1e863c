"""Cost of the side, rear and rollover part of the library, run as a script.

Targets: all nominal events of this part under 1 s on two cores; 1,000 variants of one event at no
more than 30 times the cost of one (ratio, in one run); peak memory under 1 GiB; cost linear in
variants. The ratio compares processor time, which other work on the machine disturbs least.
"""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor

from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.recipe import Recipe, load_recipes

FAMILIES = ("side", "rear", "rollover")


def recipes() -> list[Recipe]:
    """All recipes of this part."""
    root = shipped_folder("pulses")
    return [recipe for family in FAMILIES for recipe in load_recipes(root / family)]


def seconds(call: Callable[[], object], *, repeats: int) -> float:
    """Median processor time [s] of a call."""
    taken = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        taken.append(time.process_time() - start)
    return statistics.median(taken)


def nominal(recipe: Recipe) -> int:
    """Synthesise one recipe in a worker."""
    return len(recipe.block([0], seed=1).signals)


def main() -> None:
    """Print the tables."""
    library = recipes()
    for recipe in library[:1]:
        recipe.block([0], seed=1)  # imports of the filters
    print(f"{'event':28}{'nominal ms':>12}")
    total = 0.0
    for recipe in library:
        one = seconds(lambda r=recipe: r.block([0], seed=1), repeats=3)
        total += one
        print(f"{recipe.name:28}{1e3 * one:12.1f}")
    print(f"{'sum, one core':28}{1e3 * total:12.1f}")
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(nominal, library[:4]))  # imports in both workers
        start = time.perf_counter()
        list(pool.map(nominal, library))
        print(f"{'all, two processes':28}{1e3 * (time.perf_counter() - start):12.1f}")
    print(f"\n{'event':28}{'draws':>8}{'s':>9}{'ratio to one':>14}{'peak MiB':>10}")
    for name in ("side_pole_75_32", "side_barrier_90_50", "rear_barrier_24", "rollover_kerb_25"):
        recipe = next(r for r in library if r.name == name)
        one = seconds(lambda r=recipe: r.block([0], seed=1), repeats=5)
        for draws in (100, 500, 1000):
            taken = seconds(lambda r=recipe, n=draws: r.block(range(n), seed=1), repeats=1)
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"{name:28}{draws:8d}{taken:9.2f}{taken / one:14.1f}{peak:10.0f}")


if __name__ == "__main__":
    main()
