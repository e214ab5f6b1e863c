"""A run as an object: short words, a table, a figure, an explanation, its page."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import crashsense
from crashsense.errors import RunFolderError, UnknownNameError
from crashsense.event import RESTRAINTS
from crashsense.resources import CAUTION
from crashsense.results import open_run
from crashsense.results.folder import RunFolder
from crashsense.results.outcome import Outcome, outcome_of
from crashsense.results.plot import timing_rows
from crashsense.results.run import Run
from crashsense.results.tables import VERDICT_SCHEMA
from crashsense.results.tally import Tally
from crashsense.trials.explain import (
    MOST_LINES,
    WIDTH,
    Row,
    _cells,
    main_explanation,
    shared,
)

EVENTS = ["hammer_tunnel", "wall_full_16_unbelted", "side_pole_90_29"]
SIDE = "side_airbag_left"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("runs") / "run"
    return crashsense.evaluate(events=EVENTS, draws=4, out=folder, engine="numpy")


def test_short_words_and_a_table(run):
    text = repr(run)
    assert len(text.splitlines()) <= 3
    assert "3 events, nominal and 4 draws" in text
    assert run.outcome().sentence in text
    page = run._repr_html_()
    assert CAUTION in page
    assert page.count("<tr") == 1 + len(run.nominal["algorithm"].unique())
    assert repr(open_run(run.folder)) == text


@pytest.mark.parametrize(("most", "times"), [(10**6, 1), (0, 3)])
def test_parts_of_a_small_run_are_read_once_and_those_of_a_big_one_never_kept(
    run, monkeypatch, most, times
):
    read = []
    read_part = RunFolder.read_part

    def noted(folder, path, **options):
        read.append(path)
        return read_part(folder, path, **options)

    monkeypatch.setattr(RunFolder, "read_part", noted)
    monkeypatch.setattr("crashsense.results.run.KEPT_ROWS", most)
    again = open_run(run.folder)
    assert again.nominal.equals(run.nominal)
    assert again.tally.counts == run.tally.counts
    assert again.verdicts.equals(run.verdicts)
    assert again.in_memory == (times == 1)
    assert sorted(read) == sorted(times * RunFolder(run.folder).parts())


def test_text_of_a_run_that_is_held_is_kept_once_and_reads_as_in_its_folder(run, monkeypatch):
    held, streamed = open_run(run.folder), open_run(run.folder)
    monkeypatch.setattr(streamed, "_keep_small", lambda: None)
    pd.testing.assert_frame_equal(held.verdicts, streamed.verdicts)
    assert (held.in_memory, streamed.in_memory) == (True, False)
    (table,) = held._tables["verdicts"]
    assert table.nbytes < 0.7 * RunFolder(run.folder).whole().cast(VERDICT_SCHEMA).nbytes
    for event, draw in (("hammer_tunnel", 0), ("side_pole_90_29", 3)):
        found, expected = (one.rows(event, draw=draw) for one in (held, streamed))
        assert not found.empty
        pd.testing.assert_frame_equal(found, expected)
        rows = [one.plain_rows(event, draw=draw) for one in (held, streamed)]
        assert rows[0] == rows[1]


def test_a_tally_takes_tables_of_bounded_size_however_a_run_was_cut(run, monkeypatch):
    sizes, add = [], Tally.add

    def noted(tally, part):
        sizes.append(len(part))
        return add(tally, part)

    monkeypatch.setattr(Tally, "add", noted)
    monkeypatch.setattr("crashsense.results.intake.TALLY_ROWS", 16)
    cut = open_run(run.folder)
    assert cut.tally.counts_drawn == run.tally.counts_drawn
    pd.testing.assert_frame_equal(cut.statistics(), run.statistics())
    assert sum(sizes) == run.summary()["rows"]
    assert len(sizes) > 3
    assert max(sizes) < 2 * 16


def test_the_figure_has_a_line_a_requirement_and_the_spread_of_draws(run):
    rows = run.nominal
    mine = rows[(rows["algorithm"] == "guarded") & (rows["expectation"] == "fire")]
    figure = run.plot(algorithm="guarded")
    assert figure.get_suptitle() == "guarded, sensors standard"
    assert run.plot(algorithm="guarded", title="Mine").get_suptitle() == "Mine"
    names = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert sorted(names) == sorted(f"{r.event}: {r.restraint}" for r in mine.itertuples())
    side = run.plot(algorithm="guarded", restraint=SIDE)
    assert [t.get_text() for t in side.axes[0].get_yticklabels()] == ["side_pole_90_29"]
    words = [t.get_text() for t in side.axes[0].get_legend().get_texts()]
    assert "draws, 5 to 95 %" in words
    statistics = run.statistics()
    own = statistics[(statistics["algorithm"] == "guarded") & (statistics["restraint"] == SIDE)]
    (row,) = timing_rows(mine, SIDE, statistics=own)
    fired = run.verdicts.query(
        "draw > 0 and algorithm == 'guarded' and restraint == @SIDE and event == 'side_pole_90_29'"
    )["fire_time_ms"]
    assert row.spread_ms == pytest.approx(np.quantile(fired, [0.05, 0.95]))
    with pytest.raises(UnknownNameError, match="restraint"):
        run.plot(restraint="side_bag")


def test_explain_gives_an_object_with_one_sentence_and_a_short_table(run):
    found = run.explain("side_pole_90_29", SIDE, algorithm="guarded")
    row = run.nominal.query(
        "event == 'side_pole_90_29' and restraint == @SIDE and algorithm == 'guarded'"
    ).iloc[0]
    assert found.verdict == row["verdict"]
    assert found.fire_ms == pytest.approx(row["fire_time_ms"])
    assert found.headline.startswith(f"Fired at {row['fire_time_ms']:.1f} ms, ")
    assert re.search(r"reached [\d.]+ of [\d.]+ ", found.headline)
    lines = found.table()
    assert 3 <= len(lines) <= MOST_LINES
    assert max(map(len, lines)) <= WIDTH
    assert any(line.startswith("*") for line in lines)


def test_restraints_with_the_same_reason_share_it(run):
    trial = crashsense.replay(run, "hammer_tunnel", algorithm="guarded").trial
    told = [trial.explain(name) for name in RESTRAINTS]
    groups = shared(told)
    assert sorted(name for group in groups for name in group.restraints) == sorted(RESTRAINTS)
    assert len(groups) < len(RESTRAINTS)
    quiet = next(g for g in groups if "curtain_left" in g.restraints)
    assert quiet.headline.endswith("Held, as it must: its demand stays 0 throughout.")
    most = max((one for one in told if one.why), key=lambda one: one.why.demand)
    assert main_explanation(told) is most


def test_a_late_restraint_says_what_it_lacked_at_the_required_time():
    stage_1 = "front_airbag_stage_1"
    (event,) = crashsense.load_events(["wall_full_40"])
    fired_s = crashsense.trial(event, algorithm="guarded").scores(stage_1).fire_s[0]
    # Whatever the algorithm does, 2 ms earlier is too early for it.
    asked = replace(event.requirements[stage_1], required_s=fired_s - 2e-3)
    event = replace(event, requirements={**event.requirements, stage_1: asked})
    found = crashsense.trial(event, algorithm="guarded").explain(stage_1)
    assert f"late (required by {1e3 * asked.required_s:.1f} ms)" in found.headline
    assert found.nearest.share < 1.0
    assert "it needed another" in found.headline
    assert all(row.at_required is not None for row in found.rows if row.decides)


def test_a_moved_threshold_is_that_of_the_required_time():
    row = Row("velocity change", 15.2, "m/s", 2.2, 11.0, True, 5.5)
    assert _cells(row, lacking=True) == [
        "velocity change",
        "15.2 m/s",
        "2.2 of 5.5  40 %",
        "11.0  72 %",
    ]
    assert _cells(row, lacking=False)[2:] == ["11.0  72 %"]


def test_the_page_of_a_run_is_written_where_asked(run, tmp_path):
    place = tmp_path / "not" / "yet" / "there"
    for title in ("Second loop", "Third loop"):  # into a new folder, then over the old page
        path = run.report(place, title=title)
        assert path == place / "report.html"
        assert f"<title>{title}</title>" in path.read_text(encoding="utf-8")


def nominal(rows):
    names = ["event", "expectation", "verdict", "max_demand"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.assign(sensor_set="s", algorithm="a", restraint="curtain_left")


def test_the_sentence_counts_what_was_challenged():
    frame = nominal(
        [
            ("wall", "fire", "on_time", 2.0),
            ("pole", "fire", "late", 2.0),
            ("pole", "fire", "missed", 0.4),
            ("kerb", "no_fire", "held", 0.4),
            ("door", "no_fire", "held", 0.0),
            ("door", "no_fire", "not_evaluated", 0.0),
            ("ramp", "open", "open_fired", 3.0),
        ]
    )
    found = outcome_of(frame, ("s", "a"))
    assert found.fire == {"on_time": 1, "late": 1, "missed": 1}
    assert found.no_fire == {"challenged": 1, "not_evaluated": 1, "never_challenged": 1}
    assert found.sentence == (
        "2 of 3 must-fire requirements failed (1 late, 1 missed), in 1 event; "
        "none of the 1 challenged no-fire requirements failed (1 not judged)."
    )


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (Outcome({}, {"never_challenged": 3}, 0, 0), "nothing must fire in this run; none of the"),
        (Outcome({"on_time": 4}, {}, 0, 0), "all 4 must-fire requirements on time; nothing is"),
        (Outcome({"on_time": 2}, {}, 0, 0), "all 2 must-fire requirements on time; nothing is"),
        (Outcome({"on_time": 1}, {}, 0, 0), "1 must-fire requirement on time; nothing is"),
        (Outcome({"not_evaluated": 4}, {}, 0, 0), "none of the 4 must-fire requirements could be"),
        (
            Outcome({"on_time": 1}, {"inadvertent": 2, "challenged": 1}, 0, 1),
            "2 of the 3 challenged no-fire requirements failed, in 1 event",
        ),
        (
            Outcome({"on_time": 1}, {"inadvertent": 2, "rule_error": 1}, 0, 2),
            "3 of the 3 challenged no-fire requirements failed (1 by a rule error), in 2 events",
        ),
        (Outcome({}, {"challenged": 2}, 0, 0), "none of the 2 challenged no-fire requirements f"),
        (Outcome({}, {}, 0, 0, order={"in_order": 1}), "; the order of stages kept in 1 case."),
        (Outcome({}, {}, 0, 0, order={"in_order": 2}), "; the order of stages kept in all 2 cas"),
        (Outcome({}, {}, 0, 0, order={"not_evaluated": 2}), "; the order of stages (2 not judged)"),
        (
            Outcome(
                {}, {}, 0, 0, order={"in_order": 3, "alone": 1, "not_evaluated": 1}, order_events=1
            ),
            "1 of 4 requirements on the order of stages failed (1 alone), in 1 event (1 not judged",
        ),
        (
            Outcome({}, {}, 0, 0, order={"too_late": 2, "alone": 1}, order_events=2),
            "3 of 3 requirements on the order of stages failed (1 alone, 2 too late), in 2 events",
        ),
    ],
)
def test_the_sentence_never_flatters(outcome, words):
    assert words in outcome.sentence


def test_the_sentence_adds_the_draws(run):
    found = outcome_of(run.nominal, ("standard", "guarded"), tally=run.tally)
    assert isinstance(run.tally, Tally)
    number = len(run.tally.failures(("standard", "guarded")))
    assert number == 0
    assert found.sentence.endswith("; no requirement fails in any of 4 random draws.")
    some = replace(found, drawn=1).sentence
    assert some.endswith("; 1 requirement fails in some of 4 random draws.")
    assert "2 requirements fail in some of 4" in replace(found, drawn=2).sentence


def test_a_run_has_the_plan_that_it_was_given_or_none():
    plan = object()
    run = Run(plan=plan, folder=None)
    assert run.plan is plan
    assert run.is_resolved
    assert not run.in_memory
    empty = Run(plan=None, folder=None)
    with pytest.raises(RunFolderError, match="a run without plan and folder has no plan"):
        empty.plan  # noqa: B018
    assert list(empty.parts()) == []


def test_rows_of_one_event_and_draw_are_those_of_the_table(run):
    """In memory, and read back part by part."""
    table = run.verdicts
    for whole in (table, run.nominal):
        assert list(whole.index) == list(range(len(whole)))
    for event, draw in ((EVENTS[0], 0), (EVENTS[2], 3), (EVENTS[2], 99), ("none", 0)):
        own = table[(table["event"] == event) & (table["draw"] == draw)].reset_index(drop=True)
        for one in (run, open_run(run.folder)):
            pd.testing.assert_frame_equal(one.rows(event, draw=draw), own)
