"""Every lesson has the common form, and its answers are checked without being told."""

from __future__ import annotations

import re

import pytest

from crashsense.glossary import WORDS, find_word
from crashsense.lessons import Exercise, find_lesson, lessons
from crashsense.lessons.script import marked_words

#: Answers by hand: lesson, exercise -> the number and where it comes from.
ANSWERS = {
    (1, 1): 62.10,  # 980.665 / (2 pi 20000)^2
    (1, 2): 708.3,  # 8.854 * 40 * 120 * 25 / 1.5 / 1e3
    (2, 1): 16.0,  # 8 sqrt(4)
    (2, 2): 6.86,  # 10.56 (1.5 / 2)^1.5
    (3, 1): 0.0489,  # 25 / 511
    (3, 2): 16.92,  # 1000 * 120 / 2047 / sqrt(12)
    (4, 1): 1.118,  # 1.756 / (2 pi 250)
    (4, 2): 300.0,  # 1.667 * 180
    (5, 1): 11.55,  # sqrt(0.254 / 147.1) - 30 ms
    (5, 2): 4.99,  # sqrt(2 * 98.07 * 0.127)
    (6, 1): 0.749,  # 2 / pi * 1471 * 0.0008
    (6, 2): 24.72,  # pi / 2 * 13.89 / 0.09 / 9.807
    (7, 1): 10.20,  # 2 / 196.1
    (7, 2): 25.49,  # 2 / (8 * 9.807)
    (8, 1): 1.936,  # sqrt(2 * 0.127 * 117.7) - 117.7 * 0.03
    (8, 2): 3.113,  # with 0.02
    (9, 1): 1.961,  # (10 + 60 - 50) / 2 * 9.807 * 0.02
    (9, 2): 3.923,  # (20 + 90 - 70) / 2; -70 g is just not cut
    (10, 1): 9.170,  # 101.325 (0.94^-1.4 - 1)
    (10, 2): 3.388,  # 1 - (1 + 5 / 101.325)^(-1 / 1.4)
    (11, 1): 1.071,  # 0.75 / 0.7
    (11, 2): 4.294,  # sqrt(2 E I) / (m h), E = 1800 g (1.0259 - 0.7), I = 650 + 1800 * 1.0525
    (12, 1): 2.951,  # 1 - 0.05^0.01
    (12, 2): 1497.0,  # ln 0.05 / ln 0.998
}


def test_there_are_twelve_and_each_is_complete():
    found = lessons()
    assert [lesson.number for lesson in found] == list(range(1, 13))
    assert {len(lesson.exercises) for lesson in found} == {2}
    for lesson in found:
        assert lesson.sources
        assert lesson.teacher.strip()
        assert 10 <= lesson.minutes <= 45
        assert any("figure = " in part.code for part in lesson.parts)
        words = sum(len(part.text.split()) for part in lesson.parts)
        assert 90 <= words <= 600, lesson.name


@pytest.mark.parametrize(("lesson", "exercise"), sorted(ANSWERS))
def test_the_hand_calculation_is_right_and_a_neighbour_is_not(lesson, exercise):
    one = find_lesson(lesson).exercises[exercise - 1]
    by_hand = ANSWERS[lesson, exercise]
    assert one.check(by_hand).right
    wrong = one.check(1.1 * by_hand)
    assert not wrong.right
    assert one.hint in wrong.text


def test_every_exercise_has_its_hand_calculation():
    assert set(ANSWERS) == {(lesson.number, e) for lesson in lessons() for e in (1, 2)}


@pytest.mark.parametrize(("lesson", "exercise"), sorted(ANSWERS))
def test_no_reply_tells_the_number(lesson, exercise):
    one = find_lesson(lesson).exercises[exercise - 1]
    told = [float(found) for found in re.findall(r"\d+(?:\.\d+)?", one.hint)]
    wanted = one.answer()
    assert [number for number in told if abs(number - wanted) <= 0.02 * wanted] == []


def test_nonsense_is_wrong_and_no_error():
    one = Exercise("Two and two?", "", lambda: 4.0, "Count.")
    assert not one.check(float("nan")).right
    assert not one.check(float("inf")).right


def test_marked_words_are_in_the_glossary():
    marked = {word for lesson in lessons() for word in marked_words(lesson)}
    assert len(marked) >= 10
    assert {find_word(word) for word in marked} <= set(WORDS)
