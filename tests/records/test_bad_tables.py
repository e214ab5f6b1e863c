"""Bad tables: one line a fault, naming file, column or line, value and what was expected."""

from __future__ import annotations

import json

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from table_writer import TIMES, columns, impact_g, write

from crashsense.errors import InputError
from crashsense.records import check_record, read_record, table

GOOD = impact_g()


def refused(path, **wishes) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_record(path, **wishes)
    lines = str(caught.value).splitlines()
    assert lines
    assert len(lines) == len(caught.value.faults)
    assert all(line.startswith(path.name) and "expected" in line for line in lines)
    return lines


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("centrl_x_g", "(did you mean 'central_x_g'?)"),
        ("central_x", "expected 'central_x_g': the unit at the end"),
        ("door_left_pressure", "expected 'door_left_pressure_kpa': the unit at the end"),
        ("central_x_m_s2", "expected 'central_x_g': values in g; divide by 9.80665"),
        ("central_roll_rate_rad_s", "expected 'central_roll_rate_deg_s': values in deg_s; mult"),
        ("door_left_pressure_bar", "expected 'door_left_pressure_kpa': values in kpa; multiply"),
        ("central_x_furlong", "expected 'central_x_g': values in g"),
        ("Central_X_g", "expected 'central_x_g', in small letters"),
        ("", "expected a name (a separator at the end of the line?)"),
        ("time", "expected one time column, time_s"),
    ],
)
def test_column_that_is_not_known(tmp_path, name, expected):
    (line,) = refused(write(tmp_path / "a.csv", {**columns(), name: GOOD}))
    assert line.startswith(f"a.csv: line 1: column 3: got {name!r}; ")
    assert expected in line


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("time", "column 1: got 'time'; expected 'time_s', in seconds from time zero"),
        ("time_ms", "column 1: got 'time_ms'; expected 'time_s', in seconds from time zero (div"),
        ("central_y_g", "columns: got 'central_y_g, central_x_g'; expected time_s first"),
    ],
)
def test_time_column_that_is_not_there(tmp_path, name, expected):
    (line,) = refused(write(tmp_path / "a.csv", {name: TIMES, "central_x_g": GOOD}))
    assert f"a.csv: line 1: {expected}" in line


def test_time_alone_and_a_column_twice(tmp_path):
    (line,) = refused(write(tmp_path / "a.csv", {"time_s": TIMES}))
    assert "columns: got 'time_s'; expected one column a signal: central_x_g" in line
    text = write(tmp_path / "b.csv", {**columns(), "central_y_g": GOOD}).read_text()
    (tmp_path / "b.csv").write_text(text.replace("central_y_g", "central_x_g"))
    (line,) = refused(tmp_path / "b.csv")
    assert "line 1: column 3: got 'central_x_g'; expected each column once" in line


def edited(path, changes: dict[int, str]):
    """The good table with other lines in places (counted from 1)."""
    lines = write(path).read_text().splitlines()
    for number, line in changes.items():
        lines[number - 1] = line
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("n/a", "column central_x_g: got 'n/a'; expected a finite number"),
        ("", "column central_x_g: got ''; expected a finite number"),
        ("nan", "column central_x_g: got 'nan'; expected a finite number"),
        ("-inf", "column central_x_g: got '-inf'; expected a finite number"),
        ("1_0", "column central_x_g: got '1_0'; expected a finite number"),
        ('"-1,5"', "column central_x_g: got '-1,5'; expected a point as decimal sign"),
        ("-1,5", "got '3 cells'; expected 2, one a column (a decimal comma? write a point)"),
        ("1.0,", "got '3 cells'; expected 2, one a column (a separator at the end of the line?)"),
    ],
)
def test_cell_that_is_no_number(tmp_path, cell, expected):
    (line,) = refused(edited(tmp_path / "a.csv", {701: f"0.0199,{cell}"}))
    assert line == f"a.csv: line 701: {expected}"


