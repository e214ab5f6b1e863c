"""Tables as text that fit a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Collection, Sequence

#: Columns of a table as text.
WIDTH = 80

#: Between two columns.
GAP = "  "


def text_table(
    rows: Sequence[Sequence[str]],
    *,
    keys: int = 1,
    left: Collection[int] = (0,),
    width: int = WIDTH,
) -> list[str]:
    """Align rows of text, the first of them the head; the first *keys* columns name a row.

    Columns are right-aligned but for those of *left*. What is wider than *width* becomes several
    tables below one another, each with the columns that name a row.

    >>> print("\\n".join(text_table([["a", "n"], ["bcd", "10"]])))
    a     n
    bcd  10
    >>> print("\\n".join(text_table([["name", "one", "two"], ["b", "1", "2"]], width=10)))
    name  one
    b       1
    <BLANKLINE>
    name  two
    b       2
    """
    if not rows:
        return []
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    blocks: list[list[int]] = [list(range(keys))]
    for column in range(keys, len(widths)):
        if len(blocks[-1]) > keys and _size(widths, [*blocks[-1], column]) > width:
            blocks.append(list(range(keys)))
        blocks[-1].append(column)
    lines: list[str] = []
    for block in blocks:
        lines += [""] if lines else []
        for row in rows:
            cells = (
                row[i].ljust(widths[i]) if i in left else row[i].rjust(widths[i]) for i in block
            )
            lines.append(GAP.join(cells).rstrip())
    return lines


def _size(widths: Sequence[int], chosen: Sequence[int]) -> int:
    return sum(widths[i] for i in chosen) + len(GAP) * (len(chosen) - 1)
