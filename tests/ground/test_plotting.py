"""Figures in files: the caution is on every one, once; how matplotlib is imported."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from matplotlib import artist

from crashsense import plotting
from crashsense.plotting import new_figure, save
from crashsense.resources import CAUTION


@pytest.mark.parametrize("width", [3.0, 9.0])
def test_a_figure_without_the_caution_gets_it_inside_its_edges(width: float, tmp_path: Path):
    figure = new_figure(width, 4.0)
    figure.subplots().set_xlabel("time [ms]")
    save(figure, tmp_path / "made.png")
    figure.draw_without_rendering()  # laid out again at the resolution of what follows
    label = figure.get_supxlabel()
    assert " ".join(label.split()) == f"CAUTION: {CAUTION}"
    (drawn,) = [text for text in figure.texts if text.get_text() == label]
    box = drawn.get_window_extent()
    assert box.x0 >= 0.0
    assert box.x1 <= figure.bbox.x1
    axes = figure.axes[0].get_tightbbox()
    assert axes is not None
    assert box.y1 <= axes.y0


def test_a_caution_that_is_there_is_not_repeated(tmp_path: Path):
    figure = new_figure(6.0, 3.0)
    figure.suptitle("Caution: " + CAUTION.replace(" decision ", "\ndecision "))
    save(figure, tmp_path / "made.png")
    save(figure, tmp_path / "again.svg")
    assert figure.get_supxlabel() == ""


def test_the_caution_and_a_legend_below_the_panels_do_not_cover_each_other(tmp_path: Path):
    figure = new_figure(8.0, 4.0)
    figure.subplots().plot([0.0, 1.0], label="words")
    legend = figure.legend(loc="outside lower center")
    save(figure, tmp_path / "made.png")
    assert " ".join(legend.get_title().get_text().split()) == f"CAUTION: {CAUTION}"
    title, (words,) = legend.get_title().get_window_extent(), legend.get_texts()
    assert not title.overlaps(words.get_window_extent())
    assert figure.get_supxlabel() == ""


WITHOUT_HELP = """
import io, sys
from crashsense.plotting import import_without_help, new_figure

if sys.argv[1] == "without":
    import_without_help()
figure = new_figure(3.0, 2.0)
from matplotlib import artist, lines
(line,) = figure.subplots().plot([1.0, 2.0], label="a line")
line.set(marker="o")
drawn = io.BytesIO()
figure.savefig(drawn, format="svg", metadata={"Date": None})
text = drawn.getvalue().decode()
help_of_set = lines.Line2D.set.__doc__ or ""
class Later(lines.Line2D): pass
print(len(text), "marker" in help_of_set, *("marker" in text for text in (
    artist.kwdoc(lines.Line2D), Later.set.__doc__
)))
"""


@pytest.mark.slow
def test_without_help_the_same_is_drawn_and_help_can_still_be_asked_for():
    sizes = set()
    for how in ("with", "without"):
        done = subprocess.run(
            [sys.executable, "-c", WITHOUT_HELP, how], capture_output=True, text=True
        )
        size, *helped = done.stdout.split()
        sizes.add(size)
        assert helped == [str(how == "with"), "True", "True"], done.stderr
    assert len(sizes) == 1


HELP = "_update_set_signature_and_docstring"


@pytest.mark.parametrize("lacks", [(), (HELP,), (HELP, "kwdoc")])
def test_a_matplotlib_that_writes_its_help_in_another_way_is_imported_too(
    lacks: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
):
    for name in lacks:
        monkeypatch.delattr(artist.Artist if name == HELP else artist, name)
    before = dict(vars(artist)), dict(vars(artist.Artist))
    quick: list[set[str]] = []

    def imported() -> None:
        both = zip(before, (vars(artist), vars(artist.Artist)), strict=True)
        quick.append({name for old, now in both for name in now if now[name] is not old.get(name)})

    monkeypatch.setattr(plotting, "_shown_figure", imported)
    plotting.import_without_help()
    assert quick == [{"kwdoc", HELP} - set(lacks)]
    assert before == (dict(vars(artist)), dict(vars(artist.Artist)))
