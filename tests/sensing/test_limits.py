"""Every number at its limit is taken, the next one beyond it is refused by name.

The limits are those that the messages state, written down once more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from math import inf, nextafter, pi
from typing import Any

import pytest
from sensing.sensing_helpers import part

from crashsense.errors import InputError
from crashsense.sensing import ControlUnit, Sensor
from crashsense.sensing.element import Element
from crashsense.sensing.element_design import design_element
from crashsense.sensing.fault_cards import FAULT_CARDS
from crashsense.sensing.faults import TEXT_PARAMETERS, WHOLE_PARAMETERS, make_fault
from crashsense.sensing.sensor import number_faults
from crashsense.sensing.transport import Payload
from crashsense.units import STANDARD_GRAVITY as G

#: A stiff comb without tolerances: any drive up to 100 V holds.
STIFF = Element(
    name="stiff", thickness=25e-6, plate_length=500e-6, plate_width=400e-6, stiffness=1e7,
    gap=2e-6, fingers=40, overlap=120e-6, feedback=1e-13,
)  # fmt: skip
#: The same with beams.
BEAMS = replace(STIFF, stiffness=0.0, beam_length=100e-6, beam_width=5e-6)
PLATE = replace(BEAMS, form="plate", fingers=0, overlap=0.0, gap=20e-6, beam_width=50e-6)


def refused(make: Callable[..., Any], name: str, value: object) -> bool:
    """True if *make* refuses a value by its name; other faults do not count."""
    try:
        make(**{name: value})
    except InputError as error:
        return name in {fault.field for fault in error.faults}
    return False


def beyond(limit: float, towards: float) -> float:
    """The next number; below 0 the smallest that has a size at all."""
    if limit == 0.0:
        return -1e-90 if towards < 0 else 1e-90
    return limit + (1 if towards > 0 else -1) if type(limit) is int else nextafter(limit, towards)


def check(make: Callable[..., Any], name: str, low: float, high: float, *, without: str) -> None:
    """Limits are those of the numbers that are taken; *without*: which of them are not."""
    for limit, towards, word in ((low, -inf, "low"), (high, inf, "high")):
        if limit in (-inf, inf):
            continue
        if word in without:
            assert refused(make, name, limit)
            assert not refused(make, name, beyond(limit, -towards))
        else:
            assert not refused(make, name, limit)
            assert refused(make, name, beyond(limit, towards))


@pytest.mark.parametrize(
    ("name", "low", "high", "without"),
    [
        ("range", 0.0, 1e6 * G, "low"), ("quality", 0.0, 1e8, "low"),
        ("resonance_hz", 1.0, 1e8, ""), ("front_end", 0.0, 1e8 * G, ""),
        ("nonlinearity", -0.2, 0.2, ""), ("quadratic", -0.2, 0.2, ""),
        ("mounting_angle", -2 * pi, 2 * pi, ""), ("cross_axis", -0.5, 0.5, ""),
        ("filter_order", 2, 4, ""), ("bits", 4, 24, ""),
        ("slot_start_s", 0.0, 0.1, ""), ("bit_time_s", 0.0, 1e-3, ""), ("jitter_s", 0.0, 0.1, ""),
        ("hold_limit_s", 0.0, 10.0, ""), ("sensitivity_tolerance", 0.0, 1 / 3, "high"),
        ("corner_tolerance", 0.0, 0.3, ""), ("quality_tolerance", 0.0, 0.3, ""),
        ("lost_frame_probability", 0.0, 1.0, "high"),
        # 10 bits in two's complement are -512 to +511.
        ("code_limit", 0, 511, ""),
        # What adds to a reading: at most the full scale, of 100 g.
        ("offset_tolerance", 0.0, 100 * G, ""), ("drift_tolerance", 0.0, 100 * G, ""),
        ("offset_temperature", 0.0, 100 * G, ""), ("noise_density", 0.0, 100 * G, ""),
        ("sensitivity_temperature", 0.0, 0.01, ""), ("misalignment_tolerance", 0.0, 0.2, ""),
        ("cross_axis_tolerance", 0.0, 0.5, ""), ("offset_cancellation_hz", 0.0, 100.0, ""),
    ],
)  # fmt: skip
def test_numbers_of_a_part(name: str, low: float, high: float, without: str) -> None:
    check(lambda **one: part(**one), name, low, high, without=without)


def test_numbers_of_a_part_that_depend_on_others() -> None:
    def bare(**values: float) -> Sensor:
        return part(filter_kind="none", **values)

    check(bare, "sample_rate_hz", 1.0, 1e6, without="")
    check(bare, "corner_hz", 1.0, 5e5, without="")
    check(bare, "stop", part().range, 1e8 * G, without="")
    assert bare(stop=inf).stop == inf  # no stop at all
    for kind, most in (("pressure", 1e9), ("roll_rate", 1e5 * pi / 180)):
        assert bare(kind=kind, range=most).range == most
        assert refused(lambda k=kind, **one: bare(kind=k, **one), "range", nextafter(most, inf))
    check(lambda **one: part(sample_rate_hz=1e4, **one), "corner_hz", 1.0, 5000.0, without="")
    for good in (481, 511, 512, -481, -512, 0):
        assert not refused(part, "failed_code", good)
    for bad in (480, 513, -480, -513, 1):
        assert refused(part, "failed_code", bad)


@pytest.mark.parametrize("bits", [4, 10, 24])
def test_payload_codes_fit_the_shortest_and_the_longest_word(bits: int) -> None:
    check(lambda **one: part(bits=bits, **one), "code_limit", 0, 2 ** (bits - 1) - 1, without="")


@pytest.mark.parametrize(
    ("kind", "name", "low", "high", "without"),
    [
        ("stuck_value", "from_s", -1000.0, 1000.0, ""),
        ("stuck_value", "code", -(2**23), 2**23, ""),
        ("offset_step", "step", -1e11, 1e11, ""), ("wrong_gain", "factor", -1000.0, 1000.0, ""),
        ("late_word", "words", 1, 1000, ""), ("noise_burst", "level", 0.0, 1e11, ""),
        ("noise_burst", "until_s", 0.0, 1000.0, "low"),
        ("lost_frames", "until_s", 0.0, 1000.0, "low"),
        ("loose_mounting", "resonance_hz", 0.0, 1e8, "low"),
        ("loose_mounting", "quality", 0.0, 1000.0, "low"),
        ("destroyed_at_crush", "crush_m", 0.0, 10.0, "low"),
        ("destroyed_at_crush", "closing_speed_m_s", 0.0, 200.0, "low"),
    ],
)  # fmt: skip
def test_numbers_of_a_fault(kind: str, name: str, low: float, high: float, without: str) -> None:
    check(lambda **one: replace(MADE[kind], **one), name, low, high, without=without)


@pytest.mark.parametrize("name", ["read_s", "task_s"])
def test_times_of_the_control_unit(name: str) -> None:
    check(ControlUnit, name, 0.0, 1.0, without="high")


def test_rates_and_temperatures_of_the_control_unit() -> None:
    assert ControlUnit(tick_rate_hz=1.0, internal_rate_hz=1.0).tick_rate_hz == 1.0
    assert ControlUnit(tick_rate_hz=1e5, internal_rate_hz=1e6).internal_rate_hz == 1e6
    for name, bad in (
        ("tick_rate_hz", nextafter(1.0, 0.0)),
        ("tick_rate_hz", nextafter(1e5, inf)),
        ("internal_rate_hz", nextafter(1.0, 0.0)),
        ("internal_rate_hz", nextafter(1e6, inf)),
    ):
        assert refused(ControlUnit, name, bad)
    check(ControlUnit, "fixed_c", -200.0, 500.0, without="")
    # From lowest to highest, 25 degC between them.
    for good in ((-200.0, 25.0), (25.0, 500.0), (25.0, 25.0)):
        assert ControlUnit(temperature_c=good).temperature_c == good
    for bad in (
        (nextafter(-200.0, -inf), 30.0),
        (20.0, nextafter(500.0, inf)),
        (nextafter(25.0, inf), 30.0),
        (20.0, nextafter(25.0, 0.0)),
    ):
        assert refused(ControlUnit, "temperature_c", bad)


@pytest.mark.parametrize(
    ("name", "low", "high", "without"),
    [
        ("thickness", 1e-7, 1e-3, ""), ("gap", 1e-7, 1e-4, ""), ("filled", 0.0, 1.0, "low"),
        ("film", 0.0, 1.0, "low"), ("density", 100.0, 30_000.0, ""), ("young", 1e9, 2e12, ""),
        ("young_per_k", -1e-2, 1e-2, ""), ("pressure", 1e-3, 1e7, ""),
        ("solid_quality", 1.0, 1e8, ""), ("drive", 0.0, 100.0, "low"),
        ("supply", 0.0, 100.0, "low"), ("gain", 0.0, 1e6, "low"),
        ("linear_within", 0.0, 0.2, "low"), ("package_quality", 0.0, 1e8, "low"),
        ("trim_left", 0.0, 1.0, ""), ("feedback", 0.0, 1e-6, "low"), ("parasitic", 0.0, 1e-6, ""),
        ("amplifier_noise", 0.0, 1e-3, ""), ("package_hz", 0.0, 1e8, ""),
        ("stop", 0.0, 2e-6, "high"), ("plate_length", 1e-6, 0.02, ""),
        ("plate_width", 1e-6, 0.02, ""),
        ("fingers", 1, 100_000, ""), ("overlap", 1e-6, 0.01, ""),
        ("gap_tolerance", 0.0, 1e-6 / 3, ""), ("thickness_tolerance", 0.0, 12.5e-6 / 3, ""),
        ("pressure_tolerance", 0.0, 1 / 6, ""), ("centre_tolerance", 0.0, 1e-6 / 3, ""),
        ("centre_per_k", -2e-8, 2e-8, ""), ("mass", 0.0, 0.02, ""), ("coupling", 0.0, 0.0, ""),
    ],
)  # fmt: skip
def test_numbers_of_an_element(name: str, low: float, high: float, without: str) -> None:
    if name.endswith("_tolerance"):  # three of them are half of the whole, but for rounding
        assert not refused(lambda **one: replace(STIFF, **one), name, high * (1 - 1e-9))
        assert refused(lambda **one: replace(STIFF, **one), name, high * (1 + 1e-9))
        high = inf
    check(lambda **one: replace(STIFF, **one), name, low, high, without=without)


def test_a_stiffness_outright() -> None:
    check(lambda **one: replace(BEAMS, **one), "stiffness", 0.0, 1e9, without="")


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("beams", 1, 1000), ("beam_length", 1e-7, 0.01), ("beam_width", 1e-7, 0.01)],
)
def test_numbers_of_beams(name: str, low: float, high: float) -> None:
    check(lambda **one: replace(BEAMS, **one), name, low, high, without="")


def test_three_sigma_of_beams_and_of_both_edges() -> None:
    """Both edges of a gap move, and both of a beam: 2 x 3 sigma, in a comb in both of them."""
    for one, name, most, field in (
        (BEAMS, "beam_tolerance", 5e-6 / 2 / 3, "beam_tolerance"),
        (BEAMS, "edge_tolerance", 2e-6 / 2 / 6, "gap_tolerance"),
        (replace(BEAMS, gap=9e-6), "edge_tolerance", 5e-6 / 2 / 6, "beam_tolerance"),
        (replace(PLATE, gap=2e-6), "edge_tolerance", 50e-6 / 2 / 6, "beam_tolerance"),
    ):
        replace(one, **{name: most * (1 - 1e-9)})
        with pytest.raises(InputError) as caught:
            replace(one, **{name: most * (1 + 1e-9)})
        assert [fault.field for fault in caught.value.faults] == [field]


def test_what_a_mass_or_a_stiffness_outright_makes_needless() -> None:
    """A comb with its mass needs no plate, a plate needs it for its electrode; neither beams."""
    given = {"plate_length": 0.0, "plate_width": 0.0, "mass": 1e-8}
    assert replace(STIFF, **given).mass == 1e-8
    for one, changes, missing in (
        (STIFF, given | {"mass": 0.0}, ["plate_length", "plate_width"]),
        (STIFF, {"mass": -1e-8}, ["mass"]),
        (STIFF, {"stiffness": -1.0}, ["stiffness"]),
        (STIFF, {"overlap": 0.0}, ["overlap"]),
        (STIFF, {"fingers": 0}, ["fingers"]),
        (replace(PLATE, mass=1e-8), {"plate_length": 0.0}, ["plate_length"]),
        (replace(PLATE, mass=1e-8), {"plate_width": 0.0}, ["plate_width"]),
        (STIFF, {"stiffness": 0.0}, ["beam_length", "beam_width"]),
    ):
        with pytest.raises(InputError) as caught:
            replace(one, **changes)
        assert [fault.field for fault in caught.value.faults] == missing
    with pytest.raises(InputError) as caught:
        Element(name="none", thickness=25e-6, mass=1e-8, stiffness=1e4, gap=2e-6, fingers=4,
                feedback=1e-13)  # fmt: skip
    assert [(fault.field, fault.value) for fault in caught.value.faults] == [("overlap", 0.0)]


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("range_m_s2", 0.1 * G, 1e5 * G), ("bandwidth_hz", 10.0, 1e5), ("quality", 0.1, 100.0),
        ("nonlinearity", 1e-5, 0.1),
    ],
)  # fmt: skip
def test_what_may_be_asked_of_a_design(name: str, low: float, high: float) -> None:
    def asked(**one: float) -> None:
        # A noise that is refused as well: nothing is designed.
        design_element(**{"range_m_s2": 500.0, "bandwidth_hz": 400.0, "noise_density": 0.0} | one)

    check(asked, name, low, high, without="")


def test_noise_that_may_be_asked_of_a_design() -> None:
    def asked(**one: float) -> None:
        design_element(**{"range_m_s2": 500.0, "bandwidth_hz": 0.0} | one)

    check(asked, "noise_density", 1e-9, 1e3, without="")


def test_length_of_a_word_and_size_of_any_number() -> None:
    for bits in (3, 25):
        with pytest.raises(InputError, match="4 to 24 bits"):
            Payload.of(bits)
    for sign in (-1, 1):
        for good, bad in ((1e-100, nextafter(1e-100, 0.0)), (1e15, nextafter(1e15, inf))):
            assert number_faults("here", "one", sign * good) == []
            assert len(number_faults("here", "one", sign * bad)) == 1
    assert number_faults("here", "one", 0.0) == []


def example(parameter: str, text: str) -> object:
    """The value of a fault's parameter in the example of its card."""
    if parameter in TEXT_PARAMETERS:
        return "central_y"
    return int(text) if parameter in WHOLE_PARAMETERS else float(text)


#: Objects whose numbers a user may state; the others of a fault are those of its example.
MADE: dict[str, Any] = {
    "part": part(),
    "pressure": part(kind="pressure", range=1e5),
    "control unit": ControlUnit(),
    "stiffness and mass outright": replace(STIFF, mass=1e-8),
    "beams": BEAMS,
    "plate": PLATE,
    **{
        kind: make_fault(kind, **{n: example(n, one.example) for n, one in card.items()})
        for kind, (_, card) in FAULT_CARDS.items()
    },
}


@pytest.mark.parametrize("name", MADE)
def test_a_number_that_nothing_has_is_refused_by_its_name(name: str) -> None:
    """Of every number of every object, found in its fields: also one that is not used there."""
    made = MADE[name]
    types = {item.name: item.type.removesuffix(" | None") for item in fields(made)}
    numbers = {number: of for number, of in types.items() if of in ("float", "int")}
    assert numbers
    for number, of in numbers.items():
        for value in (10**13, -(10**13)):  # in SI units: diamond has 1e12 Pa
            given = value if of == "int" else float(value)
            assert refused(lambda **one: replace(made, **one), number, given), (number, given)
