"""Calibration: search the numbers of the shipped ``guarded`` algorithm, and say what they meet.

The structure of the algorithm is fixed by physical argument in its file. Its threshold lines over
time are fitted: the lowest that keep every must-not event of nominal and of the first draws below
its limit. The other numbers of its definitions come from a small seeded search on the nominal
events. Then what is met, what binds and by how much is tabulated, the second half of the draws as
hold-out. Run it whenever the library or the sensors change::

    python -m crashsense.studies.calibration --search --write

Asked of every requirement: no more than 85 % of the threshold where the restraint must not fire,
and firing 1 ms ahead of the required time where it must. A requirement that is not met is shown.
Nothing here says that an algorithm may be used in a vehicle.
"""

from __future__ import annotations

import argparse
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crashsense.event import Event
from crashsense.rules.algorithm import _FOLDER as ALGORITHM_FOLDER
from crashsense.rules.algorithm import algorithm_from_table
from crashsense.rules.contract import Algorithm, FloatArray
from crashsense.trials import Trial, trial

BoolArray = npt.NDArray[np.bool_]

#: Largest demand allowed where a restraint must not fire: 15 % margin.
NO_FIRE_LIMIT = 0.85
#: How far ahead of the required time a restraint should fire [s].
AHEAD_S = 1e-3


@dataclass(frozen=True)
class Free:
    """One searched number: a key of a definition in the algorithm's file, and its range."""

    definition: str
    key: str
    low: float
    high: float


@dataclass(frozen=True)
class Group:
    """Numbers that are searched together, and the restraints by which they are judged."""

    name: str
    restraints: tuple[str, ...]
    free: tuple[Free, ...]


_FRONT = ("front_airbag_stage_1", "front_airbag_stage_2", "belt_pretensioner")
_KINDS = ("unbelted", "belted", "stage_2", "pretensioner")

GROUPS = (
    Group(
        "front",
        _FRONT,
        (
            Free("roughness", "threshold_m_s", 1.3, 2.0),
            Free("wall_unbelted_raised", "gain", 0.5, 4.0),
            Free("upfront_left_velocity", "threshold_m_s", 1.0, 4.0),
            Free("wall_unbelted", "to", 0.4, 1.0),
            Free("ringing", "threshold_m_s", 0.05, 0.3),
            Free("pole_unbelted", "gain", 0.8, 3.0),
            Free("pole_unbelted", "hold_ms", 0.0, 20.0),
        ),
    ),
    Group(
        "side and rollover",
        ("side_airbag_left", "curtain_left", "curtain_right"),
        (
            Free("pressure_slope", "window_ms", 1.0, 4.0),
            Free("pressure_slope", "threshold_percent_ms", 0.8, 4.0),
            Free("pressure_level", "threshold_percent", 0.5, 5.0),
            Free("satellite_activity", "threshold_g", 0.5, 4.0),
            Free("roll_left", "threshold", 0.5, 3.0),
        ),
    ),
)

#: Definitions that hold the same numbers as another one.
TIED: Mapping[str, str] = {
    "upfront_right_velocity": "upfront_left_velocity",
    "roll_right": "roll_left",
    **{f"wall_{kind}_raised": "wall_unbelted_raised" for kind in _KINDS[1:]},
    **{f"wall_{kind}": "wall_unbelted" for kind in _KINDS[1:]},
    **{f"pole_{kind}": "pole_unbelted" for kind in _KINDS[1:]},
}


@dataclass(frozen=True)
class Line:
    """A threshold line over time that is fitted, not searched.

    ``definition`` is the map, ``branch`` the definition on top of it whose demand must stay below
    the limit in every event in which ``restraint`` must not fire (of one belt state, or any).
    """

    definition: str
    branch: str
    restraint: str
    unbelted_only: bool = False


LINES = tuple(
    Line(f"map_{shape}_{kind}", f"{shape}_{kind}", restraint, kind == "unbelted")
    for kind, restraint in zip(
        _KINDS,
        ("front_airbag_stage_1", "front_airbag_stage_1", *_FRONT[1:]),
        strict=True,
    )
    for shape in ("wall", "pole")
)

