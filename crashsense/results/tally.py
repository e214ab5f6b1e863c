"""What a run counts: verdicts of the nominal draw and, apart from them, of the random draws."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from typing import TYPE_CHECKING, Any

from crashsense.scoring import FAILURES

if TYPE_CHECKING:
    import pandas as pd

#: Verdicts by which a requirement is met, and by which it is not.
MET = ("on_time", "held")
NOT_MET = FAILURES

#: Verdicts not met, the gravest first.
BY_WEIGHT = ("inadvertent", "early", "missed", "late", "rule_error")

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
}

REQUIRED = ("fire", "no_fire")

#: A sensor set and an algorithm: what one verdict is about.
Pair = tuple[str, str]


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """Rows of a table as named tuples."""
    return list(frame.itertuples())


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
    """A message of a rule less its numbers: what is the same way of failing.

    >>> kind_of("Mine: demand is nan at draw 0, sample 132")
    'Mine: demand is nan at draw #, sample #'
    """
    return re.sub(r"\d+", "#", message)


#: What :class:`Tally` reads of a verdict table.
TALLY_COLUMNS = [
    "event",
    "restraint",
    "sensor_set",
    "algorithm",
    "draw",
    "expectation",
    "verdict",
    "waived",
    "reason",
]

PAIR = ["sensor_set", "algorithm"]
ROW_KEY = ["event", "restraint", *PAIR]


@dataclass
class Tally:
    """Counts over a run, gathered part by part, so that a big run never stands in memory.

    The nominal draw is counted apart: it enters no statistic.
    """

    rows: int = 0
    draws: int = 0
    #: requirements of the nominal draw, and of all random draws
    nominal: dict[Pair, Totals] = field(default_factory=dict)
    random: dict[Pair, Totals] = field(default_factory=dict)
    #: (event, restraint, sensor set, algorithm) -> verdicts of the random draws; requirements only
    drawn: dict[tuple[str, str, str, str], Counter[str]] = field(default_factory=dict)
    #: (sensor set, algorithm, message less its numbers) -> where a rule failed so, open
    #: requirements included
    errors: dict[tuple[str, str, str], RuleErrors] = field(default_factory=dict)

    def add(self, part: pd.DataFrame) -> Tally:
        """Add a part of the verdict table."""
        self.rows += len(part)
        if len(part):
            self.draws = max(self.draws, int(part["draw"].max()))
        rows = required_rows(part)
        drawn = rows[rows["draw"] > 0]
        _add_totals(self.nominal, rows[rows["draw"] == 0])
        _add_totals(self.random, drawn)
        counted = drawn.groupby([*ROW_KEY, "verdict"], sort=False).size()
        for key, size in counted.items():
            event, restraint, sensor_set, algorithm, verdict = key
            counter = self.drawn.setdefault((event, restraint, sensor_set, algorithm), Counter())
            counter[verdict] += int(size)
        self._add_errors(part[part["verdict"] == "rule_error"])
        return self

    def _add_errors(self, broken: pd.DataFrame) -> None:
        for row in rows_of(broken):
            message = one_line(row.reason)
            key = (str(row.sensor_set), str(row.algorithm), kind_of(message))
            draw = int(row.draw)
            found = RuleErrors(
                int(draw == 0),
                int(draw > 0),
                int(row.expectation not in REQUIRED),
                (draw, str(row.event), str(row.restraint), message),
            )
            self.errors[key] = self.errors[key].plus(found) if key in self.errors else found

    def rule_errors(self, pair: Pair) -> list[RuleErrors]:
        """Ways in which rules failed, the most frequent first."""
        own = [found for key, found in self.errors.items() if key[:2] == pair]
        return sorted(own, key=lambda found: (-found.rows, found.first))

    def failures(self, pair: Pair) -> dict[tuple[str, str], int]:
        """(event, restraint) -> random draws in which the requirement failed; only those."""
        own = ((key, counter) for key, counter in self.drawn.items() if key[2:] == pair)
        counted = ((key[:2], sum(counter[v] for v in NOT_MET)) for key, counter in own)
        return {key: size for key, size in counted if size}

    def judged(self, pair: Pair) -> dict[tuple[str, str], int]:
        """(event, restraint) -> random draws in which the requirement could be judged."""
        return {
            (event, restraint): counter.total() - counter["not_evaluated"]
            for (event, restraint, *own), counter in self.drawn.items()
            if tuple(own) == pair
        }

    def verdicts(self, pair: Pair) -> Counter[str]:
        """Count the verdicts of all requirements over the random draws."""
        total: Counter[str] = Counter()
        for key, counter in self.drawn.items():
            if key[2:] == pair:
                total.update(counter)
        return total

    def whole(self, pair: Pair) -> Totals:
        """Totals of the nominal and the random draws: what the exit code goes by."""
        return self.nominal.get(pair, Totals()).plus(self.random.get(pair, Totals()))

    def met(self, pair: Pair) -> bool:
        """True if every requirement that could be judged is met, nominally and in every draw.

        Where something is required and nothing could be judged, nothing is met.
        """
        whole = self.whole(pair)
        return whole.failed == 0 and (whole.required == 0 or whole.unjudged < whole.required)


def _add_totals(known: dict[Pair, Totals], rows: pd.DataFrame) -> None:
    failed = rows["verdict"].isin(NOT_MET)
    marked = rows[PAIR].assign(
        unjudged=rows["verdict"] == "not_evaluated",
        failed=failed,
        waived=failed & rows["waived"].astype(bool),
        errors=rows["verdict"] == "rule_error",
    )
    for (sensor_set, algorithm), own in marked.groupby(PAIR, sort=False):
        pair = (str(sensor_set), str(algorithm))
        found = Totals(
            len(own), *(int(own[n].sum()) for n in ("unjudged", "failed", "waived", "errors"))
        )
        known[pair] = known.get(pair, Totals()).plus(found)


def requirements_met(tally: Tally, *, gating: Mapping[str, bool]) -> bool:
    """Say whether every gating algorithm met every requirement that it could judge.

    With every sensor set of the run, in the nominal draw and in every other. Where nothing at all
    could be judged, nothing is met.
    """
    pairs = {*tally.nominal, *tally.random}
    return all(tally.met(pair) for pair in pairs if gating.get(pair[1], False))


def counts(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Count verdicts, one row a sensor set and algorithm.

    Columns: met, not_met, each verdict, and ``idle``: how many of those held had demand 0
    throughout, so that nothing ever tempted the rule. Open requirements appear only in their own
    two columns.
    """
    import pandas as pd

    table = pd.crosstab(
        [verdicts["sensor_set"], verdicts["algorithm"]], verdicts["verdict"]
    ).reindex(columns=list(WORDS), fill_value=0)
    rows = required_rows(verdicts)
    for name, words in (("not_met", NOT_MET), ("met", MET)):
        hit = rows[rows["verdict"].isin(words)].groupby(PAIR).size()
        table.insert(0, name, hit.reindex(table.index, fill_value=0).astype(int))
    unjudged = rows[rows["verdict"] == "not_evaluated"].groupby(PAIR).size()
    table["not_evaluated"] = unjudged.reindex(table.index, fill_value=0).astype(int)
    idle = rows[(rows["verdict"] == "held") & (rows["max_demand"] == 0.0)].groupby(PAIR).size()
    table["idle"] = idle.reindex(table.index, fill_value=0).astype(int)
    return table.rename_axis(columns=None)


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
        """The failing verdicts and in how many draws, the gravest first."""
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
    judged, failures = tally.judged(pair), tally.failures(pair)
    found = [
        FailingRow(
            event, restraint, failures[key], judged[key], tally.drawn[(event, restraint, *pair)]
        )
        for event, restraint in zip(met["event"], met["restraint"], strict=True)
        if (key := (event, restraint)) in failures
    ]

    def weight(row: FailingRow) -> tuple[Any, ...]:
        return row.inadvertent == 0, -row.failed / row.draws, row.event, row.restraint

    return sorted(found, key=weight)
