"""The tally of a run: what is met, what is not, and the exit code that follows.

The nominal draw is counted apart from the random draws: it enters no statistic. Parts are added in
any order and however cut; only counts stay in memory, whatever the number of draws.
"""

from __future__ import annotations

import re
from collections import Counter, namedtuple
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from crashsense.arrays import BoolArray, FloatArray, IntArray
from crashsense.results.statistics import (
    GROUP,
    JUDGED,
    LEVEL,
    Group,
    bootstrap_mean,
    clopper_pearson,
    probability,
    statistics_row,
    upper_bound_without_failure,
)
from crashsense.scoring import FAILURES, MET, ORDER_FAILURES
from crashsense.verdict_schema import NO_RULE

if TYPE_CHECKING:
    import pandas as pd

#: Verdicts by which a requirement is not met.
NOT_MET = FAILURES

#: Verdicts not met, the most serious first.
BY_WEIGHT = ("inadvertent", "early", "missed", "late", *ORDER_FAILURES, "rule_error")

#: Verdict -> how it reads.
WORDS = {
    "on_time": "on time",
    "late": "late",
    "missed": "missed",
    "early": "early",
    "held": "held",
    "inadvertent": "inadvertent",
    "rule_error": "rule error",
    "open_fired": "open, fired",
    "open_held": "open, held",
    "not_evaluated": "not judged",
    "in_order": "in order",
    "not_challenged": "not challenged",
    "alone": "alone",
    "out_of_order": "out of order",
    "too_soon": "too soon",
    "too_late": "too late",
}

#: Expectations that are judged; ``open`` is not.
REQUIRED = tuple(JUDGED)

#: A sensor set and an algorithm: what one verdict is about.
Pair = tuple[str, str]


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """Rows of a table as named tuples, the first field ``Index``, as ``itertuples`` in less time.

    >>> import pandas as pd
    >>> rows_of(pd.DataFrame({"event": ["wall"], "draw": [3]}))
    [Row(Index=0, event='wall', draw=3)]
    """
    kind = _kind_of_row(tuple(map(str, frame.columns)))
    columns = [column.tolist() for _, column in frame.items()]
    return list(map(kind._make, zip(frame.index.tolist(), *columns, strict=True)))


@lru_cache(maxsize=64)
def _kind_of_row(names: tuple[str, ...]) -> Any:
    return namedtuple("Row", ("Index", *names), rename=True)


