"""The element file, its commands, and the part that comes from it."""

from __future__ import annotations

from math import inf, nextafter
from pathlib import Path

import pytest

from crashsense.cli import run
from crashsense.errors import InputError
from crashsense.sensing import load_sensor_set, mechanics
from crashsense.sensing.element import Element
from crashsense.sensing.element_design import Process, design_element, trade_points
from crashsense.sensing.element_file import element_from_table, element_to_toml, load_element
from crashsense.units import STANDARD_GRAVITY as G

SET = """
[parts.mine]
element = "{element}"
corner_tolerance = 0.033
{more}
[sensors]
central_x = "mine"
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    assert run(["new", "element"]) == 0
    return tmp_path


def test_template_reads_and_writes_back(home: Path) -> None:
    import tomllib

    one = load_element("my_element.toml")
    assert one.name == "my_element"
    assert one.range / G == pytest.approx(120.2, abs=0.1)
    again = element_from_table(tomllib.loads(element_to_toml(one)), file="x", name="y")
    assert again == one
    assert again.basis == one.basis


def test_card_and_figure(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sensors", "element", "my_element.toml", "--figure", "card.svg"]) == 0
    out = capsys.readouterr().out
    for words in (
        "deflection for each g",
        "by amplifier",
        "linearity binds",
        "Gabrielson 1993",
        "Blech 1983",
        "pull-in voltage",
        "shock of a 1 m drop",
        "60 K warmer",
    ):
        assert words in out
    assert "<svg" in (home / "card.svg").read_text(encoding="utf-8")
    assert run(["sensors", "element", "my_element.toml", "--figure", "card.gif"]) == 2
    assert run(["sensors", "element", "nowhere.toml"]) == 2
    assert "element file that exists" in capsys.readouterr().err


def test_all_faults_of_a_file_at_once(home: Path) -> None:
    Path("bad.toml").write_text(
        """