#: Times [ms] of the vertices of a fitted line.
KNOTS_MS = (
    *(float(t) for t in range(0, 44, 4)),
    *(float(t) for t in range(45, 75, 5)),
    *(80.0, 90.0, 100.0, 120.0, 150.0, 200.0),
)
#: Lowest threshold of a fitted line [m/s]: below it, noise and road would decide.
LEAST_M_S = 0.35
#: Largest demand allowed in a draw that the fit sees: draws have no 15 % of their own.
DRAW_LIMIT = 0.95


def guarded_text() -> str:
    """Return the algorithm's file as it ships."""
    return (ALGORITHM_FOLDER / "guarded.toml").read_text(encoding="utf-8")


def with_values(table: Mapping[str, Any], values: Mapping[Free, float]) -> dict[str, Any]:
    """Return the parsed algorithm with other numbers in its definitions."""
    definitions = {name: dict(content) for name, content in table["definitions"].items()}
    for free, value in values.items():
        for name in (free.definition, *_tied(free.definition)):
            definitions[name][free.key] = value
    return {**table, "definitions": definitions}


def _tied(definition: str) -> list[str]:
    return [name for name, other in TIED.items() if other == definition]


def with_values_in_text(text: str, values: Mapping[Free, float]) -> str:
    """Return the file's text with other numbers, comments and order kept."""
    for free, value in values.items():
        for name in (free.definition, *_tied(free.definition)):
            pattern = re.compile(
                rf"(^\[definitions\.{re.escape(name)}\]\n(?:(?!\[).*\n)*?{free.key} = )[^\n]+",
                re.MULTILINE,
            )
            text, count = pattern.subn(rf"\g<1>{value!r}", text)
            if count != 1:
                raise KeyError(f"{name}.{free.key} is not in the file")
    return text


def with_lines_in_text(text: str, lines: Mapping[str, Sequence[Sequence[float]]]) -> str:
    """Return the file's text with other threshold lines."""
    for name, line in lines.items():
        pairs = [f"[{t:.1f}, {v:.3f}]" for t, v in line]
        chunks = [", ".join(pairs[i : i + 6]) for i in range(0, len(pairs), 6)]
        written = "[\n  " + ",\n  ".join(chunks) + ",\n]"
        pattern = re.compile(
            rf"(^\[definitions\.{re.escape(name)}\]\n(?:(?!\[).*\n)*?line = )"
            r"\[(?:[^\[\]]|\[[^\]]*\])*\]",
            re.MULTILINE,
        )
        # The new text holds no backslash, so that it can be used as a replacement.
        text, count = pattern.subn(rf"\g<1>{written}", text)
        if count != 1:
            raise KeyError(f"{name}.line is not in the file")
    return text


def sensed(
    events: Iterable[Event], *, draws: Sequence[int], seed: int = 1, channels: Iterable[str] = ()
) -> list[Trial]:
    """Sense every event once, to be judged often (:meth:`Trial.judged_by`)."""
    return [
        trial(
            event,
            algorithm=(),
            draw=draws,
            seed=seed,
            channels=channels or None,
        ).without_signals()
        for event in events
    ]


