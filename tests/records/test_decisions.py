"""What a record's numbers decide, at the edge of each decision and by naive twins."""

from __future__ import annotations

from dataclasses import replace
from math import cos, nextafter, radians, sqrt
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from exchange_writer import WrittenChannel, WrittenVehicle, pulse_g, wall
from hypothesis import example, given, settings
from hypothesis import strategies as st
from records.header_parts import channel, record, vehicle
from rough_pulse import rough_g
from table_writer import columns, write

from crashsense.errors import InputError
from crashsense.event import RESTRAINTS
from crashsense.records import exchange, iso13499, quality, read_record, single
from crashsense.records.assumed import stage_1_assumed
from crashsense.records.choice import ranking
from crashsense.records.findings import Finding
from crashsense.records.front_sensors import against_cell
from crashsense.records.header import (
    BarrierInfo,
    Samples,
    TestInfo,
)
from crashsense.records.motion import (
    Direction,
    Judged,
    Motion,
    expected_velocity_change,
    is_fixed_obstacle,
    onset_by_energy,
    struck_from,
)
from crashsense.records.npz import load as load_npz
from crashsense.records.series import Series, samples_of
from crashsense.records.signal_checks import part_above_filter
from crashsense.records.stated import parse_comments
from crashsense.records.table import read_table
from crashsense.records.writing import write_iso13499
from crashsense.units import STANDARD_GRAVITY as G

STAGE_1 = "front_airbag_stage_1"
FRONTAL = Direction("frontal", "as stated")


# --- direction and motion ------------------------------------------------------------------------


@settings(max_examples=50)
@given(st.integers(-1080, 1080))
@example(45)
@example(-45)
@example(135)
@example(225)
@example(405)
def test_the_side_that_an_angle_points_to_by_its_vector(angle: int) -> None:
    """Within 45 degrees of the axis of the car it is the front or the rear."""
    found = struck_from(record(test=TestInfo(impact_angle_deg=float(angle))), 1).family
    along = cos(radians(angle))
    front, rear = along > sqrt(0.5) - 1e-9, along < -sqrt(0.5) + 1e-9
    assert found == ("frontal" if front else "rear" if rear else "side")


@pytest.mark.parametrize(
    ("code", "family"),
    [
        ("12F", "frontal"), ("12FDEW2", "frontal"), ("06BDEW1", "rear"), ("09LPEW1", "side"),
        ("03RPEW1", "side"), ("12", "side"), ("", "side"), ("00TXXX1", "side"),
    ],
)  # fmt: skip
def test_the_third_letter_of_a_damage_code_goes_before_the_angle(code: str, family: str) -> None:
    """Collision deformation classification, SAE J224: direction, then area (from memory)."""
    one = record(vehicles=(vehicle(damage_code=code),), test=TestInfo(impact_angle_deg=90.0))
    assert struck_from(one, 1).family == family


@pytest.mark.parametrize(
    ("configuration", "barrier", "speed", "others", "fixed"),
    [
        ("VTB", False, 50.0, 0, True), ("VTP", False, 50.0, 0, True), ("VTW", False, 0.0, 0, True),
        ("", True, 50.0, 0, True), ("", True, None, 0, True), ("", True, 0.0, 0, False),
        ("", False, 50.0, 0, False), ("ITV", True, 50.0, 0, False), ("VTV", True, 50.0, 0, False),
        ("VTB", True, 50.0, 1, False),
    ],
)  # fmt: skip
def test_what_is_a_fixed_obstacle(
    configuration: str, barrier: bool, speed: float | None, others: int, fixed: bool
) -> None:
    """Stated so; or a barrier of the header, unless the vehicle stood or a vehicle was struck."""
    one = record(
        vehicles=tuple(vehicle(1 + n, speed_kmh=speed) for n in range(1 + others)),
        barriers=(BarrierInfo("R", "LCB", 0.0),) if barrier else (),
        test=TestInfo(configuration=configuration),
    )
    assert is_fixed_obstacle(one, 1) == fixed
    # A fixed one counts as infinitely heavy, and what the vehicle drove is the closing speed.
    expected = expected_velocity_change(one, 1)
    assert (expected is not None) == (fixed and bool(speed))
    assert expected is None or expected.low_m_s == pytest.approx(50.0 / 3.6)


