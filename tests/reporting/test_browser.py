"""The page in a real browser: nothing loaded, sliders as Python, filters, keyboard, schemes, print.

Needs the extra ``browser`` (playwright), a Chromium on the path and, for the accessibility check,
axe-core: the environment variable ``AXE_CORE`` names its ``axe.min.js``. ``.ci/run`` installs them.
"""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crashsense.reporting import write_report
from crashsense.reporting.what_if import fire_curve, flight_time, required_ms
from crashsense.resources import CAUTION
from crashsense.results.views import MotionView, Told, Trace

playwright = pytest.importorskip("playwright.sync_api", reason="needs the extra browser")

pytestmark = pytest.mark.slow

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SIZES = [(1280, 800), (390, 844)]
STEP = 0.5
STAGE_1 = "front_airbag_stage_1"


def chromium() -> str | None:
    names = ("chromium", "chromium-browser", "google-chrome")
    return next((path for name in names if (path := shutil.which(name))), None)


@pytest.fixture(scope="module")
def browser():
    program = chromium()
    if program is None:
        pytest.skip("no Chromium on this machine")
    with playwright.sync_playwright() as started:
        found = started.chromium.launch(executable_path=program, headless=True, args=FLAGS)
        yield found
        found.close()


def random_view(view):
    """The made-up run with demand that nobody chose, and a free occupant."""
    times = np.arange(-10.0, 150.0, STEP)
    known = {}

    def shown(name):
        if name in known:
            return known[name]
        event = view.event_view(name)
        demands = []
        source = np.random.default_rng([12, *name.encode()])
        for chart in event.demands:
            values = np.cumsum(source.normal(0.004, 0.05, times.size)).clip(0.0)
            line = Trace("total", times, values)
            demands.append(replace(chart, traces=[line], swept=replace(line, name="swept")))
        way = 0.5 * 150.0 * (times.clip(0.0) / 1e3) ** 2 * 1e3
        velocity, travel = Trace("velocity", times, -times), Trace("travel", times, way)
        motion = MotionView("x", "made up", velocity, travel, 0.0, 127.0, 30.0)
        told = Told("standard", "guarded", STAGE_1, "Made up.", "velocity", "central_x")
        known[name] = replace(
            event,
            demands=demands,
            motion=motion,
            flying=[STAGE_1] if name == "wall_56_belted" else [],
            told=[told],
        )
        return known[name]

    return replace(view, event_view=shown)


@pytest.fixture
def opened(browser, drawn_view, tmp_path):
    """Open the page; afterwards no request has left it and nothing was reported as an error."""
    path = write_report(random_view(drawn_view), tmp_path)
    contexts, requests, errors = [], [], []

    def open_page(*, size=SIZES[0], scheme="light", at="", **options):
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, **options
        )
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda request: requests.append(request.url))
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
        page.goto(path.as_uri() + at)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert requests
    assert {url.partition("#")[0] for url in requests} == {path.as_uri()}
    assert errors == []


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_first_screen_answers_without_scrolling(opened, size, scheme):
    page = opened(size=size, scheme=scheme)
    for words in (CAUTION, "must-fire requirement", "Must not fire", "Smallest margins"):
        box = page.get_by_text(words).first.bounding_box()
        assert box is not None
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= size[1]
    cards = page.locator(".cards li").first.bounding_box()
    assert cards["y"] + cards["height"] <= size[1]
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    paper = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    light = sum(map(int, re.findall(r"\d+", paper)[:3])) > 384
    assert light == (scheme == "light")


def verdict(row, scale, due):
    """The verdict in Python, from the same steps."""
    fired = next((time for last, time in row["f"] if scale <= last + 1e-9), None)
    if row["x"] == "no_fire":
        return "held" if fired is None else "inadvertent"
    if fired is None:
        return "missed"
    return "on_time" if fired <= due + 0.006 else "late"