def test_many_bad_cells_are_one_line_a_column(tmp_path):
    path = edited(
        tmp_path / "a.csv", {701: "0.02,n/a", 702: "0.0201,", 900: "soon,0.0", 2500: "x,y"}
    )
    lines = refused(path)
    assert [line.split("; ")[0] for line in lines] == [
        "a.csv: line 701: column central_x_g: got 'n/a'",
        "a.csv: line 900: column time_s: got 'soon'",
    ]
    assert lines[0].endswith("(3 such places)")


def test_lines_are_counted_with_comments_and_blank_lines(tmp_path):
    path = write(tmp_path / "a.csv", stated=["family: frontal"])
    lines = path.read_text().splitlines()
    lines[600:601] = ["", "# a pause", "0.0098,later"]
    path.write_text("\n".join(lines))
    (line,) = refused(path)
    assert line.startswith("a.csv: line 603: column central_x_g: got 'later'")


def test_decimal_comma(tmp_path):
    lines = refused(write(tmp_path / "a.csv", separator=";", decimal=","))
    assert len(lines) == 2
    assert all("expected a point as decimal sign (2501 such places)" in line for line in lines)
    (line,) = refused(write(tmp_path / "b.csv", decimal=","))
    assert "line 2: got '4 cells'; expected 2, one a column (a decimal comma? write a" in line


def with_times(path, times, **wishes):
    return write(path, {"time_s": times, "central_x_g": GOOD[: len(times)]}, **wishes)


def test_times_in_milliseconds_and_microseconds(tmp_path):
    (line,) = refused(with_times(tmp_path / "a.csv", TIMES * 1e3))
    assert "column time_s: got 'steps of 0.1 s'; expected a step below 0.005 s" in line
    assert "times look like milliseconds" in line
    (line,) = refused(with_times(tmp_path / "b.csv", TIMES * 1e6))
    assert "times look like microseconds" in line
    (line,) = refused(with_times(tmp_path / "c.csv", TIMES * 100))
    assert "times look like milliseconds, or the rate is too low" in line


@pytest.mark.parametrize("value", [1e101, 1e308])
@pytest.mark.parametrize("at", [0, 200, -1])
def test_a_time_that_no_record_can_have(tmp_path, at, value):
    times = TIMES.copy()
    times[at] = -value if at == 0 else value
    (line,) = refused(write(tmp_path / "a.csv", {**columns(), "time_s": times}))
    assert f"column time_s: got '{times[at]:g} s'; expected times of a record" in line


def test_times_that_are_uneven(tmp_path):
    times = TIMES.copy()
    times[1200:] += 3e-4
    (line,) = refused(with_times(tmp_path / "a.csv", times))
    assert "line 1202: column time_s: got '0.0004 s among steps of 0.0001 s'" in line
    assert "within 0.005 ms of a grid (up to 0.15 ms off)" in line
    times = TIMES.copy()
    times[[1200, 1201]] = times[[1201, 1200]]
    (line,) = refused(with_times(tmp_path / "b.csv", times))
    assert "line 1203: column time_s: got '0.07 s after 0.0701 s'; expected increasing" in line
    (line,) = refused(with_times(tmp_path / "c.csv", TIMES / 2, digits=4))
    assert "times printed with too few decimals?" in line


def test_times_within_the_tolerance_are_even(tmp_path):
    jitter = 4e-6 * np.random.default_rng(1).uniform(-1, 1, TIMES.size)
    (event,) = read_record(with_times(tmp_path / "a.csv", TIMES + jitter, digits=9))
    assert event.signals["central_x"].rate_hz == 10000.0


def test_stated_rate_that_is_not_that_of_the_times(tmp_path):
    path = write(tmp_path / "a.csv", stated=["rate_hz: 5000"])
    (warned,) = [f for f in check_record(path) if f.severity == "warning"]
    assert "rate_hz: got '5000'; expected the rate of the time column, 10000 Hz" in str(warned)


def test_rows_that_are_too_few(tmp_path):
    (line,) = refused(with_times(tmp_path / "a.csv", TIMES[:60]))
    assert "rows: got 60; expected 100 rows or more" in line
    (tmp_path / "b.csv").write_text("time_s,central_x_g\n")
    (line,) = refused(tmp_path / "b.csv")
    assert "rows: got 0; expected 100 rows or more below the names" in line
    (tmp_path / "c.csv").write_text('# {"schema": 1, "rate_hz": 1}\n')
    (line,) = refused(tmp_path / "c.csv")
    assert "content: got 'comments alone'; expected a line of names" in line


