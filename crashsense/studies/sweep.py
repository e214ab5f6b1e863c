"""Sweep: one or two numbers of an algorithm over a grid, and what each value costs.

For every value: must-fire requirements that are late or missed, inadvertent deployments, and the
smallest margins. Settings that no other beats in both kinds of failure form the trade-off front.
Events are sensed once. If the number is a threshold that scales demand, one evaluation of all draws
serves all values (:mod:`crashsense.rules.sweep`) and only the nominal draw is judged at each, for
its margins; otherwise all draws are. Both give the same table.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from crashsense.arrays import BoolArray, FloatArray
from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError
from crashsense.event import Context
from crashsense.files import read_text
from crashsense.results.statistics import clopper_pearson
from crashsense.rules.algorithm import (
    algorithm_from_table,
    algorithm_from_toml,
    algorithm_names,
    algorithm_text,
)
from crashsense.rules.contract import Algorithm, Rule
from crashsense.rules.numbers import Freedom, freedom_of, numbers_of, unknown_numbers, with_numbers
from crashsense.rules.sweep import leaves, swept_demand, with_leaves
from crashsense.sensing import EcuSamples, SensorSet, load_sensor_set
from crashsense.studies.bench import ORDER_S, Bench, Row, Setup, Shelf, opened_bench
from crashsense.studies.calibration import calibration_sources
from crashsense.trials.block import channels_read

if TYPE_CHECKING:
    import pandas as pd

    from crashsense.event import Event


#: Values of a grid that is not given, and settings of a sweep at most.
VALUES, MOST_SETTINGS = 11, 2000
#: Factor by which a threshold is tried to see what it scales; no round number.
TRIED = 1.37

#: Column of the table -> what it means.
COLUMNS = {
    "PARAMETER": "the value, one column a parameter",
    "factor": "of the first value over that of the file",
    "must_fire, must_not": "requirements that are judged, draws counted each",
    "late, missed, early, inadvertent": "of these, how many fail so",
    "ordered, not_in_order": (
        "restraints that must follow another and fire, draws counted each; how many of them fire"
        " alone, before it, or outside the allowed delays"
    ),
    "not_fired_share, not_fired_low, not_fired_high": (
        "share of draws in which some must-fire requirement is late, missed or early, and its exact"
        " 95 % interval"
    ),
    "inadvertent_share, inadvertent_low, inadvertent_high": (
        "share of draws in which some restraint fires without need, likewise"
    ),
    "fire_margin, fire_event, fire_restraint": (
        "smallest demand margin of the nominal draw over must-fire requirements, and where"
    ),
    "no_fire_margin, no_fire_event, no_fire_restraint": "the same over those that must not fire",
    "order_margin_ms, order_event, order_restraint": (
        "how far the delay between two restraints in order lies inside the allowed ones, likewise"
    ),
    "on_front": "no other setting is as good in failures of both kinds and better in one",
}


@dataclass(frozen=True)
class Parameter:
    """A number of an algorithm and the values that it takes."""

    name: str
    values: tuple[float, ...]
    before: float


@dataclass(frozen=True, eq=False)
class Sweep:
    """What :func:`study_sweep` found; columns of the table in :data:`COLUMNS`."""

    algorithm: str
    parameters: tuple[Parameter, ...]
    followers: tuple[str, ...]
    table: pd.DataFrame
    draws: int
    seed: int
    events: int
    by_scale: bool


def parameter_of(text: str, *, algorithm: str | None = None) -> tuple[str, str]:
    """Split ``ALGORITHM:NAME`` into both.

    >>> parameter_of("guarded:ramp_belted.start_m_s")
    ('guarded', 'ramp_belted.start_m_s')
    """
    named, colon, number = text.rpartition(":")
    if not colon or not named or not number:
        expected = "ALGORITHM:NUMBER, such as guarded:ramp_belted.start_m_s"
        raise InputError([Fault("study sweep", "parameter", text, expected)])
    if algorithm is not None and named != algorithm:
        expected = f"a number of the same algorithm, {algorithm}"
        raise InputError([Fault("study sweep", "parameter", text, expected)])
    return named, number


def study_sweep(
    parameters: Mapping[str, Sequence[float] | None],
    *,
    plan: str | Path | None = None,
    events: Sequence[str | Event] = (),
    records: Sequence[str] = (),
    reading: Mapping[str, Any] | None = None,
    sensor_set: str | Path | SensorSet = "standard",
    restraints: Sequence[str] = (),
    draws: int = 50,
    seed: int = 1,
    workers: int | None = None,
    by_scale: bool = True,
    on_progress: Callable[[str], None] | None = None,
) -> Sweep:
    """Judge an algorithm at every value of one or two of its numbers.

    Parameters
    ----------
    parameters : ``"ALGORITHM:NUMBER"`` (name or file of the algorithm, name of the number as in
        :mod:`crashsense.rules.numbers`) -> its values; None: eleven between half and double
    plan, events, records : what it is judged on; without any the shipped library
    reading : how records are read: ``channel``, ``belts``, ``expect``, ``required_from``
    sensor_set : name, path or object
    restraints : which are counted; empty: all on which the numbers act. If one of them must follow
        another, or another it, their order is counted too
    draws, seed : random draws beside nominal
    workers : processes; default one a core
    by_scale : False judges every value anew, also where one evaluation would do
    on_progress : called with one line at a time

    Raises
    ------
    InputError : unknown names, no or more than two parameters, values that a rule refuses
    """
    if not 1 <= len(parameters) <= 2:
        raise InputError([Fault("study sweep", "parameters", len(parameters), "one or two")])
    said = list(parameters)
    algorithm, _ = parameter_of(said[0])
    names = [parameter_of(text, algorithm=algorithm)[1] for text in said]
    shipped = algorithm in algorithm_names()
    text = algorithm_text(algorithm) if shipped else read_text(Path(algorithm))
    folder = None if shipped else Path(algorithm).parent
    before = algorithm_from_toml(text, file=algorithm, folder=folder)
    table = tomllib.loads(text)
    if faults := unknown_numbers(table, names, file=algorithm):
        raise InputError(faults)
    start = numbers_of(table)
    axes = []
    for full, name in zip(said, names, strict=True):
        given = parameters[full]
        values = _around(start[name]) if given is None else tuple(sorted(set(map(float, given))))
        axes.append(Parameter(name, values, start[name]))
    same = _followers(table, algorithm)
    followers = tuple(name for name, other in same.items() if other in names)
    grid = list(product(*(axis.values for axis in axes)))
    if len(grid) > MOST_SETTINGS:
        raise InputError([Fault("study sweep", "values", len(grid), f"{MOST_SETTINGS} at most")])

    def setting(point: Sequence[float]) -> dict[str, Any]:
        values = dict(zip(names, point, strict=True))
        values |= {name: values[same[name]] for name in followers}
        return with_numbers(table, values)

    built = [algorithm_from_table(setting(point), file=algorithm, folder=folder) for point in grid]
    acting = _acting(before, built, restraints)
    swept = None
    if by_scale and len(axes) == 1 and before:
        swept = _leaves_that_scale(
            before,
            algorithm_from_table(setting([start[names[0]] * TRIED]), file=algorithm, folder=folder),
            acting,
        )
    sensors = sensor_set if isinstance(sensor_set, SensorSet) else load_sensor_set(sensor_set)
    setup = Setup(
        tuple(range(draws + 1)),
        seed,
        sensors,
        tuple(channels_read([before], sensors)),
        acting,
        ruled=tuple(before.rules),
        folder=None if folder is None else str(folder),
    )
    say = on_progress or (lambda line: None)
    sources = calibration_sources(plan, events, records, reading=reading)
    say(f"sensing {len(sources)} occurrences, {draws + 1} draws each")
    with opened_bench(sources, setup, workers=workers or os.cpu_count() or 1) as bench:
        say(f"judging {len(grid)} settings{' by one evaluation' if swept else ''}")
        whole = slice(0, draws + 1)
        tables = [setting(point) for point in grid]
        if swept:
            judged = bench.judge([table], draws=whole, swept=swept, reached=True)
            assert judged.reached is not None  # asked for
            amounts = [judged.reached[:, 0] / (p[0] / start[names[0]]) for p in grid]
            # Margins are those of the whole rule, of which the number may be a part.
            nominal = bench.judge(tables, draws=slice(0, 1), reached=True).reached
            _judge_orders(bench, tables, amounts, draws=whole)
        else:
            judged = bench.judge(tables, draws=whole, reached=True)
            assert judged.reached is not None
            amounts = [judged.reached[:, number] for number in range(len(grid))]
            nominal = judged.reached[..., :1]
        assert nominal is not None
        rows = bench.rows
    if not rows:
        expected = f"events that ask something of {', '.join(acting)}"
        raise InputError([Fault("study sweep", "events", None, expected)])
    import pandas as pd

    lines = [
        {
            **dict(zip(names, point, strict=True)),
            "factor": point[0] / start[names[0]] if start[names[0]] else np.nan,
            **_line(rows, reached, nominal[:, number, :, 0]),
        }
        for number, (point, reached) in enumerate(zip(grid, amounts, strict=True))
    ]
    found = pd.DataFrame(lines)
    found["on_front"] = _front(
        found[["late", "missed", "early", "not_in_order"]].sum(axis=1).to_numpy(),
        found["inadvertent"].to_numpy(),
    )
    return Sweep(
        algorithm=before.name,
        parameters=tuple(axes),
        followers=followers,
        table=found,
        draws=draws,
        seed=seed,
        events=len({row.event for row in rows}),
        by_scale=bool(swept),
    )


def _judge_orders(
    bench: Bench | Shelf,
    tables: Sequence[Mapping[str, Any]],
    amounts: Sequence[FloatArray],
    *,
    draws: slice,
) -> None:
    """Judge what two restraints did together at every value: no one demand tells that."""
    orders = np.array([row.expectation == "order" for row in bench.rows], dtype=np.bool_)
    if not orders.any():
        return
    reached = bench.judge(tables, draws=draws, rows=orders, reached=True).reached
    assert reached is not None  # asked for
    for number, own in enumerate(amounts):
        own[:, orders] = reached[:, number, orders]


def _around(value: float) -> tuple[float, ...]:
    return tuple(float(v) for v in np.round(value * np.geomspace(0.5, 2.0, VALUES), 12))


def _followers(table: Mapping[str, Any], file: str) -> Mapping[str, str]:
    if "calibration" not in table:
        return {}
    freedom: Freedom = freedom_of(table, file=file)
    return freedom.same


def _acting(
    before: Algorithm, settings: Sequence[Algorithm], wanted: Sequence[str]
) -> tuple[str, ...]:
    """Restraints whose rule some setting changes, or the wanted ones."""
    if unknown := [name for name in wanted if name not in before.rules]:
        expected = f"of {', '.join(before.rules)}"
        raise InputError([Fault("study sweep", "--restraint", unknown[0], expected)])
    touched = [
        name
        for name, rule in before.rules.items()
        if any(one.rules[name] != rule for one in settings)
    ]
    return tuple(wanted or touched or before.rules)


def _leaves_that_scale(
    before: Algorithm, after: Algorithm, restraints: Sequence[str]
) -> dict[str, frozenset[str]] | None:
    """Return the leaves that the number scales, by restraint; None if it does more than scale."""
    found = {}
    for restraint in restraints:
        old, new = before.rules[restraint], after.rules[restraint]
        parts, others = leaves(old), leaves(new)
        if parts.keys() != others.keys():
            return None
        changed = frozenset(path for path in parts if parts[path] != others[path])
        scaled = {path: parts[path].at_scale(TRIED) for path in changed}
        if any(one is None or not _alike(one, others[path]) for path, one in scaled.items()):
            return None
        if not changed:
            continue

        def exchanged(path: str, leaf: Rule, new_leaves: Mapping[str, Rule] = others) -> Rule:
            return new_leaves[path]

        if with_leaves(old, exchanged) != new or not _can_sweep(old, changed):
            return None
        found[restraint] = changed
    return found or None


def _alike(one: Rule, other: Rule) -> bool:
    """True if two leaves are the same but for rounding."""
    from dataclasses import fields

    if type(one) is not type(other):
        return False
    for item in fields(one):  # type: ignore[arg-type]
        a, b = getattr(one, item.name), getattr(other, item.name)
        if isinstance(a, float) and isinstance(b, float):
            if abs(a - b) > 1e-12 * abs(a):
                return False
        elif a != b:
            return False
    return True


def _can_sweep(rule: Rule, chosen: frozenset[str]) -> bool:
    """True unless the composition has to be run again at every scale."""
    used = sorted(rule.uses & set(CHANNELS))
    zeros = np.zeros((1, 4))
    still = EcuSamples(
        channels=dict.fromkeys(used, zeros),
        codes=dict.fromkeys(used, zeros.astype(np.int32)),
        valid=dict.fromkeys(used, np.ones((1, 4), dtype=np.bool_)),
        rate_hz=2000.0,
        start_s=np.zeros(1),
        context=Context(),
    )
    try:
        swept_demand(rule, still, sweep=chosen)
    except InputError:
        return False
    return True


def _line(rows: Sequence[Row], reached: FloatArray, nominal: FloatArray) -> dict[str, Any]:
    """Counts and margins of one setting; *reached* as in a judged bench, shape (3, rows, draws)."""
    largest, in_time, before = reached
    order = np.array([row.expectation == "order" for row in rows])[:, None]
    follows = order & np.isfinite(largest)
    apart = follows & (largest < 0.0)
    must = np.array([row.expectation == "fire" for row in rows])[:, None]
    judged = ~order & np.where(must, np.isfinite(in_time), np.isfinite(largest))
    fired = largest >= 1.0
    early = must & judged & (before >= 1.0)
    missed = must & judged & ~fired
    late = must & judged & fired & ~early & ~(np.nan_to_num(in_time) >= 1.0)
    inadvertent = ~must & judged & fired
    random = slice(1, None) if reached.shape[-1] > 1 else slice(0, None)
    line: dict[str, Any] = {
        "must_fire": int((must & judged)[:, random].sum()),
        "must_not": int((~must & judged)[:, random].sum()),
    }
    kinds = {"late": late, "missed": missed, "early": early, "inadvertent": inadvertent}
    line |= {name: int(kind[:, random].sum()) for name, kind in kinds.items()}
    line |= {"ordered": int(follows[:, random].sum()), "not_in_order": int(apart[:, random].sum())}
    size = reached.shape[-1] - (1 if reached.shape[-1] > 1 else 0)
    for name, kind in (("not_fired", late | missed | early), ("inadvertent", inadvertent)):
        failing = int(kind[:, random].any(axis=0).sum())
        low, high = clopper_pearson(failing, size)
        line |= {f"{name}_share": failing / size, f"{name}_low": low, f"{name}_high": high}
    margin = np.where(must[:, 0], nominal[1] - 1.0, 1.0 - nominal[0])
    barred = ~must[:, 0] & ~order[:, 0]
    for name, part in (("fire", must[:, 0]), ("no_fire", barred)):
        own = np.where(part & np.isfinite(margin), margin, np.inf)
        at = int(np.argmin(own))
        there = bool(np.isfinite(own[at]))
        line |= {
            f"{name}_margin": float(own[at]) if there else np.nan,
            f"{name}_event": rows[at].event if there else "",
            f"{name}_restraint": rows[at].restraint if there else "",
        }
    own = np.where(order[:, 0] & np.isfinite(nominal[0]), nominal[0], np.inf)
    at = int(np.argmin(own))
    there = bool(np.isfinite(own[at]))
    return line | {
        "order_margin_ms": 1e3 * ORDER_S * float(own[at]) if there else np.nan,
        "order_event": rows[at].event if there else "",
        "order_restraint": rows[at].restraint if there else "",
    }


def _front(first: npt.NDArray[Any], second: npt.NDArray[Any]) -> BoolArray:
    """True where no other point is as small in both and smaller in one.

    >>> _front(np.array([3, 1, 1]), np.array([0, 2, 4])).tolist()
    [True, True, False]
    """
    as_small = (first[:, None] <= first) & (second[:, None] <= second)
    smaller = (first[:, None] < first) | (second[:, None] < second)
    return np.asarray(~(as_small & smaller).any(axis=0))
