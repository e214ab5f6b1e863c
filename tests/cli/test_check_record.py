"""``crashsense check-record``: findings on the screen, exit code, no traceback."""

from __future__ import annotations

import pytest
from exchange_writer import pulse_g, wall

from crashsense.cli import run


def test_sound_record(tmp_path, capsys):
    folder = wall(50.0).write(tmp_path)
    assert run(["check-record", str(folder)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "0 errors, 0 warnings" in out
    assert "note: velocity change: v00042.001: channel 1: velocity change: -55.0 km/h; " in out
    assert "CAUTION" in out


def test_quiet_leaves_notes_and_keeps_warnings(tmp_path, capsys):
    folder = wall(50.0, channel={"values": pulse_g(-45.0)}).write(tmp_path)
    assert run(["check-record", str(folder), "--quiet"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split(":")[0] for line in lines[:-1]] == ["warning"]
    assert "1 warning," in lines[-1]


def test_error_goes_to_standard_error_with_code_2(tmp_path, capsys):
    folder = wall(50.0, channel={"values": pulse_g(55.0)}).write(tmp_path)
    assert run(["check-record", str(folder)]) == 2
    out, err = capsys.readouterr()
    (line,) = err.splitlines()
    assert line.startswith("error: polarity: v00042.001: channel 1: velocity change: got '+55.0")
    assert "1 error," in out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ["nowhere"],
            "nowhere: record: expected a record's folder or header, or a table; nothing is there",
        ),
        (["HERE", "--channel", "9"], "channel: got '9'; expected a channel that the header lists"),
        (["HERE", "--chanel", "9"], "--chanel"),
    ],
)
def test_bad_input_is_one_line_and_code_2(tmp_path, capsys, arguments, words):
    folder = wall(50.0).write(tmp_path)
    assert run(["check-record", *(str(folder) if a == "HERE" else a for a in arguments)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    (line,) = err.splitlines()
    assert words in line
    assert "expected" in line


def test_notes_read_as_notes(tmp_path, capsys):
    folder = wall(50.0).write(tmp_path)
    assert run(["check-record", str(folder)]) == 0
    lines = capsys.readouterr().out.splitlines()
    notes = [line for line in lines if line.startswith("note: ")]
    assert len(notes) >= 2
    # nothing is wrong, so nothing reads like a fault
    assert not [line for line in notes if "got " in line or "expected " in line]
    assert not [line for line in lines if line.startswith("info")]