def required_rows(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Rows that carry a requirement (``fire`` or ``no_fire``)."""
    return verdicts[verdicts["expectation"].isin(REQUIRED)]


def pairs_of(
    nominal: pd.DataFrame, *, gating: Mapping[str, bool], sensor_sets: Sequence[str] = ()
) -> list[Pair]:
    """Sensor sets and algorithms of a run: gating algorithms first, in the order asked for."""
    present = nominal[["sensor_set", "algorithm"]].drop_duplicates()
    found = {(str(row.sensor_set), str(row.algorithm)) for row in rows_of(present)}
    sets, names = list(sensor_sets), list(gating)

    def place(pair: Pair) -> tuple[Any, ...]:
        sensor_set, algorithm = pair
        return (
            not gating.get(algorithm, True),
            names.index(algorithm) if algorithm in names else len(names),
            sets.index(sensor_set) if sensor_set in sets else len(sets),
            pair,
        )

    return sorted(found, key=place)


def labels_of(pairs: Iterable[Pair]) -> dict[Pair, str]:
    """How each pair reads: the sensor set is named where there are several.

    >>> labels_of([("a", "plain"), ("b", "plain")])
    {('a', 'plain'): 'plain / a', ('b', 'plain'): 'plain / b'}
    >>> labels_of([("a", "plain"), ("a", "guarded")])
    {('a', 'plain'): 'plain', ('a', 'guarded'): 'guarded'}
    """
    known = list(pairs)
    several = len({sensor_set for sensor_set, _ in known}) > 1
    return {(s, a): f"{a} / {s}" if several else a for s, a in known}


@dataclass(frozen=True)
class Totals:
    """Rows of one sensor set and algorithm that carry a requirement."""

    required: int = 0
    unjudged: int = 0
    failed: int = 0
    waived: int = 0
    errors: int = 0
    #: of those not judged: the algorithm has no rule for the restraint
    uncovered: int = 0

    def plus(self, other: Totals) -> Totals:
        """Add other rows."""
        pairs = zip(astuple(self), astuple(other), strict=True)
        return Totals(*(mine + yours for mine, yours in pairs))


@dataclass(frozen=True)
class RuleErrors:
    """Rows in which a rule failed in one way: its message may differ in numbers only.

    ``nominal``, ``drawn``: rows of draw 0 and of the random draws; ``unasked``: those of both that
    carry no requirement; ``first``: draw, event, restraint and message of the first.
    """

    nominal: int
    drawn: int
    unasked: int
    first: tuple[int, str, str, str]

    @property
    def rows(self) -> int:
        """All rows."""
        return self.nominal + self.drawn

    def plus(self, other: RuleErrors) -> RuleErrors:
        """Add rows of another part."""
        return RuleErrors(
            self.nominal + other.nominal,
            self.drawn + other.drawn,
            self.unasked + other.unasked,
            min(self.first, other.first),
        )


def one_line(message: object, *, most: int = 160) -> str:
    """A message of a rule on one line, cut where it is long.

    >>> one_line("PythonRule: ValueError: no\\nsuch thing"), one_line(None)
    ('PythonRule: ValueError: no such thing', 'no message')
    """
    text = " ".join(message.split()) if isinstance(message, str) else ""
    return text if 0 < len(text) <= most else f"{text[: most - 3]}..." if text else "no message"


def kind_of(message: str) -> str:
    """A message of a rule without its numbers, so that equal failures count together.

    >>> kind_of("Mine: demand is nan at draw 0, sample 132")
    'Mine: demand is nan at draw #, sample #'
    """
    return re.sub(r"\d+", "#", message)


#: What :class:`Tally` reads of a verdict table.
TALLY_COLUMNS = [*GROUP, "draw", "verdict", "waived", "reason", "fire_time_ms", "demand_margin"]

PAIR = ["sensor_set", "algorithm"]

#: Exit codes of a judged run: every requirement met by every gating algorithm, or not.
EXIT_MET, EXIT_NOT_MET = 0, 1


@dataclass(frozen=True, eq=False)
class _Words:
    """A column of few words: ``names[codes]``; None where there is none."""

    codes: IntArray
    names: Sequence[Any]

    @classmethod
    def of(cls, column: pa.ChunkedArray) -> _Words:
        """From a column of text, packed or not."""
        if not pa.types.is_dictionary(column.type):
            column = column.dictionary_encode()
        whole = column.unify_dictionaries().combine_chunks()
        names = [*whole.dictionary.to_pylist(), None]
        codes = whole.indices.cast(pa.int64()).fill_null(len(names) - 1)
        return cls(codes.to_numpy(zero_copy_only=False), names)

    def __getitem__(self, row: int) -> Any:
        return self.names[self.codes[row]]

    def taken(self, rows: IntArray) -> _Words:
        """Some rows of it."""
        return _Words(self.codes[rows], self.names)


def _joint(columns: Sequence[_Words]) -> IntArray:
    """One number for each combination of words."""
    shape = [len(words.names) for words in columns]
    return np.ravel_multi_index([words.codes for words in columns], shape)


def _sizes(columns: Sequence[_Words]) -> Iterator[tuple[tuple[Any, ...], int]]:
    """Yield each combination of words that occurs, and in how many rows."""
    found, sizes = np.unique(_joint(columns), return_counts=True)
    places = np.unravel_index(found, [len(words.names) for words in columns])
    names = [
        [words.names[code] for code in codes] for words, codes in zip(columns, places, strict=True)
    ]
    yield from zip(zip(*names, strict=True), sizes.tolist(), strict=True)


@dataclass
class Tally:
    """Counts over all rows of a run. The only place that says what is met."""

    rows: int = 0
    draws: int = 0
    #: requirements of the nominal draw, and of all random draws
    nominal: dict[Pair, Totals] = field(default_factory=dict)
    random: dict[Pair, Totals] = field(default_factory=dict)
    #: (sensor set, algorithm, verdict) -> rows of the nominal draw, and of all random draws
    counts: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    counts_drawn: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    #: (sensor set, algorithm, message less its numbers) -> where a rule failed so, open
    #: requirements included
    errors: dict[tuple[str, str, str], RuleErrors] = field(default_factory=dict)
    #: random draws of each event, restraint, sensor set, algorithm and expectation
    _groups: dict[tuple[str, ...], Group] = field(default_factory=dict)
    #: (sensor set, algorithm) -> failed requirements of each draw
    _failed: dict[Pair, npt.NDArray[np.int64]] = field(default_factory=dict)

    def add(self, part: pa.Table | pd.DataFrame) -> Tally:
        """Add a part of the verdict table; it holds :data:`TALLY_COLUMNS`."""
        if not isinstance(part, pa.Table):
            part = pa.Table.from_pandas(part[TALLY_COLUMNS], preserve_index=False)
        if not part.num_rows:
            return self
        self.rows += part.num_rows
        columns = {name: _Words.of(part.column(name)) for name in (*GROUP, "verdict", "reason")}
        draws = part.column("draw").to_numpy()
        self.draws = max(self.draws, int(draws.max()))
        waived = part.column("waived").to_numpy().astype(bool)
        self._add_counts(columns, drawn=draws > 0, waived=waived)
        at = np.flatnonzero(draws > 0)
        numbers = {
            name: part.column(name).cast(pa.float64()).to_numpy()[at]
            for name in ("fire_time_ms", "demand_margin")
        }
        self._add_groups({k: words.taken(at) for k, words in columns.items()}, draws[at], **numbers)
        self._add_errors(columns, draws)
        return self

    def _add_counts(
        self, columns: Mapping[str, _Words], *, drawn: BoolArray, waived: BoolArray
    ) -> None:
        """Count rows that are alike in all that totals and counts look at, kind by kind."""
        reason = columns["reason"]
        tail = NO_RULE.format(algorithm="")
        without_rule = np.array([str(text).endswith(tail) for text in reason.names])[reason.codes]
        flags = [_Words(f.astype(np.int64), (False, True)) for f in (drawn, waived, without_rule)]
        kinds = [columns[name] for name in (*PAIR, "expectation", "verdict")]
        found: dict[tuple[bool, Pair], list[int]] = {}
        for kind, size in _sizes([*kinds, *flags]):
            sensor_set, algorithm, expectation, verdict, random, spared, unruled = kind
            pair = (sensor_set, algorithm)
            (self.counts_drawn if random else self.counts)[(*pair, verdict)] += size
            if expectation not in REQUIRED:
                continue
            unjudged, failed = verdict == "not_evaluated", verdict in NOT_MET
            hits = (
                *(True, unjudged, failed, failed and spared, verdict == "rule_error"),
                unjudged and unruled,
            )
            total = found.setdefault((random, pair), [0] * len(hits))
            total[:] = [known + size * hit for known, hit in zip(total, hits, strict=True)]
        for (random, pair), total in found.items():
            totals = self.random if random else self.nominal
            totals[pair] = totals.get(pair, Totals()).plus(Totals(*total))

    def _add_groups(
        self,
        columns: Mapping[str, _Words],
        draws: IntArray,
        *,
        fire_time_ms: FloatArray,
        demand_margin: FloatArray,
    ) -> None:
        """Add random draws to their groups: as arrays, since a frame a group is slow to make."""
        verdicts = columns["verdict"]
        groups = [columns[name] for name in GROUP]
        number = _joint(groups)
        order = np.argsort(number, kind="stable")
        starts = np.flatnonzero(np.diff(number[order], prepend=-1))
        ends = np.append(starts[1:], order.size)
        firsts = order[starts]
        fails = np.isin(
            verdicts.codes, [verdicts.names.index(v) for v in verdicts.names if v in NOT_MET]
        )
        for place in np.argsort(firsts).tolist():  # in the order in which they came
            own = order[starts[place] : ends[place]]
            key = tuple(words.names[words.codes[firsts[place]]] for words in groups)
            sizes = np.bincount(verdicts.codes[own], minlength=len(verdicts.names)).tolist()
            self._groups.setdefault(key, Group()).add(
                {name: size for name, size in zip(verdicts.names, sizes, strict=True) if size},
                fire_times_ms=fire_time_ms[own],
                margins=demand_margin[own],
                draws=draws[own],
            )
            _, _, *pair, expectation = key
            if expectation in REQUIRED:
                self._add_failed((pair[0], pair[1]), draws[own[fails[own]]])

    def _add_failed(self, pair: Pair, draws: IntArray) -> None:
        """Count failed requirements draw by draw."""
        known = self._failed.setdefault(pair, np.empty(0, dtype=np.int64))
        if not draws.size:
            return
        first = int(draws.min())
        added = np.bincount(draws - first)
        if first + added.size > known.size:
            known = np.append(known, np.zeros(first + added.size - known.size, dtype=np.int64))
            self._failed[pair] = known
        known[first : first + added.size] += added

    def _add_errors(self, columns: Mapping[str, _Words], draws: IntArray) -> None:
        verdicts = columns["verdict"]
        if "rule_error" not in verdicts.names:
            return
        for row in np.flatnonzero(verdicts.codes == verdicts.names.index("rule_error")).tolist():
            event, restraint, sensor_set, algorithm, expectation, reason = (
                columns[name][row] for name in (*GROUP, "reason")
            )
            message = one_line(reason)
            key = (sensor_set, algorithm, kind_of(message))
            draw = int(draws[row])
            found = RuleErrors(
                int(draw == 0),
                int(draw > 0),
                int(expectation not in REQUIRED),
                (draw, event, restraint, message),
            )
            self.errors[key] = self.errors[key].plus(found) if key in self.errors else found

    # -- what is met ---------------------------------------------------------------------------

    def whole(self, pair: Pair) -> Totals:
        """Totals of the nominal and the random draws: what the exit code follows from."""
        return self.nominal.get(pair, Totals()).plus(self.random.get(pair, Totals()))

    def met(self, pair: Pair) -> bool:
        """True if every requirement that could be judged is met, nominally and in every draw.

        Where something is required and nothing could be judged, nothing is met.
        """
        whole = self.whole(pair)
        return whole.failed == 0 and (whole.required == 0 or whole.unjudged < whole.required)

    def met_by(self, algorithm: str) -> bool:
        """True if the algorithm meets its requirements with every sensor set of the run."""
        pairs = {*self.nominal, *self.random}
        return all(self.met(pair) for pair in pairs if pair[1] == algorithm)

    def exit_code(self, gating: Mapping[str, bool]) -> int:
        """0 if every gating algorithm meets its requirements, else 1."""
        met = all(self.met_by(algorithm) for algorithm, gate in gating.items() if gate)
        return EXIT_MET if met else EXIT_NOT_MET

    # -- over draws ----------------------------------------------------------------------------

    def rule_errors(self, pair: Pair) -> list[RuleErrors]:
        """Ways in which rules failed, the most frequent first."""
        own = [found for key, found in self.errors.items() if key[:2] == pair]
        return sorted(own, key=lambda found: (-found.rows, found.first))

    def drawn(self, pair: Pair) -> dict[tuple[str, str], Group]:
        """(event, restraint) -> its random draws; requirements only."""
        return {
            (event, restraint): group
            for (event, restraint, *own, expectation), group in self._groups.items()
            if tuple(own) == pair and expectation in REQUIRED
        }

    def failures(self, pair: Pair) -> dict[tuple[str, str], int]:
        """(event, restraint) -> random draws in which the requirement failed; only those."""
        return {key: n for key, group in self.drawn(pair).items() if (n := group.failed)}

    def judged(self, pair: Pair) -> dict[tuple[str, str], int]:
        """(event, restraint) -> random draws in which the requirement could be judged."""
        return {key: group.judged for key, group in self.drawn(pair).items()}

    def verdicts(self, pair: Pair) -> Counter[str]:
        """Count the verdicts of all requirements over the random draws."""
        total: Counter[str] = Counter()
        for group in self.drawn(pair).values():
            total.update(group.verdicts)
        return total

    def _judged_groups(self) -> list[tuple[tuple[str, ...], Group]]:
        return sorted((key, group) for key, group in self._groups.items() if group.judged)

    def statistics(self, *, level: float = LEVEL) -> pd.DataFrame:
        """Return one row an event, restraint, sensor set and algorithm, over draws 1 and up.

        Columns: ``draws`` (judged); for each verdict ``n_<verdict>``; for ``failure`` and each of
        ``on_time``, ``late``, ``missed``, ``inadvertent`` that can occur ``p_<it>`` with its exact
        (``p_<it>_low``, ``p_<it>_high``) and its Wilson interval (``p_<it>_wilson_low``,
        ``..._high``); ``failure_bound`` (one-sided upper bound, given where there was no failure);
        quantiles of fire time with intervals [ms], infinite where so many draws missed that must
        fire; where nothing must fire they are over the draws that did; the worst demand margin and
        its draw. An open requirement cannot fail: its probabilities are left out.
        """
        import pandas as pd

        rows = [statistics_row(key, group, level=level) for key, group in self._judged_groups()]
        return pd.DataFrame(rows)

    def over_draws(self, *, draws: int, level: float = LEVEL) -> dict[str, Any]:
        """Say what the random draws show of the requirements, as summary.json holds it.

        ``counts``: rows of each verdict, by sensor set and algorithm; ``without_failure``: for each
        sensor set and algorithm how many requirements were judged, how many never failed, the least
        number of draws in which one of these was judged, and the one-sided upper bound of its
        chance of failure; ``with_failure``: every requirement that failed in some draw, worst
        first, with its exact and its Wilson interval; ``whole_draws``: for each sensor set and
        algorithm in how many draws every judged requirement was met, with its exact interval, and
        the mean number of failures in a draw with a bootstrap interval. A draw is one trial here,
        so these hold whether or not events share their sensors.
        """
        judged: dict[Pair, list[int]] = {}
        never: dict[Pair, list[int]] = {}
        failed = []
        for key, group in self._judged_groups():
            _, _, sensor_set, algorithm, expectation = key
            if expectation not in JUDGED:
                continue
            pair, n, failures = (sensor_set, algorithm), group.judged, group.failed
            judged.setdefault(pair, []).append(n)
            if not failures:
                never.setdefault(pair, []).append(n)
                continue
            row: dict[str, Any] = dict(zip(GROUP, key, strict=True))
            row |= {"draws": n, "failed": failures}
            failed.append(row | probability("failure", failures, n, level=level))
        without = []
        for pair in sorted(judged):
            own = never.get(pair, [])
            bound = upper_bound_without_failure(min(own), level=level) if own else None
            without.append(
                {
                    **dict(zip(PAIR, pair, strict=True)),
                    "requirements": len(judged[pair]),
                    "never_failed": len(own),
                    "least_draws": min(own, default=0),
                    "failure_bound": bound,
                }
            )
        return {
            "draws": draws,
            "level": level,
            "counts": count_entries(self.counts_drawn),
            "waived_failures": sum(totals.waived for totals in self.random.values()),
            "without_failure": without,
            "with_failure": sorted(failed, key=lambda row: -row["p_failure"]),
            "whole_draws": [self._whole(pair, draws=draws, level=level) for pair in sorted(judged)],
        }

    def _whole(self, pair: Pair, *, draws: int, level: float) -> dict[str, Any]:
        by_draw = np.zeros(draws, dtype=np.int64)
        found = self._failed.get(pair, np.empty(0, dtype=np.int64))[1:]
        by_draw[: found.size] = found
        met = int(np.count_nonzero(by_draw == 0))
        low, high = clopper_pearson(met, draws, level=level)
        mean_low, mean_high = bootstrap_mean(by_draw, level=level)
        return {
            **dict(zip(PAIR, pair, strict=True)),
            "draws": draws,
            "all_met": met,
            "p_all_met": met / draws,
            "p_all_met_low": low,
            "p_all_met_high": high,
            "mean_failures": float(by_draw.mean()),
            "mean_failures_low": mean_low,
            "mean_failures_high": mean_high,
        }


def count_entries(counts: Mapping[tuple[str, str, str], int]) -> list[dict[str, Any]]:
    """Counts of verdicts as summary.json holds them."""
    return [
        {"sensor_set": s, "algorithm": a, "verdict": v, "rows": n}
        for (s, a, v), n in sorted(counts.items())
    ]


def counted(verdicts: pd.DataFrame) -> dict[Pair, Counter[str]]:
    """Count verdicts of each sensor set and algorithm; also ``met``, ``not_met`` and ``idle``.

    ``idle``: how many of those held had demand 0 throughout, so the event never challenged the
    rule. Open requirements are counted as ``open_fired`` and ``open_held`` alone.
    """
    columns = (*PAIR, "expectation", "verdict", "max_demand")
    rows = zip(*(verdicts[name].tolist() for name in columns), strict=True)
    found: dict[Pair, Counter[str]] = {}
    for sensor_set, algorithm, expectation, verdict, demand in rows:
        own = found.setdefault((sensor_set, algorithm), Counter())
        required = expectation in REQUIRED
        own[verdict] += required or verdict != "not_evaluated"
        own["met"] += required and verdict in MET
        own["not_met"] += required and verdict in NOT_MET
        own["idle"] += required and verdict == "held" and demand == 0.0
    return found


def counts(verdicts: pd.DataFrame) -> pd.DataFrame:
    """As :func:`counted`, one row a sensor set and algorithm."""
    import pandas as pd

    found = sorted(counted(verdicts).items())
    names = ["met", "not_met", *WORDS, "idle"]
    return pd.DataFrame(
        [[own[name] for name in names] for _, own in found],
        index=pd.MultiIndex.from_tuples([pair for pair, _ in found], names=PAIR),
        columns=names,
        dtype=np.int64,
    )


@dataclass(frozen=True)
class FailingRow:
    """A requirement that failed in some random draw, and how."""

    event: str
    restraint: str
    failed: int
    draws: int
    verdicts: Mapping[str, int]

    @property
    def inadvertent(self) -> int:
        """Draws in which it fires although it must not."""
        return self.verdicts.get("inadvertent", 0)

    @property
    def words(self) -> str:
        """The failing verdicts and in how many draws, the most serious first."""
        parts = [(WORDS[v], self.verdicts[v]) for v in BY_WEIGHT if self.verdicts.get(v)]
        if len(parts) == 1:
            return f"{parts[0][0]} in {self.failed} of {self.draws}"
        return f"{self.failed} of {self.draws}: " + ", ".join(f"{w} {n}" for w, n in parts)


def failing_in_draws(nominal: pd.DataFrame, tally: Tally, pair: Pair) -> list[FailingRow]:
    """Requirements that are met at nominal and fail in some draw.

    What fires although it must not comes first; then the most frequent failure.
    """
    own = nominal[(nominal["sensor_set"] == pair[0]) & (nominal["algorithm"] == pair[1])]
    met = own[own["verdict"].isin(MET)]
    drawn = tally.drawn(pair)
    found = [
        FailingRow(*key, group.failed, group.judged, group.verdicts)
        for key in zip(met["event"], met["restraint"], strict=True)
        if (group := drawn.get(key)) is not None and group.failed
    ]

    def weight(row: FailingRow) -> tuple[Any, ...]:
        return row.inadvertent == 0, -row.failed / row.draws, row.event, row.restraint

    return sorted(found, key=weight)