def part(path, first: int, last: int | None = None, step: int = 1):
    rows = slice(first, last, step)
    return write(path, {"time_s": TIMES[rows], "central_x_g": GOOD[rows]})


def test_quiet_before_contact_is_judged_as_in_other_records(tmp_path):
    (line,) = refused(part(tmp_path / "late.csv", 600))
    assert "'the record starts at 10.0 ms'" in line
    assert "the contact is missing" in line
    for name, first, told in (
        ("none.csv", 500, "0 samples before contact"),
        ("little.csv", 440, "5.0 ms"),
    ):
        (warned,) = [
            f for f in check_record(part(tmp_path / name, first)) if f.severity == "warning"
        ]
        assert (warned.check, warned.value) == ("offset", told)
    (line,) = refused(part(tmp_path / "before.csv", 0, 400))
    assert "ends at -0.0101 s'; expected times before and after time zero" in line


def test_rates_that_are_too_low(tmp_path):
    (line,) = refused(part(tmp_path / "a.csv", 0, step=20))
    assert "time_s: rate: got '500 Hz'; expected 8000 Hz or more" in line
    path = part(tmp_path / "b.csv", 0, step=5)
    assert [f.severity for f in check_record(path) if f.check == "rate"] == ["warning"]
    for family, told in (("rough_road", []), ("misuse", ["info"]), ("side", ["warning"])):
        stated = path.with_name(f"{family}.csv")
        stated.write_text(f"# family: {family}\n{path.read_text()}")
        assert [f.severity for f in check_record(stated) if f.check == "rate"] == told


@pytest.mark.parametrize("stated", [[], ["family: frontal"]])
def test_frontal_impact_that_reads_positive(tmp_path, stated):
    (line,) = refused(write(tmp_path / "a.csv", columns(+50.0), stated=stated))
    assert "column central_x_g: velocity change: got '+50.0 km/h'; expected a negative" in line
    assert "sign looks flipped" in line
    assert read_record(write(tmp_path / "b.csv", columns(+50.0), stated=["family: rear"]))


@pytest.mark.parametrize("name", ["central_safing_x_g", "rear_seat_crossmember_x_g"])
def test_columns_of_one_cell_that_move_apart(tmp_path, name):
    (line,) = refused(write(tmp_path / "a.csv", {**columns(), name: -GOOD}))
    assert f"column {name}: got '+50.0 km/h'; expected the sign of central_x_g (-50.0" in line


def warnings(path) -> list[str]:
    return [str(f) for f in check_record(path) if f.severity == "warning"]


def test_side_impact_with_a_flipped_sign(tmp_path):
    table_ = {"time_s": TIMES, "central_y_g": impact_g(-20.0), "door_left_pressure_kpa": -GOOD}
    stated = ["family: side", "side_airbag_left: fire by 8 ms"]
    (line,) = warnings(write(tmp_path / "a.csv", table_, stated=stated))
    assert "column central_y_g: got '-20.0 km/h'; expected a car struck on its left to be" in line
    # Without a requirement, the side sensor that feels more tells the side.
    table_["side_left_y_g"], table_["side_right_y_g"] = 3 * GOOD, GOOD
    (line,) = warnings(write(tmp_path / "b.csv", table_, stated=["family: side"]))
    assert "struck on its left" in line
    table_ = {"time_s": TIMES, "central_y_g": impact_g(20.0), "door_left_pressure_kpa": GOOD}
    (line,) = warnings(write(tmp_path / "c.csv", table_, stated=stated))
    assert "column door_left_pressure_kpa" in line
    assert "a door cavity that is compressed" in line


def test_side_impact_that_is_not_said_to_be_one(tmp_path):
    table_ = {**columns(-4.0), "central_y_g": impact_g(25.0)}
    assert "state '# family: side'" in "\n".join(warnings(write(tmp_path / "a.csv", table_)))
    (line,) = refused(write(tmp_path / "b.csv", {"time_s": TIMES, "central_y_g": GOOD}))
    assert "family: expected a family ('# family: side') in a table without central_x_g" in line