def fitted_lines(
    table: Mapping[str, Any], cases: Sequence[Trial], *, lines: Sequence[Line] = LINES
) -> dict[str, list[list[float]]]:
    """Return the lowest threshold lines that keep every must-not event below its limit.

    With its line at 1 a branch's demand x(t) says what threshold it needs at the time t since the
    event began: ``x / 0.85`` for the nominal draw, ``x / 0.95`` for the others. The line is the
    piecewise linear one with the given knots, above all of these, with the least sum of its
    vertices: a linear programme.
    """
    from scipy.optimize import linprog

    count = int(2 * KNOTS_MS[-1]) + 1
    grid = np.arange(count) / 2.0
    basis = np.stack([np.interp(grid, KNOTS_MS, row) for row in np.eye(len(KNOTS_MS))], axis=-1)
    found = {}
    for line in lines:
        bare = dict(table["definitions"])
        bare[line.definition] = {**bare[line.definition], "line": [[0.0, 1.0]]}
        wanted = {
            "definitions": bare,
            "rules": {
                "front_airbag_stage_1": {"use": line.branch},
                "front_airbag_stage_2": {"use": line.definition},
            },
        }
        algorithm = algorithm_from_table(wanted)
        branch = _restricted(algorithm, ["front_airbag_stage_1"])
        scale: Any = algorithm.rules["front_airbag_stage_2"]
        least = np.zeros(count)
        for case in cases:
            if case.event.requirements[line.restraint].expectation != "no_fire":
                continue
            if line.unbelted_only and case.event.context.belted:
                continue
            limit = np.where(case.draws == 0, NO_FIRE_LIMIT, DRAW_LIMIT)[:, None]
            needed = case.judged_by([branch]).demand("front_airbag_stage_1") / limit
            place = np.rint(2.0 * scale.elapsed_ms(case.samples)).astype(np.int64)
            np.maximum.at(least, np.clip(place, 0, count - 1), needed)
        seen = least > 0.0
        solved: Any = linprog(
            np.ones(len(KNOTS_MS)),
            A_ub=-basis[seen],
            b_ub=-least[seen],
            bounds=[(LEAST_M_S, 50.0)] * len(KNOTS_MS),
        )
        # Rounded up, so that rounding gives no event more room.
        values = [np.ceil(float(v) * 1e3 - 1e-6) / 1e3 for v in solved.x]
        found[line.definition] = [[t, v] for t, v in zip(KNOTS_MS, values, strict=True)]
    return found


def with_lines(table: Mapping[str, Any], lines: Mapping[str, Any]) -> dict[str, Any]:
    """Return the parsed algorithm with other threshold lines."""
    definitions = dict(table["definitions"])
    for name, line in lines.items():
        definitions[name] = {**definitions[name], "line": line}
    return {**table, "definitions": definitions}


def _restricted(algorithm: Algorithm, restraints: Iterable[str]) -> Algorithm:
    return replace(algorithm, rules={name: algorithm.rules[name] for name in restraints})


def shortfall(judged: Trial, restraint: str) -> FloatArray:
    """Return by how much (logarithm of the factor on the signal) each draw misses its goal.

    Negative: so much headroom. NaN: nothing is asked, or the required time lies before the first
    sample.
    """
    found = judged.reached(restraint, ahead_s=AHEAD_S)
    expectation = judged.event.requirements[restraint].expectation
    if expectation == "no_fire":
        return np.log(np.maximum(found.max_demand, 1e-3) / NO_FIRE_LIMIT)
    missing = -np.log(np.maximum(found.at_required, 1e-3))
    due_s = judged.required_s[judged.event.name][restraint] - AHEAD_S
    asked = (expectation == "fire") & (due_s >= judged.start_s)
    return np.where(asked, missing, np.nan)


def loss(algorithm: Algorithm, cases: Sequence[Trial], restraints: Sequence[str]) -> float:
    """Return what the search makes small: shortfalls, a must-not event weighing three times.

    Each row counts with its worst draw and the mean of its draws; a little headroom is worth a
    little, so that the search continues where all is met.
    """
    total = 0.0
    wanted = _restricted(algorithm, restraints)
    for case in cases:
        judged = case.judged_by([wanted])
        for restraint in restraints:
            missing = shortfall(judged, restraint)
            missing = missing[np.isfinite(missing)]
            if not missing.size:
                continue
            must_not = case.event.requirements[restraint].expectation == "no_fire"
            short = np.minimum(np.maximum(missing, 0.0), 2.0)
            headroom = np.minimum(np.maximum(-missing, 0.0), 0.2)
            # A failed row costs a fixed part too: few failed rows are better than many small ones.
            failed = float(np.mean(missing > 0.0))
            row = 0.3 * failed + float(short.max()) + float(short.mean())
            total += (3.0 if must_not else 1.0) * row - 0.02 * float(headroom.min())
    return total


