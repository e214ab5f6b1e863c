"""The glossary holds every word that tables, pages and documents use."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from crashsense import cli
from crashsense.event import EXPECTATIONS, FAMILIES
from crashsense.glossary import GROUPS, WORDS, find_word, meaning
from crashsense.scoring import HELD_BY, VERDICTS
from crashsense.verdict_schema import VERDICT_SCHEMA

CHECKOUT = Path(__file__).resolve().parents[2]


def words_of_developers() -> list[str]:
    text = (CHECKOUT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("## The words")[1].split("**Demand is")[0]
    cells = re.findall(r"^\| ([a-z][^|]*?) \|", table, re.M)
    return [word.strip() for cell in cells for word in cell.split(",") if cell != "word"]


def test_every_word_once():
    names = [word for group in GROUPS.values() for word in group]
    assert len(names) == len(set(names)) == len(WORDS)
    assert len(names) > 100


def test_verdicts_expectations_families_and_branches():
    for word in (*VERDICTS, *EXPECTATIONS, *FAMILIES, *filter(None, HELD_BY)):
        assert word in WORDS or word == "both", word


#: Columns that are names of things with a word of their own, or plain English.
PLAIN = {"reason"}


@pytest.mark.parametrize("column", sorted(set(VERDICT_SCHEMA.names) - PLAIN))
def test_columns_of_the_verdict_table(column):
    assert find_word(column) in WORDS


def test_words_of_the_developers_page():
    found = words_of_developers()
    assert len(found) > 20
    assert [word for word in found if word not in WORDS] == []


def test_meanings_are_sentences():
    assert [w for w, text in WORDS.items() if not text.endswith((".", "..."))] == []
    assert [w for w, text in WORDS.items() if not 15 <= len(text) <= 330] == []


def test_the_command_prints_one_or_all(capsys):
    assert cli.run(["words", "on", "time"]) == 0
    assert "on_time: Verdict" in " ".join(capsys.readouterr().out.split())
    assert cli.run(["words"]) == 0
    printed = capsys.readouterr().out
    assert [w for w in WORDS if f"  {w}: " not in printed] == []
    assert cli.run(["words", "arnimg"]) == 2
    assert "did you mean 'arming'" in capsys.readouterr().err


def test_meaning_takes_other_spellings():
    assert meaning("RTTF") == meaning("required time")