nmae = "x"
[mass]
thickness_um = -25.0
lenght_um = 300.0
mass_ug = 3.0
[spring]
beams = 2.5
form = "bent"
[electrodes]
overlap_um = "wide"
fingers = 40
[gas]
temperature_c = 900.0
[axes]
lean_deg = 2.0
[basis]
"mass.thicknes_um" = "assumed"
""",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        load_element("bad.toml")
    text = str(caught.value)
    for words in (
        "nmae: got 'x'; expected one of axes,",
        "mass.lenght_um: got 300.0; expected one of density_kg_per_m3",
        "did you mean 'length_um'",
        "spring.beams: got 2.5; expected a whole number",
        "spring.form: got 'bent'; expected 'straight' or 'folded'",
        "electrodes.overlap_um: got 'wide'; expected a number",
        "electrodes.gap_um: expected a value; the field is missing",
        "gas.temperature_c: got 900.0; expected -60 to 500 degC",
        "axes.stiffness_ratio: expected a value; the field is missing",
        "basis.mass.thicknes_um",
    ):
        assert words in text
    assert all(line.startswith("bad.toml: ") for line in text.splitlines())


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("gap_um = 2.0", "gap_um = 0.01", "electrodes.gap_um: got 0.01; expected 0.1 to 100 um"),
        ("travel_um = 1.6", "travel_um = 3", "stops.travel_um: got 3; expected within the gap"),
        ("drive_v = 1.0 ", "drive_v = 30.0 ", "read_out.drive_v: got 30.0; expected a drive below"),
        ("mode_hz = 30000.0", "mode_hz = 12000.0", "package.mode_hz: got 12000.0; expected a pack"),
        ("gap_um = 0.03", "gap_um = 0.5", "tolerances.gap_um: got 0.5; expected 3 sigma"),
        ("filled = 0.85", "filled = nan", "mass.filled: got nan; expected a finite number"),
        ("beams = 4", "beams = 1" + "0" * 400, "spring.beams"),
    ],
)
def test_faults_in_names_and_units_of_the_file(home: Path, old: str, new: str, told: str) -> None:
    text = Path("my_element.toml").read_text(encoding="utf-8")
    assert old in text
    Path("my_element.toml").write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_element("my_element.toml")
    assert told in str(caught.value)


def test_pressure_is_meant_at_its_temperature(home: Path) -> None:
    text = Path("my_element.toml").read_text(encoding="utf-8")
    Path("hot.toml").write_text(
        text.replace("temperature_c = 25.0", "temperature_c = 323.15"), encoding="utf-8"
    )
    hot = load_element("hot.toml")
    assert hot.pressure == pytest.approx(60000.0 * 298.15 / 596.3)


@pytest.mark.parametrize(
    ("table", "key", "low", "high"),
    [("gas", "temperature_c", -60.0, 500.0), ("axes", "lean_deg", 0.0, 45.0),
     ("axes", "stiffness_ratio", 0.01, 100.0)],
)  # fmt: skip
def test_what_a_file_may_state_instead_has_limits(
    table: str, key: str, low: float, high: float
) -> None:
    """Both ends are taken, the next number is not."""
    given = {
        "mass": {"thickness_um": 25.0, "length_um": 500.0, "width_um": 420.0},
        "spring": {"beam_length_um": 170.0, "beam_width_um": 3.0},
        "electrodes": {"gap_um": 2.0, "fingers": 40, "overlap_um": 120.0},
        "gas": {"pressure_pa": 60e3, "temperature_c": 25.0},
        "read_out": {"feedback_ff": 100.0},
        "axes": {"names": ["x", "y"], "shared_mass": True, "lean_deg": 0.1,
                 "stiffness_ratio": 1.2},
    }  # fmt: skip
    for limit, beyond in ((low, nextafter(low, -inf)), (high, nextafter(high, inf))):
        one = element_from_table(given | {table: given[table] | {key: limit}}, file="x", name="y")
        if key == "temperature_c":  # the same gas at 25 degC
            assert one.pressure == pytest.approx(60e3 * 298.15 / (273.15 + limit))
        with pytest.raises(InputError) as caught:
            element_from_table(given | {table: given[table] | {key: beyond}}, file="x", name="y")
        assert [fault.field for fault in caught.value.faults] == [f"{table}.{key}"]


def test_a_part_from_an_element(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("set.toml").write_text(SET.format(element="my_element.toml", more=""), encoding="utf-8")
    part = load_sensor_set("set.toml").sensor("central_x")
    one = load_element("my_element.toml")
    assert part.element == one
    for name, value in one.part_numbers().items():
        assert getattr(part, name) == value
    capsys.readouterr()
    assert run(["sensors", "show", "set.toml"]) == 0
    assert "element my_element" in capsys.readouterr().out


def test_what_follows_from_the_element_is_not_stated_twice(home: Path) -> None:
    more = "range_g = 50.0\nnoise_g_per_rthz = 0.001\ncross_axis = 0.01"
    Path("set.toml").write_text(SET.format(element="my_element.toml", more=more), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_sensor_set("set.toml")
    assert [fault.field for fault in caught.value.faults] == ["range_g", "noise_g_per_rthz"]
    assert "it follows from the element" in str(caught.value)


def test_faults_of_the_element_are_told_with_those_of_the_set(home: Path) -> None:
    Path("gone.toml").write_text(SET.format(element="nowhere.toml", more="bits = 2"))
    with pytest.raises(InputError) as caught:
        load_sensor_set("gone.toml")
    assert "element: nowhere.toml" in str(caught.value)
    assert "bits: got 2" in str(caught.value)
    pressure = '[parts.p]\nkind = "pressure"\nrange_kpa = 40.0\nelement = "my_element.toml"\n'
    Path("p.toml").write_text(pressure + '[sensors]\ndoor_left_pressure = "p"\n')
    with pytest.raises(InputError, match="element"):
        load_sensor_set("p.toml")


# --- design --------------------------------------------------------------------------------------


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("range_g", "bandwidth", "noise_mg", "binds"),
    [
        (100.0, 1500.0, 1.0, "range sets the resonance"),
        (35.0, 20_000.0, 1.0, "bandwidth sets the resonance"),
        (5.0, 400.0, 0.1, "pull-in sets the resonance"),
        (500.0, 3000.0, 5.0, "range sets the resonance"),
    ],
)
def test_a_design_meets_what_was_asked(
    range_g: float, bandwidth: float, noise_mg: float, binds: str
) -> None:
    found = design_element(
        range_m_s2=range_g * G, bandwidth_hz=bandwidth, noise_density=noise_mg * 1e-3 * G
    )
    one = found.element
    state = one.state()
    assert one.range >= range_g * G * (1 - 1e-9)
    reached = mechanics.bandwidth_hz(
        resonance_hz=float(state.resonance_hz), quality=float(state.quality)
    )
    assert reached >= bandwidth * (1 - 1e-6)
    assert float(state.noise) <= noise_mg * 1e-3 * G
    assert one.part_numbers()["nonlinearity"] <= 0.01 * (1 + 1e-5)
    assert found.binds[0].startswith(binds)
    # Fewer fingers would be too noisy, unless the comb is the smallest already.
    if "sets the size" in found.binds[1]:
        fewer = design_element(
            range_m_s2=range_g * G,
            bandwidth_hz=bandwidth,
            noise_density=float(state.noise) * 1.1,
        )
        assert fewer.element.fingers < one.fingers


def test_neighbours_trade_as_the_square_of_the_resonance() -> None:
    found = design_element(range_m_s2=100 * G, bandwidth_hz=1500.0, noise_density=1e-3 * G)
    points = trade_points(found)
    assert len(points) == 8
    for field, rises in (
        ("range", True),
        ("bandwidth_hz", True),
        ("noise_density", True),
        ("deflection_per_g", False),
        ("capacitance_per_g", False),
    ):
        values = [getattr(point, field) for point in points]
        assert values == sorted(values, reverse=not rises)
    one, two = trade_points(found, factors=(1.0, 2.0))
    assert two.deflection_per_g / one.deflection_per_g == pytest.approx(0.25)
    assert two.range / one.range == pytest.approx(4.0)


def test_designs_that_cannot_be() -> None:
    with pytest.raises(InputError, match=r"mg/sqrt\(Hz\) or more: .* even a plate of 2 mm"):
        design_element(range_m_s2=100 * G, bandwidth_hz=1500.0, noise_density=1e-6 * G)
    with pytest.raises(InputError) as caught:
        design_element(range_m_s2=-1.0, bandwidth_hz=0.0, noise_density=float("nan"))
    assert {f.field for f in caught.value.faults} == {
        "range_m_s2",
        "bandwidth_hz",
        "noise_density",
    }


def test_a_quieter_read_out_needs_less_area() -> None:
    asked = {"range_m_s2": 100 * G, "bandwidth_hz": 1500.0, "noise_density": 0.5e-3 * G}
    loud = design_element(**asked)
    quiet = design_element(**asked, process=Process(amplifier_noise=20e-9))
    assert isinstance(quiet.element, Element)
    assert quiet.element.footprint < loud.element.footprint


def test_design_command(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["sensors", "design", "--range", "100g", "--bandwidth", "1500", "--noise", "1mg"]
    assert run([*asked, "--out", "mine.toml", "--figure", "trade.svg"]) == 0
    out = capsys.readouterr().out
    assert "<- designed" in out
    assert "What binds" in out
    assert load_element("mine.toml").range == pytest.approx(100 * G, rel=1e-5)
    assert (home / "trade.svg").stat().st_size > 1000
    assert run([*asked, "--out", "mine.toml"]) == 2
    assert run([*asked[:-1], "x"]) == 2
    assert "--noise: got 'x'; expected a number above 0 in mg" in capsys.readouterr().err


def test_a_copy_of_a_set_reads_the_copies_of_its_elements(home: Path) -> None:
    # As a run folder keeps them: set and element file side by side, away from the originals.
    Path("parts").mkdir()
    Path("my_element.toml").rename("parts/my_element.toml")
    Path("set.toml").write_text(SET.format(element="parts/my_element.toml", more=""))
    original = load_sensor_set("set.toml")
    (element,) = original.files
    assert Path(element).resolve() == (home / "parts" / "my_element.toml")
    kept = home / "kept"
    kept.mkdir()
    for path in (home / "set.toml", home / "parts" / "my_element.toml"):
        (kept / path.name).write_bytes(path.read_bytes())
    Path("parts/my_element.toml").write_text("changed since")
    moved = {str(home / "parts" / "my_element.toml"): str(kept / "my_element.toml")}
    again = load_sensor_set(kept / "set.toml", folder=home, moved=moved)
    assert repr(again) == repr(original)
