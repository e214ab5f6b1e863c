"""Every field of a header and of a statement reaches its place, with a number of its own."""

from __future__ import annotations

from datetime import date
from math import inf
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from exchange_writer import WrittenChannel, WrittenRecord, WrittenVehicle

from crashsense.errors import InputError
from crashsense.records import exchange, table
from crashsense.records.stated import Stated, parse_comments, parse_requirement
from crashsense.records.table import _rate


def test_each_field_of_a_header_by_a_number_of_its_own(tmp_path: Path) -> None:
    row = WrittenChannel(
        17, np.arange(40.0), "RIGHT FRONT SILL Y", vehicle=2, sensor="ac", occupant="02",
        attachment="silf", axis="yg", time_unit="MSEC", unit="M/S**2", prefilter="1650",
        rating="250", first=-12, last=27, step_us="50", status="cf", redundancy="R",
        times=np.arange(40) * 0.05 - 0.6,
    )  # fmt: skip
    plain = WrittenChannel(18, None, step_us="", rating="0", prefilter="NA")
    folder = WrittenRecord(
        [row, plain],
        vehicles=[
            WrittenVehicle(1, mass="1,234.5", speed="47.5", force_direction="30", damage="09lpew3"),
            WrittenVehicle(2, mass="0", speed="UNK", force_direction=""),
        ],
        closing_speed="52.5", impact_angle="285", configuration="vtv",
        occupants=("2|01|h3", "1||p6"), restraints=("2|01|1|3pt|BC|dp|BELT",),
    ).write(tmp_path)  # fmt: skip
    found = exchange.read_header(folder / "v00042.EV5")
    test = found.test
    assert (test.version, test.configuration, test.closing_speed_kmh) == ("V5", "VTV", 52.5)
    assert (test.impact_angle_deg, test.channels_stated) == (285.0, 2)
    one, two = found.vehicles
    assert (one.mass_kg, one.speed_kmh, one.crab_angle_deg) == (1234.5, 47.5, 0.0)
    assert (one.force_direction_deg, one.damage_code) == (30.0, "09LPEW3")
    assert (two.mass_kg, two.speed_kmh, two.force_direction_deg) == (None, None, None)
    (barrier,) = found.barriers
    assert (barrier.rigidity, barrier.shape, barrier.angle_deg) == ("R", "LCB", 0.0)
    assert [(o.vehicle, o.seat, o.kind) for o in found.occupants] == [(2, 1, "H3"), (1, None, "P6")]
    (belt,) = found.restraints
    assert (belt.vehicle, belt.seat, belt.kind, belt.deployment) == (2, 1, "3PT", "DP")
    channel, other = found.channels
    assert (channel.number, channel.vehicle, channel.sensor, channel.occupant) == (
        17,
        2,
        "AC",
        "02",
    )
    assert (channel.attachment, channel.axis, channel.time_unit) == ("SILF", "YG", "MSEC")
    assert (channel.unit, channel.prefilter_hz, channel.rating) == ("M/S**2", 1650.0, 250.0)
    assert (channel.first_point, channel.last_point, channel.points) == (-12, 27, 40)
    assert (channel.step_s, channel.status, channel.redundant) == (50e-6, "CF", True)
    assert channel.words == "RIGHT FRONT SILL Y"
    assert (other.step_s, other.rating, other.prefilter_hz, other.redundant) == (
        None, None, None, False,
    )  # fmt: skip
    assert set(found.files) == {17}
    samples = exchange.read_channel(found, channel)
    np.testing.assert_allclose(samples.values, np.arange(40.0))
    # Milliseconds, printed with six decimals.
    np.testing.assert_allclose(samples.times_s, (np.arange(40) * 0.05 - 0.6) / 1e3, atol=1e-9)


@pytest.mark.parametrize(
    ("line", "value"), [("0.001 1.5D+01", 15.0), ("0.001;-2,", -2.0), ("  1e-3\t7 ", 7.0)]
)
def test_rows_of_a_channel_file(tmp_path: Path, line: str, value: float) -> None:
    path = tmp_path / "v.001"
    path.write_text(f"# words\n\n{line}\n")
    times, values = exchange._two_columns(path)
    assert (times.tolist(), values.tolist()) == ([0.001], [value])


def test_a_requirement_in_parts_has_its_times_in_seconds() -> None:
    value = {
        "expectation": "fire", "required_time_ms": 18.5, "origin_ms": 2.5, "not_before_ms": 4.0,
        "basis": "agreed", "waiver": {"why": "w", "until": "2030-12-31", "by": "b",
                                      "on": "2026-01-02"},
    }  # fmt: skip
    found, faults = parse_requirement(value, file="f", field="front_airbag_stage_1")
    assert faults == []
    assert found is not None
    assert (found.required_s, found.origin_s, found.not_before_s) == pytest.approx(
        (0.0185, 0.0025, 0.004)
    )
    assert (found.expectation, found.basis, found.says_order) == ("fire", "agreed", False)
    waiver = found.waiver
    assert waiver is not None
    assert (waiver.until, waiver.on) == (date(2030, 12, 31), date(2026, 1, 2))
    # Times may lie before contact; those that are not stated are at contact.
    early, _ = parse_requirement("fire by -3 ms", file="f", field="x")
    assert early is not None
    assert (early.required_s, early.origin_s, early.not_before_s) == (-0.003, 0.0, 0.0)
    for bad in ({"expectation": "fire", "waiver": {"why": "w"}}, {"expectation": "fires"}, "soon"):
        none, faults = parse_requirement(bad, file="f", field="x")
        assert none is None
        assert len(faults) == 1


