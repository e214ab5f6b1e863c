"""Run folders: the same table however it is split, resumed or computed; replay bit for bit."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from run_files import edit_json

import crashsense
from crashsense.campaign import running
from crashsense.cli.replay import replay as replay_command
from crashsense.errors import CrashsenseError, InputError, RunFolderError
from crashsense.event import RESTRAINTS
from crashsense.resources import CAUTION
from crashsense.results import open_run, replay
from crashsense.results.folder import packed
from crashsense.results.statistics import upper_bound_without_failure
from crashsense.results.tables import KEY, in_order
from crashsense.scoring import FAILURES

EVENTS = ["hammer_tunnel", "rollover_kerb_25"]
PLAN = {"events": EVENTS, "draws": 70, "seed": 3, "engine": "numpy"}


@pytest.fixture(scope="module")
def whole():
    return crashsense.evaluate(**PLAN).verdicts


@pytest.fixture(scope="module")
def cut(tmp_path_factory):
    """A run of the plan, in parts of 30 draws; its folder is not to be changed."""
    folder = tmp_path_factory.mktemp("cut") / "run"
    return crashsense.evaluate(**PLAN, out=folder, chunk=30)


@pytest.fixture(scope="module")
def knock(tmp_path_factory):
    """The run folder of one event; not to be changed."""
    folder = tmp_path_factory.mktemp("knock") / "run"
    crashsense.evaluate(events=["hammer_tunnel"], out=folder)
    return folder


def copied(folder, tmp_path):
    return Path(shutil.copytree(folder, tmp_path / "run"))


def test_table_is_complete(whole):
    key = ["event", "draw", "sensor_set", "algorithm", "restraint"]
    assert not whole.duplicated(key).any()
    assert len(whole) == whole["event"].nunique() * 71 * 2 * len(RESTRAINTS)
    assert set(whole["restraint"]) == set(RESTRAINTS)


def test_draws_do_not_depend_on_how_many_there_are(whole):
    few = crashsense.evaluate(**{**PLAN, "draws": 20}).verdicts
    assert few.equals(whole[whole["draw"] <= 20].reset_index(drop=True))


@pytest.mark.slow
def test_resume_replaces_what_is_missing_or_damaged(whole, cut, tmp_path):
    folder = copied(cut.folder, tmp_path)
    parts = sorted((folder / "verdicts.parquet").glob("*.parquet"))
    assert len(parts) > 3
    parts[0].unlink()
    parts[1].write_bytes(parts[1].read_bytes()[:200])
    (folder / "verdicts.parquet" / f".{parts[2].name}.tmp").write_bytes(b"half")
    kept = parts[3].stat().st_mtime_ns
    assert crashsense.evaluate(**PLAN, out=folder).verdicts.equals(whole)
    assert parts[3].stat().st_mtime_ns == kept
    assert not list((folder / "verdicts.parquet").glob(".*"))


def test_a_run_folder_carries_the_caution(knock):
    summary = json.loads((knock / "summary.json").read_text())
    assert summary["caution"] == CAUTION
    assert next(iter(summary)) == "caution"
    assert summary["fitted_to"] == {"guarded": "the shipped library of synthetic events"}
    (part, *_) = (knock / "verdicts.parquet").glob("*.parquet")
    assert pq.read_schema(part).metadata[b"crashsense_caution"].decode() == CAUTION
    assert (knock / "verdicts.csv").read_text().startswith("event,")


def test_a_changed_plan_is_refused_with_the_difference(knock, tmp_path):
    with pytest.raises(CrashsenseError, match=r"seed was 1, now 2"):
        crashsense.evaluate(events=["hammer_tunnel"], seed=2, out=copied(knock, tmp_path))


def test_a_folder_of_something_else_is_refused(tmp_path):
    (tmp_path / "letter.txt").write_text("not a run")
    with pytest.raises(CrashsenseError, match="not a run folder"):
        crashsense.evaluate(events=["hammer_tunnel"], out=tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["letter.txt"]


@pytest.mark.parametrize("version", [2, 0, -1, 1.5, True, "1", None])
def test_a_schema_version_that_is_not_ours_is_refused_by_name(version, knock, tmp_path):
    folder = copied(knock, tmp_path)
    edit_json(folder, "manifest.json", lambda m: m.update(schema_version=version))
    with pytest.raises(RunFolderError, match=f"schema.version.*{version}") as caught:
        open_run(folder)
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.slow
def test_replay_gives_the_stored_rows(cut):
    for draw in (0, 33):
        again = replay(open_run(cut.folder), "rollover_kerb_25", draw=draw, algorithm="guarded")
        assert again.differences == ()
        assert len(again.rows) == len(RESTRAINTS)
    result = CliRunner().invoke(replay_command, [str(cut.folder), "rollover_kerb_25", "33"])
    assert result.exit_code == 0, result.output
    assert "bit for bit" in result.output


def test_a_run_of_a_record_replays_with_its_options(record_folder, tmp_path):
    folder = tmp_path / "run"
    options = {"channel": "94", "belts": "unbelted", "expect": "open"}
    crashsense.evaluate(records=[record_folder], out=folder, **options)
    again = open_run(folder)
    assert [event.name for event in again.plan.events] == ["v10146_right"]
    assert not again.plan.events[0].context.belted
    replayed = replay(again, "v10146_right")
    assert replayed.differences == ()
    assert set(replayed.rows["expectation"]) == {"open", "order"}


@pytest.mark.slow
def test_the_plan_as_resolved_runs_again(record_folder, tmp_path):
    first = crashsense.evaluate(
        events=["hammer_tunnel"], records=[record_folder], out=tmp_path / "one"
    )
    second = crashsense.evaluate(tmp_path / "one" / "plan.toml", out=tmp_path / "two")
    assert set(first.verdicts["event"]) == {"hammer_tunnel", "v10146_left", "v10146_right"}
    assert second.verdicts.equals(first.verdicts)


def test_files_of_ones_own_are_found_again(tmp_path):
    from crashsense.rules import algorithm_to_toml, load_algorithm

    text = algorithm_to_toml(load_algorithm("plain")).replace('name = "plain"', 'name = "mine"')
    (tmp_path / "mine.toml").write_text(text)
    folder = tmp_path / "run"
    crashsense.evaluate(
        events=["hammer_tunnel"], algorithms=[str(tmp_path / "mine.toml")], out=folder
    )
    assert replay(open_run(folder), "hammer_tunnel", algorithm="mine").differences == ()


def test_rows_are_put_in_the_order_of_the_key():
    """Several parts, whose lists of distinct texts differ."""
    texts = [("b", 0, "s", "x", "r"), ("é", 2, "s", "x", "r"), ("b", 10, "s", "x", "r")]
    texts += [("b", 2, "t", "x", "r"), ("b", 2, "s", "y", "r"), ("b", 2, "s", "x", "s")]
    texts += [("a", 7, "s", "x", "r"), ("Z", 7, "s", "x", "r"), ("b", 2, "s", "x", "r")]
    tables = [
        packed(
            pa.table(
                {name: list(of) for name, of in zip(KEY, zip(*part, strict=True), strict=True)}
            )
        )
        for part in (texts[:2], texts[2:5], texts[5:])
    ]
    order = in_order(pa.concat_tables(tables))
    assert [texts[place] for place in order] == sorted(texts)


@pytest.mark.slow
def test_the_csv_is_the_sorted_table_however_it_is_cut(whole, cut, tmp_path, monkeypatch):
    crashsense.evaluate(**PLAN, out=tmp_path / "run", chunk=64)
    monkeypatch.setattr(running, "KEPT_ROWS", 0)  # as a large run, which is read event by event
    crashsense.evaluate(**PLAN, out=tmp_path / "large", chunk=64)
    expected = whole.to_csv(index=False)
    for folder in (cut.folder, tmp_path / "run", tmp_path / "large"):
        assert (folder / "verdicts.csv").read_text(encoding="utf-8") == expected
    one, two = ((f / "statistics.csv").read_bytes() for f in (cut.folder, tmp_path / "run"))
    assert one == two


def test_vary_none_is_the_nominal_draw_alone(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text('events = ["hammer_tunnel"]\nvary = "none"\n')
    run = crashsense.evaluate(plan, out=tmp_path / "run")
    assert run.verdicts.equals(crashsense.evaluate(events=["hammer_tunnel"]).verdicts)
    assert 'vary = "none"' in (tmp_path / "run" / "plan.toml").read_text()
    plan.write_text(
        'events = ["hammer_tunnel"]\nvary = "none"\ndraws = 3\nalgorithms = ["plian"]\n'
    )
    with pytest.raises(InputError) as caught:
        crashsense.evaluate(plan)
    # Identical draws would pass for evidence: refused, together with every other fault.
    lines = str(caught.value).splitlines()
    assert any("draws: got 3; expected 0 where vary is 'none'" in line for line in lines)
    assert any("plian" in line for line in lines)


@pytest.mark.slow
def test_what_the_draws_show_stands_in_the_summary(whole, cut):
    shown = json.loads((cut.folder / "summary.json").read_text())["over_draws"]
    random = whole[(whole["draw"] > 0) & whole["expectation"].isin(["fire", "no_fire"])]
    random = random[random["verdict"] != "not_evaluated"]
    failed = random[random["verdict"].isin(FAILURES)]
    for entry in shown["without_failure"]:
        own, bad = (t[t["algorithm"] == entry["algorithm"]] for t in (random, failed))
        rows = len(own[["event", "restraint"]].drop_duplicates())
        bad_rows = len(bad[["event", "restraint"]].drop_duplicates())
        assert (entry["requirements"], entry["never_failed"]) == (rows, rows - bad_rows)
        assert entry["failure_bound"] == upper_bound_without_failure(70)
    assert {entry["algorithm"] for entry in shown["without_failure"]} == {"plain", "guarded"}
    assert sum(entry["failed"] for entry in shown["with_failure"]) == len(failed) > 0
    assert cut.summary()["over_draws"] == shown
