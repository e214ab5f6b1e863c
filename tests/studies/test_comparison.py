"""What changed between two runs: made tables with known answers, and two real runs."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest
from scipy.stats import binomtest

from crashsense import campaign
from crashsense.cli import run
from crashsense.errors import InputError, RunFolderError
from crashsense.event import RESTRAINTS
from crashsense.resources import CAUTION, folder
from crashsense.results.folder import RunFolder
from crashsense.results.tables import SCHEMA_VERSION, VERDICT_SCHEMA, Task
from crashsense.scoring import FAILURES
from crashsense.studies.comparison import COLUMNS, compare_runs
from crashsense.studies.comparison_report import comparison_text
from crashsense.studies.two_runs import paired_names

STAGE_1 = "front_airbag_stage_1"
FIRE_VERDICTS = {"on_time", "late", "missed", "early", "not_evaluated"}

#: A made run: event -> restraint -> verdicts of draw 0, 1, ...
Verdicts = Mapping[str, Mapping[str, Sequence[str]]]


def made_run(
    folder: Path,
    verdicts: Verdicts,
    *,
    algorithm: str = "guarded",
    gate: bool = True,
    sensor_set: str = "standard",
    required_ms: float = 20.0,
    seed: int = 1,
    chunk: int = 1000,
    occurrences: Mapping[str, str] | None = None,
    expectations: Mapping[str, str] | None = None,
) -> Path:
    """Write a run folder with the verdicts given; what is not given is open and held."""
    target = RunFolder(folder)
    folder.mkdir()
    draws = max(len(v) for by in verdicts.values() for v in by.values()) - 1
    tasks = []
    for number, (event, by_restraint) in enumerate(sorted(verdicts.items())):
        rows = []
        for restraint in RESTRAINTS:
            words = by_restraint.get(restraint, ["open_held"] * (draws + 1))
            fires = FIRE_VERDICTS & set(words)
            expected = "fire" if fires else "open" if "open_held" in words else "no_fire"
            expected = (expectations or {}).get(restraint, expected)
            for draw, word in enumerate(words):
                late = {"on_time": 15.0, "late": 25.0, "inadvertent": 40.0, "open_fired": 9.0}
                rows.append(
                    {
                        "event": event, "family": "frontal", "restraint": restraint,
                        "occurrence": (occurrences or {}).get(event, event),
                        "sensor_set": sensor_set, "algorithm": algorithm, "draw": draw,
                        "expectation": expected, "verdict": word,
                        "required_time_ms": required_ms if expected == "fire" else None,
                        "fire_time_ms": late.get(word), "demand_margin": 0.1 * len(word),
                        "waived": False, "infeasible": False, "seed": seed, "path": "fast",
                    }
                )  # fmt: skip
        for first in range(0, draws + 1, chunk):
            part = [r for r in rows if first <= r["draw"] < first + chunk]
            tasks.append(Task(number, first, min(first + chunk, draws + 1)))
            table = pa.Table.from_pylist(part, schema=VERDICT_SCHEMA)
            target.write_parts(tasks[-1], {"verdicts": table})
    plan = {"draws": draws, "seed": seed, "vary": "both", "sensor_draws": "own"}
    identity = {"plan": plan, "inputs": {}, "versions": {"crashsense": "0"}, "code": "c"}
    target.write_manifest(
        {
            "schema_version": SCHEMA_VERSION,
            "tables": ["verdicts"],
            "identity": identity,
            "tasks": [[t.occurrence, t.first, t.last] for t in tasks],
        }
    )
    counts = [{"sensor_set": sensor_set, "algorithm": algorithm, "verdict": "x", "rows": 1}]
    target.write_json("summary.json", {"gating": {algorithm: gate}, "counts": counts})
    return folder


def nominal(**verdicts: str) -> Verdicts:
    return {event: {STAGE_1: [word]} for event, word in verdicts.items()}


BEFORE = nominal(
    a="on_time", b="late", c="held", d="inadvertent", e="open_held", f="on_time", g="missed"
)
AFTER = nominal(
    a="late", b="on_time", c="inadvertent", d="held", e="rule_error", f="not_evaluated", g="late"
)


def test_every_requirement_lost_and_gained_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a, b = made_run(tmp_path / "a", BEFORE), made_run(tmp_path / "b", AFTER)
    found = compare_runs(a, b)
    changed = found.table[found.table["restraint"] == STAGE_1].set_index("event")["change"]
    assert changed.to_dict() == {
        "a": "lost",
        "b": "gained",
        "c": "lost",
        "d": "gained",
        "e": "lost",  # the rule broke, whatever was asked
        "f": "no longer judged",
        "g": "same",
    }
    assert sorted(found.lost["event"]) == ["a", "c", "e"]
    assert run(["study", "compare", str(a), str(b)]) == 1
    text = capsys.readouterr().out
    assert text.startswith(f"CAUTION: {CAUTION}\n")
    assert "  a: front_airbag_stage_1  on_time -> late  fires 15.0 -> 25.0 of 20.0 ms" in text
    assert "  c: front_airbag_stage_1  held -> inadvertent  fires never -> 40.0 ms" in text
    assert "RESULT: 3 requirements of gating algorithms lost" in text
    assert "exit code 1: a result, not an error" in text
    assert "missed -> late 1" in text


def test_nothing_lost_is_no_approval(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a = made_run(tmp_path / "a", nominal(a="late", b="on_time"))
    b = made_run(tmp_path / "b", nominal(a="on_time", b="on_time"))
    assert run(["study", "compare", str(a), str(b)]) == 0
    assert "Requirements that neither run meets are not counted" in capsys.readouterr().out


def test_what_does_not_gate_does_not_decide(tmp_path: Path) -> None:
    a = made_run(tmp_path / "a", nominal(a="on_time"), gate=False)
    b = made_run(tmp_path / "b", nominal(a="late"), gate=False)
    c = made_run(tmp_path / "c", nominal(a="late"), gate=True)
    assert run(["study", "compare", str(a), str(b)]) == 0
    # One that gates in either run does.
    assert run(["study", "compare", str(a), str(c)]) == 1
    assert "Algorithm guarded gates now and did not before." in compare_runs(a, c).said


DRAWN_A = {
    "a": {STAGE_1: ["on_time", *["on_time"] * 6, *["late"] * 4]},
    "b": {STAGE_1: ["held"] * 11, "curtain_left": ["held", *["not_evaluated"] * 10]},
}
DRAWN_B = {
    "a": {STAGE_1: ["on_time", *["missed"] * 5, *["on_time"] * 2, *["late"] * 3, *["late"] * 4]},
    "b": {STAGE_1: ["held", "inadvertent", *["held"] * 13], "curtain_left": ["held"] * 15},
}


@pytest.mark.parametrize("chunk", [3, 1000])
def test_draws_are_compared_in_pairs(tmp_path: Path, chunk: int) -> None:
    # Parts cut differently, more draws in B: neither may matter.
    a = made_run(tmp_path / "a", DRAWN_A, chunk=chunk)
    b = made_run(tmp_path / "b", DRAWN_B, chunk=4)
    found = compare_runs(a, b)
    assert found.paired_draws == 10
    rows = found.table.set_index(["event", "restraint"])
    cells = ["draws_paired", "draws_met_both", "draws_lost", "draws_gained", "draws_failed_both"]
    # a: draws 1-5 lost; 6 met in both; 7 gained; 8-10 late in both.
    assert rows.loc[("a", STAGE_1), cells].tolist() == [10, 1, 5, 1, 3]
    assert rows.loc[("b", STAGE_1), cells].tolist() == [10, 9, 1, 0, 0]
    assert rows.loc[("b", "curtain_left"), cells].tolist() == [0, 0, 0, 0, 0]
    # McNemar 1947, exact: the binomial test of the discordant draws.
    expected = binomtest(5, 6, 0.5).pvalue
    assert rows.loc[("a", STAGE_1), "p_mcnemar"] == pytest.approx(expected)
    # Two tests in all: Holm doubles the smaller one.
    assert rows.loc[("a", STAGE_1), "p_holm"] == pytest.approx(2.0 * expected)
    assert rows["p_mcnemar"].notna().sum() == 2
    (whole,) = found.by_draw.to_dict("records")
    # All met before: draws 1-6; after: 6 and 7. Draw 1 fails twice after.
    assert (whole["all_met_before"], whole["all_met_after"]) == (6, 2)
    assert (whole["all_met_lost"], whole["all_met_gained"]) == (5, 1)
    assert whole["p_all_met"] == pytest.approx(expected)
    assert (whole["more_failures"], whole["fewer_failures"]) == (5, 1)
    assert whole["mean_failures_before"] == pytest.approx(0.4)
    assert whole["mean_failures_after"] == pytest.approx(0.9)
    drawn = found.transitions[found.transitions["over"] == "draws"]
    counts = drawn.set_index(["verdict_before", "verdict_after"])["rows"]
    assert counts[("on_time", "missed")] == 5
    assert counts[("late", "late")] == 3
    assert drawn["rows"].sum() == 2 * len(RESTRAINTS) * 10
    text = comparison_text(found)
    assert "a: front_airbag_stage_1  lost 5, gained 1 of 10" in text
    assert set(" ".join(COLUMNS).replace(",", "").split()) <= set(found.table.columns)


def drawn(*verdicts: str, event: str = "a") -> Verdicts:
    return {event: {STAGE_1: ["on_time", *verdicts]}}


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    ("after", "gate", "code", "said"),
    [
        # McNemar 1947, exact: 2 * 0.5^5 = 0.0625 of 5 discordant draws, 2 * 0.5^6 = 0.031 of 6.
        (["late"] * 5, True, 0, "1 requirement lost in some draws, none significantly (Holm)"),
        (["late"] * 6, True, 1, "1 requirement lost in some draws, 1 significantly (Holm)"),
        (["on_time"] * 6, True, 0, "nominal or in any of 8 paired draws."),
        (["late"] * 6, False, 0, "No gating algorithm; nothing was lost"),
    ],
)
def test_result_says_what_draws_lose(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    after: list[str],
    gate: bool,
    code: int,
    said: str,
) -> None:
    a = made_run(tmp_path / "a", drawn(*["on_time"] * 8), gate=gate)
    rest = ["on_time"] * (8 - len(after))
    b = made_run(tmp_path / "b", drawn(*after, *rest), gate=gate)
    assert run(["study", "compare", str(a), str(b)]) == code
    result = capsys.readouterr().out.splitlines()[-1]
    assert result.startswith("RESULT: ")
    assert said in result
    assert ("none lost at nominal" in result) == (gate and "late" in after)
    why = "exit code 1: lost significantly over draws; a result, not an error"
    assert (why in result) == bool(code)


def test_draws_gained_are_no_loss(tmp_path: Path) -> None:
    a = made_run(tmp_path / "a", drawn(*["late"] * 9, "on_time"))
    b = made_run(tmp_path / "b", drawn(*["on_time"] * 9, "late"))
    found = compare_runs(a, b)
    # 2 * (1 + 10) * 0.5^10 = 0.021: a significant change, for the better.
    assert found.table["p_holm"].min() < 0.05
    assert len(found.lost_in_draws) == 1
    assert found.lost_significantly.empty


def test_a_nominal_loss_does_not_hide_losses_over_draws(tmp_path: Path) -> None:
    words = {"a": {STAGE_1: ["on_time"] * 4}, "b": {STAGE_1: ["held"] * 4}}
    a = made_run(tmp_path / "a", words)
    late = {"a": {STAGE_1: ["late"] * 4}, "b": {STAGE_1: ["held", "inadvertent", "held", "held"]}}
    text = comparison_text(compare_runs(a, made_run(tmp_path / "b", late)))
    assert "1 requirement of gating algorithms lost, nominal; besides, 1 requirement lost" in text


def test_out_is_looked_at_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "file"
    file.write_text("x")

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("compared before the folder was looked at")

    monkeypatch.setattr("crashsense.studies.comparison.compare_runs", never)
    for out in (file, file / "below"):
        assert run(["study", "compare", "a", "b", "--out", str(out)]) == 2


def test_other_seeds_give_no_paired_statistics(tmp_path: Path) -> None:
    a = made_run(tmp_path / "a", DRAWN_A)
    b = made_run(tmp_path / "b", DRAWN_B, seed=2)
    found = compare_runs(a, b)
    assert found.paired_draws == 0
    assert found.withheld == "seed 1 -> 2: draw k is not the same realisation in both runs"
    assert "p_mcnemar" not in found.table
    assert "No paired statistics: seed 1 -> 2" in comparison_text(found)
    # The nominal draw does not depend on the seed.
    assert (found.table["change"] == "same").all()


def test_another_occurrence_has_other_draws(tmp_path: Path) -> None:
    a = made_run(tmp_path / "a", DRAWN_A)
    b = made_run(tmp_path / "b", DRAWN_B, occurrences={"a": "elsewhere"})
    rows = compare_runs(a, b).table.set_index(["event", "restraint"])
    assert rows.loc[("a", STAGE_1), "draws_paired"] == 0
    assert rows.loc[("b", STAGE_1), "draws_paired"] == 10


def test_changed_requirements_are_said_first(tmp_path: Path) -> None:
    a = made_run(tmp_path / "a", nominal(a="on_time"), required_ms=20.0)
    b = made_run(tmp_path / "b", nominal(a="late"), required_ms=12.5)
    found = compare_runs(a, b)
    assert found.said[0].startswith("1 requirement has itself changed")
    text = comparison_text(found)
    assert "  a: front_airbag_stage_1  fire by 20.0 -> 12.5 ms" in text
    assert text.index("fire by 20.0 -> 12.5 ms") < text.index("Lost:")
    assert found.lost["requirement_changed"].all()
    other = made_run(tmp_path / "c", nominal(a="held"))
    assert compare_runs(a, other).table["requirement_changed"].sum() == 1
    assert compare_runs(a, a).table["requirement_changed"].sum() == 0


def test_changed_inputs_are_said(tmp_path: Path) -> None:
    text = (folder("pulses") / "frontal" / "wall_full_25.toml").read_text(encoding="utf-8")
    text = text.replace('name = "wall_full_25"', 'name = "wall_of_ones_own"')
    name = tmp_path / "wall.toml"
    for out, speed in (("one", "25.0"), ("same", "25.0"), ("two", "27.0")):
        name.write_text(text.replace("speed_kmh = 25.0", f"speed_kmh = {speed}"), encoding="utf-8")
        campaign.evaluate(events=[str(name)], algorithms=["plain"], out=tmp_path / out)
    other = compare_runs(tmp_path / "one", tmp_path / "two").said
    assert any(line.startswith("The recipe or record of 1 event changed") for line in other)
    same = compare_runs(tmp_path / "one", tmp_path / "same").said
    assert same == (
        "Sensor set standard: the same content in both.",
        "Algorithm plain: the same content in both.",
    )


def test_events_only_in_one_are_named(tmp_path: Path) -> None:
    a = made_run(tmp_path / "a", nominal(a="on_time", b="held"))
    b = made_run(tmp_path / "b", nominal(a="on_time", new="held"))
    found = compare_runs(a, b)
    assert (found.only_before, found.only_after) == (("b",), ("new",))
    assert f"Events only in {b} (1): new." in comparison_text(found)
    c = made_run(tmp_path / "c", nominal(x="held"))
    with pytest.raises(InputError, match="expected an event that .* has too: a, b"):
        compare_runs(a, c)


def test_names_are_paired_or_asked_for(tmp_path: Path) -> None:
    pair = paired_names(["x", "old"], ["new", "x"], given=[], option="--algorithm")
    assert pair == ([("x", "x"), ("old", "new")], [])
    pair = paired_names(["x", "old"], ["n1", "n2", "x"], given=[], option="--algorithm")
    assert pair == ([("x", "x")], ["old", "n1", "n2"])
    given = paired_names(["x", "old"], ["n1", "x"], given=["old:x"], option="--algorithm")
    assert given == ([("old", "x")], ["x", "n1"])
    with pytest.raises(InputError, match="no name is in both"):
        paired_names(["a", "b"], ["c"], given=[], option="--algorithm")
    with pytest.raises(InputError, match="each name of a run once"):
        paired_names(["a"], ["c", "d"], given=["a:c", "a:d"], option="--algorithm")
    with pytest.raises(InputError, match="did you mean 'guarded'"):
        paired_names(["guarded"], ["c"], given=["gaurded:c"], option="--algorithm")
    a = made_run(tmp_path / "a", nominal(a="on_time"), algorithm="guarded", sensor_set="50g")
    b = made_run(tmp_path / "b", nominal(a="late"), algorithm="guarded_2", sensor_set="100g")
    found = compare_runs(a, b)
    assert str(found.pairs[0]) == "guarded -> guarded_2, sensors 50g -> 100g"
    assert sum("the only ones whose name is not in both" in line for line in found.said) == 2


def test_a_gating_algorithm_that_is_gone_is_asked_for(tmp_path: Path) -> None:
    # Left aside in silence it would pass as "nothing lost".
    a = campaign.evaluate(events=["hammer_tunnel"], out=tmp_path / "a").folder
    b = campaign.evaluate(events=["hammer_tunnel"], algorithms=["plain"], out=tmp_path / "b").folder
    assert a is not None
    assert b is not None
    with pytest.raises(InputError, match="guarded gates in .* and has no counterpart of that name"):
        compare_runs(a, b)
    pairs = compare_runs(a, b, algorithms=["plain:plain"]).pairs
    assert [pair.algorithm_before for pair in pairs] == ["plain"]


@pytest.mark.slow
def test_two_real_runs_against_whole_tables(tmp_path: Path) -> None:
    """The same counts from both verdict tables read whole and merged."""
    events = ["wall_full_20_belted", "wall_full_20_unbelted", "hammer_tunnel"]
    shared: dict[str, Any] = {"events": events, "engine": "numpy"}
    one = campaign.evaluate(
        **shared, algorithms=["guarded"], draws=12, out=tmp_path / "one", chunk=5
    )
    two = campaign.evaluate(**shared, algorithms=["plain"], draws=9, out=tmp_path / "two")
    found = compare_runs(tmp_path / "one", tmp_path / "two")
    key = ["event", "restraint", "draw"]
    both = one.verdicts.merge(two.verdicts, on=key, suffixes=("_before", "_after"))
    both = both[(both["draw"] > 0) & (both["expectation_before"] != "open")]
    bad = {e: both[f"verdict_{e}"].isin(FAILURES) for e in ("before", "after")}
    expected = pd.DataFrame(
        {
            "draws_lost": bad["after"] & ~bad["before"],
            "draws_gained": bad["before"] & ~bad["after"],
            "draws_failed_both": bad["before"] & bad["after"],
        }
    )
    expected = expected.groupby([both["event"], both["restraint"]]).sum()
    assert expected["draws_lost"].sum() > 0
    rows = found.table.set_index(["event", "restraint"])
    got = rows.loc[expected.index, expected.columns]
    assert (got == expected).all().all()
    assert (rows.loc[expected.index, "draws_paired"] == 9).all()
    met = ~bad["before"].groupby(both["draw"]).any()
    assert found.by_draw["all_met_before"].tolist() == [met.sum()]
    assert found.said[:1] == (
        "Algorithm guarded is compared with plain: the only ones whose name is not in both.",
    )
    assert any(line.startswith("Sensor set standard: the same content") for line in found.said)
    assert not any("requirements are themselves others" in line for line in found.said)


def test_tables_are_never_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    a = made_run(tmp_path / "a", DRAWN_A, chunk=3)
    read: list[tuple[int, tuple[str, ...]]] = []
    tables = RunFolder.tables

    def noted(self: RunFolder, *args: Any, **options: Any) -> Any:
        assert options["columns"]
        if not options.get("nominal"):
            assert options["occurrence"] is not None
            assert options["packed"]
        for part in tables(self, *args, **options):
            read.append((part.num_rows, tuple(part.column_names)))
            yield part

    monkeypatch.setattr(RunFolder, "tables", noted)
    compare_runs(a, a)
    assert max(rows for rows, _ in read) == 3 * len(RESTRAINTS)
    assert {name for _, names in read for name in names} < set(VERDICT_SCHEMA.names)


def test_out_writes_what_was_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a, b = made_run(tmp_path / "a", DRAWN_A), made_run(tmp_path / "b", DRAWN_B)
    out = tmp_path / "new" / "out"
    assert run(["study", "compare", str(a), str(b), "--out", str(out)]) == 0
    assert (out / "comparison.txt").read_text() == capsys.readouterr().out
    table = pd.read_csv(out / "comparison.csv")
    assert len(table) == 2 * len(RESTRAINTS)
    assert table["draws_lost"].sum() == 6


def test_bad_input_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a = made_run(tmp_path / "a", DRAWN_A, chunk=3)
    file = tmp_path / "file"
    file.write_text("x")
    damaged = shutil.copytree(a, tmp_path / "damaged")
    part = sorted((damaged / "verdicts.parquet").glob("*.parquet"))[1]
    part.write_bytes(part.read_bytes()[:50])
    short = shutil.copytree(a, tmp_path / "short")
    sorted((short / "verdicts.parquet").glob("*.parquet"))[1].unlink()
    begun = shutil.copytree(a, tmp_path / "begun")
    (begun / "summary.json").unlink()
    odd = shutil.copytree(a, tmp_path / "odd")
    (odd / "summary.json").write_text("[]")
    for arguments, part_of_line in (
        ([str(a), str(tmp_path / "nope")], "nope: is not a run folder"),
        ([str(damaged), str(a)], "this part is damaged (its checksum differs)"),
        ([str(a), str(short)], "the run is not complete (1 parts are missing"),
        ([str(begun), str(a)], "the run is not complete"),
        ([str(a), str(odd)], "summary.json: is damaged; expected a JSON object"),
        ([str(a), str(a), "--out", str(file)], "--out: got"),
        ([str(a), str(a), "--algorithm", "x"], "--algorithm: got 'x'; expected a pair of names"),
        ([str(a)], "RUN_B: expected RUN_B, or --algorithm A:B or --sensor-set A:B"),
    ):
        assert run(["study", "compare", *arguments]) == 2
        printed = capsys.readouterr()
        assert part_of_line in printed.err
        assert len(printed.err.splitlines()) == 1
        assert printed.out == ""
    with pytest.raises(RunFolderError, match="damaged"):
        compare_runs(damaged, a)
