"""The tally against plain counting of rows, one at a time, on tables made at random."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from crashsense.results.outcome import outcome_of
from crashsense.results.statistics import clopper_pearson, upper_bound_without_failure
from crashsense.results.tally import (
    WORDS,
    Tally,
    Totals,
    counts,
    failing_in_draws,
    kind_of,
    one_line,
    pairs_of,
)
from crashsense.scoring import FAILURES, MET
from crashsense.verdict_schema import NO_RULE

VERDICTS = {
    "fire": ["on_time"] * 6 + ["late", "missed", "early", "rule_error", "not_evaluated"],
    "no_fire": ["held"] * 6 + ["inadvertent", "rule_error", "not_evaluated"],
    "open": ["open_fired", "open_held", "rule_error", "not_evaluated"],
}
DRAWS = 12


def table(seed: int) -> pd.DataFrame:
    """Rows of three events, two restraints, two sensor sets, two algorithms, draws 0 to 12."""
    source = np.random.default_rng(seed)
    rows = []
    for event in ("a", "b", "c"):
        for restraint in ("r", "s"):
            expectation = str(source.choice(["fire", "no_fire", "open"]))
            calm = source.random() < 0.5  # nothing fails at all
            for sensors in ("one", "two"):
                for algorithm in ("plain", "guarded"):
                    for draw in range(DRAWS + 1):
                        known = VERDICTS[expectation]
                        verdict = known[0] if calm else str(source.choice(known))
                        reason = None
                        if verdict == "not_evaluated":
                            reason = str(
                                source.choice([NO_RULE.format(algorithm=algorithm), "no time"])
                            )
                        if verdict == "rule_error":
                            reason = f"Mine: demand is nan at sample {source.integers(100)}"
                        rows.append(
                            (event, restraint, sensors, algorithm, expectation, draw, verdict,
                             bool(source.random() < 0.3), reason, float(source.random() * 20.0),
                             float(source.random() - 0.5), float(source.integers(2)))
                        )  # fmt: skip
    names = ["event", "restraint", "sensor_set", "algorithm", "expectation", "draw", "verdict",
             "waived", "reason", "fire_time_ms", "demand_margin", "max_demand"]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def tallied(rows: pd.DataFrame, seed: int) -> Tally:
    """Added in parts, in any order."""
    source = np.random.default_rng(seed)
    mixed = rows.iloc[source.permutation(len(rows))]
    tally = Tally()
    for part in np.array_split(np.arange(len(mixed)), 7):
        tally.add(mixed.iloc[part])
    return tally


def counted(rows: list) -> Totals:
    asked = [row for row in rows if row.expectation != "open"]
    failed = [row for row in asked if row.verdict in FAILURES]
    return Totals(
        required=len(asked),
        unjudged=sum(row.verdict == "not_evaluated" for row in asked),
        failed=len(failed),
        waived=sum(row.waived for row in failed),
        errors=sum(row.verdict == "rule_error" for row in asked),
        uncovered=sum(
            row.verdict == "not_evaluated" and row.reason == NO_RULE.format(algorithm=row.algorithm)
            for row in asked
        ),
    )


def test_all_places_of_a_small_index_may_be_taken() -> None:
    frame = table(1)
    few = frame[frame["verdict"] != "rule_error"].head(128).reset_index(drop=True)
    few["event"] = [f"event {number}" for number in range(128)]
    part = pa.Table.from_pandas(few, preserve_index=False)
    places = pa.array(range(128), type=pa.int8())
    packed = pa.DictionaryArray.from_arrays(places, few["event"].tolist())
    part = part.set_column(part.column_names.index("event"), "event", packed)
    assert Tally().add(part).counts == tallied(few, 1).counts


@pytest.mark.parametrize("seed", range(8))
def test_what_is_met_is_what_is_counted_row_by_row(seed: int) -> None:
    frame = table(seed)
    tally = tallied(frame, seed)
    rows = list(frame.itertuples())
    assert (tally.rows, tally.draws) == (len(rows), DRAWS)
    told = tally.over_draws(draws=DRAWS)
    whole = {(e["sensor_set"], e["algorithm"]): e for e in told["whole_draws"]}
    calm = {(e["sensor_set"], e["algorithm"]): e for e in told["without_failure"]}
    for sensors in ("one", "two"):
        for algorithm in ("plain", "guarded"):
            pair = (sensors, algorithm)
            own = [row for row in rows if (row.sensor_set, row.algorithm) == pair]
            random = [row for row in own if row.draw]
            assert tally.whole(pair) == counted(own)
            assert tally.nominal.get(pair, Totals()) == counted([r for r in own if not r.draw])
            found = counted(own)
            met = not found.failed and (not found.required or found.unjudged < found.required)
            assert tally.met(pair) == met
            for counter, part in ((tally.counts, own), (tally.counts_drawn, random)):
                chosen = [r for r in part if bool(r.draw) == (part is random)]
                seen = Counter(row.verdict for row in chosen)
                assert {v: counter[(*pair, v)] for v in seen} == seen
            # Requirement by requirement, over the random draws.
            groups: dict = defaultdict(list)
            for row in random:
                if row.expectation != "open":
                    groups[row.event, row.restraint].append(row)
            judged = {k: sum(r.verdict != "not_evaluated" for r in g) for k, g in groups.items()}
            failed = {k: sum(r.verdict in FAILURES for r in g) for k, g in groups.items()}
            assert tally.judged(pair) == judged
            assert tally.failures(pair) == {k: n for k, n in failed.items() if n}
            never = [judged[k] for k in groups if judged[k] and not failed[k]]
            entry = calm[pair]
            assert entry["requirements"] == sum(n > 0 for n in judged.values())
            assert (entry["never_failed"], entry["least_draws"]) == (
                len(never), min(never, default=0),
            )  # fmt: skip
            bound = upper_bound_without_failure(min(never)) if never else None
            assert entry["failure_bound"] == bound
            # Draw by draw.
            by_draw = [
                sum(r.verdict in FAILURES for g in groups.values() for r in g if r.draw == draw)
                for draw in range(1, DRAWS + 1)
            ]
            entry = whole[pair]
            good = by_draw.count(0)
            assert (entry["draws"], entry["all_met"]) == (DRAWS, good)
            assert entry["p_all_met"] == pytest.approx(good / DRAWS)
            assert (entry["p_all_met_low"], entry["p_all_met_high"]) == clopper_pearson(good, DRAWS)
            assert entry["mean_failures"] == pytest.approx(sum(by_draw) / DRAWS)
    assert told["waived_failures"] == counted([row for row in rows if row.draw]).waived
    shares = [row["p_failure"] for row in told["with_failure"]]
    assert shares == sorted(shares, reverse=True)


def test_where_everything_fails_somewhere_no_bound_is_given() -> None:
    rows = table(0).assign(expectation="fire", verdict="on_time", reason=None)
    rows.loc[rows["draw"] == 5, "verdict"] = "late"
    told = tallied(rows, 0).over_draws(draws=DRAWS)
    assert len(told["without_failure"]) == 4
    for entry in told["without_failure"]:
        assert (entry["requirements"], entry["never_failed"], entry["least_draws"]) == (6, 0, 0)
        assert entry["failure_bound"] is None
    assert {entry["all_met"] for entry in told["whole_draws"]} == {DRAWS - 1}
    # Without any requirement, nothing is told of a pair.
    calm = table(0).assign(expectation="open", verdict="open_held", reason=None)
    assert tallied(calm, 0).over_draws(draws=DRAWS)["whole_draws"] == []


@pytest.mark.parametrize("seed", range(4))
def test_exit_code_asks_every_gating_algorithm_with_every_sensor_set(seed: int) -> None:
    tally = tallied(table(seed), seed)
    for gating in (
        {"plain": True, "guarded": False}, {"plain": False, "guarded": True},
        {"plain": True, "guarded": True}, {"plain": False, "guarded": False},
    ):  # fmt: skip
        met = all(
            tally.met((sensors, name))
            for name, gate in gating.items()
            if gate
            for sensors in ("one", "two")
        )
        assert tally.exit_code(gating) == (0 if met else 1)


@pytest.mark.parametrize("seed", range(4))
def test_rule_errors_are_told_apart_by_their_words_and_counted(seed: int) -> None:
    frame = table(seed)
    tally = tallied(frame, seed)
    broken = [row for row in frame.itertuples() if row.verdict == "rule_error"]
    assert broken
    for sensors in ("one", "two"):
        for algorithm in ("plain", "guarded"):
            own = [r for r in broken if (r.sensor_set, r.algorithm) == (sensors, algorithm)]
            if not own:
                assert tally.rule_errors((sensors, algorithm)) == []
                continue
            (found,) = tally.rule_errors((sensors, algorithm))
            assert found.rows == len(own)
            assert found.nominal == sum(row.draw == 0 for row in own)
            assert found.unasked == sum(row.expectation == "open" for row in own)
            first = min((row.draw, row.event, row.restraint, row.reason) for row in own)
            assert found.first == first
    assert kind_of("at 12 of 3") == kind_of("at 7 of 44")


def test_a_message_is_one_line_of_limited_length() -> None:
    for size in (159, 160):
        assert one_line("x" * size) == "x" * size
    assert one_line("x" * 161) == "x" * 157 + "..."
    assert one_line(" \n") == one_line(None) == "no message"


@pytest.mark.parametrize("seed", range(3))
def test_a_table_of_counts_is_what_is_counted(seed: int) -> None:
    frame = table(seed)
    found = counts(frame)
    for (sensors, algorithm), line in found.iterrows():
        own = [
            row
            for row in frame.itertuples()
            if (row.sensor_set, row.algorithm) == (sensors, algorithm)
        ]
        asked = [row for row in own if row.expectation != "open"]
        assert line["met"] == sum(row.verdict in MET for row in asked)
        assert line["not_met"] == sum(row.verdict in FAILURES for row in asked)
        assert line["not_evaluated"] == sum(row.verdict == "not_evaluated" for row in asked)
        assert line["idle"] == sum(r.verdict == "held" and r.max_demand == 0.0 for r in asked)
        for verdict in ("on_time", "held", "open_fired", "open_held", "late"):
            assert line[verdict] == sum(row.verdict == verdict for row in own)
    # A pair of which nothing is judged, held or failed has zeros.
    calm = frame.assign(verdict="open_held", expectation="open")
    assert counts(calm)[["met", "not_met", "not_evaluated", "idle"]].to_numpy().sum() == 0


@pytest.mark.parametrize("seed", range(6))
def test_an_outcome_counts_requirements_and_the_events_in_which_one_failed(seed: int) -> None:
    frame = table(seed)
    for pair in pairs_of(frame, gating={}):
        own = [row for row in frame.itertuples() if (row.sensor_set, row.algorithm) == tuple(pair)]
        fire = [row for row in own if row.expectation == "fire"]
        quiet = [row for row in own if row.expectation == "no_fire"]
        held = [row for row in quiet if row.verdict == "held"]
        found = outcome_of(frame, pair)
        assert found.fire == Counter(row.verdict for row in fire)
        others = Counter(row.verdict for row in quiet if row.verdict != "held")
        idle = sum(row.max_demand == 0.0 for row in held)
        others.update(never_challenged=idle, challenged=len(held) - idle)
        assert found.no_fire == {name: size for name, size in others.items() if size}
        for rows, events in ((fire, found.fire_events), (quiet, found.no_fire_events)):
            assert events == len({row.event for row in rows if row.verdict in FAILURES})


@pytest.mark.parametrize("seed", range(6))
def test_what_fails_in_draws_alone_is_told_what_fires_wrongly_first_then_the_most_frequent(
    seed: int,
) -> None:
    frame = table(seed)
    tally = tallied(frame, seed)
    rows = list(frame.itertuples())
    nominal = frame[frame["draw"] == 0]
    for pair in ((sensors, name) for sensors in ("one", "two") for name in ("plain", "guarded")):
        own = [r for r in rows if (r.sensor_set, r.algorithm) == pair and r.expectation != "open"]
        wanted = []
        for event in "abc":
            for restraint in "rs":
                mine = [r for r in own if (r.event, r.restraint) == (event, restraint)]
                if not mine or mine[0].verdict not in MET:  # draw 0
                    continue
                drawn = [r.verdict for r in mine if r.draw and r.verdict != "not_evaluated"]
                bad = Counter(verdict for verdict in drawn if verdict in FAILURES)
                if bad:
                    share = sum(bad.values()) / len(drawn)
                    wanted.append((not bad["inadvertent"], -share, event, restraint, bad, drawn))
        wanted.sort(key=lambda row: row[:4])
        found = failing_in_draws(nominal, tally, pair)
        assert [(row.event, row.restraint) for row in found] == [row[2:4] for row in wanted]
        for row, (_, _, _, _, bad, drawn) in zip(found, wanted, strict=True):
            assert (row.failed, row.draws) == (sum(bad.values()), len(drawn))
            assert row.inadvertent == bad["inadvertent"]
            told = {f"{WORDS[verdict]} {count}" for verdict, count in bad.items()}
            head, _, tail = row.words.partition(": ")
            if len(bad) == 1:
                assert row.words == f"{WORDS[next(iter(bad))]} in {row.failed} of {row.draws}"
            else:
                assert head == f"{row.failed} of {row.draws}"
                assert set(tail.split(", ")) == told


def test_pairs_begin_with_what_gates_in_the_order_asked_for() -> None:
    nominal = pd.DataFrame(
        [(s, a) for s in ("s1", "s2", "s0") for a in ("b", "a", "c", "new")],
        columns=["sensor_set", "algorithm"],
    )
    found = pairs_of(nominal, gating={"c": False, "b": True, "a": True}, sensor_sets=["s2", "s1"])
    # What is not named gates, and comes after what is.
    names = ["b", "a", "new", "c"]
    assert found == [(s, name) for name in names for s in ("s2", "s1", "s0")]
