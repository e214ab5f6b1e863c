"""Sensors of a run in its page and document: parts by channel, and the element of a part."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from crashsense.campaign import evaluate
from crashsense.cli import run as command
from crashsense.reporting.document import document_pages, evidence_of
from crashsense.reporting.sensor_section import element_charts
from crashsense.reporting.view import view_of
from crashsense.results import open_run
from crashsense.sensing import load_sensor_set
from crashsense.sensing.element_card import element_sections

SET = """
[parts.mine]
element = "my_element.toml"
[sensors]
central_x = "mine"
central_safing_x = "safing_100g"
"""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run with an element behind one channel, and the files of its sensors."""
    folder = tmp_path_factory.mktemp("element")
    assert command(["new", "element", str(folder / "my_element.toml")]) == 0
    (folder / "mine.toml").write_text(SET, encoding="utf-8")
    evaluate(
        events=["hammer_tunnel"],
        sensor_sets=[str(folder / "mine.toml"), "standard"],
        algorithms=["guarded"],
        out=folder / "run",
    )
    return folder


@pytest.mark.slow
def test_the_page_shows_the_element_also_without_its_file(home: Path) -> None:
    element = home / "my_element.toml"
    text = element.read_text(encoding="utf-8")
    element.unlink()
    try:
        assert command(["report", str(home / "run")]) in (0, 1)
    finally:
        element.write_text(text, encoding="utf-8")
    page = (home / "run" / "report.html").read_text(encoding="utf-8")
    section = page[page.index('id="sensors"') :]
    assert "Element my_element: comb element for a central sensor" in section
    (found,) = element_sections(load_sensor_set(str(home / "mine.toml")))
    assert found.channels == ("central_x",)
    assert len(found.rows) > 25
    for row in found.rows:
        assert f'<th scope="row">{row.name}</th><td class="n">{row.shown}</td>' in section
    assert 'aria-label="my_element: step response' in section
    # The shipped set has no element, and says nothing of one.
    assert section.count("<summary>Element ") == 1
    assert "Sensors of standard" in section


def test_the_document_has_the_card(home: Path) -> None:
    run = open_run(home / "run")
    view = view_of(run)
    pages = document_pages(view, evidence_of(run, view))
    words = "\n".join(text.get_text() for page in pages for text in page.texts)
    assert "Sensors: mine" in words
    assert "Element my_element" in words
    assert "deflection for each g" in words
    assert "squeeze number at resonance" in words


def test_charts_are_well_formed_and_name_what_binds(home: Path) -> None:
    summary = json.loads((home / "run" / "summary.json").read_text(encoding="utf-8"))
    entry = next(one for one in summary["sensors"] if one["elements"])
    charts = element_charts(entry["elements"][0])
    words = [t.text or "" for chart in charts for t in ElementTree.fromstring(chart).iter("text")]
    assert len(charts) == 3
    assert any(w.startswith("by linearity 120.2 g") for w in words)
    # Axes of the frequency chart are labelled with frequencies, not with exponents.
    assert {"1000", "10000"} <= set(words)
