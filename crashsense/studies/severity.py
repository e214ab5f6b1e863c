"""Chance of firing over impact speed: one crash recipe at rising speed, under random tolerances.

Every speed has draws of its own, so shares at two speeds are independent. The speed at which half
of the draws fire comes from the isotonic fit of the shares (pool adjacent violators: Ayer, Brunk,
Ewing, Reid, Silverman, Annals of Mathematical Statistics 26 (1955) 641-647), linear between speeds.
Its interval assumes nothing but that a faster crash is no less likely to fire: from the slowest
speed up, exact tests of "half or more of the draws fire here" are rejected until one is not; from
the fastest down likewise. As each test is only reached when all before it were rejected, they need
no correction for their number (tests in an order fixed beforehand: Maurer, Hothorn and Lehmacher
1995). The ends lie on speeds that were run: finer speeds give a narrower interval. (Sources from
memory.)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense.arrays import FloatArray, IntArray
from crashsense.campaign import evaluate
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import ALL_RESTRAINTS, RESTRAINTS, Event
from crashsense.further_restraints import GOES_WITH
from crashsense.results.folder import write_csv, write_text
from crashsense.results.statistics import LEVEL, clopper_pearson
from crashsense.rules import Algorithm, load_algorithm
from crashsense.sensing import SensorSet, load_sensor_set
from crashsense.studies.severity_records import is_record, record_sweeps
from crashsense.synthesis import Recipe, load_recipes, parse_recipe
from crashsense.synthesis.severity import speed_sweep, swept_models

if TYPE_CHECKING:
    import pandas as pd


#: Shares of firing whose speeds are given: half, and the ends of the spread.
SHARES = (0.1, 0.5, 0.9)

#: Confidence level at which a share is reported to fall with speed; no interval of speed is then
#: given.
FALL_LEVEL = 0.99

#: How closely the limits of the matrix are looked for [km/h].
LIMIT_STEP_KMH = 0.01

READ = ["event", "restraint", "algorithm", "draw", "expectation", "fire_time_ms"]
READ += ["required_time_ms", "max_demand", "verdict"]


# -- shares to speeds ------------------------------------------------------------------------------


def isotonic(shares: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the non-decreasing fit of least weighted squares, shape (speeds,).

    Pool adjacent violators; the maximum-likelihood fit where weights are numbers of trials.

    >>> isotonic(np.array([0.0, 0.5, 0.3, 1.0]), np.ones(4))
    array([0. , 0.4, 0.4, 1. ])
    """
    blocks: list[list[float]] = []  # value, weight, length
    for share, weight in zip(shares, weights, strict=True):
        blocks.append([float(share), float(weight), 1])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            value, heavy, length = blocks.pop()
            first = blocks[-1]
            total = first[1] + heavy
            first[0] = (first[0] * first[1] + value * heavy) / total
            first[1], first[2] = total, first[2] + length
    return np.repeat([b[0] for b in blocks], [int(b[2]) for b in blocks])


def speed_at_share(speeds_kmh: FloatArray, fitted: FloatArray, share: float) -> float:
    """Return the speed [km/h] at which a non-decreasing fit passes *share*, linear between speeds.

    The middle if the fit keeps that value over an interval; -inf if it is above from the first
    speed on, inf if it is never reached.

    >>> speed_at_share(np.array([10.0, 20.0]), np.array([0.0, 1.0]), 0.5)
    15.0
    """
    if fitted[0] > share:
        return -math.inf
    if fitted[-1] < share:
        return math.inf
    ends = []
    low, high = int(np.searchsorted(fitted, share)), int(np.searchsorted(fitted, share, "right"))
    for at in (low, high):
        if at in (0, fitted.size):
            ends.append(float(speeds_kmh[min(at, fitted.size - 1)]))
        else:
            step = slice(at - 1, at + 1)
            ends.append(float(np.interp(share, fitted[step], speeds_kmh[step])))
    # Up to `low` the fit lies below, from `high` on above: between them it equals the share.
    return (ends[0] + ends[1]) / 2.0


