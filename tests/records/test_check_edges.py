"""Checks of channels and columns at their limits, and what they say, by formulas of their own."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from exchange_writer import pulse_g
from records.header_parts import channel, record, vehicle
from rough_pulse import rough_g
from table_writer import TIMES, columns, impact_g, write

from crashsense.errors import InputError
from crashsense.filters.channel_class import channel_class_filter
from crashsense.occupant import FREE_TRAVEL_M
from crashsense.records import check_record, quality, read_record, signal_checks, table_checks
from crashsense.records.header import TestInfo
from crashsense.records.motion import Direction, Judged, Motion, motion, velocity_change
from crashsense.records.stated import Stated
from crashsense.units import STANDARD_GRAVITY as G

RATE = 1000.0


def moved(change_m_s: float, *, peak_g: float | None = None) -> Judged:
    """A channel of 1 kHz that changes its velocity by so much within 40 ms of contact."""
    values = np.zeros(400)
    values[51:91] = change_m_s / 0.040
    if peak_g is not None:
        # Up and down again: a peak in class 60 that leaves no velocity.
        values[300:310], values[310:320] = peak_g * G, -peak_g * G
    return Judged(values, RATE, -0.05, 0.0, ())


def table(*, family: str = "", requirements: Any = None, closing: float | None = None) -> Any:
    stated = Stated(family=family, closing_speed_kmh=closing)
    stated = replace(stated, requirements=requirements or {})
    return SimpleNamespace(path=Path("t.csv"), stated=stated, rate_hz=RATE)


# --- motion --------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [1000.0, 9876.0])
def test_ringing_is_what_class_60_leaves_within_100_ms_of_contact(rate: float) -> None:
    """Root mean square of samples from 0 to 100 ms, both ends counted, over the peak."""
    values = rough_g(-40.0, rate_hz=rate, start_s=-0.05, end_s=0.2) * G
    one = Judged(values, rate, round(-0.05 * rate) / rate, 0.0, ())
    times = one.start_s + np.arange(values.size) / rate
    smooth = channel_class_filter(values, rate_hz=rate, channel_class=60)
    inside = (times > -0.5 / rate) & (times < 0.1 + 0.5 / rate)
    rough = sqrt(float(np.mean((values - smooth)[inside] ** 2)))
    assert motion(one).ringing == pytest.approx(rough / np.abs(smooth[times > -1e-9]).max())


def test_velocity_counts_for_150_ms_after_contact() -> None:
    steady = Judged(np.full(400, 2.0), RATE, -0.05, 0.0, ())
    assert velocity_change(steady) == pytest.approx(2.0 * 0.150, rel=1e-12)
    # The largest on the way, whatever comes after it.
    back = np.where(np.arange(400) < 110, -3.0, 3.0)
    assert velocity_change(Judged(back, RATE, -0.05, 0.0, ())) == pytest.approx(-0.177)
    assert motion(steady).velocity_change_m_s == velocity_change(steady)


# --- a channel of a record -----------------------------------------------------------------------


@pytest.mark.parametrize(("change", "onset_ms", "late"), [
    (-6.9, 12.0, False), (-7.1, 12.0, True), (7.1, 12.0, True), (-7.1, 8.0, False),
])  # fmt: skip
def test_time_zero_is_early_from_7_m_s_and_9_ms_on(
    change: float, onset_ms: float, late: bool
) -> None:
    one = Judged(rough_g(-50.0, late_s=(onset_ms - 1.0) / 1e3) * G, 1e4, -0.05, 0.0, ())
    seen = Motion(change, 30.0, 0.05, 0.25, 0.1, 0.0)
    (found,) = signal_checks.contact("w", one, seen, file="f", fixed=True, struck=True)
    assert (found.severity == "warning") == late
    assert ("early" in found.note) == late


@pytest.mark.parametrize(
    ("closing", "factor", "severity"),
    # What the header confirms clears the unit of a high peak; what it doubts, or cannot tell, not.
    [(50.0, 1.2, "warning"), (50.0, 1.6, "error"), (50.0, 2.2, "error"), (None, 1.2, "error")],
)
def test_a_high_peak_is_an_error_unless_the_velocity_is_confirmed(
    closing: float | None, factor: float, severity: str
) -> None:
    test = record(
        vehicles=(vehicle(damage_code="12FDEW2", speed_kmh=None),),
        test=TestInfo(closing_speed_kmh=closing, configuration="VTB"),
    )
    values = pulse_g(-50.0 * factor, duration_s=0.012, offset_g=0.0, ringing_g=0.0) * G
    one = Judged(values, 1e4, -0.05, 0.0, ())
    assert motion(one).peak_class_60_g > quality.BODY_PEAK_LIMIT_G
    found = quality.plausibility(test, channel(), one, file="f")
    (peak,) = [f for f in found if "vehicle body" in f.expected]
    assert peak.severity == severity


@pytest.mark.parametrize(
    ("code", "sign", "words"),
    [("12FDEW2", 1.0, "a negative longitudinal velocity change when struck from the front"),
     ("06BDEW2", -1.0, "a positive longitudinal velocity change when struck from behind")],
)  # fmt: skip
def test_a_flipped_sign_says_which_one_is_right(code: str, sign: float, words: str) -> None:
    test = record(vehicles=(vehicle(damage_code=code),))
    for turn in (1.0, -1.0):
        one = Judged(turn * sign * np.abs(rough_g(-30.0)) * G, 1e4, -0.05, 0.0, ())
        found = quality.plausibility(test, channel(), one, file="f")
        told = [f for f in found if f.check == "polarity"]
        assert len(told) == (turn > 0)
        assert not told or told[0].expected.startswith(words)


# --- columns of a table --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("least", "largest", "flipped"),
    # Below -1 kPa, and twice what it is above zero: a cavity that is opened.
    [(-1.1, 0.5, True), (-0.9, 0.1, False), (-4.0, 2.1, False), (-4.0, 1.9, True)],
)
@pytest.mark.parametrize("side", ["left", "right"])
def test_a_door_cavity_is_compressed(
    least: float, largest: float, flipped: bool, side: str
) -> None:
    values = 1e3 * np.array([0.0, largest, least, 0.0])
    judged = {f"door_{side}_pressure": Judged(values, RATE, 0.0, 0.0, ())}
    for family in ("side", "frontal"):
        found = table_checks.signs(table(family=family), judged, Direction(family, ""), None)
        assert len(found) == (flipped and family == "side")


@pytest.mark.parametrize(
    ("along", "across", "told"),
    [(1.0, 1.9, False), (1.0, 2.1, True), (5.0, 4.9, False), (5.0, -5.1, True)],
)
def test_axes_are_swapped_where_more_than_2_m_s_and_than_along_x_is_felt(
    along: float, across: float, told: bool
) -> None:
    for name in ("central_y", "central_z"):
        judged = {"central_x": moved(-along), name: moved(across)}
        for family, stated in (
            ("frontal", True),
            ("rear", True),
            ("side", True),
            ("frontal", False),
        ):
            found = table_checks.swapped_axes(
                table(family=family if stated else ""), judged, Direction(family, ""), "central_x"
            )
            assert len(found) == (told and stated and family != "side")


@pytest.mark.parametrize(
    ("central", "other", "told"),
    [(-1.1, 1.1, True), (-0.9, 5.0, False), (-5.0, 0.9, False), (-5.0, -5.0, False)],
)
@pytest.mark.parametrize(
    ("one", "two"),
    [("central_x", "rear_seat_crossmember_x"), ("central_x", "central_safing_x"),
     ("central_y", "central_safing_y")],
)  # fmt: skip
def test_one_cell_moves_one_way(
    one: str, two: str, central: float, other: float, told: bool
) -> None:
    """From 1 m/s on: less tells no sign."""
    judged = {one: moved(central), two: moved(other)}
    if one != "central_x":
        judged["central_x"] = moved(9.0)  # along x: no question of the side
    found = table_checks.signs(table(family="side"), judged, Direction("side", ""), "central_x")
    assert [f.severity for f in found] == ["error"] * told


@pytest.mark.parametrize(
    ("along", "across", "told"), [(0.5, 0.9, False), (0.5, 1.1, True), (3.0, -2.9, False),
                                  (3.0, -3.1, True)],
)  # fmt: skip
def test_a_table_without_a_family_is_asked_about_a_side_impact(
    along: float, across: float, told: bool
) -> None:
    judged = {"central_x": moved(-along), "central_y": moved(across)}
    for family in ("", "frontal"):
        found = table_checks.signs(
            table(family=family), judged, Direction("frontal", ""), "central_x"
        )
        assert len(found) == (told and not family)


@pytest.mark.parametrize(("required", "struck"), [("left", "left"), ("right", "right"), ("", "")])
@pytest.mark.parametrize("change", [-1.1, -0.9, 0.9, 1.1])
def test_a_struck_car_is_pushed_away(required: str, struck: str, change: float) -> None:
    """By what must fire; else by the side sensor that feels more than twice the other."""
    wanted = {f"side_airbag_{required}": SimpleNamespace(expectation="fire")} if required else {}
    away = 1.0 if struck == "left" else -1.0
    peaks = {"": (1.0, 1.9)}
    if not required:
        peaks |= {"left": (2.1, 1.0), "right": (1.0, 2.1)}
    for felt, (left, right) in peaks.items():
        judged = {
            "central_y": moved(change),
            "side_left_y": moved(left),
            "side_right_y": moved(right),
        }
        side = struck or felt
        away = 1.0 if side == "left" else -1.0
        stated = table(family="side", requirements=wanted)
        found = table_checks.signs(stated, judged, Direction("side", ""), None)
        assert len(found) == (bool(side) and abs(change) > 1.0 and change * away < 0)


@pytest.mark.parametrize(
    ("closing", "change_kmh", "peak_g", "severity"),
    [
        (None, 149.0, None, "warning"), (None, 151.0, None, "error"), (None, 89.0, None, ""),
        (None, 91.0, None, "warning"), (None, 89.0, 300.0, "error"), (None, 89.0, 100.0, ""),
        # Twice (1 + 0.4) times 50 km/h.
        (50.0, 139.0, None, ""), (50.0, 141.0, None, "error"), (50.0, 50.0, 300.0, "error"),
    ],
)  # fmt: skip
def test_a_column_in_another_unit(
    closing: float | None, change_kmh: float, peak_g: float | None, severity: str
) -> None:
    for name in ("central_x", "central_y", "rear_seat_crossmember_x", "central_safing_x"):
        judged = {name: moved(-change_kmh / 3.6, peak_g=peak_g)}
        for family in ("frontal", "side", "rear", "misuse"):
            found = table_checks.unit_in_doubt(
                table(closing=closing), judged, Direction(family, "")
            )
            wanted = [severity] if severity and family != "misuse" else []
            assert [f.severity for f in found] == wanted


def test_sides_of_a_side_impact() -> None:
    """1 m/s tells a sign, 60 m/s another unit; the struck side feels half of the other or more."""
    for struck in ("left", "right"):
        away = 1.0 if struck == "left" else -1.0
        other = {"left": "right", "right": "left"}[struck]
        wanted = {f"side_airbag_{struck}": SimpleNamespace(expectation="fire")}
        stated, side = table(family="side", requirements=wanted), Direction("side", "")
        for mine, theirs, told in (
            (1.5, 2.9, ""), (1.5, 3.1, "exchanged"), (-0.9, 1.0, ""), (-1.1, 1.0, "flipped"),
            (59.0, 1.0, ""), (61.0, 1.0, "given as g"), (2.0, -2.0, ""),
        ):  # fmt: skip
            judged = {
                f"side_{struck}_y": moved(away * mine),
                f"side_{other}_y": moved(away * theirs),
            }
            found = table_checks.side_sensors(stated, judged, side)
            assert [told in f.note for f in found] == [True] * bool(told), (mine, theirs)
            assert table_checks.side_sensors(stated, judged, Direction("frontal", "")) == []


@pytest.mark.parametrize(
    ("family", "rate_hz", "severity"),
    [
        ("rough_road", 2000.0, ""), ("rough_road", 1999.0, "warning"), ("rollover", 999.0, "error"),
        ("misuse", 8000.0, ""), ("misuse", 2000.0, "info"), ("misuse", 1999.0, "warning"),
        ("frontal", 8000.0, ""), ("frontal", 7999.0, "warning"), ("side", 2000.0, "warning"),
        ("frontal", 1000.0, "warning"), ("frontal", 999.0, "error"),
    ],
)  # fmt: skip
def test_rates_that_a_kind_of_event_wants(family: str, rate_hz: float, severity: str) -> None:
    one = SimpleNamespace(path=Path("t.csv"), rate_hz=rate_hz)
    found = table_checks.rate(one, Direction(family, ""))
    assert [f.severity for f in found] == [severity] * bool(severity)


# --- what a table's event carries ----------------------------------------------------------------


def test_figures_of_a_table_are_those_of_its_column(tmp_path: Path) -> None:
    """Inflation takes 30 ms; a haversine's travel and velocity are integrals of its formula."""
    (event,) = read_record(write(tmp_path / "t.csv", stated=["family: frontal"]))
    told = event.metadata
    assert told["velocity_change_kmh"] == pytest.approx(-50.0, rel=0.01)
    fine = np.arange(0.0, 0.2, 1e-6)
    pulse = np.interp(fine, TIMES, impact_g()) * G
    travel = np.cumsum(np.cumsum(-pulse) * 1e-6) * 1e-6
    flight_ms = 1e3 * fine[np.argmax(travel >= FREE_TRAVEL_M)]
    assert told["free_flight_ms"] == pytest.approx(flight_ms, abs=0.05)
    assert told["required_ms"] == pytest.approx(flight_ms - 30.0, abs=0.05)
    required = event.requirements["front_airbag_stage_1"].required_s
    assert required == pytest.approx(told["required_ms"] / 1e3)
    assert told["free_travel_mm"] == pytest.approx(1e3 * FREE_TRAVEL_M)


