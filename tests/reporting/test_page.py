"""The page: self-contained, complete, escaped, and its what-if data exact."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import accumulate

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import crashsense
from crashsense.reporting import write_report
from crashsense.reporting.event_charts import clipping_words
from crashsense.reporting.page import page_parts
from crashsense.reporting.summary import NOMINAL_ONLY, result_words
from crashsense.reporting.what_if import SCALES, fire_curve
from crashsense.resources import CAUTION
from crashsense.results.tally import Tally
from crashsense.results.views import MotionView, Told, Trace

VOID = {"meta", "input", "br", "link", "img", "hr"}


class Outline(HTMLParser):
    """Checks nesting and collects ids, links, sources and text."""

    def __init__(self) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.sources: list[str] = []
        self.faults: list[str] = []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag not in VOID:
            self.stack.append(tag)
        if "id" in given:
            self.ids.append(given["id"])
        if tag == "a":
            self.links.append(given["href"])
        self.sources += [given[k] for k in ("src", "xlink:href", "action", "data") if k in given]
        if tag == "link":
            self.sources.append(given.get("href", ""))

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.stack.pop()

    def handle_endtag(self, tag):
        if not self.stack or self.stack.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")


def outline(text: str) -> Outline:
    parser = Outline()
    parser.feed(text)
    parser.close()
    return parser


@pytest.fixture
def page(drawn_view) -> str:
    return "".join(page_parts(drawn_view))


def test_the_page_is_nested_well_and_every_link_lands(page):
    parsed = outline(page)
    assert parsed.faults == []
    assert parsed.stack == []
    assert len(parsed.ids) == len(set(parsed.ids))
    inside = [link[1:].partition("?")[0] for link in parsed.links if link.startswith("#")]
    assert len(inside) > 20
    assert set(inside) <= set(parsed.ids)


def test_the_outline_check_can_fail():
    assert outline("<p><b>x</p></b>").faults


def test_nothing_is_loaded_from_elsewhere(page):
    parsed = outline(page)
    assert parsed.sources == []
    assert [link for link in parsed.links if not link.startswith("#")] == []
    assert re.findall(r"https?://|@import|url\((?!#hatch)", page) == []


def test_caution_first_and_last(page):
    body = page[page.index("<body>") :]
    assert body.index(CAUTION) < body.index("must-fire requirement")
    assert body.count(CAUTION) == 2


def test_every_event_and_restraint_is_there(page, drawn_view):
    for event in drawn_view.nominal["event"].unique():
        assert f'id="event-{event}"' in page
    for words in ("front bag, stage 1", "curtain, right", "single-point protection", "late"):
        assert words in page
    assert "10 of 10" in page


def test_every_chart_names_its_units(page):
    charts = re.findall(r'<svg class="chart.*?</svg>', page)
    assert len(charts) >= 8 + 2
    unlabelled = [c[:200] for c in charts if not re.search(r"\[(ms|g|-)\]", c)]
    assert unlabelled == []


#: Path data of a trace of a figure.
TRACE = r'class="(?:trace|ink|true|got|demand|arming|main)"[^>]* d="M-?\d+ -?\d+l([^"]*)"'


def test_traces_stay_within_400_points(page):
    traces = re.findall(TRACE, page)
    assert len(traces) > 20
    assert max(len(re.findall(r"-?\d+", t)) / 2 + 1 for t in traces) <= 400


def test_text_from_outside_is_escaped(view):
    nasty = "<script>alert(1)</script>"
    bad = replace(
        view,
        notes=[nasty],
        event_view=lambda name: replace(view.event_view(name), title=nasty, facts={"speed": nasty}),
    )
    text = "".join(page_parts(bad))
    assert nasty not in text
    assert "&lt;script&gt;alert(1)" in text


def test_the_page_is_written_whole_or_not_at_all(view, tmp_path):
    target = write_report(view, tmp_path)
    assert target == tmp_path / "report.html"
    before = target.read_text(encoding="utf-8")

    def broken(name):
        raise RuntimeError("no traces")

    with pytest.raises(RuntimeError, match="no traces"):
        write_report(replace(view, event_view=broken), tmp_path)
    assert target.read_text(encoding="utf-8") == before
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


@pytest.mark.slow
def test_the_same_run_gives_the_same_page(view):
    assert "".join(page_parts(view)) == "".join(page_parts(view))


def test_a_run_without_traces_still_has_a_page(view):
    text = "".join(page_parts(replace(view, event_view=None)))
    assert "No traces were kept for this event." in text
    assert outline(text).faults == []


def sums(differences: list[int]) -> list[float]:
    """Hundredths that are stored as differences."""
    return [total / 100.0 for total in accumulate(differences)]


def what_if_rows(page: str) -> list[dict]:
    found = re.search(r'id="what-if-data">(.*?)</script>', page, re.S)
    assert found is not None
    data = json.loads(found.group(1))
    names = data["names"]
    return [
        {k: names[v] if k in "erasx" else v for k, v in row.items()}
        | {"f": list(zip(*(sums(row["f"][at::2]) for at in (0, 1)), strict=True))}
        for row in data["rows"]
    ]


def fire_time(row: dict, scale: float) -> float | None:
    return next((time for last, time in row["f"] if scale <= last + 1e-9), None)


def test_what_if_at_scale_1_gives_the_table(page, drawn_view):
    rows = what_if_rows(page)
    table = drawn_view.nominal.set_index(["event", "algorithm", "restraint"])
    assert len(rows) == 16
    for row in rows:
        expected = table.loc[(row["e"], row["a"], "front_airbag_stage_1"), "fire_time_ms"]
        got = fire_time(row, 1.0)
        assert (got is None and np.isnan(expected)) or got == pytest.approx(expected)


@settings(derandomize=True, max_examples=50)
@given(st.lists(st.floats(0.0, 3.0), min_size=1, max_size=40), st.sampled_from(SCALES.tolist()))
def test_fire_curve_is_the_first_sample_at_the_scale(values, scale):
    times = np.arange(len(values), dtype=float)
    demand = np.array(values)
    hits = np.flatnonzero(demand >= scale - 1e-12)
    got = fire_time({"f": fire_curve(times, demand)}, scale)
    assert got == (float(hits[0]) if hits.size else None)


def test_a_rule_that_must_be_run_again_is_left_out_and_said(view):
    def unswept(name):
        shown = view.event_view(name)
        return replace(shown, demands=[replace(d, swept=None) for d in shown.demands])

    text = "".join(page_parts(replace(view, event_view=unswept)))
    assert what_if_rows(text) == []
    assert "16 rows have a demand that depends on a threshold" in text


def test_clipping_is_told_in_words(view):
    channel = view.event_view("centre_pole_29_belted").channels[0]
    cut = replace(channel, clipped_before_filter=3, clipped_codes=2)
    assert clipping_words(cut) == (
        "<strong>Clipped</strong> (hatched): 3 samples before the filter (not visible in the "
        "codes), 2 samples at the last code."
    )
    assert clipping_words(replace(channel, clipped_before_filter=0)) == "No clipping."


def test_waiver_reason_and_why_are_shown(view):
    frame = view.nominal.copy()
    at = frame.index[frame["verdict"] == "late"][0]
    frame.loc[at, "waived"] = True
    frame["reason"] = frame["reason"].astype(object)
    frame.loc[at, "reason"] = "agreed for the prototype"
    event = frame.loc[at, "event"]
    changed = replace(
        view,
        nominal=frame,
        event_view=lambda name: replace(
            view.event_view(name), reasons=[("Why stage 1 fired", ["fired at 4 ms", "* main"])]
        ),
    )
    text = "".join(page_parts(changed))
    part = text[text.index(f'id="event-{event}"') :]
    assert "late; waived, still counts; agreed for the prototype" in part
    assert '<pre tabindex="0">fired at 4 ms\n* main</pre>' in part


def words_of(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


@pytest.mark.slow
def test_the_page_says_what_the_terminal_says(drawn_view, view):
    fitted = replace(drawn_view, fitted_to={"guarded": "these events"})
    text = words_of("".join(page_parts(fitted)))
    for pair in fitted.deciding:
        assert f"Result: {result_words(fitted, pair)}." in text
    assert "guarded was fitted to these events: its verdicts there are no independent" in text
    assert "Verdicts over 10 random draws" in text
    assert NOMINAL_ONLY not in text
    text = words_of("".join(page_parts(view)))
    assert f"{NOMINAL_ONLY}." in text
    assert "fitted" not in text
    assert "Verdicts over" not in text


def with_two_sets(view):
    other = view.nominal.assign(sensor_set="narrow")
    return replace(
        view,
        nominal=pd.concat([view.nominal, other], ignore_index=True),
        tally=Tally().add(view.nominal).add(other),
        sensor_sets=["narrow", "standard"],
        event_view=None,
    )


@pytest.mark.slow
def test_two_sensor_sets_are_told_apart(view):
    both = with_two_sets(view)
    page = "".join(page_parts(both))
    assert outline(page).faults == []
    assert len(set(outline(page).ids)) == len(outline(page).ids)
    text = words_of(page)
    first, second = (text.index(f"not met by guarded / {s}") for s in both.sensor_sets)
    assert first < second
    head = '<th scope="col">sensors</th><th scope="col">verdict</th>'
    assert page.count(head) == 8
    assert head not in "".join(page_parts(view))
    timing = page[page.index('id="timing"') : page.index('id="events"')]
    assert "guarded / narrow" in timing


def test_rule_errors_are_one_folded_row(view):
    frame = view.nominal.copy()
    broken = (frame["algorithm"] == "guarded") & (frame["restraint"] == "curtain_left")
    frame.loc[broken, "verdict"] = "rule_error"
    frame.loc[broken, "reason"] = [f"Mine: boom at {k}" for k in range(int(broken.sum()))]
    page = "".join(page_parts(replace(view, nominal=frame, tally=Tally().add(frame))))
    assert outline(page).faults == []
    head = "8 RULE ERRORS: guarded: Mine: boom at 3 (first: barrier_40_belted, curtain_left"
    assert words_of(page).count(head) == 1
    details = page[page.index('id="details"') :]
    assert details.count('<summary class="v-rule_error">') == 1
    assert len(re.findall(r"</a>: curtain, left", details)) == 8


def test_what_is_met_at_nominal_and_fails_in_draws_has_its_table(view, drawn_view):
    drawn = drawn_view.nominal.assign(draw=1)
    held = drawn["verdict"] == "held"
    drawn.loc[held & (drawn["event"] == "pothole"), "verdict"] = "inadvertent"
    tally = Tally().add(view.nominal).add(drawn)
    text = words_of("".join(page_parts(replace(view, tally=tally, event_view=None))))
    part = text[text.index("Met at nominal, fails in draws") :]
    part = part[: part.index("Algorithm plain")]
    assert part.count("inadvertent in 1 of 1") == 7
    assert "Met at nominal, fails" not in words_of("".join(page_parts(view)))


def test_what_was_never_excited_and_what_has_no_rule_stand_on_the_page(view):
    rules = {"guarded": ["front_airbag_stage_1"]}
    text = words_of("".join(page_parts(replace(view, rules=rules))))
    assert "held at demand 0" in text
    assert "No rule in guarded, never fires: front_airbag_stage_2, belt_pretensioner" in text
    assert "No rule" not in words_of("".join(page_parts(view)))


@pytest.mark.slow
def test_chances_over_draws_stand_on_the_page(drawn_view, view):
    text = re.sub(r"<[^>]+>", "", "".join(page_parts(drawn_view)))
    # 32 rows that must not fire and 4 that must: of the latter some come late in all 10 draws.
    # No failure in 10 draws: 1 - 0.05 ** (1 / 10) = 0.2589 (computed).
    found = re.findall(r"(\d+) of (\d+) requirements failed in none of at least 10 draws", text)
    assert len(found) == 2
    assert all(0 < int(never) < int(judged) for never, judged in found)
    assert text.count("may still be up to 26 % (one-sided 95 % bound, within the model)") == 2
    # 10 of 10 fail: exact interval from 0.025 ** (1 / 10) = 0.6915 (computed), Wilson's from
    # 10 / (10 + 1.96 ** 2) = 0.7225 (computed).
    assert "100.00 (69.15–100.00)" in text
    assert "72.25–100.00" in text
    assert "Chance of failure" not in "".join(page_parts(view))


def test_separation_on_the_page_says_where_the_rule_failed(view):
    frame = view.nominal.copy()
    own = (frame["algorithm"] == "guarded") & (frame["restraint"] == "front_airbag_stage_1")
    frame.loc[own & (frame["expectation"] == "fire"), "verdict"] = "rule_error"
    entry = {**view.separation[0], "c": None, "c_event": "", "ratio": None, "m": 4.91}
    broken = replace(view, nominal=frame, tally=Tally().add(frame), separation=[entry])
    page = "".join(page_parts(broken))
    assert "the rule failed where it must fire (4 rows); no k is known to work" in page
    assert "never required" not in page


def test_what_a_failed_rule_left_unmet_is_counted_and_named(view):
    frame = view.nominal.copy()
    broken = (frame["algorithm"] == "guarded") & frame["restraint"].isin(
        ["curtain_left", "curtain_right"]
    )
    broken &= frame["expectation"] == "no_fire"
    frame.loc[broken, "verdict"] = "rule_error"
    page = "".join(page_parts(replace(view, nominal=frame, tally=Tally().add(frame))))
    told = "8 requirements are not met because THE RULE FAILED: curtain, left 4; curtain, right 4."
    assert told in page
    assert "THE RULE FAILED" not in "".join(page_parts(view))


def test_the_line_of_a_fold_wraps(page):
    assert re.search(r"details\.fold > summary \{[^}]*overflow-wrap:anywhere", page)


def test_no_prose_stands_inside_a_scrolling_box(page):
    boxes = re.findall(r'<div class="scroll"[^>]*>(.*?)</div>', page, re.DOTALL)
    assert len(boxes) > 8
    assert "Share of the draws with each verdict" in page
    assert [box for box in boxes if "<p" in box] == []
    assert {box.strip()[:6] for box in boxes} == {"<table"}


def two_sets_drawn(view):
    """Two sensor sets with traces of both; rows stand in another order than asked for."""

    def both(event):
        one = view.event_view(event)
        more = [replace(d, sensor_set="narrow") for d in one.demands]
        return replace(one, demands=[*more, *one.demands])

    return replace(with_two_sets(view), event_view=both)


def test_with_two_sets_fire_labels_and_event_rows_name_them_in_order(view):
    shown = two_sets_drawn(view)
    page = "".join(page_parts(shown))
    section = page[page.index('id="event-wall_56_belted"') :]
    section = section[: section.index('<details class="event')]
    assert re.search(r">fired [0-9.]+ ms</text>", section)
    pairs = re.findall(r"<td>(guarded|plain)</td><td>(narrow|standard)</td>", section)
    expected = [(algorithm, sensor_set) for sensor_set, algorithm in shown.pairs]
    assert list(dict.fromkeys(pairs)) == expected
    assert len(expected) == 4


@pytest.mark.slow
def test_the_page_of_the_shipped_library_stays_below_3_mb(tmp_path):
    run = crashsense.evaluate(out=tmp_path / "run", engine="numpy")
    path = write_report(run, tmp_path)
    text = path.read_text(encoding="utf-8")
    assert path.stat().st_size < 3_000_000
    traces = re.findall(TRACE, text)
    assert len(traces) > 500
    assert max(len(re.findall(r"-?\d+", t)) / 2 + 1 for t in traces) <= 400


def test_an_event_that_fails_in_draws_has_a_mark_in_the_list(drawn_view):
    text = "".join(page_parts(drawn_view))
    failing = dict(
        re.findall(r'<details class="event[^>]* id="event-(\w+)"[^>]* data-draws="(\d+)"', text)
    )
    guarded = drawn_view.tally.failures(("standard", "guarded"))
    wanted = dict.fromkeys(drawn_view.nominal["event"], 0)
    for (event, _), number in guarded.items():
        wanted[event] = max(wanted[event], number)
    assert {event: int(number) for event, number in failing.items()} == wanted
    assert max(wanted.values()) == 10
    assert text.count("10 of 10 draws fail") >= 2


def test_the_figure_of_an_event_has_its_panels(view):
    times = np.arange(-10.0, 150.0, 0.5)
    way = 0.5 * 150.0 * (times.clip(0.0) / 1e3) ** 2 * 1e3
    velocity, travel = Trace("velocity", times, -times), Trace("travel", times, way)
    motion = MotionView("x", "rigid-body motion", velocity, travel, 0.0, 127.0, 30.0)
    told = Told("standard", "guarded", "front_airbag_stage_1", "A reason.", "change", "central_x")

    def shown(name):
        return replace(view.event_view(name), motion=motion, told=[told])

    text = "".join(page_parts(replace(view, event_view=shown)))
    section = text[text.index('id="event-wall_56_belted"') :]
    figure = re.search(r'<svg class="chart".*?</svg>', section)[0]
    words = re.findall(r"<text[^>]*>([^<]*)</text>", figure)
    for expected in ("central_x [g]", "true", "received", "127 mm", "30 ms", "threshold 1"):
        assert expected in words
    assert "velocity change [km/h]: rigid-body motion" in words
    assert "demand [-]: front bag, stage 1; change decides" in words
    assert "required 18.0 ms" in words
    assert "A reason." in section
    (arrow,) = re.findall(r'class="arrow" d="M([\d.]+) [\d.]+H([\d.]+)', figure)
    # 127 mm at 150 m/s^2: sqrt(2 * 0.127 / 150) = 41.15 ms; 30 ms before: 11.15 ms.
    labels = re.findall(r'<g class="mid">(.*?)</g>', figure)[-1]
    ticks = re.findall(r'<text x="([\d.]+)" y="[\d.]+">(\d+)</text>', labels)
    (x0, t0), (x1, t1) = ((float(x), float(t)) for x, t in (ticks[0], ticks[-1]))
    got = [t0 + (float(x) - x0) * (t1 - t0) / (x1 - x0) for x in arrow]
    assert got == pytest.approx([41.15, 11.15], abs=0.15)


def test_words_of_the_page_are_those_of_the_glossary(view):
    from html import unescape

    from crashsense.glossary import meaning
    from crashsense.reporting.words import PAGE_WORDS, slug

    page = "".join(page_parts(view))
    for name in PAGE_WORDS:
        assert f'<dt id="word-{slug(name)}"><strong>{name}</strong></dt>' in page
        assert meaning(name) in unescape(page)
    # Every link to a word has the word to go to.
    assert set(re.findall(r'href="#word-([^"]+)"', page)) <= {slug(name) for name in PAGE_WORDS}
    assert page.count('href="#word-') >= 5