def speed_interval(
    speeds_kmh: FloatArray, fired: IntArray, draws: IntArray, share: float, *, level: float = LEVEL
) -> tuple[float, float]:
    """Return an interval [km/h] that holds the speed of a share of firing with *level*, or more.

    Exact and free of a model if chance does not fall with speed (module text). An end is infinite
    where the speeds do not reach so far.

    Parameters
    ----------
    speeds_kmh : ascending
    fired, draws : number of draws that fire, and of all, at each speed; a speed without draws is
        passed over

    >>> ten = np.full(3, 10)
    >>> speed_interval(np.array([20.0, 22.0, 24.0]), np.array([0, 5, 10]), ten, 0.5)
    (20.0, 24.0)
    """
    low, high = -math.inf, math.inf
    ends = [
        (float(v), *clopper_pearson(int(k), int(n), level=level))
        for v, k, n in zip(speeds_kmh, fired, draws, strict=True)
        if n > 0
    ]
    for speed, _, upper in ends:
        if upper >= share:
            break
        low = speed
    for speed, lower, _ in reversed(ends):
        if lower <= share:
            break
        high = speed
    return low, high


def falls(fired: IntArray, draws: IntArray, *, level: float = FALL_LEVEL) -> tuple[int, int] | None:
    """Return the two places whose shares fall most with speed, or None.

    A fall is reported where the exact intervals at *level* do not overlap.

    >>> falls(np.array([0, 95, 50, 99]), np.full(4, 100))
    (1, 2)
    """
    ends = [
        clopper_pearson(int(k), int(n), level=level) if n else (0.0, 1.0)
        for k, n in zip(fired, draws, strict=True)
    ]
    apart = {(i, j): ends[i][0] - ends[j][1] for j in range(len(ends)) for i in range(j)}
    widest = max(apart, key=lambda pair: apart[pair], default=None)
    return None if widest is None or apart[widest] <= 0.0 else widest


# -- the matrix ------------------------------------------------------------------------------------


def matrix_limits(
    recipe: Recipe, restraint: str, state: str, *, speeds_kmh: Sequence[float]
) -> tuple[float | None, float | None]:
    """Return the last speed that must not fire and the first that must [km/h]; None: not in range.

    Looked for between the speeds given, to :data:`LIMIT_STEP_KMH`.
    """
    asked = GOES_WITH.get(restraint, restraint)
    if asked not in RESTRAINTS:  # the battery follows whatever must fire
        return None, None

    def expectation(speed: float) -> str:
        (at,) = speed_sweep(recipe, speeds_kmh=[speed])
        return at.requirements[state][asked].expectation

    def edge(inside: float, outside: float, word: str) -> float:
        while abs(outside - inside) > LIMIT_STEP_KMH / 4:
            middle = (inside + outside) / 2.0
            inside, outside = (middle, outside) if expectation(middle) == word else (inside, middle)
        return round(inside, 2)

    speeds = sorted(speeds_kmh)
    words = [expectation(speed) for speed in speeds]
    no_fire = fire = None
    if "no_fire" in words and words[-1] != "no_fire":
        last = len(words) - 1 - words[::-1].index("no_fire")
        no_fire = edge(speeds[last], speeds[last + 1], "no_fire")
    if "fire" in words and words[0] != "fire":
        first = words.index("fire")
        fire = edge(speeds[first], speeds[first - 1], "fire")
    return no_fire, fire


# -- the study -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class SeverityStudy:
    """What :func:`study_severity` found; columns in :data:`COLUMNS` and :data:`CURVE_COLUMNS`.

    ``table``: one row a speed, belt state, algorithm and restraint. ``curves``: one row a belt
    state, algorithm and restraint. ``notes``: what must be said of them.
    """

    recipe: str
    title: str
    sensor_set: str
    draws: int
    seed: int
    table: pd.DataFrame
    curves: pd.DataFrame
    notes: tuple[str, ...]


#: Column of the table -> what it means.
COLUMNS = {
    "speed_kmh": "impact speed",
    "belts": "belt state",
    "algorithm": "name",
    "restraint": "name",
    "expectation": "what the matrix asks at this speed",
    "draws": "random draws in which the rule could be judged",
    "fired": "of these, draws that fired",
    "share, share_low, share_high": "fired of draws, and its exact interval",
    "judged": "where it must fire: draws with a required time",
    "on_time": "of these, draws that fired in time",
    "on_time_share, on_time_low, on_time_high": "and its exact interval",
    "nominal_verdict": "verdict of the nominal draw",
    "nominal_fire_time_ms, nominal_required_time_ms": "of the nominal draw; null: none",
}