def test_warnings_of_a_table_are_spoken_and_what_is_normal_is_not(tmp_path: Path) -> None:
    path = write(tmp_path / "t.csv", {"time_s": TIMES, "rear_seat_crossmember_x_g": impact_g()})
    (event,) = read_record(path)
    spoken = event.metadata["assumptions"]
    found = check_record(path)
    warned = {str(f) for f in found if f.severity == "warning"}
    normal = {str(f) for f in found if f.severity == "info"}
    assert warned
    assert normal
    assert warned <= set(spoken)
    assert not normal & set(spoken)


def test_a_bad_cell_of_the_first_column_hides_no_other_fault(tmp_path: Path) -> None:
    table = columns()
    times = np.array(table["time_s"])
    times[300] = times[298]
    path = write(tmp_path / "t.csv", {"central_x_g": table["central_x_g"], "time_s": times})
    lines = path.read_text().splitlines()
    lines[100] = "x," + lines[100].split(",")[1]
    path.write_text("\n".join(lines))
    with pytest.raises(InputError) as caught:
        read_record(path)
    told = str(caught.value)
    assert "line 101: column central_x_g" in told
    assert "line 302: column time_s" in told


@pytest.mark.parametrize("at", [1, 2499, 2500])
def test_a_row_of_parquet_is_named_by_its_number(tmp_path: Path, at: int) -> None:
    """The first row is row 1."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    times = TIMES.copy()
    times[at] = times[at - 1]
    path = tmp_path / "t.parquet"
    pq.write_table(pa.table({"time_s": times, "central_x_g": impact_g()}), path)
    with pytest.raises(InputError, match=f"row {at + 1}: column time_s"):
        read_record(path)