@pytest.mark.parametrize(
    ("text", "field", "value"),
    [
        ("belts: unbelted", "belted", False), ("belts: belted", "belted", True),
        ("belted: yes", "belted", True), ("belted: 0", "belted", False),
        ("driver_seat_occupied: no", "driver_seat_occupied", False),
        ("passenger_seat_occupied: TRUE", "passenger_seat_occupied", True),
        ("obstacle: fixed", "fixed_obstacle", True), ("obstacle: moving", "fixed_obstacle", False),
        ("rest_value_removed: yes", "rest_value_removed", True),
        ("quiet: side_left_y, side_right_y", "quiet", frozenset({"side_left_y", "side_right_y"})),
        ("rate_hz: 9600", "rate_hz", 9600.0), ("closing_speed_kmh: 50", "closing_speed_kmh", 50.0),
        ("family: side", "family", "side"), ("title: Run 7", "title", "Run 7"),
    ],
)  # fmt: skip
def test_each_statement_of_a_table(text: str, field: str, value: object) -> None:
    found, findings, faults = parse_comments([(3, text)], file="f")
    assert (findings, faults) == ([], [])
    assert getattr(found, field) == value
    plain = Stated()
    others = set(Stated.__dataclass_fields__) - {field}
    assert all(getattr(found, name) == getattr(plain, name) for name in others)
    _, _, twice = parse_comments([(3, text), (4, text)], file="f")
    assert [fault.expected for fault in twice] == ["a statement made once"]


@pytest.mark.parametrize(
    ("measured", "span", "stated", "rate"),
    [
        # 1.1 us at both ends of 0.25 s, or a fiftieth of a step: 8.8e-6.
        (10_000.05, 0.25, None, 10_000.0), (9_999.95, 0.25, None, 10_000.0),
        (10_000.2, 0.25, None, 10_000.2), (10_000.6, 0.01, None, 10_000.0),
        (12_345.6, 100.0, None, 12_345.6), (12_000.04, 0.25, None, 12_000.0),
        (12_345.02, 0.25, None, 12_345.0), (12_800.0, 0.25, None, 12_800.0),
        (10_000.05, 0.25, 10_000.1, 10_000.1), (10_000.05, 0.25, 10_001.0, 10_000.05),
        (0.4, inf, None, 0.4),
    ],
)  # fmt: skip
def test_the_rate_of_rounded_times_is_the_roundest_within_their_doubt(
    measured: float, span: float, stated: float | None, rate: float
) -> None:
    found, findings = _rate(measured, span, Stated(rate_hz=stated), file="f")
    assert found == rate
    assert bool(findings) == (stated is not None and found != stated)


def test_a_table_of_as_much_as_is_allowed_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Columns, comments, length of a line and number of values at their limits, and one more."""
    path = tmp_path / "t.csv"
    rows, wide = 120, 2
    whole = "# one\n# two\ntime_s,central_x_g\n" + "".join(
        f"{k * 1e-4 - 0.005:.4f},{0.001 * k:.3f}\n" for k in range(rows)
    )
    path.write_text(whole)
    longest = max(map(len, whole.splitlines(keepends=True)))
    for name, most, told in (
        ("_MOST_COLUMNS", wide, "at most 1 columns"),
        ("_MOST_COMMENTS", 2, "at most 1 comment lines"),
        ("MOST_VALUES", rows * wide, "at most 239 (119 rows of this table)"),
        ("LONGEST_LINE", longest, f"lines of at most {longest - 1} characters"),
    ):
        with monkeypatch.context() as patch:
            patch.setattr(table, name, most)
            assert table.read_table(path).columns["central_x"].size == rows
            patch.setattr(table, name, most - 1)
            with pytest.raises(InputError) as caught:
                table.read_table(path)
            assert told in str(caught.value)


def test_a_parquet_table_of_as_much_as_is_allowed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.parquet"
    columns = {"time_s": np.arange(120) * 1e-4 - 0.005, "central_x_g": np.zeros(120)}
    pq.write_table(pa.table(columns), path)
    monkeypatch.setattr(table, "MOST_VALUES", 240)
    assert table.read_table(path).rate_hz == 10_000.0
    monkeypatch.setattr(table, "MOST_VALUES", 239)
    with pytest.raises(InputError, match="at most 239"):
        table.read_table(path)