#: Column of the curves -> what it means; speeds in km/h, infinite: beyond the speeds that were run.
CURVE_COLUMNS = {
    "half_kmh, half_low_kmh, half_high_kmh": (
        "speed at which half of the draws fire, and its interval; no interval where the share falls"
        " with speed"
    ),
    "p10_kmh, p90_kmh": "speeds at which 10 and 90 % fire",
    "spread_kmh": "between these; null where one of them is beyond the speeds that were run",
    "step_kmh": "widest step of speed there: a smaller spread cannot be resolved",
    "no_fire_to_kmh, fire_from_kmh": "limits of the matrix within the speeds; null: none there",
    "fires": "true if any draw fires at any speed",
}


def find_recipe(name: str) -> Recipe:
    """Return a recipe of the library by its name, or the one in a file (``*.toml``)."""
    path = Path(name)
    if path.suffix == ".toml" and path.is_file():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            raise InputError([Fault(str(path), "", None, "a recipe in UTF-8 text")]) from None
        return parse_recipe(text, path=str(path))
    known = {recipe.name: recipe for recipe in load_recipes()}
    if name not in known:
        swept = [r.name for r in known.values() if r.model.name in swept_models()]
        raise InputError([Fault("study severity", "recipe", name, nearest(name, swept))])
    return known[name]


def _swept(recipe: Recipe, speeds_kmh: Sequence[float]) -> list[Recipe]:
    """The recipe at every speed; a refusal is reported in one line."""
    where = "study severity"
    if recipe.model.name not in swept_models():
        expected = f"a crash whose requirements follow speed (models {', '.join(swept_models())})"
        got = f"{recipe.name}, {recipe.family}, model {recipe.model.name}"
        raise InputError([Fault(where, "recipe", got, expected)])
    try:
        return speed_sweep(recipe, speeds_kmh=speeds_kmh)
    except InputError as error:
        values = [float(v) for f in error.faults if (v := f.value) is not None]  # type: ignore[arg-type]
        if not values:
            raise
        ends = list(dict.fromkeys(f.expected for f in error.faults))
        got = " to ".join(dict.fromkeys(f"{v:g}" for v in (min(values), max(values))))
        expected = f"speeds within the range of the model: {' and '.join(ends)} km/h"
        raise InputError([Fault(where, "--speeds", f"{got} km/h", expected)]) from None


def study_severity(
    recipe: str | Recipe | Event,
    *,
    speeds_kmh: Sequence[float],
    draws: int = 200,
    algorithms: Sequence[str | Path | Algorithm] = ("guarded",),
    sensor_set: str | Path | SensorSet = "standard",
    belts: Sequence[str] = (),
    seed: int = 1,
    workers: int | None = None,
    on_progress: Callable[..., None] | None = None,
) -> SeverityStudy:
    """Run a frontal, side or rear recipe, or a record, over speeds and count what fires.

    Parameters
    ----------
    recipe : name in the library, path of a recipe file, or a recipe; or a measured record, path or
        event, whose pulse is scaled (:mod:`crashsense.studies.severity_records`)
    speeds_kmh : impact speeds; taken ascending, each once
    draws : random draws a speed, 1 or more
    algorithms, sensor_set : names, paths or objects
    belts : ``"belted"``, ``"unbelted"``; empty: all that the recipe has
    seed, workers, on_progress : as for :func:`crashsense.campaign.evaluate`

    Raises
    ------
    InputError : unknown names, a recipe without requirements by speed, speeds that the model
        refuses, a belt state that the recipe does not have
    """
    speeds = sorted({float(speed) for speed in speeds_kmh})
    if draws < 1:
        raise InputError([Fault("study severity", "--draws", draws, "1 or more")])
    # What cannot be loaded is refused before any signal is computed.
    load_sensor_set(sensor_set)
    for one in algorithms:
        if not isinstance(one, Algorithm):
            load_algorithm(one)
    if isinstance(recipe, Event) or (isinstance(recipe, str) and is_record(recipe)):
        source = _of_record(recipe, speeds, belts)
    else:
        found = find_recipe(recipe) if isinstance(recipe, str) else recipe
        source = _of_recipe(found, speeds, belts)
    events = [event for event, _, _ in source.events]
    place = {event.name: (speed, state) for event, speed, state in source.events}
    run = evaluate(
        events=events,
        algorithms=list(algorithms),
        sensor_sets=[sensor_set],
        draws=draws,
        seed=seed,
        workers=workers,
        on_progress=on_progress,
    )
    table = _counted(run.parts(columns=READ), place)
    curves, notes = _curves(table, source.limits)
    return SeverityStudy(
        recipe=source.name,
        title=source.title,
        sensor_set=run.plan.sensor_sets[0].name,
        draws=draws,
        seed=seed,
        table=table,
        curves=curves,
        notes=(*source.notes, *notes),
    )