def test_sliders_give_what_python_gives(opened, drawn_view):
    page = opened()
    data = page.evaluate("window.crashsense.data")
    own = [row for row in data["rows"] if row["a"] == "guarded"]
    assert len(own) == 8
    view = random_view(drawn_view)
    for row in own:
        (chart,) = [d for d in view.event_view(row["e"]).demands if d.algorithm == "guarded"]
        row["f"] = [list(step) for step in zip(row["f"][::2], row["f"][1::2], strict=True)]
        assert row["f"] == fire_curve(chart.swept.times_ms, chart.swept.values)
    section = page.locator("#timing details.pair").first
    set_value = "(e, v) => { e.value = v; e.dispatchEvent(new Event('input', {bubbles: true})); }"
    seen = set()
    for scale, travel, inflation in [
        (1.0, 127, 30),
        (0.62, 127, 30),
        (1.37, 90, 22),
        (0.8, 240, 44),
        (2.0, 127, 0),
    ]:
        for name, value in (("k", scale), ("travel", travel), ("inflation", inflation)):
            section.locator(f"input.{name}").evaluate(set_value, str(value))
        counts = dict.fromkeys(("on_time", "late", "missed", "held", "inadvertent"), 0)
        for row in own:
            due = None
            if row["x"] == "fire":
                flight = data["flights"].get(row["e"])
                due = required_ms(row, flight, travel_mm=travel, inflation_ms=inflation)
                key = "|".join((row["e"], row["r"], row["a"], row["s"]))
                strip = section.locator(f'.strip[data-key="{key}"]')
                seen.add(strip.locator(".mk").get_attribute("class"))
                word = verdict(row, scale, due)
                assert strip.locator(".mk").get_attribute("class") == f"mk {word}"
                assert strip.locator("use").get_attribute("href") == f"#m-{word}"
            counts[verdict(row, scale, due)] += 1
        text = section.locator(".counts").inner_text()
        assert text.startswith(
            f"Must fire: {counts['on_time']} on time, {counts['late']} late, {counts['missed']} "
            f"missed. Must not: {counts['held']} held, {counts['inadvertent']} inadvertent."
        )
    assert len(seen) >= 2
    for flight in data["flights"].values():
        for travel in (50.0, 127.0, 300.0):
            # Half a step of constant 150 m/s^2: t = sqrt(2 s / a).
            exact = 1e3 * np.sqrt(2.0 * travel / 1e3 / 150.0)
            assert flight_time(flight, travel) == pytest.approx(exact, abs=0.6)
    section.locator("button.reset").click()
    assert section.locator("output").first.inner_text() == "1.00"


def test_search_filters_sorting_links_and_the_back_button(opened):
    page = opened()
    shown = page.locator("#list details.event:visible")
    assert shown.count() == 8
    page.get_by_label("Search").fill("kerb")
    assert shown.count() == 1
    assert page.url.endswith("#events?q=kerb")
    assert page.locator(".found").inner_text() == "1 of 8 events"
    page.get_by_label("Search").fill("")
    page.locator("select[name=verdict]").select_option("failed")
    failing = page.locator("#list details.failing")
    assert shown.count() == failing.count() > 0
    page.locator("select[name=verdict]").select_option("")
    page.locator("select[name=sort]").select_option("margin")
    margins = [float(e.get_attribute("data-margin")) for e in shown.all()]
    assert margins == sorted(margins)
    page.locator("select[name=family]").select_option("misuse")
    assert shown.count() == 4
    page.locator(".cards a").first.click()
    target = page.url.partition("#")[2]
    assert page.locator(f"#{target}").evaluate("e => e.open && !e.hidden")
    assert page.locator(f"#{target} svg.chart").first.is_visible()
    page.go_back()
    assert page.locator("select[name=family]").input_value() == "misuse"


def test_a_link_into_the_page_opens_what_it_names(opened):
    page = opened(at="#event-kerb_strike")
    assert page.locator("#event-kerb_strike").evaluate("e => e.open")
    page = opened(at="#events?family=frontal&sort=slack")
    assert page.locator("#list details.event:visible").count() == 4
    assert page.locator("select[name=sort]").input_value() == "slack"


def test_the_keyboard_reaches_everything(opened):
    page = opened()
    kinds = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        kinds.add(
            page.evaluate(
                "document.activeElement.className || document.activeElement.name"
                " || document.activeElement.tagName"
            )
        )
        if "travel" in kinds and "q" in kinds:
            break
    assert {"skip", "k", "travel", "inflation", "reset"} <= kinds
    page.locator("input.k").first.focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    assert page.locator("#timing output").first.inner_text() == "1.03"
    page.locator("#event-kerb_strike summary").first.focus()
    page.keyboard.press("Enter")
    assert page.locator("#event-kerb_strike").evaluate("e => e.open")


AXE = os.environ.get("AXE_CORE", "")


@pytest.mark.skipif(not Path(AXE).is_file(), reason="AXE_CORE names no axe.min.js of axe-core")
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_axe_finds_no_violation(opened, scheme, size):
    page = opened(size=size, scheme=scheme, at="#event-wall_56_belted", bypass_csp=True)
    page.evaluate(Path(AXE).read_text(encoding="utf-8"))
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    found = page.evaluate("axe.run()")["violations"]
    told = [(one["id"], [node["html"][:160] for node in one["nodes"][:3]]) for one in found]
    assert told == []


def test_print_ends_after_the_failing_events(opened):
    page = opened()
    failing = page.locator("#list details.failing").count()
    sheets = len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True)))
    assert 2 <= sheets <= 2 + 2 * failing
    page.emulate_media(media="print")
    for hidden in ("#details", "#words", ".filters", ".sliders", "details.event:not(.failing)"):
        assert not page.locator(hidden).first.is_visible(), hidden
    assert page.locator("#answer .caution").is_visible()
