"""Files that a user may hand over by mistake or by malice: each is refused in one line."""

from __future__ import annotations

import os
import time

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crashsense import files
from crashsense.errors import Fault, InputError, printable


def test_text_is_utf_8_with_or_without_a_mark(tmp_path):
    path = tmp_path / "a.toml"
    path.write_bytes(b"\xef\xbb\xbfname = 'a'\n")
    assert files.read_toml(path) == {"name": "a"}


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"name = '\xff'", r"line 1: got 'the byte \\xff'"),
        (b"a = 1\nb = '\xe4'", "line 2"),
        ("name = 'a'".encode("utf-16"), "got 'UTF-16'"),
        (b"name = 'a\x00b'", "binary data"),
        (b"a = [" + b"[" * 5000 + b"]" * 5000 + b"]", "nesting of at most 64"),
        (b"a = " + b"[" * 70 + b"]" * 70, "nesting of at most 64"),
        (b"a = 1" + b"0" * 400, "a whole number of at most"),
        (b"a = 1" + b"0" * 5000, "valid TOML"),
        (b"a = nan", "a finite number"),
        (b"a = [1.0, -inf]", "a finite number"),
        (b"a = 1e-320", "a finite number"),
        (b"a = 5e-324", "a finite number"),
        (b"a = 1e200", "a finite number"),
        (b'a = "\\u001b[31m"', "a text without control characters"),
        (b'"a\\u0007" = 1', "a key without control characters"),
        (b"a = ", "valid TOML"),
    ],
)
def test_settings_that_cannot_be_meant(tmp_path, content, told):
    path = tmp_path / "a.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"a\.toml") as caught:
        files.read_toml(path)
    assert told in str(caught.value)
    assert len(str(caught.value).splitlines()) == len(caught.value.faults)


def test_a_file_that_is_none(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    started = time.monotonic()
    for name, told in (
        ("pipe", "got 'a pipe'; expected a plan file"),
        (".", "got 'a folder'"),
        ("none", "a plan file that exists"),
        ("loop", "a plan file that can be read"),
        ("n" * 5000, "a plan file that can be read"),
        ("a\x00b", "no file has such a name"),
        ("/dev/zero", "got 'a device'"),
    ):
        place = f"{tmp_path}/{name}" if name[0] != "/" else name
        with pytest.raises(InputError) as caught:
            files.read_bytes(place, expected="a plan file")
        assert told in str(caught.value)
    assert time.monotonic() - started < 60  # nothing waited for the pipe's other end


def test_a_name_that_is_no_text_is_written_out(tmp_path):
    name = os.fsdecode(b"pl\xe4n.toml")
    with pytest.raises(InputError) as caught:
        files.read_toml(tmp_path / name)
    assert "pl\\udce4n.toml" in str(caught.value)
    assert str(caught.value).encode("utf-8")


def test_size_is_looked_at_before_reading(tmp_path):
    path = tmp_path / "large"
    with path.open("wb") as stream:
        stream.truncate(1 << 40)  # a sparse terabyte
    with pytest.raises(InputError, match=r"size: got '1048576.0 MiB'; expected a file of at most"):
        files.read_bytes(path)


@pytest.mark.slow
@given(st.one_of(st.floats(), st.integers(), st.text(max_size=30), st.booleans(), st.none()))
def test_a_number_is_finite_or_refused(value):
    found = files.number_or_none(value)
    if found is None:
        with pytest.raises(InputError):
            files.number(value, file="a", field="b")
    else:
        assert found == 0 or files.SMALLEST <= abs(found) <= files.LARGEST
        assert not isinstance(value, bool)
        assert found == float(value)


@pytest.mark.parametrize("value", ["12", 12.0, "1.2e1", " 12 "])
def test_whole_numbers(value):
    assert files.whole(value, file="a", field="b") == 12


@pytest.mark.parametrize("value", ["12.5", "nan", "inf", "1" * 400, True, None, "1_2"])
def test_no_whole_numbers(value):
    with pytest.raises(InputError, match=r"a: b: .*a whole number"):
        files.whole(value, file="a", field="b")


def test_limits_of_numbers():
    assert files.number(5.0, file="a", field="b", least=5.0, most=5.0) == 5.0
    with pytest.raises(InputError, match="expected a number, above 5"):
        files.number(5.0, file="a", field="b", above=5.0)
    with pytest.raises(InputError, match="expected a number, 5 or less"):
        files.number(5.1, file="a", field="b", most=5.0)


@given(st.text())
def test_what_is_printed_obeys_nobody(text):
    shown = printable(text)
    assert len(shown.splitlines()) <= 1
    assert not any(ord(sign) < 32 or 127 <= ord(sign) < 160 for sign in shown)
    assert shown == "" or shown.encode("utf-8")
    assert printable(shown) == shown


def test_a_fault_shows_no_control_sequence_and_no_book():
    fault = Fault("a\x1b[2J.toml", "name\x07", "x" * 10000, "a name\u202e")
    assert "\x1b" not in str(fault)
    assert "\u202e" not in str(fault)
    assert len(str(fault)) < 400
    assert "digits" in str(Fault("a", "b", 10**5000, "less"))


def test_cells_of_a_csv_that_a_spreadsheet_would_execute():
    table = pd.DataFrame({"event": ["=cmd()", "wall"], "x": [-1.0, 2.0], "n": ["@x", "-2"]})
    safe = files.csv_safe(table)
    assert safe["event"].tolist() == ["'=cmd()", "wall"]
    assert safe["n"].tolist() == ["'@x", "'-2"]
    assert safe["x"].tolist() == [-1.0, 2.0]
    assert table["event"].tolist() == ["=cmd()", "wall"]
    plain = pd.DataFrame({"event": ["wall", None]})
    assert files.csv_safe(plain) is plain