#: (restraint, belt state, speeds) -> last speed that must not fire, first that must [km/h].
Limits = Callable[[str, str, Sequence[float]], tuple[float | None, float | None]]


@dataclass(frozen=True, eq=False)
class _Source:
    """What is run over speeds: (event, speed, belt state), and the limits of what is asked."""

    name: str
    title: str
    events: list[tuple[Event, float, str]]
    limits: Limits
    notes: tuple[str, ...] = ()


def _of_recipe(recipe: Recipe, speeds: Sequence[float], belts: Sequence[str]) -> _Source:
    swept = _swept(recipe, speeds)
    states = [state for state in swept[0].belts if not belts or state in belts]
    _check_belts(belts, swept[0].belts, recipe.name)
    events = [
        (event, speed, state)
        for speed, at in zip(speeds, swept, strict=True)
        for event, state in zip(at.events(), at.belts, strict=True)
        if state in states
    ]

    def limits(
        restraint: str, state: str, among: Sequence[float]
    ) -> tuple[float | None, float | None]:
        return matrix_limits(recipe, restraint, state, speeds_kmh=among)

    return _Source(recipe.name, recipe.title, events, limits)


def _of_record(record: str | Event, speeds: Sequence[float], belts: Sequence[str]) -> _Source:
    sweeps = record_sweeps(record, speeds_kmh=speeds)
    _check_belts(belts, [one.state.partition(",")[0] for one in sweeps], sweeps[0].event.name)
    by_state = {one.state: one for one in sweeps}
    first = sweeps[0]

    def limits(
        restraint: str, state: str, among: Sequence[float]
    ) -> tuple[float | None, float | None]:
        return by_state[state].limits(restraint, among)

    note = (
        f"a measured pulse, amplitude scaled from {first.own_kmh:.1f} km/h, duration as measured;"
        " draws vary the sensors alone"
    )
    events = [(one.at(speed), speed, one.state) for speed in speeds for one in sweeps]
    return _Source(first.event.name, first.event.title, events, limits, (note,))


def _check_belts(belts: Sequence[str], known: Sequence[str], name: str) -> None:
    if missing := [state for state in belts if state not in known]:
        expected = f"{' or '.join(known)}, the belt states of {name}"
        raise InputError([Fault("study severity", "--belts", missing[0], expected)])


def _counted(parts: Any, place: dict[str, tuple[float, str]]) -> pd.DataFrame:
    """Count draws by speed, belts, algorithm and restraint, part by part."""
    import pandas as pd

    counts: dict[tuple[float, str, str, str], dict[str, Any]] = {}
    empty = {"draws": 0, "fired": 0, "judged": 0, "on_time": 0}
    for part in parts:
        asked = part[part["expectation"] != "order"]  # an order has no demand of its own
        for (event, algorithm, restraint), rows in asked.groupby(
            ["event", "algorithm", "restraint"], observed=True
        ):
            speed, state = place[event]
            row = counts.setdefault((speed, state, algorithm, restraint), dict(empty))
            row["expectation"] = rows["expectation"].iloc[0]
            drawn = rows[rows["draw"] > 0]
            # No demand: a channel is absent, or the rule failed; nothing is known of firing.
            known = drawn["max_demand"].notna()
            row["draws"] += int(known.sum())
            row["fired"] += int((known & drawn["fire_time_ms"].notna()).sum())
            if row["expectation"] == "fire":
                row["judged"] += int((drawn["verdict"] != "not_evaluated").sum())
                row["on_time"] += int((drawn["verdict"] == "on_time").sum())
            for nominal in rows[rows["draw"] == 0].to_dict("records"):
                row["nominal_verdict"] = nominal["verdict"]
                row["nominal_fire_time_ms"] = nominal["fire_time_ms"]
                row["nominal_required_time_ms"] = nominal["required_time_ms"]
    out = []
    order = {name: index for index, name in enumerate(ALL_RESTRAINTS)}
    for key in sorted(counts, key=lambda k: (k[2], k[1], order[k[3]], k[0])):
        row = counts[key]
        entry = dict(zip(("speed_kmh", "belts", "algorithm", "restraint"), key, strict=True))
        entry |= {k: row[k] for k in ("expectation", "draws", "fired")}
        entry |= _share("share", row["fired"], row["draws"])
        entry |= {k: row[k] for k in ("judged", "on_time")}
        ends = _share("on_time", row["on_time"], row["judged"])
        entry["on_time_share"] = ends.pop("on_time")
        entry |= ends | {k: v for k, v in row.items() if k.startswith("nominal")}
        out.append(entry)
    return pd.DataFrame(out)