def search(
    cases: Sequence[Trial],
    *,
    text: str,
    seed: int = 1,
    generations: int = 30,
    population: int = 8,
    groups: Sequence[Group] = GROUPS,
    on_progress: Callable[[str], None] | None = None,
) -> dict[Free, float]:
    """Search the numbers of every group in turn, from those of *text* on."""
    from scipy.optimize import differential_evolution

    table = tomllib.loads(text)
    found: dict[Free, float] = {}
    for group in groups:
        start = [float(table["definitions"][f.definition][f.key]) for f in group.free]
        wanted = _reduced(table, group.restraints)
        relevant = [c for c in cases if _concerns(c, group)]

        def objective(
            x: FloatArray,
            group: Group = group,
            wanted: Mapping[str, Any] = wanted,
            relevant: Sequence[Trial] = relevant,
        ) -> float:
            values = dict(zip(group.free, (float(v) for v in x), strict=True))
            tried = with_values(wanted, values)
            if group.name == "front":
                tried = with_lines(tried, fitted_lines(tried, relevant))
            return loss(algorithm_from_table(tried), relevant, group.restraints)

        bounds: Any = [(f.low, f.high) for f in group.free]
        inside = [min(max(v, f.low), f.high) for v, f in zip(start, group.free, strict=True)]
        before = objective(np.array(inside))
        result = differential_evolution(
            objective,
            bounds,
            x0=inside,
            rng=seed,
            maxiter=generations,
            popsize=population,
            polish=False,
            tol=0.0,
        )
        if on_progress is not None:
            on_progress(
                f"{group.name}: loss {before:.3f} -> {result.fun:.3f} ({result.nfev} tries)"
            )
        rounded = [_rounded(float(v)) for v in result.x]
        found.update(zip(group.free, rounded, strict=True))
        table = with_values(table, found)
    return found


def _concerns(case: Trial, group: Group) -> bool:
    """True unless the event asks nothing of the group, or hardly moves its channels."""
    asked = {case.event.requirements[name].expectation for name in group.restraints}
    if asked == {"open"}:
        return False
    if "fire" in asked:
        return True
    levels = (
        {"central_x": 10.0}
        if group.name == "front"
        else {
            "door_left_pressure": 400.0,
            "central_roll_rate": 0.3,
        }
    )
    return any(
        name in case.samples.channels
        and float(np.abs(np.nan_to_num(case.samples.channels[name])).max()) > level
        for name, level in levels.items()
    )


def _rounded(value: float) -> float:
    return float(f"{value:.3g}")


def _reduced(table: Mapping[str, Any], restraints: Iterable[str]) -> dict[str, Any]:
    """Return the algorithm with the rules of some restraints only."""
    wanted = set(restraints)
    for name in list(wanted):
        content = table["rules"][name]
        wanted |= {content[key] for key in ("mirror_of", "same_as") if key in content}
    return {**table, "rules": {name: table["rules"][name] for name in wanted}}


@dataclass(frozen=True)
class Row:
    """One requirement and how it is met. Arrays over draws, nominal first."""

    event: str
    restraint: str
    expectation: str
    required_ms: float
    demand: FloatArray
    margin_ms: FloatArray
    infeasible: bool
    verdicts: npt.NDArray[np.str_]

    @property
    def met(self) -> BoolArray:
        """True where the bare requirement is met: held, or fired by the required time."""
        return np.isin(self.verdicts, ("held", "on_time"))

    @property
    def met_with_margin(self) -> BoolArray:
        """True where it is met with 15 % of demand or 1 ms of time."""
        if self.expectation == "no_fire":
            return np.asarray(self.demand <= NO_FIRE_LIMIT)
        return np.asarray(self.margin_ms >= AHEAD_S * 1e3 - 1e-6)

    @property
    def headroom(self) -> float:
        """How far the nominal draw is from its goal: demand margin [-] or time margin [ms]."""
        if self.expectation == "no_fire":
            return float(NO_FIRE_LIMIT - self.demand[0])
        return float(self.margin_ms[0] - AHEAD_S * 1e3)


