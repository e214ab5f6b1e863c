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


def test_panels_of_a_wall_hold_what_its_rules_read_and_have_axes(recipes):
    entry = page.catalogue_entry(recipes["wall_full_56"])
    assert entry.expectation == "fire"
    assert [r.channel for r in entry.readings] == ["central_x", "upfront_left_x", "upfront_right_x"]
    scales = page.scales_of([entry])
    drawn = page.panels(entry, scales)
    assert len(drawn) == 3 + 3  # readings, velocity, spectrum, travel
    for panel in drawn:
        svg = ElementTree.fromstring(panel)
        texts = [text.text for text in svg.iter("text")]
        assert texts[-1] in ("ms", "Hz")
        assert sum(text.replace("\u2212", "-").lstrip("-")[:1].isdigit() for text in texts) >= 5
        assert sum(trace.get("class") == "t" for trace in svg.iter("path")) >= 1
    # scales hold the largest raw value: nothing is cut
    reading = entry.readings[0]
    low, high = scales.values[reading.kind]
    assert low < reading.raw.min()
    assert high > reading.raw.max()
    assert reading.sensed is not None
    assert np.abs(reading.sensed).max() < np.abs(reading.raw).max()
    assert reading.raw.min() == pytest.approx(
        recipes["wall_full_56"].synthesise([0], seed=0).signals["central_x"][0].min() / G
    )


def test_events_of_a_class_share_their_scales(recipes):
    one, other = (page.catalogue_entry(recipes[n]) for n in ("pothole_40", "pothole_50_left"))
    assert one.group == other.group
    scales = page.scales_of([one, other])
    for entry in (one, other):
        for reading in entry.readings:
            low, high = scales.values[reading.kind]
            assert low < reading.raw.min()
            assert reading.raw.max() < high
    walls = [page.catalogue_entry(recipes[n]) for n in ("wall_full_8", "wall_full_8_left_lost")]
    bumper = page.catalogue_entry(recipes["bumper_barrier_4"])
    assert len({entry.group for entry in walls}) == 1
    assert bumper.group not in {entry.group for entry in walls}
    ranged = page.catalogue_page([one])
    assert "Beside the ranges of row M04" in ranged
    assert "5 to 20, memory" in ranged


@pytest.mark.parametrize(
    ("name", "channels"),
    [
        ("side_pole_90_29_right", ["side_right_y", "door_right_pressure"]),
        ("rollover_kerb_25", ["central_roll_rate", "roll_angle"]),
        ("pothole_50_left", ["central_x", "central_z"]),
    ],
)
def test_each_family_shows_its_own_channels(recipes, name, channels):
    entry = page.catalogue_entry(recipes[name])
    assert [r.channel for r in entry.readings][:2] == channels


def test_page_is_self_contained_and_complete(recipes):
    chosen = [
        recipes[name]
        for name in ("wall_full_8", "kerb_climb_20", "hammer_sill", "kerb_then_wall_40_100")
    ]
    text = page.catalogue_page(page.catalogue_entries(chosen))
    assert "Not qualified for any decision" in text
    assert not re.search(r"(src|href)=|url\(|@import", text)
    assert text.count("<figure>") == 4
    assert "side_left_y peak" in text  # a blow on the sill from the side
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


def test_command_refuses_a_file_in_the_way(tmp_path):
    from crashsense.cli.catalogue import catalogue
    from crashsense.errors import InputError

    (tmp_path / "no").write_text("a file")
    with pytest.raises(InputError, match="a file in a folder"):
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