def _share(name: str, count: int, trials: int) -> dict[str, float]:
    low, high = clopper_pearson(count, trials) if trials else (math.nan, math.nan)
    share = count / trials if trials else math.nan
    return {name: share, f"{name}_low": low, f"{name}_high": high}


def _curves(table: pd.DataFrame, limits_of: Limits) -> tuple[pd.DataFrame, list[str]]:
    """Speeds of half firing and spread, one row a belt state, algorithm and restraint."""
    import pandas as pd

    out = []
    notes = []
    for (algorithm, state, restraint), rows in table.groupby(
        ["algorithm", "belts", "restraint"], sort=False
    ):
        known = rows[rows["draws"] > 0]
        row: dict[str, Any] = {"algorithm": algorithm, "belts": state, "restraint": restraint}
        row["fires"] = bool(rows["fired"].sum())
        limits = limits_of(restraint, state, rows["speed_kmh"].tolist())
        row["no_fire_to_kmh"], row["fire_from_kmh"] = limits
        row |= dict.fromkeys(("p10_kmh", "half_kmh", "p90_kmh"), math.nan)
        row |= {"half_low_kmh": math.nan, "half_high_kmh": math.nan}
        row |= {"spread_kmh": math.nan, "step_kmh": math.nan}
        if len(known) < len(rows):
            notes.append(
                f"{algorithm}, {state}, {restraint}: not judged at {len(rows) - len(known)} speeds."
            )
        if len(known):
            row |= _speeds(known, notes, name=f"{algorithm}, {state}, {restraint}")
        out.append(row)
    return pd.DataFrame(out), notes


def _speeds(rows: pd.DataFrame, notes: list[str], *, name: str) -> dict[str, float]:
    speeds = rows["speed_kmh"].to_numpy(dtype=np.float64)
    fired, draws = (rows[c].to_numpy(dtype=np.int64) for c in ("fired", "draws"))
    fitted = isotonic(fired / draws, draws.astype(np.float64))
    p10, half, p90 = (speed_at_share(speeds, fitted, share) for share in SHARES)
    low, high = speed_interval(speeds, fired, draws, 0.5)
    fall = falls(fired, draws)
    if fall is not None:
        i, j = fall
        low = high = math.nan
        notes.append(
            f"{name}: the share falls with speed, {fired[i]} of {draws[i]} at {speeds[i]:g} km/h"
            f" and {fired[j]} of {draws[j]} at {speeds[j]:g}: no interval for the 50 %"
            " firing speed."
        )
    row = {"p10_kmh": p10, "half_kmh": half, "p90_kmh": p90}
    row |= {"half_low_kmh": low, "half_high_kmh": high, "spread_kmh": math.nan}
    row["step_kmh"] = math.nan
    if math.isfinite(p10) and math.isfinite(p90):
        row["spread_kmh"] = p90 - p10
        ends = np.searchsorted(speeds, [p10, p90], side="right")
        steps = np.diff(speeds)
        if steps.size:
            first, last = max(int(ends[0]) - 1, 0), min(int(ends[1]), steps.size)
            row["step_kmh"] = float(steps[first : max(last, first + 1)].max())
    return row


def write_severity_study(study: SeverityStudy, folder: str | Path, *, text: str) -> Path:
    """Write severity.csv, severity_curves.csv, severity.txt, severity.svg and .png."""
    from crashsense.plotting import save
    from crashsense.studies.severity_report import severity_figure

    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        figure = severity_figure(study)
        for ending in ("svg", "png"):
            save(figure, target / f"severity.{ending}")
    except OSError as error:
        expected = f"a folder that can be written ({error.strerror})"
        raise InputError([Fault("study severity", "--out", str(target), expected)]) from None
    write_csv(target / "severity.csv", [study.table])
    write_csv(target / "severity_curves.csv", [study.curves])
    write_text(target / "severity.txt", text + "\n")
    return target