@pytest.mark.parametrize(("angle", "oblique"), [
    (0.0, False), (5.0, False), (5.1, True), (-5.1, True), (90.0, True), (175.0, False),
    (174.9, True), (180.0, False), (None, False),
])  # fmt: skip
def test_expected_velocity_change_by_momentum(angle: float | None, oblique: bool) -> None:
    """Both keep the common velocity, or separate at e times the closing speed."""
    two = record(
        vehicles=(vehicle(1, mass_kg=1200.0), vehicle(2, mass_kg=1800.0, speed_kmh=0.0)),
        test=TestInfo(closing_speed_kmh=54.0, impact_angle_deg=angle, configuration="VTV"),
    )
    found = expected_velocity_change(two, 1)
    assert found is not None
    common = 1200.0 * 15.0 / 3000.0
    # m1 u1 + m2 u2 = m1 v, u2 - u1 = e v
    after = np.linalg.solve([[1200.0, 1800.0], [-1.0, 1.0]], [1200.0 * 15.0, 0.4 * 15.0])
    assert (found.low_m_s, found.high_m_s) == pytest.approx((15.0 - common, 15.0 - after[0]))
    assert found.oblique == oblique


def naive_onset(judged: Judged) -> float:
    """As its text says, sample by sample."""
    rate, values = judged.rate_hz, judged.values
    width = max(2, round(0.001 * rate))
    first = values[: max(0, round(-judged.start_s * rate) // 2)]
    noise = first.std() if first.size >= width else 0.0
    limit = max(5.0 * noise, 0.3 * G)
    held = max(width, round(0.003 * rate))
    for at in range(values.size - width + 1):
        now, later = values[at : at + width], values[at + width : at + width + held]
        power = np.sum(later**2) / held  # what is past the end counts as rest
        if np.sqrt(np.mean(now**2)) >= limit and np.sqrt(power) >= limit:
            return judged.start_s + (at + width - 1) / rate
    return float("nan")


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    rate=st.sampled_from([500.0, 1000.0, 2000.0, 10_000.0]),
    before=st.integers(0, 40),
    noise_g=st.sampled_from([0.01, 0.2, 2.0]),
    level_g=st.sampled_from([0.2, 0.5, 4.0, 20.0]),
    size=st.integers(3, 150),
)
def test_onset_by_energy_is_that_of_the_naive_loop(
    seed: int, rate: float, before: int, noise_g: float, level_g: float, size: int
) -> None:
    source = np.random.default_rng(seed)
    values = noise_g * source.standard_normal(before + size)
    values[before + size // 3 :] += level_g * np.abs(source.standard_normal(size - size // 3))
    judged = Judged(values * G, rate, -before / rate, 0.0, ())
    want = naive_onset(judged)
    # Two whole windows are the least that is judged.
    if values.size < 2 * max(2, round(0.001 * rate)):
        want = float("nan")
    assert onset_by_energy(judged) == pytest.approx(want, abs=1e-9, nan_ok=True)


# --- before contact ------------------------------------------------------------------------------


def quiet(before: np.ndarray, *, start_s: float | None = None, **more: Any) -> Judged:
    """A channel of 1 kHz with these values before contact, then a body that moves."""
    times = (np.arange(before.size + 200) - before.size) / 1000.0 - 0.0005
    if start_s is not None:
        times = start_s + np.arange(200) / 1000.0
    values = np.concatenate([before, 50.0 * np.ones(times.size - before.size)])
    samples = Samples("f", times, values, "G")
    return quality.remove_offset(channel(), samples, **more)


#: Limits in a unit of size 1, so that levels are exact.
PLAIN = quality.OffsetLimits("u", 1.0, 1.0, 20.0, 1.0)


def test_three_samples_before_contact_give_an_offset_and_two_none() -> None:
    for count in (2, 3, 4):
        judged = quiet(np.full(count, 2.5), limits=PLAIN)
        assert judged.offset == (2.5 if count >= 3 else 0.0)
        assert (judged.values[-1] == 47.5) == (count >= 3)
        kept = quiet(np.full(count, 2.5), limits=PLAIN, keep=True)
        assert kept.offset == 0.0
        assert kept.values[-1] == 50.0


@pytest.mark.parametrize(
    ("start_s", "severity"), [(0.0, "warning"), (0.005, "warning"), (0.0051, "error")]
)
def test_a_record_that_begins_5_ms_late_has_lost_its_contact(start_s: float, severity: str) -> None:
    (found,) = quiet(np.empty(0), start_s=start_s, limits=PLAIN).findings
    assert found.severity == severity
    assert ("contact is missing" in found.note) == (severity == "error")


@pytest.mark.parametrize(
    ("offset", "noise", "severity", "lost"),
    [
        (1.0, 0.0, "info", False), (1.001, 0.0, "warning", False), (-1.001, 0.0, "warning", False),
        (20.0, 0.0, "warning", False), (20.001, 0.0, "error", False),
        (0.0, 1.0, "info", False), (0.0, 1.001, "warning", False),
        (0.0, 2.0, "warning", False), (0.0, 2.001, "warning", True),
    ],
)  # fmt: skip
def test_offset_and_noise_at_their_limits(
    offset: float, noise: float, severity: str, lost: bool
) -> None:
    (found,) = quiet(offset + noise * np.tile([1.0, -1.0], 10), limits=PLAIN).findings
    assert (found.severity, found.disqualifies) == (severity, lost)


def test_less_than_10_ms_of_quiet_is_said() -> None:
    assert len(quiet(np.zeros(9), limits=PLAIN).findings) == 2
    assert len(quiet(np.zeros(10), limits=PLAIN).findings) == 1


# --- time axis -----------------------------------------------------------------------------------


def integrity(times: np.ndarray, **header: Any) -> list[Finding]:
    samples = Samples("f", times, np.zeros(times.size), "G")
    return quality.integrity(record(), channel(**header), samples)


@pytest.mark.parametrize(
    ("steps_late", "severity"), [(0.0, None), (1.5, None), (2.0, "warning"), (-2.0, "warning"),
                                 (-1.5, None), (9.0, "error"), (8.0, "warning")],
)  # fmt: skip
def test_a_start_more_than_a_step_and_a_half_off_is_said(
    steps_late: float, severity: str | None
) -> None:
    step = 2.0**-13  # exact, 0.122 ms: more than 1 ms is no rounding
    times = (np.arange(600) - 100 + steps_late) * step
    found = integrity(times, first_point=-100, step_s=step)
    assert [one.severity for one in found] == ([severity] if severity else [])


def test_the_median_step_is_that_of_the_header_to_one_per_cent() -> None:
    times = (np.arange(300) - 50) * 1e-4
    assert integrity(times, step_s=1.009e-4) == []
    (found,) = integrity(times, step_s=1.012e-4)
    assert found.note == "time column and header disagree"
    for factor, word in ((1e3, "milliseconds"), (1e6, "microseconds")):
        (found,) = integrity(times * factor, step_s=1e-4)
        assert found.note == f"times look like {word}"


def told_of(path: Path) -> str:
    """Why a table cannot be read; empty if it can."""
    try:
        read_table(path)
    except InputError as error:
        return str(error)
    return ""


@pytest.mark.parametrize(("off_us", "even"), [(1.0, True), (1.3, False)])
@pytest.mark.parametrize("kind", ["table", "header"])
def test_rounding_to_six_decimals_is_even_and_more_is_not(
    tmp_path: Path, off_us: float, even: bool, kind: str
) -> None:
    """Two roundings of half a microsecond; at 100 kHz a twentieth of a step is less."""
    times = (np.arange(2501) - 500) / 1e5
    times[1200] += off_us * 1e-6
    if kind == "header":
        assert (integrity(times) == []) == even
        return
    table = {"time_s": times, "central_x_g": columns()["central_x_g"]}
    path = write(tmp_path / "t.csv", table, digits=9)
    assert ("evenly sampled times" not in told_of(path)) == even


def test_a_table_has_times_after_contact(tmp_path: Path) -> None:
    for last, told in ((0, True), (1, False)):
        times = (np.arange(2501) - 2500 + last) / 1e4
        table = {"time_s": times, "central_x_g": columns()["central_x_g"]}
        found = told_of(write(tmp_path / "t.csv", table))
        assert ("times before and after time zero" in found) == told


def test_times_of_a_numpy_archive_from_start_and_rate(tmp_path: Path) -> None:
    path = tmp_path / "a.npz"
    for rate in (np.array(2000.0), np.array([2000.0]), np.array([[2000.0]])):
        np.savez(path, central_x=np.zeros(50), rate_hz=rate, start_s=np.array([-0.01]))
        (series,) = load_npz(path).series
        np.testing.assert_allclose(series.times_s, -0.01 + np.arange(50) / 2000.0)
    for rate in (0.5, 2e7, np.nan, np.inf):
        np.savez(path, central_x=np.zeros(50), rate_hz=np.array(rate), start_s=np.array(0.0))
        with pytest.raises(InputError, match="1 Hz to 10 MHz"):
            load_npz(path)


# --- unit, level, content ------------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "scale"), [("g", G), ("G'S", G), ("m/s^2", 1.0), ("M/S**2", 1.0)])
def test_samples_come_in_si(unit: str, scale: float) -> None:
    series = [Series("10VEHCCG0000ACXA", unit, np.arange(4) / 1e3, np.arange(4.0))]
    found = samples_of(record(), channel(), series)
    np.testing.assert_allclose(found.values, scale * np.arange(4.0))
    np.testing.assert_allclose(found.times_s, np.arange(4) / 1e3)


@pytest.mark.parametrize(
    ("ratio", "unit", "told"),
    [
        (4.9, "G'S", "unit, scale or header is wrong"),
        (5.1, "G'S", "looks like m/s^2 given as g"),
        (19.9, "G'S", "looks like m/s^2 given as g"),
        (20.1, "G'S", "unit, scale or header is wrong"),
        (1 / 4.9, "M/S**2", "unit, scale or header is wrong"),
        (1 / 5.1, "M/S**2", "looks like g given as m/s^2"),
        (1 / 19.9, "M/S**2", "looks like g given as m/s^2"),
        (1 / 20.1, "M/S**2", "unit, scale or header is wrong"),
        (1.0, "G'S", ""),
    ],
)
def test_a_velocity_change_out_by_the_factor_of_g(ratio: float, unit: str, told: str) -> None:
    """A fixed wall at 50 km/h: 1 to 1.4 times the speed, 60 km/h in the middle."""
    test = record(
        vehicles=(vehicle(damage_code="12FDEW2"),),
        test=TestInfo(closing_speed_kmh=50.0, configuration="VTB"),
    )
    judged = Judged(pulse_g(-60.0 * ratio, offset_g=0.0) * G, 1e4, -0.05, 0.0, ())
    found = quality.plausibility(test, channel(unit=unit), judged, file="f")
    notes = [one.note for one in found if one.check in ("unit", "velocity change")]
    assert notes[0] == told


@pytest.mark.parametrize(("factor", "doubt"), [(0.35, False), (0.32, True), (1.95, False),
                                               (2.05, True)])  # fmt: skip
def test_a_velocity_change_far_from_the_header_is_an_error(factor: float, doubt: bool) -> None:
    """A third of the least that is expected, or twice the most."""
    test = record(
        vehicles=(vehicle(damage_code="12FDEW2"),),
        test=TestInfo(closing_speed_kmh=50.0, configuration="VTB"),
    )
    change = 50.0 * factor if factor < 1 else 70.0 * factor
    judged = Judged(pulse_g(-change, offset_g=0.0) * G, 1e4, -0.05, 0.0, ())
    (first, *_) = quality.plausibility(test, channel(), judged, file="f")
    assert (first.severity == "error") == doubt


@pytest.mark.parametrize(("peak_g", "told"), [(147.0, False), (153.0, True)])
def test_no_cell_peaks_above_150_g_in_class_60(peak_g: float, told: bool) -> None:
    judged = Judged(pulse_g(-50.0, offset_g=0.0, ringing_g=0.0) * G, 1e4, -0.05, 0.0, ())
    scale = peak_g / quality.motion(judged).peak_class_60_g
    judged = replace(judged, values=judged.values * scale)
    found = quality.plausibility(record(), channel(), judged, file="f")
    assert any("vehicle body" in one.expected for one in found) == told


@pytest.mark.parametrize(
    ("code", "change_kmh", "judged_so"),
    [("12FDEW2", -50.0, True), ("12FDEW2", -1.0, False), ("09LPEW2", -50.0, False)],
)
def test_time_zero_is_judged_where_a_vehicle_is_struck_along_x(
    code: str, change_kmh: float, judged_so: bool
) -> None:
    test = record(vehicles=(vehicle(damage_code=code),))
    judged = Judged(rough_g(change_kmh) * G, 1e4, -0.05, 0.0, ())
    found = quality.plausibility(test, channel(), judged, file="f")
    assert any("onset by energy" in one.field for one in found) == judged_so


def test_content_above_the_filter_needs_a_rate_that_holds_the_band() -> None:
    """From 250 Hz to at least 500 Hz below 0.45 of the rate."""
    for rate, told in ((1100.0, False), (1120.0, True)):
        values = rough_g(-50.0, rate_hz=rate) * G
        assert (part_above_filter(values, rate_hz=rate) is not None) == told
    # A tone of known size: rms over the peak of class 60, here of a pulse of 30 g.
    times = np.arange(-500, 1500) / 1e4
    pulse = -30.0 * np.where(np.abs(times - 0.05) < 0.05, np.cos((times - 0.05) * 10 * np.pi), 0.0)
    tone = 6.0 * np.sin(2 * np.pi * 500.0 * times)
    assert part_above_filter((pulse + tone) * G, rate_hz=1e4) == pytest.approx(
        6.0 / sqrt(2.0) / 30.0, rel=0.05
    )


@pytest.mark.parametrize("size", [1.0, 12.0])
@pytest.mark.parametrize(("share", "warned"), [(0.905, False), (0.895, True)])
def test_sides_of_a_cell_agree_within_a_tenth_of_the_larger(
    size: float, share: float, warned: bool
) -> None:
    motions = {
        number: Motion(change, 30.0, 0.05, 0.2, 0.1, 0.0)
        for number, change in ((1, -size), (2, -size * share))
    }
    (found,) = quality.compare_sides(record(), motions, vehicle=1)
    assert (found.severity == "warning") == warned
    still = {n: replace(m, velocity_change_m_s=0.0) for n, m in motions.items()}
    assert quality.compare_sides(record(), still, vehicle=1)[0].severity == "info"
    assert quality.compare_sides(record(), {1: motions[1]}, vehicle=1) == []


def constant(level_m_s: float) -> Judged:
    """A place that has changed its velocity by so much 30 ms after contact."""
    values = np.where(np.arange(1500) >= 500, level_m_s / 0.030, 0.0)
    return Judged(values, 1e4, -0.05, 0.0, ())


@pytest.mark.parametrize(
    ("cell", "front", "told"),
    [
        (-3.0, -1.6, ""), (-3.0, -1.4, "another unit"), (-3.0, -44.0, ""),
        (-3.0, -46.0, "given as g"), (-5.0, -59.0, ""), (-5.0, -61.0, "given as g"),
        (-3.0, 0.9, "another unit"), (-3.0, 1.1, "sign looks flipped"), (-0.9, 40.0, ""),
    ],
)  # fmt: skip
def test_a_front_sensor_beside_the_cell(cell: float, front: float, told: str) -> None:
    """Half to fifteen times the cell's velocity change at 30 ms, and 60 m/s at most (practice)."""
    found = against_cell(constant(front), constant(cell), file="f", where="w", cell_name="c")
    assert len(found) == bool(told)
    assert not told or told in found[0].note


# --- what is assumed, stated, chosen -------------------------------------------------------------


def test_stage_1_is_assumed_from_35_km_h_on_and_barred_below_8() -> None:
    for kmh, expectation in ((35.0, "fire"), (8.0, "open")):
        change = next(v for v in (kmh / 3.6, nextafter(kmh / 3.6, 99.0)) if v * 3.6 == kmh)
        less = nextafter(change, 0.0)
        while less * 3.6 == kmh:
            less = nextafter(less, 0.0)
        below = {"fire": "open", "open": "no_fire"}[expectation]
        for sign in (-1.0, 1.0):
            assert stage_1_assumed(FRONTAL, sign * change)[0] == expectation
            assert stage_1_assumed(FRONTAL, sign * less)[0] == below
    assert stage_1_assumed(Direction("rear", "x"), 20.0)[0] == "open"


def test_what_is_said_of_the_restraints_that_nothing_states(tmp_path: Path) -> None:
    def rest(stated: list[str], expect: str | None = None) -> list[str]:
        path = write(tmp_path / "t.csv", stated=["family: frontal", *stated])
        (event,) = read_record(path, expect=expect)
        return [one for one in event.metadata["assumptions"] if "all other restraints" in one]

    every = [f"{name}: no_fire" for name in RESTRAINTS]
    last = RESTRAINTS[-1]
    assert last != STAGE_1
    assert rest(every) == []
    assert rest(every[:-1], expect=f"{last}=no_fire") == []
    assert rest([line for line in every if not line.startswith(STAGE_1)]) == []
    (told,) = rest(every[:-1])
    assert told.startswith("all other restraints: open, assumed")
    (told,) = rest([], expect=f"{last}=no_fire")
    assert told.startswith("all other restraints: open, assumed")


@pytest.mark.parametrize(("value", "good"), [("0", False), ("-1", False), ("1e-9", True)])
@pytest.mark.parametrize("key", ["rate_hz", "closing_speed_kmh"])
def test_a_stated_number_is_above_zero(key: str, value: str, good: bool) -> None:
    stated, _, faults = parse_comments([(1, f"{key}: {value}")], file="f")
    assert [fault.expected for fault in faults] == ([] if good else ["a number above 0"])
    assert (getattr(stated, key) is not None) == good


@pytest.mark.parametrize("taken", [True, False])
@pytest.mark.parametrize("doubts", [(), ("offset: 30 g",)])
def test_a_doubtful_channel_that_is_passed_over_is_a_warning(
    taken: bool, doubts: tuple[str, ...]
) -> None:
    one = SimpleNamespace(
        info=channel(), place=SimpleNamespace(words="sill"), doubts=doubts, is_filtered=False,
        motion=None, order=(1,),
    )  # fmt: skip
    (found,) = ranking(record(), [one], {1} if taken else set())
    assert found.severity == ("warning" if doubts and not taken else "info")
    assert (found.value == "taken") == taken


def test_a_misspelt_name_in_a_manifest_is_compared_with_what_lies_beside(tmp_path: Path) -> None:
    write(tmp_path / "pulse_one.csv")
    (tmp_path / "records.toml").write_text('["pulse_on.csv"]\nfamily = "frontal"\n')
    with pytest.raises(InputError) as caught:
        read_record(tmp_path)
    assert "did you mean 'pulse_one.csv'" in str(caught.value)
    assert "records.toml'" not in str(caught.value)


# --- formats -------------------------------------------------------------------------------------


def test_a_header_is_recognised_by_its_sections() -> None:
    test, other = "----- TEST -----", "----- VEHICLE -----"
    assert exchange.recognises(f"{test}\nx\n{other}\n")
    assert exchange.recognises("# words\n----- EV5 -----\n")
    assert exchange.recognises(f"{test}\n{other}\n----- BARRIER -----\n")
    assert not exchange.recognises(f"{test}\n----- BARRIER -----\n")
    assert not exchange.recognises(f"{other}\n")


def test_words_may_stand_before_the_numbers_of_a_single_channel() -> None:
    rows = [f"{k / 1e3:.4f}\t{k:.2f}" for k in range(21)]
    for words, good in ((single._MOST_WORDS, True), (single._MOST_WORDS + 1, False)):
        text = "\n".join([*["some words"] * words, *rows])
        assert single.recognises(text) == good
    assert single.recognises("\n".join(rows[:20]))
    assert not single.recognises("\n".join(rows[:19]))


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("Full width rigid wall", "VTB"), ("ODB 40 %", "VTB"), ("frontal offset barrier", "VTB"),
        ("mobile barrier", ""), ("moving deformable barrier", ""), ("car-to-car", ""),
        ("frontal impact", ""), ("sled", ""),
    ],
)  # fmt: skip
def test_the_kind_of_a_test_says_whether_the_obstacle_is_fixed(kind: str, told: str) -> None:
    assert iso13499._configuration(kind, (vehicle(),)) == told
    assert iso13499._configuration(kind, (vehicle(1), vehicle(2))) == "VTV"


