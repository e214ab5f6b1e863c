"""Two run folders side by side: what each states about itself, and which settings are compared.

Folders are read column by column and occurrence by occurrence; of the draws, one byte per verdict
is kept in memory, for one event at a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from crashsense.errors import Fault, InputError, RunFolderError, nearest
from crashsense.event import ALL_RESTRAINTS
from crashsense.plan.keys import PlanKeys
from crashsense.results import open_run
from crashsense.results.folder import RunFolder
from crashsense.scoring import VERDICTS

if TYPE_CHECKING:
    import pandas as pd

CodeArray = npt.NDArray[np.int8]

#: Keys of a plan that must be the same for draw k to be the same realisation in both runs.
DRAWN_BY = tuple(name for name in PlanKeys().of("draws") if name != "draws")

#: What is read of the nominal rows.
READ = [
    *("event", "family", "occurrence", "restraint", "sensor_set", "algorithm", "draw"),
    *("expectation", "required_time_ms", "fire_time_ms", "time_margin_ms", "max_demand"),
    *("demand_margin", "verdict", "waived"),
]

#: What is read of all draws.
READ_DRAWS = ["event", "restraint", "sensor_set", "algorithm", "draw", "verdict"]


@dataclass(frozen=True, eq=False)
class Side:
    """One of the two runs: its folder and its own metadata."""

    folder: RunFolder
    identity: Mapping[str, Any]
    summary: Mapping[str, Any]

    @property
    def name(self) -> str:
        """The folder as it was given."""
        return str(self.folder.path)

    @property
    def plan(self) -> Mapping[str, Any]:
        """The plan as resolved: names, draws, seed."""
        return dict(self.identity["plan"])

    @property
    def draws(self) -> int:
        """Random draws beside the nominal one."""
        return int(self.plan["draws"])

    def names(self, kind: str) -> tuple[str, ...]:
        """Names of a kind (``sensor_set`` or ``algorithm``) that have rows, sorted."""
        return tuple(sorted({str(row[kind]) for row in self.summary["counts"]}))

    def gates(self, algorithm: str) -> bool:
        """True if the algorithm decides the exit code of its run."""
        return bool(self.summary["gating"].get(algorithm, False))

    @cached_property
    def occurrences(self) -> dict[str, int]:
        """Event -> number of its occurrence, by which parts are named."""
        where: dict[str, int] = {}
        for path in self.folder.parts(nominal=True):
            number = int(path.stem.split("-")[1])
            for part in self.folder.tables(
                columns=["event", "draw"], nominal=True, occurrence=number, packed=True
            ):
                where |= dict.fromkeys(pc.unique(part.column("event")).to_pylist(), number)
        return where

    def nominal(self) -> pd.DataFrame:
        """The nominal rows."""
        import pandas as pd

        frames = [part.to_pandas() for part in self.folder.tables(columns=READ, nominal=True)]
        if not frames:
            raise RunFolderError(f"{self.name}: holds no verdicts; evaluate again")
        return pd.concat(frames, ignore_index=True)

    def verdict_codes(
        self,
        event: str,
        settings: Sequence[tuple[str, str]],
        *,
        draws: int,
        restraints: Sequence[str] = ALL_RESTRAINTS,
    ) -> CodeArray:
        """Return verdicts of an event as numbers into :data:`VERDICTS`, -1 where there is none.

        Shape (settings, restraints, draws + 1); a setting is (sensor set, algorithm). Names in
        *restraints* are those of rows: two restraints in order are one.
        """
        out = np.full((len(settings), len(restraints), draws + 1), -1, dtype=np.int8)
        sets, rules = self.names("sensor_set"), self.names("algorithm")
        place = np.full((len(sets), len(rules)), -1)
        for number, (sensor_set, algorithm) in enumerate(settings):
            place[sets.index(sensor_set), rules.index(algorithm)] = number
        for part in self.folder.tables(
            columns=READ_DRAWS, occurrence=self.occurrences[event], packed=True
        ):
            own = part.filter(pc.equal(part.column("event"), event))
            if not own.num_rows:
                continue
            draw = own.column("draw").to_numpy()
            setting = place[_codes(own, "sensor_set", sets), _codes(own, "algorithm", rules)]
            restraint = _codes(own, "restraint", restraints)
            verdict = _codes(own, "verdict", VERDICTS)
            wanted = (setting >= 0) & (restraint >= 0) & (draw <= draws)
            out[setting[wanted], restraint[wanted], draw[wanted]] = verdict[wanted]
        return out


def _codes(part: pa.Table, column: str, names: Sequence[str]) -> npt.NDArray[np.int64]:
    """A packed text column as numbers into *names*, -1 for any other text."""
    packed = part.column(column).unify_dictionaries()
    listed = packed.chunk(0).dictionary.to_pylist()
    number = {name: index for index, name in enumerate(names)}
    places = np.array([number.get(name, -1) for name in listed])
    return places[np.concatenate([chunk.indices.to_numpy() for chunk in packed.chunks])]


def read_side(path: str | Path) -> Side:
    """Open a run folder for comparison.

    Raises
    ------
    RunFolderError : no run folder, not complete, damaged, or of a later program
    """
    try:
        run = open_run(path)
        side = Side(RunFolder(path), RunFolder(path).manifest()["identity"], run.summary())
        for kind in ("sensor_set", "algorithm"):
            side.names(kind)
        side.summary["gating"].items()
        for key in ("draws", *DRAWN_BY):
            side.plan[key]
    except RunFolderError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise RunFolderError(
            f"{path}: summary.json or manifest.json cannot be read ({error!r}); evaluate again"
        ) from error
    return side


@dataclass(frozen=True)
class Pair:
    """A sensor set and an algorithm of one run, and those that they are compared with."""

    sensor_set_before: str
    sensor_set_after: str
    algorithm_before: str
    algorithm_after: str
    gating: bool

    def __str__(self) -> str:
        sensors = arrow(self.sensor_set_before, self.sensor_set_after)
        gate = "" if self.gating else " (for comparison)"
        return f"{arrow(self.algorithm_before, self.algorithm_after)}{gate}, sensors {sensors}"


def arrow(before: str, after: str) -> str:
    """Return a name, or both with an arrow where they differ."""
    return before if before == after else f"{before} -> {after}"


def paired_names(
    before: Sequence[str], after: Sequence[str], *, given: Sequence[str], option: str
) -> tuple[list[tuple[str, str]], list[str]]:
    """Pair names of one kind; also return those left without a partner.

    By *given* ``A:B`` where there is any, and nothing else then. Otherwise by equal name, and what
    is left over if it is exactly one on each side.

    Raises
    ------
    InputError : a name that a run does not have or that is paired twice, or nothing to pair

    >>> paired_names(["guarded", "plain"], ["guarded_2", "plain"], given=[], option="--algorithm")
    ([('plain', 'plain'), ('guarded', 'guarded_2')], [])
    """
    faults = []
    pairs: list[tuple[str, str]] = []
    for text in given:
        parts = text.split(":")
        if len(parts) != 2 or not all(parts):
            faults.append(Fault("command line", option, text, "a pair of names, A:B"))
            continue
        for name, known in zip(parts, (before, after), strict=True):
            if name not in known:
                faults.append(Fault("command line", option, name, nearest(name, known)))
        if any(parts[0] == a or parts[1] == b for a, b in pairs):
            faults.append(Fault("command line", option, text, "each name of a run once"))
        pairs.append((parts[0], parts[1]))
    if not given:
        pairs = [(name, name) for name in before if name in after]
        left = [name for name in before if name not in after]
        right = [name for name in after if name not in before]
        if len(left) == len(right) == 1:
            pairs.append((left[0], right[0]))
        elif not pairs:
            expected = f"A:B, one of {', '.join(before)} and one of {', '.join(after)}"
            faults.append(Fault("command line", option, None, f"{expected}: no name is in both"))
    if faults:
        raise InputError(faults)
    alone = [n for n in before if n not in {a for a, _ in pairs}]
    alone += [n for n in after if n not in {b for _, b in pairs} and n not in alone]
    return pairs, alone


def pair_settings(
    before: Side, after: Side, algorithms: Sequence[str], sensor_sets: Sequence[str]
) -> tuple[tuple[Pair, ...], list[str]]:
    """All pairs of settings, gating ones first, and sentences on what was paired and what not."""
    found: dict[str, list[tuple[str, str]]] = {}
    said = []
    faults: list[Fault] = []
    for kind, given in (("sensor_set", sensor_sets), ("algorithm", algorithms)):
        option = f"--{kind.replace('_', '-')}"
        names = before.names(kind), after.names(kind)
        try:
            found[kind], alone = paired_names(*names, given=given, option=option)
        except InputError as error:
            faults.extend(error.faults)
            continue
        word = kind.replace("_", " ").capitalize()
        if not given:
            said += [
                f"{word} {a} is compared with {b}: the only ones whose name is not in both."
                for a, b in found[kind]
                if a != b
            ]
        if kind == "algorithm" and not given:
            # Nothing may pass as "not lost" because it was renamed.
            for name in alone:
                if before.gates(name) and name not in names[1]:
                    expected = (
                        f"{name}:B, with B one of {', '.join(names[1])}: {name} gates in"
                        f" {before.name} and has no counterpart of that name in {after.name}"
                    )
                    faults.append(Fault("command line", option, None, expected))
        if alone:
            said.append(f"{word}s that are not compared: {', '.join(alone)}.")
    if faults:
        raise InputError(faults)
    for a, b in found["algorithm"]:
        if before.gates(a) != after.gates(b):
            now = "gates now and did not before" if after.gates(b) else "gated and does not now"
            said.append(f"Algorithm {arrow(a, b)} {now}.")
    pairs = [
        Pair(s, t, a, b, before.gates(a) or after.gates(b))
        for s, t in found["sensor_set"]
        for a, b in found["algorithm"]
    ]
    return tuple(sorted(pairs, key=lambda pair: not pair.gating)), said