def rows_of(algorithm: Algorithm, cases: Iterable[Trial]) -> list[Row]:
    """Judge every scored requirement of the cases."""
    rows = []
    for case in cases:
        judged = case.judged_by([algorithm])
        for restraint in algorithm.rules:
            expectation = case.event.requirements[restraint].expectation
            if expectation == "open":
                continue
            scores = judged.scores(restraint)
            must_fire = expectation == "fire"
            margin_ms = 1e3 * scores.time_margin_s
            rows.append(
                Row(
                    case.event.name,
                    restraint,
                    expectation,
                    1e3 * float(case.required_s[case.event.name][restraint][0]),
                    scores.demand_at_required if must_fire else scores.max_demand,
                    np.where(np.isnan(margin_ms), -np.inf, margin_ms),  # never fired
                    bool(scores.infeasible[0]),
                    judged.verdicts(restraint).astype(str),
                )
            )
    return rows


def joined(parts: Sequence[Sequence[Row]]) -> list[Row]:
    """Join rows of several blocks of draws."""
    return [
        Row(
            rows[0].event,
            rows[0].restraint,
            rows[0].expectation,
            rows[0].required_ms,
            np.concatenate([row.demand for row in rows]),
            np.concatenate([row.margin_ms for row in rows]),
            rows[0].infeasible,
            np.concatenate([row.verdicts for row in rows]),
        )
        for rows in zip(*parts, strict=True)
    ]


def channels_of(text: str) -> frozenset[str]:
    """Return the channels that the algorithm reads."""
    return algorithm_from_table(tomllib.loads(text)).uses


def judged(
    events: Iterable[Event],
    *,
    text: str,
    draws: int,
    seed: int,
    block: int = 50,
    on_progress: Callable[[str], None] | None = None,
) -> Iterator[Row]:
    """Judge events over nominal and *draws* further draws, event by event, block by block."""
    algorithm = algorithm_from_table(tomllib.loads(text))
    edges = [0, *range(1, draws + 1, block), draws + 1] if draws else [0, 1]
    for event in events:
        if on_progress is not None:
            on_progress(event.name)
        parts = []
        for first, last in zip(edges[:-1], edges[1:], strict=True):
            cases = sensed([event], draws=range(first, last), seed=seed, channels=algorithm.uses)
            parts.append(rows_of(algorithm, cases))
        yield from joined(parts)


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line of the calibration; see the module's text."""
    parser = argparse.ArgumentParser(description="Calibrate the guarded algorithm, and report.")
    parser.add_argument("--search", action="store_true", help="search the numbers first")
    parser.add_argument("--write", action="store_true", help="write them into guarded.toml")
    parser.add_argument("--search-draws", type=int, default=16, help="draws that the line fit sees")
    parser.add_argument("--draws", type=int, default=200, help="draws of the report")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--generations", type=int, default=6)
    parser.add_argument("--out", type=Path, default=Path("reports/guarded_calibration.md"))
    given = parser.parse_args(arguments)
    from crashsense.studies.calibration_report import report
    from crashsense.synthesis import load_events

    events = load_events(None)
    text = guarded_text()
    notes: list[str] = []
    values: dict[Free, float] = {}

    def note(line: str) -> None:
        print(line, flush=True)
        notes.append(line)

    if given.search:
        numbers = range(given.search_draws + 1)
        cases = sensed(events, draws=numbers, seed=given.seed, channels=channels_of(text))
        nominal = [case.taken([0]) for case in cases]
        values = search(
            nominal, text=text, seed=given.seed, generations=given.generations, on_progress=note
        )
        text = with_values_in_text(text, values)
        front = [case for case in cases if _concerns(case, GROUPS[0])]
        text = with_lines_in_text(text, fitted_lines(tomllib.loads(text), front))
        del cases, nominal, front
        note(f"threshold lines fitted on nominal and draws 1-{given.search_draws}")
        if given.write:
            (ALGORITHM_FOLDER / "guarded.toml").write_text(text, encoding="utf-8")
    rows = list(judged(events, text=text, draws=given.draws, seed=given.seed))
    given.out.parent.mkdir(parents=True, exist_ok=True)
    given.out.write_text(
        report(rows, text=text, draws=given.draws, seed=given.seed, notes=notes),
        encoding="utf-8",
    )
    print(f"written: {given.out}")


if __name__ == "__main__":
    main()
