"""The line of progress, as a notebook or a terminal shows it."""

from __future__ import annotations

import io

import crashsense


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


def test_nobody_there_to_read_is_no_error():
    class Gone(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    crashsense.ProgressLine(Gone())(1, 2)
