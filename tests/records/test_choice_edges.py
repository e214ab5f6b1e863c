"""Which channel is best, which stands apart, which vehicle was struck: at every edge.

Channels here are bare motions of known size; the whole way from files is in test_ranking.
"""

from __future__ import annotations

from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crashsense.records import measuring, table_checks
from crashsense.records.choice import Candidate, agreement, another_vehicle, best_of, short_ones
from crashsense.records.findings import Finding
from crashsense.records.header import ChannelInfo, Record, TestInfo, VehicleInfo
from crashsense.records.locations import CENTRAL_PLACES, Place
from crashsense.records.motion import Direction, Judged, Motion
from crashsense.records.stated import Stated
from crashsense.records.table import Table

WORDS = {"sill": "SILL", "tunnel": "TUNNEL", "rear_seat_crossmember": "REAR SEAT CROSSMEMBER"}
BAD = Finding("warning", "offset", "f", "x", 30, "less", disqualifies=True)
FILTERED = Finding("warning", "filtered", "f", "x", 0, "more")


def info(number: int = 1, **values: Any) -> ChannelInfo:
    given = {
        "vehicle": 1, "sensor": "AC", "occupant": "", "attachment": "", "axis": "X",
        "time_unit": "SEC", "unit": "G'S", "prefilter_hz": None, "rating": None,
        "first_point": None, "last_point": None, "step_s": None, "status": "AM",
        "redundant": False, "words": "LEFT REAR SILL X",
    }  # fmt: skip
    return ChannelInfo(number, **given | values)


def record(*channels: ChannelInfo, **values: Any) -> Record:
    files = {c.number: Path(f"r.{c.number:03d}") for c in channels}
    return Record("r", Path("r.ev5"), "EV5", channels=channels, files=files, **values)


def braked(change_m_s: float, *, within_s: float = 0.1, axis_rate: float = 1000.0) -> Judged:
    """A velocity that changes evenly until a time."""
    values = np.zeros(400)
    values[50 : 50 + round(within_s * axis_rate) + 1] = change_m_s / within_s
    return Judged(values, axis_rate, -0.05, 0.0, ())


def candidate(
    number: int,
    place: str = "sill",
    *,
    side: str = "",
    end: str = "",
    findings: tuple[Finding, ...] = (),
    change: float = -10.0,
    redundant: bool = False,
    vehicle: int = 1,
) -> Candidate:
    return Candidate(
        info(number, redundant=redundant, vehicle=vehicle),
        Place(place, side, end, True, "", ""),
        "f",
        braked(change),
        Motion(change, 20.0, 0.06, 0.35, 0.1, 0.0),
        findings,
    )


def test_better_ones_come_first_whatever_their_order() -> None:
    """Sound, unfiltered, stiff place, primary, rear, low number: the first difference decides."""
    ranked = [
        candidate(9, "rear_seat_crossmember", end="rear"),
        candidate(8, "rear_seat_crossmember"),
        candidate(7, "rear_seat_crossmember", end="front"),
        candidate(6, "rear_seat_crossmember", end="rear", redundant=True),
        candidate(4, "sill"),
        candidate(5, "sill"),
        candidate(3, "tunnel"),
        candidate(2, "elsewhere"),
        candidate(1, "control_unit", findings=(FILTERED,)),
        candidate(0, "control_unit", findings=(BAD,)),
    ]
    for first, second in zip(ranked, ranked[1:], strict=False):
        for pair in permutations((first, second)):
            assert min(pair, key=lambda c: c.order) is first


@pytest.mark.parametrize(
    ("sides", "taken"),
    [
        (["left", "right"], ["left", "right"]),
        (["left", "centre"], ["left"]),
        (["centre", ""], ["centre"]),
        ([""], [""]),
        (["", "right"], ["right"]),
    ],
)
def test_one_channel_a_side_and_none_in_the_middle_beside_them(
    sides: list[str], taken: list[str]
) -> None:
    found = best_of([candidate(n, side=side) for n, side in enumerate(sides, start=1)])
    assert [choice.side for choice in found] == taken


def test_the_best_place_is_taken_and_no_doubtful_channel_while_there_is_a_sound_one() -> None:
    choices = best_of([
        candidate(1, "rear_seat_crossmember", side="left", findings=(BAD,)),
        candidate(2, "sill", side="left"),
        candidate(3, "sill", side="left"),
        candidate(4, "sill", side="right", findings=(FILTERED,)),
        candidate(5, "tunnel", side="right"),
    ])  # fmt: skip
    assert [(c.channel.number, c.side) for c in choices] == [(2, "left")]
    assert "sill" in choices[0].why
    assert f"(rank 4 of {len(CENTRAL_PLACES)})" in choices[0].why
    (only,) = best_of([candidate(1, findings=(BAD,))])
    assert only.channel.number == 1
    assert best_of([]) == []


def test_a_channel_that_stops_a_tenth_before_the_longest_is_short() -> None:
    channels = [
        info(number, last_point=last, step_s=1e-3, words="LEFT REAR SILL X")
        for number, last in ((1, 1000), (2, 901), (3, 899))
    ]
    assert short_ones(record(*channels, info(4))) == {3}
    assert short_ones(record(info(4))) == frozenset()


