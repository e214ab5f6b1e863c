"""``crashsense safety`` and the notes behind it."""

from __future__ import annotations

import pytest

from crashsense import cli
from crashsense.cli.safety import note_names
from crashsense.resources import CAUTION, folder


def test_all_notes_follow_the_caution(capsys):
    assert cli.run(["safety"]) == 0
    out = capsys.readouterr().out
    assert out.startswith(f"CAUTION: {CAUTION}")
    heads = [line for line in out.splitlines() if line.startswith("# ")]
    assert heads == [
        "# Scope and limits",
        "# Hazards",
        "# Regulations and standards",
        "# Limits of the data",
    ]


@pytest.mark.parametrize(
    ("note", "words"),
    [
        ("scope", "not qualified"),
        ("hazards", "out-of-position"),
        ("hazards", "Pyrotechnics"),
        ("regulations", "Local law and certified practice decide"),
        ("data_limits", "synthetic"),
    ],
)
def test_one_note(note, words, capsys):
    assert cli.run(["safety", note]) == 0
    out = capsys.readouterr().out
    assert words in out
    assert out.count("\n# ") + out.startswith("# ") == 1


def test_every_shipped_note_has_a_name():
    assert len(note_names()) == len(list(folder("safety_notes").glob("*.md"))) == 4
