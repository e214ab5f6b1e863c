"""The catalogue page: complete, self-contained, on common axes."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from crashsense.reporting import catalogue as page
from crashsense.synthesis import load_recipes

G = 9.80665


@pytest.fixture(scope="module")
def recipes():
    return {recipe.name: recipe for recipe in load_recipes()}


def test_panel_of_a_wall_holds_peak_and_travel(recipes):
    entry = page.catalogue_entry(recipes["wall_full_56"])
    assert entry.expectation == "fire"
    svg = ElementTree.fromstring(page.panel(entry))
    lines = {line.get("class"): line.get("points") for line in svg.iter("polyline")}
    assert set(lines) == {"x", "travel"}
    heights = [float(point.split(",")[1]) for point in lines["x"].split()]
    # the lowest sample is drawn whatever the thinning
    expected = page._height_of_g(np.array([entry.central_x.min() / G]))[0]
    assert max(heights) == pytest.approx(expected, abs=0.06)
    assert len(heights) <= 2 * page.BUCKETS


def test_scale_is_monotonic_and_shared():
    values = np.array([-200.0, -100.0, -3.0, 0.0, 3.0, 100.0, 200.0])
    heights = page._height_of_g(values)
    assert np.all(np.diff(heights)[1:-1] < 0)
    assert heights[3] == page.HEIGHT / 2
    assert heights[0] == page.HEIGHT
    assert heights[-1] == 0.0


def test_page_is_self_contained_and_complete(recipes):
    chosen = [
        recipes[name]
        for name in ("wall_full_8", "kerb_climb_20", "hammer_sill", "kerb_then_wall_40_100")
    ]
    text = page.catalogue_page(page.catalogue_entries(chosen))
    assert "Not qualified for any decision" in text
    assert not re.search(r"(src|href)=|url\(|@import", text)
    assert text.count("<figure>") == 4
    assert "central x quiet" in text  # a blow on the sill from the side
    for recipe in chosen:
        assert recipe.name in text


def test_travel_after_a_kerb_counts_from_the_wall(recipes):
    entry = page.catalogue_entry(recipes["kerb_then_wall_40_100"])
    before = entry.times_s < 0.0999
    assert not entry.travel_m[before].any()
    assert entry.travel_m.max() > 0.127


def test_library_is_as_large_as_promised(recipes):
    # at least 64 recipes with signals of their own in six families
    families = {recipe.family for recipe in recipes.values()}
    assert families == {"frontal", "side", "rear", "rollover", "rough_road", "misuse"}
    settings = {
        (recipe.model.name, repr(recipe.parameters), recipe.is_mirrored)
        for recipe in recipes.values()
    }
    assert len(settings) == len(recipes)
    assert len(recipes) >= 64


def test_command_writes_page_and_levels(tmp_path):
    from click.testing import CliRunner

    from crashsense.cli.catalogue import catalogue

    folder = tmp_path / "mine"
    folder.mkdir()
    source = load_recipes()
    for name in ("hammer_rail", "kerb_climb_30"):
        recipe = next(r for r in source if r.name == name)
        with open(recipe.file, encoding="utf-8") as file:
            (folder / f"{name}.toml").write_text(file.read(), encoding="utf-8")
    out, levels = tmp_path / "page.html", tmp_path / "levels.md"
    result = CliRunner().invoke(
        catalogue, ["--recipes", str(folder), "--out", str(out), "--levels", str(levels)]
    )
    assert result.exit_code == 0, result.output
    assert "2 recipes" in result.output
    text = out.read_text(encoding="utf-8")
    assert text.count("<figure>") == 2
    # The mild blow on a rail alone, without its severe setting, comes near no rule.
    assert re.search(r"<p>Not challenging .*M08 hammer_rail \(0\.\d+\)\.</p>", text)
    assert "kerb_climb (" not in text
    table = levels.read_text(encoding="utf-8")
    assert "| M02 | `kerb_climb_30` | central x, peak |" in table


def test_command_refuses_a_folder_that_is_not_there(tmp_path):
    from crashsense.cli.catalogue import catalogue
    from crashsense.errors import InputError

    with pytest.raises(InputError, match="existing folder"):
        catalogue.main(["--out", str(tmp_path / "no" / "page.html")], standalone_mode=False)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("moose_70", "open"),
        ("wall_full_13", "no fire"),
        ("rear_barrier_offset_80", "fire"),
        ("odb_40_32", "fire unbelted, open belted"),
    ],
)
def test_tag_says_what_is_expected(recipes, name, told):
    assert page.catalogue_entry(recipes[name]).expectation == told