@pytest.mark.parametrize(("share", "apart"), [(0.76, False), (0.74, True), (1.24, False),
                                              (1.26, True)])  # fmt: skip
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_channels_of_a_cell_agree_within_a_quarter(share: float, apart: bool, sign: float) -> None:
    """Rms over 10 to 100 ms, over the largest value of the others: even braking scales both."""
    size = sign * 10.0
    times = np.arange(0.010, 0.1001, 0.005)
    # Velocities grow evenly to 10 m/s at 100 ms: rms of t / 100 ms in these places.
    shape = np.sqrt(np.mean((times / 0.1) ** 2))
    odd_change = size * (1.0 + (share - 1.0) / shape)
    three = [candidate(1, change=size), candidate(2, change=size), candidate(3, change=odd_change)]
    found = agreement(record(), three, vehicle=1)
    # For each of the two others the median of the rest lies halfway to the odd one.
    assert (3 in found) == apart
    if apart:
        assert found[3].disqualifies
        assert found[3].value.startswith("26%")


def test_of_two_channels_the_header_tells_which_is_wrong() -> None:
    """From 3/4 of the least that it lets expect to 5/4 of the most: 50 km/h, e of 0 to 0.4."""
    speed = 50.0 / 3.6
    wall = {
        "vehicles": (VehicleInfo(1, 1000.0, 50.0, None, None, "12FDEW2"),),
        "test": TestInfo(closing_speed_kmh=50.0, configuration="VTB"),
    }
    for change, odd in (
        (0.74 * speed, True), (0.76 * speed, False), (1.74 * speed, False), (1.76 * speed, True),
    ):  # fmt: skip
        other = 0.4 * speed if change < speed else 3.0 * speed
        two = [candidate(1, change=-change), candidate(2, change=-other)]
        found = agreement(record(**wall), two, vehicle=1)
        assert found[1].disqualifies == odd
        assert found[1].note == ("the odd one out" if odd else "one of them is wrong")
        unknown = agreement(record(), two, vehicle=1)
        assert not unknown[1].disqualifies


def test_nothing_is_compared_with_what_hardly_moves_or_is_not_sound() -> None:
    assert agreement(record(), [candidate(1)], vehicle=1) == {}
    for size, compared in ((0.29, False), (0.31, True)):
        two = [candidate(1, change=-9.0), candidate(2, change=-size)]
        assert (1 in agreement(record(), two, vehicle=1)) == compared
    doubtful = [candidate(1, change=-9.0), candidate(2, change=-2.0, findings=(BAD,))]
    assert set(agreement(record(), doubtful, vehicle=1)) == {2}


@pytest.mark.parametrize(("change", "told"), [(-5.49, True), (-5.51, False), (-4.51, True),
                                              (-4.49, False), (5.0, False)])  # fmt: skip
def test_an_odd_channel_that_moves_as_another_vehicle_does(change: float, told: bool) -> None:
    """Within a tenth of the median of that vehicle's channels."""
    channels = [info(1), *(info(n, vehicle=2) for n in (2, 3, 4)), info(5, vehicle=0)]
    moved = {1: change, 2: -5.0, 3: -4.0, 4: -7.0, 5: change}
    motions = {n: Motion(c, 20.0, 0.06, 0.35, 0.1, 0.0) for n, c in moved.items()}
    odd = {1: Finding("warning", "agreement", "f", "x", 1, "y")}
    found = another_vehicle(record(*channels), motions, odd=odd)
    assert len(found) == told
    assert not told or "as vehicle 2 does" in found[0].note


# --- two vehicles --------------------------------------------------------------------------------


def vehicles(*speeds: float | None) -> tuple[VehicleInfo, ...]:
    return tuple(
        VehicleInfo(number, 1000.0, speed, None, None, "")
        for number, speed in enumerate(speeds, start=1)
    )


@pytest.mark.parametrize("angle", [*range(-450, 451, 15), 60.1, 59.9, 120.1, 119.9])
def test_angles_within_30_degrees_of_a_right_one_tell_a_side_impact(angle: float) -> None:
    """By the angle between the two axes: their cosine is 1/2 at most."""
    two = record(vehicles=vehicles(50.0, 0.0), test=TestInfo(impact_angle_deg=float(angle)))
    found = measuring._struck_by_angle(two, [1, 2])
    assert bool(found) == (abs(np.cos(np.radians(angle))) <= 0.5 + 1e-9)
    assert set(found) <= {2}


@pytest.mark.parametrize(
    ("speeds", "silent", "struck"),
    [
        ((0.0, 50.0), [1, 2], 1), ((50.0, 0.0), [1, 2], 2), ((50.0, 40.0), [1, 2], 2),
        ((0.0, 0.0), [1, 2], 2), ((None, None), [1, 2], 2), ((0.0, 50.0), [2], None),
    ],
)  # fmt: skip
def test_the_one_that_stood_was_struck_else_the_second(
    speeds: tuple[float, float], silent: list[int], struck: int | None
) -> None:
    two = record(vehicles=vehicles(*speeds), test=TestInfo(impact_angle_deg=90.0))
    assert list(measuring._struck_by_angle(two, silent)) == ([] if struck is None else [struck])


