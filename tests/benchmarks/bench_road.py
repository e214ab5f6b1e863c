"""Cost of the road, misuse and combined part of the library, run as a script.

Targets: all nominal events of this part under 1.5 s on two cores, the whole library under 3 s; road
profiles linear in length; a minute of cobbles in bounded memory. Ratios in one run.
"""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor

from crashsense.draws import generator
from crashsense.synthesis.recipe import Recipe, load_recipes
from crashsense.synthesis.road.profile import RandomRoad, density_at_reference_cycles, wheel_path
from crashsense.synthesis.road.stream import stream

ROWS = ("M", "F34", "F35")


def seconds(call: Callable[[], object], *, repeats: int = 3) -> float:
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


def profile(length_m: float) -> None:
    """Random road and wheel path of a length."""
    road = RandomRoad(density_at_reference_cycles("E"), step_m=0.01)
    points = round(length_m / road.step_m)
    normals = [
        generator(1, "bench", block).standard_normal((1, road.normals_per_block))
        for block in range(road.blocks_for(points))
    ]
    heights = road.heights(normals, points=points)
    wheel_path(heights, step_m=road.step_m, radius_m=0.3)


def main() -> None:
    """Print the tables."""
    library = load_recipes()
    ours = [recipe for recipe in library if recipe.matrix.startswith(ROWS)]
    nominal(ours[0])  # imports of the filters
    print(f"{len(ours)} recipes of this part of {len(library)}")
    one_core = sum(seconds(lambda r=r: nominal(r), repeats=1) for r in ours)
    print(f"{'this part, one core':32}{one_core:8.2f} s")
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(nominal, ours[:6]))  # imports in both workers
        for words, chosen in (("this part", ours), ("whole library", library)):
            start = time.perf_counter()
            list(pool.map(nominal, chosen, chunksize=4))
            print(f"{words + ', two processes':32}{time.perf_counter() - start:8.2f} s")

    print(f"\n{'road, m':>10}{'s':>10}{'us a metre':>14}")
    for length in (500.0, 2000.0, 8000.0):
        taken = seconds(lambda length=length: profile(length))
        print(f"{length:10.0f}{taken:10.3f}{1e6 * taken / length:14.1f}")

    cobbles = next(r for r in library if r.name == "cobbles_50")
    print(f"\n{'cobbles, s':>10}{'s':>10}{'peak MiB':>14}")
    for duration in (5.0, 60.0, 300.0):
        start = time.process_time()
        for _ in stream(cobbles, duration_s=duration):
            pass
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{duration:10.0f}{time.process_time() - start:10.2f}{peak:14.0f}")

    print(f"\n{'event':24}{'draws':>8}{'s':>9}{'ratio to one':>14}")
    for name in ("kerb_climb_30", "hammer_rail", "trolley_door", "kerb_then_wall_40_100"):
        recipe = next(r for r in library if r.name == name)
        single = seconds(lambda r=recipe: r.block([0], seed=1))
        for size in (100, 1000):
            taken = seconds(lambda r=recipe, n=size: r.block(range(n), seed=1), repeats=1)
            print(f"{name:24}{size:8}{taken:9.2f}{taken / single:14.1f}")


if __name__ == "__main__":
    main()