@pytest.mark.parametrize(
    ("change_kmh", "stated", "told"),
    [
        (-55.0, [], "peak in unit G: got '306 g'; expected below 150 g"),
        (-14.0, ["closing_speed_kmh: 13"], "velocity change: got '137 km/h'; expected below 36"),
        (-14.0, ["closing_speed_kmh: 13", "obstacle: fixed"], "expected 13.0 to 18.2 km/h"),
    ],
)
def test_metres_per_second_squared_given_as_g(tmp_path, change_kmh, stated, told):
    values = 9.80665 * impact_g(change_kmh)
    path = write(tmp_path / "a.csv", {"time_s": TIMES, "central_x_g": values}, stated=stated)
    lines = refused(path)
    assert len(lines) == 1
    assert told in lines[0]
    assert "looks like m/s^2 given as g" in lines[0]


def test_hard_crash_without_a_closing_speed_is_asked_about(tmp_path):
    (line,) = warnings(write(tmp_path / "a.csv", columns(-95.0)))
    assert "m/s^2 given as g? state '# closing_speed_kmh: ...' to be sure" in line
    stated = ["closing_speed_kmh: 90"]
    assert warnings(write(tmp_path / "b.csv", columns(-95.0), stated=stated)) == []


def test_statements_that_are_wrong_all_at_once(tmp_path):
    stated = [
        "famly: side",
        "family: frontl",
        "belts: maybe",
        "front_airbag_stage_1: fires",
        "side_airbag_left: fire at once",
        "closing_speed_kmh: fast",
        "quiet: central_q",
        "driver_seat_occupied: perhaps",
        "obstacle: soft",
        "family: side",
        '{"schema": 2, "requirements": {"hood": "fire"}}',
        "{not JSON",
    ]
    lines = refused(write(tmp_path / "a.csv", {**columns(), "odd": GOOD}, stated=stated))
    parts = [
        "line 1: key: got 'famly'; expected one of assumptions, ",
        "line 2: family: got 'frontl'; expected one of frontal",
        "line 3: belts: got 'maybe'; expected one of belted, unbelted",
        "line 4: front_airbag_stage_1: expectation: got 'fires'; expected one of fire",
        "line 5: side_airbag_left: got 'fire at once'; expected fire, no_fire or open, such as",
        "line 6: closing_speed_kmh: got 'fast'; expected a number above 0",
        "line 7: quiet: got 'central_q'; expected one of central_roll_rate",
        "line 8: driver_seat_occupied: got 'perhaps'; expected true or false",
        "line 9: obstacle: got 'soft'; expected fixed or moving",
        "line 10: family: got 'side'; expected a statement made once",
        "line 11: schema: got 2; expected 1",
        "line 11: requirements: got 'hood'; expected one of battery_cut_off",
        "line 12: metadata: got '{not JSON'; expected JSON in one line",
        "line 13: column 3: got 'odd'; expected one of",
    ]
    assert [part for part in parts if not any(part in line for line in lines)] == []
    assert len(lines) == len(parts)
    assert lines[0].endswith("(did you mean 'family'?)")


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ({"expectation": "fire", "required_time_ms": "soon"}, "required_time_ms: got 'soon'"),
        ({"expectation": "fire", "required_time_ms": True}, "required_time_ms: got True"),
        ({"expectation": "open", "waiver": {"why": "x"}}, "waiver: got {'why': 'x'}"),
        ({}, "expectation: expected one of fire, no_fire, open"),
    ],
)
def test_requirement_in_json_that_is_wrong(tmp_path, entry, told):
    text = json.dumps({"requirements": {"curtain_left": entry}})
    (line,) = refused(write(tmp_path / "a.csv", stated=[text]))
    assert f"line 1: curtain_left: {told}" in line


def test_fire_without_a_time(tmp_path):
    stated = ["family: side", "side_airbag_left: fire"]
    (line,) = refused(write(tmp_path / "a.csv", stated=stated))
    assert "side_airbag_left: got 'fire'; expected a required time in the file, such as" in line
    (line,) = refused(write(tmp_path / "b.csv", columns(-2.0)), expect="fire")
    assert "front_airbag_stage_1: got 'fire'; expected a required time" in line