def test_what_is_written_says_whether_it_was_measured(tmp_path: Path) -> None:
    (measured,) = read_record(wall(50.0).write(tmp_path / "in"))
    made = replace(measured, name="made", metadata={**measured.metadata, "kind": "crash"})
    for event, source in ((made, "calculation"), (measured, "transducer")):
        path = tmp_path / event.name / f"{event.name}.mme"
        path.parent.mkdir()
        write_iso13499(event, path)
        heads = [p.read_text() for p in path.parent.rglob(f"{event.name}.[0-9][0-9][0-9]")]
        assert heads
        assert all(f"{'Data source':<28}:{source}\n" in head for head in heads)


def test_the_title_says_what_was_hit(tmp_path: Path) -> None:
    (event,) = read_record(wall(50.0).write(tmp_path / "a"))
    assert event.title.endswith("50.0 km/h against a fixed barrier")
    trolley = wall(50.0, configuration="ITV", barrier=False)
    (event,) = read_record(trolley.write(tmp_path / "b"))
    assert event.title.endswith("50.0 km/h against a moving obstacle")
    second = WrittenChannel(2, pulse_g(-25.0), "VEHICLE CG X", vehicle=2)
    two = wall(50.0, rebound=-0.4, configuration="VTV", barrier=False)
    two.channels.append(second)
    two.vehicles.append(WrittenVehicle(2, speed="0"))
    for event in read_record(two.write(tmp_path / "c")):
        assert event.title.endswith("against another vehicle")