@pytest.mark.parametrize(
    ("along", "across", "family"),
    [
        ((-8.0, 5.0), (0.0, 0.0), "rear"), ((-8.0, 1.4), (0.0, 0.0), ""),
        ((-1.4, 5.0), (0.0, 0.0), ""), ((-8.0, 1.6), (0.0, 0.0), "rear"),
        ((-1.6, 5.0), (0.0, 0.0), "rear"), ((-8.0, 0.0), (0.0, 1.6), "side"),
        ((-8.0, 0.0), (0.0, -1.6), "side"), ((-8.0, 0.0), (0.0, 1.4), ""),
        ((-8.0, -4.0), (0.0, 5.9), ""), ((-8.0, -4.0), (0.0, 6.1), "side"),
    ],
)  # fmt: skip
def test_channels_tell_from_where_a_vehicle_was_struck(
    along: tuple[float, float],
    across: tuple[float, float],
    family: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """1.5 m/s are sure; along y it is half as much again as along x."""
    moved = {"x": along, "y": across}
    monkeypatch.setattr(measuring, "_change", lambda _, number, axis: moved[axis][number - 1])
    found = measuring._struck_by_channels(record(vehicles=vehicles(None, None)))
    assert [v.struck_from for v in found.vehicles] == ["", family]
    known = record(vehicles=(*vehicles(None), VehicleInfo(2, 1.0, None, None, None, "12FDEW2")))
    assert measuring._struck_by_channels(known).vehicles[1].struck_from == ""


@pytest.mark.parametrize(("early", "late", "whole"), [
    (0.0, 0.0, True), (0.5, 0.5, True), (0.51, 0.0, False), (0.0, 0.51, False), (-3.0, -3.0, True),
])  # fmt: skip
def test_a_companion_covers_the_chosen_channel_but_for_half_a_sample(
    early: float, late: float, whole: bool
) -> None:
    """Half a sample of the slower one."""
    main = Judged(np.zeros(301), 1000.0, -0.05, 0.0, ())
    size = round((0.3 - (early + late) * 1e-3) * 1e5) + 1
    part = Judged(np.zeros(size), 1e5, -0.05 + early * 1e-3, 0.0, ())
    assert measuring.covers(part, main) == whole


def test_top_of_the_engine_before_its_bottom() -> None:
    top, low = info(9, words="ENGINE TOP X"), info(3, words="ENGINE BOTTOM X")
    assert measuring.engine_channel(record(low, top), 1) is top
    assert measuring.engine_channel(record(low), 1) is low
    assert measuring.engine_channel(record(info(1)), 1) is None


# --- columns of a table --------------------------------------------------------------------------


def table(**stated: Any) -> Table:
    return Table(Path("t.csv"), -0.05, 1000.0, {}, Stated(**stated), ())


@pytest.mark.parametrize(
    ("change", "closing", "told"),
    [
        (89.0, None, ""), (91.0, None, "a hard crash"), (149.0, None, "a hard crash"),
        (151.0, None, "given as g"), (138.0, 50.0, ""), (142.0, 50.0, "given as g"),
    ],
)  # fmt: skip
def test_a_velocity_change_that_no_crash_has(
    change: float, closing: float | None, told: str
) -> None:
    """150 km/h; 90 are asked about; or twice 1.4 times the closing speed that is stated."""
    judged = {"central_x": braked(-change / 3.6)}
    found = table_checks.unit_in_doubt(
        table(closing_speed_kmh=closing), judged, Direction("frontal", "stated")
    )
    assert len(found) == bool(told)
    assert not told or told in found[0].note
    assert not table_checks.unit_in_doubt(table(), judged, Direction("misuse", "stated"))


@pytest.mark.parametrize(
    ("along", "other", "told"),
    [(-5.0, 1.1, True), (-5.0, 0.9, False), (-0.9, 5.0, False), (-5.0, -5.0, False)],
)
def test_places_of_one_cell_do_not_move_apart(along: float, other: float, told: bool) -> None:
    judged = {"central_x": braked(along), "rear_seat_crossmember_x": braked(other)}
    found = table_checks.signs(table(), judged, Direction("frontal", "stated"), "central_x")
    assert [one.check for one in found] == (["polarity"] if told else [])


@pytest.mark.parametrize(("across", "told"), [(5.1, True), (4.9, False), (-5.1, True)])
def test_more_along_y_than_along_x_is_no_frontal_impact(across: float, told: bool) -> None:
    judged = {"central_x": braked(-5.0), "central_y": braked(across)}
    for stated, expected in (({}, told), ({"family": "frontal"}, False)):
        found = table_checks.signs(table(**stated), judged, Direction("frontal", "x"), "central_x")
        assert any(one.check == "family" for one in found) == expected
