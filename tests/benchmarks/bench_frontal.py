"""Cost of the frontal events: ``python tests/benchmarks/bench_frontal.py`` (ratios in one run)."""

import resource
import time

import numpy as np

from crashsense import engine
from crashsense.synthesis.dynamics.lumped import integrate
from crashsense.synthesis.frontal.impact import FrontalParameters, build_system
from crashsense.synthesis.model import draw_variation
from crashsense.synthesis.recipe import load_recipes


def median_s(work, rounds=5):
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times)), min(times), max(times)


def variants(wall, recipes):
    """Cost of one, of many, of the library, with the engine that computes here."""
    wall.block([0], seed=0)
    start = time.perf_counter()
    for recipe in recipes:
        recipe.block([0], seed=0)
    print(f"nominal frontal recipes: {len(recipes)} in {time.perf_counter() - start:.2f} s, 1 core")
    one, low, high = median_s(lambda: wall.block([0], seed=0), rounds=9)
    print(f"one variant: {1e3 * one:.1f} ms ({1e3 * low:.1f}..{1e3 * high:.1f})")
    for count in (10, 100, 300, 1000, 2000):
        took, low, high = median_s(lambda n=count: wall.block(range(n), seed=1), rounds=3)
        print(
            f"{count:5d} variants: {took:.2f} s ({low:.2f}..{high:.2f})"
            f" = {took / one:.1f} x one, {1e3 * took / count:.2f} ms each"
        )
        if count == 1000:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
            print(f"      peak memory of the process so far: {peak:.2f} GiB")


def main():
    recipes = [r for r in load_recipes() if r.model.name == "frontal_impact"]
    wall = next(r for r in recipes if r.name == "wall_full_56")
    for name in engine.ENGINES if engine.installed() else engine.ENGINES[:1]:
        print(f"engine {name}")
        with engine.using(name):
            variants(wall, recipes)
    parameters = FrontalParameters(obstacle="rigid_wall", speed_kmh=56.0)
    variation = draw_variation(np.arange(200), seed=1, occurrence="bench", tolerances={})
    system = build_system(parameters, variation)
    for duration in (0.05, 0.1, 0.2, 0.4):
        took, _, _ = median_s(lambda d=duration: integrate(system, duration_s=d), rounds=3)
        print(f"integration of {duration:.2f} s, 200 draws: {took:.2f} s")


if __name__ == "__main__":
    main()
