"""Speed of the rules: ratios in one run, medians of interleaved rounds.

    python tests/benchmarks/bench_rules.py

Each criterion on a block of 1,000 draws x 600 samples against its per-sample twin in plain Python
(timed on 20 draws and scaled up), and the guarded algorithm against the sum of its leaves.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.rules import load_algorithm, rule_families, rule_from_table, sharing
from crashsense.rules.checked import rows
from crashsense.rules.conformance import block
from crashsense.rules.parameters import Criterion
from crashsense.rules.sweep import leaves, swept_demand

RATE = 2000.0
DRAWS, SIZE, TWIN_DRAWS, ROUNDS = 1000, 600, 20, 5
#: Draws that a rule is given at once.
BLOCK = 64


def seconds(call: Callable[[], object]) -> float:
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def samples():
    source = np.random.default_rng(1)
    t = (np.arange(SIZE) - 100) / RATE
    pulse = np.where((t > 0) & (t < 0.1), 200.0 * np.sin(np.pi * t / 0.1), 0.0)
    values = {
        name: -pulse * (1 + 0.1 * source.standard_normal((DRAWS, 1)))
        + 20 * source.standard_normal((DRAWS, SIZE))
        for name in CHANNELS
    }
    return block(values, rate_hz=RATE)


def leaky_velocity_script(rows_: list[list[float]]) -> list[list[float]]:
    """The tidied script's rule: leaky, floored velocity over its threshold."""
    out = []
    for row in rows_:
        v, found = 0.0, []
        for a in row:
            v += (-a - 19.6133) / RATE
            if v < 0.0:
                v = 0.0
            found.append(v / 1.5)
        out.append(found)
    return out


def main() -> None:
    given = samples()
    few = rows(given, list(range(TWIN_DRAWS)))
    plain = few.channels["central_x"].tolist()
    rule = rule_from_table({"family": "velocity_change", "threshold_m_s": 1.5, "leak_g": 2.0})
    script = np.array(leaky_velocity_script(plain))
    ticks = np.argmax(script >= 1.0, axis=-1)
    if not np.array_equal(ticks, np.argmax(rule.demand(few) >= 1.0, axis=-1)):
        raise SystemExit("the script and the family do not fire at the same samples")
    twin = [seconds(lambda: leaky_velocity_script(plain)) for _ in range(ROUNDS)]
    scaled = statistics.median(twin) * DRAWS / TWIN_DRAWS
    print(f"per-sample script, leaky velocity, {DRAWS} draws x {SIZE}: {scaled * 1e3:.0f} ms = 1")
    for name, family in rule_families().items():
        if not issubclass(family, Criterion):
            continue
        one = family()
        blocks = [rows(given, list(range(i, i + BLOCK))) for i in range(0, DRAWS, BLOCK)
                  if i + BLOCK <= DRAWS]  # fmt: skip
        times = [
            seconds(lambda one=one, blocks=blocks: [one.demand(b) for b in blocks])
            for _ in range(ROUNDS)
        ]
        took = statistics.median(times) * DRAWS / (len(blocks) * BLOCK)
        print(f"  {name:<30} {took * 1e3:8.1f} ms   ratio {scaled / took:6.1f}")
    some = rows(given, list(range(64)))
    for name in ("plain", "guarded"):
        algorithm = load_algorithm(name)
        parts, whole = [], []
        for _ in range(ROUNDS):
            unique = list({id(r): r for r in algorithm.rules.values()}.values())

            def run(u: list = unique) -> None:
                with sharing():
                    for rule in u:
                        rule.demand(some)

            run()
            whole.append(seconds(run))
            parts.append(
                seconds(lambda u=unique: [x.demand(some) for r in u for x in leaves(r).values()])
            )
        ratio = statistics.median(whole) / statistics.median(parts)
        print(f"{name}: whole {statistics.median(whole) * 1e3:.1f} ms for 64 draws, "
              f"{ratio:.2f} of the sum of its leaves")  # fmt: skip
    front = load_algorithm("guarded").rules["belt_pretensioner"]
    scales = np.linspace(0.5, 2.0, 200)

    def sweep() -> None:
        highest = np.maximum.accumulate(swept_demand(front, some), axis=-1)
        for row in highest:
            np.searchsorted(row, scales)

    once = [seconds(lambda: front.demand(some)) for _ in range(ROUNDS)]
    swept = [seconds(sweep) for _ in range(ROUNDS)]
    print(f"200 threshold scales / one: {statistics.median(swept) / statistics.median(once):.2f}")


if __name__ == "__main__":
    main()
