"""The line of progress, as a notebook or a terminal shows it."""

from __future__ import annotations

import io

import crashsense
from crashsense.campaign.progress import progress_text


def test_an_evaluation_writes_one_line_over_itself():
    stream = io.StringIO()
    line = crashsense.ProgressLine(stream)
    crashsense.evaluate(
        events=["hammer_tunnel"], algorithms=["plain"], engine="numpy", on_progress=line
    )
    shown = stream.getvalue().split("\r")[-1]
    assert shown.startswith("1 of 1 evaluations (100 %)")
    assert "\n" not in stream.getvalue()
    line.clear()
    last = stream.getvalue().split("\r")[-2]
    assert last.strip() == ""
    assert len(last) >= len(shown)


def test_a_shorter_line_leaves_nothing_of_a_longer_one():
    stream = io.StringIO()
    line = crashsense.ProgressLine(stream)
    line(1, 10, seconds=1.0, failures=3)
    longer = len(stream.getvalue())
    line(10, 10)
    assert len(stream.getvalue().split("\r")[-1]) == longer - 1


def test_nothing_is_cleared_where_nothing_was_written():
    stream = io.StringIO()
    line = crashsense.ProgressLine(stream)
    line.clear()
    assert stream.getvalue() == ""
    line(1, 2)
    line.clear()
    cleared = stream.getvalue()
    line.clear()
    assert stream.getvalue() == cleared


def test_pace_and_time_left_are_told_once_they_are_known():
    """5 of 10 in half a second are 10 a second, and half a second is left for the rest."""
    assert progress_text(5, 10, seconds=0.5).endswith(" (50 %), 10.0 a second, 0 s left")
    assert progress_text(20, 100, seconds=40.0).endswith(" (20 %), 0.5 a second, 160 s left")
    for done, seconds in ((0, 10.0), (5, 0.0), (0, 0.0)):
        assert "second" not in progress_text(done, 10, seconds=seconds)


def test_nobody_there_to_read_is_no_error():
    class Gone(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    crashsense.ProgressLine(Gone())(1, 2)