def test_parquet_that_is_wrong(tmp_path):
    path = tmp_path / "a.parquet"
    values = GOOD.copy()
    values[[700, 702]] = np.nan
    words = [str(v) for v in GOOD]
    empty = pa.array([None if i == 9 else v for i, v in enumerate(GOOD)])
    pq.write_table(
        pa.table(
            {
                "time_s": TIMES,
                "central_x_g": values,
                "central_y_g": words,
                "central_z_g": empty,
                "odd": GOOD,
            }
        ),
        path,
    )
    unknown, *cells = refused(path)
    assert unknown.startswith("a.parquet: column 5: got 'odd'; expected one of central_roll_rate")
    assert cells == [
        "a.parquet: row 701: column central_x_g: got 'nan'; expected a finite number "
        "(2 such places)",
        "a.parquet: column central_y_g: got 'string'; expected a column of numbers",
        "a.parquet: row 10: column central_z_g: got 'an empty cell'; expected a finite number",
    ]
    path.write_bytes(path.read_bytes()[:-40])
    (line,) = refused(path)
    assert "content: got 'a damaged Parquet file'; expected a whole Parquet file" in line


def test_a_huge_file_is_left_after_what_is_allowed(monkeypatch):
    monkeypatch.setattr(table, "MOST_VALUES", 60_000)
    read = 0

    def long():
        nonlocal read
        yield 1, "time_s,central_x_g"
        while read < 10 * table._PORTION:
            read += 1
            yield read + 1, f"{read * 1e-4:.4f},0.0"

    with pytest.raises(InputError, match=r"huge\.csv: size: got 'more than 60000 values'"):
        table._csv("huge.csv", long())
    assert read <= 2 * table._PORTION + 1


def test_a_huge_parquet_file_is_not_read(tmp_path, monkeypatch):
    path = tmp_path / "a.parquet"
    pq.write_table(pa.table(columns()), path)
    monkeypatch.setattr(table, "MOST_VALUES", 5000)
    monkeypatch.setattr(pq.ParquetFile, "read", None)
    (line,) = refused(path)
    assert "size: got '2501 rows of 2 columns'; expected at most 5000" in line


def test_a_line_without_end(tmp_path, monkeypatch):
    monkeypatch.setattr(table, "LONGEST_LINE", 1000)
    path = write(tmp_path / "a.csv")
    path.write_text(path.read_text() + "0.3," + "1" * 5000)
    (line,) = refused(path)
    assert "line 2503: got 'a longer one'; expected lines of at most 1000 characters" in line


@pytest.mark.slow
@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    kind=st.sampled_from(["csv", "parquet"]),
    place=st.floats(0.0, 1.0),
    junk=st.binary(min_size=0, max_size=12),
    cut=st.integers(0, 400),
)
def test_damaged_tables_give_faults_and_never_a_traceback(tmp_path_factory, kind, place, junk, cut):
    folder = tmp_path_factory.mktemp("damaged")
    path = write(folder / "a.csv", stated=["family: frontal", '{"schema": 1, "belted": true}'])
    if kind == "parquet":
        pq.write_table(pa.table(columns()), path)
    raw = path.read_bytes()
    at = round(place * len(raw)) if place > 0.05 else round(20 * 100 * place)
    path.write_bytes(raw[:at] + junk + raw[at + cut :])
    lines: list[str] = ["read"]
    try:
        read_record(path)
    except InputError as error:
        lines = [str(fault) for fault in error.faults]
    # Anything but a fault would have left this test by itself.
    assert lines
    assert all(line and "\n" not in line and "\r" not in line for line in lines)


@pytest.mark.parametrize("line", ["driver_bag: fire by 5 ms (agreed)", "bonnet_lifter: no_fire"])
def test_a_requirement_of_an_unknown_restraint_is_not_lost_as_a_comment(tmp_path, line):
    with pytest.raises(InputError, match=f"key: got '{line.split(':')[0]}'; expected one of"):
        read_record(write(tmp_path / "a.csv", stated=[line]))
