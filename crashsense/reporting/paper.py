"""Pages of paper: headings, paragraphs and tables set on A4 with matplotlib, line by line."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from crashsense.plotting import GREY, INK, VERMILION

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: A4 and its margins [inch].
WIDTH, HEIGHT, MARGIN = 8.27, 11.69, 0.8

#: Line of text [inch], and characters in it, by kind.
LINE = {"title": 0.42, "heading": 0.36, "text": 0.19, "table": 0.155, "small": 0.155}
SIZE = {"title": 19.0, "heading": 13.0, "text": 9.0, "table": 6.6, "small": 7.0}
WRAP = {"title": 36, "heading": 62, "text": 92, "table": 118, "small": 118}

#: Characters of a line at the foot of a page.
FOOT_WRAP = 130

#: Characters that a column of a table keeps.
NARROWEST = 12

#: A section of no more than this part of a page is not broken.
KEPT_TOGETHER = 0.5

#: Bold letters are wider: so much of a line they fill [-].
BOLD = 0.88


@dataclass(frozen=True)
class Line:
    """One line of a page; ``kind`` of :data:`LINE`; ``rule``: a thin line below it.

    ``head``: of a row of a table, its head, which a new page repeats; ``joined``: the row goes on
    from the line before.
    """

    text: str
    kind: str = "text"
    bold: bool = False
    rule: bool = False
    colour: str = INK
    head: Line | None = None
    joined: bool = False


class Paper:
    """Lines collected into pages; what does not fit begins a new page."""

    def __init__(self, *, foot: str) -> None:
        self.foot = foot
        self.lines: list[Line | None] = []  # None: a new page

    def add(self, text: str, kind: str = "text", *, colour: str = INK, bold: bool = False) -> None:
        """Add a paragraph, wrapped."""
        width = int(WRAP[kind] * (BOLD if bold else 1.0))
        for part in textwrap.wrap(text, width, break_long_words=True) or [""]:
            self.lines.append(Line(part, kind, bold=bold, colour=colour))

    def heading(self, text: str) -> None:
        """Add a heading with space above it."""
        self.lines.append(Line("", "text"))
        self.lines.append(Line(text, "heading", bold=True))

    def table(
        self, head: Sequence[str], rows: Iterable[Sequence[str]], *, none: str = "none"
    ) -> None:
        """Add a table; columns as wide as they need, the widest folded to fit the page."""
        body = [[_one_line(cell) for cell in row] for row in rows]
        if not body:
            self.add(none)
            return
        widths = _widths(head, body)
        top = Line(_joined(head, widths), "table", bold=True, rule=True)
        self.lines += [Line("", "table"), top]
        for row in body:
            self.lines += [
                Line(text, "table", head=top, joined=bool(number))
                for number, text in enumerate(_folded(row, widths))
            ]
        self.lines.append(Line("", "table"))

    def blank(self, label: str) -> None:
        """Add a label with an empty line to write on."""
        self.lines += [Line("", "text"), Line(label, "text", rule=True)]

    def new_page(self) -> None:
        """Begin a new page."""
        if self.lines and self.lines[-1] is not None:
            self.lines.append(None)

    def pages(self) -> list[Figure]:
        """Return the pages, numbered."""
        room = HEIGHT - 2 * MARGIN - 0.3
        sheets: list[list[Line]] = [[]]
        used = 0.0
        for number, line in enumerate(self.lines):
            if line is None:
                sheets.append([])
                used = 0.0
                continue
            need = LINE[line.kind]
            if line.kind == "heading":
                # A heading is never alone at the foot of a page; a short section stays on one page.
                after = self._section(number + 1)
                whole = sum(LINE[one.kind] for one in after)
                some = sum(LINE[one.kind] for one in after[:4])
                need += whole if whole <= KEPT_TOGETHER * room else some
            elif line.head is not None and not line.joined:  # a row stays on one page
                rest = self.lines[number + 1 : number + 12]
                need += sum(LINE[one.kind] for one in _while_joined(rest))
            if used + need > room:
                sheets.append([] if line.head is None else [line.head])
                used = sum(LINE[one.kind] for one in sheets[-1])
            if sheets[-1] or line.text:  # no empty line at the head of a page
                sheets[-1].append(line)
                used += LINE[line.kind]
        sheets = [sheet for sheet in sheets if sheet]
        return [self._page(sheet, at, len(sheets)) for at, sheet in enumerate(sheets, start=1)]

    def _section(self, first: int) -> list[Line]:
        """Lines up to the next heading or page."""
        found: list[Line] = []
        for line in self.lines[first:]:
            if line is None or line.kind == "heading":
                break
            found.append(line)
        return found

    def _page(self, lines: Sequence[Line], number: int, total: int) -> Figure:
        from matplotlib.lines import Line2D

        from crashsense.plotting import new_figure

        figure = new_figure(WIDTH, HEIGHT)
        figure.set_layout_engine("none")
        left, right = MARGIN / WIDTH, 1.0 - MARGIN / WIDTH
        height = HEIGHT - MARGIN
        for line in lines:
            height -= LINE[line.kind]
            figure.text(
                left,
                height / HEIGHT,
                _plain(line.text),
                fontsize=SIZE[line.kind],
                color=line.colour,
                family="monospace" if line.kind == "table" else "sans-serif",
                weight="bold" if line.bold or line.kind == "title" else "normal",
            )
            if line.rule:
                under = (height - 0.045) / HEIGHT
                figure.add_artist(Line2D([left, right], [under, under], color=GREY, lw=0.6))
        foot = MARGIN / 2 / HEIGHT
        text = textwrap.fill(_plain(self.foot), FOOT_WRAP)
        figure.text(left, foot, text, fontsize=6.0, color=VERMILION, va="center")
        figure.text(
            right, foot, f"{number} / {total}", fontsize=7.0, color=GREY, ha="right", va="center"
        )
        return figure


def _plain(text: str) -> str:
    """Escape dollar signs, which would begin a formula."""
    return text.replace("$", r"\$")


def _one_line(cell: object) -> str:
    return " ".join(str(cell).split())


def _while_joined(lines: Sequence[Line | None]) -> Iterator[Line]:
    for line in lines:
        if line is None or not line.joined:
            return
        yield line


def _widths(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[int]:
    """Characters of each column; one is narrowed where that folds the fewest cells.

    >>> _widths(["a", "b"], [["x" * 90, "y" * 40], ["x" * 20, "y" * 40]])
    [76, 40]
    """
    sizes = [[len(row[i]) for row in rows] for i in range(len(head))]
    widths = [max([len(name), *own]) for name, own in zip(head, sizes, strict=True)]
    while sum(widths) + 2 * (len(widths) - 1) > WRAP["table"]:
        wide = [i for i, name in enumerate(head) if widths[i] > max(len(name), NARROWEST)]
        if not wide:
            break
        folded = {i: sum(size >= widths[i] for size in sizes[i]) for i in wide}
        widths[min(wide, key=lambda i: (folded[i], -widths[i]))] -= 1
    return widths


def _folded(cells: Sequence[str], widths: Sequence[int]) -> list[str]:
    """Cells side by side; one that is too long continues on the next line.

    >>> _folded(["front_airbag_stage_1", "late"], [14, 4])
    ['front_airbag_   late', 'stage_1']
    """
    columns = [_parts(cell, width) for cell, width in zip(cells, widths, strict=True)]
    depth = max(len(parts) for parts in columns)
    return [
        _joined([parts[at] if at < len(parts) else "" for parts in columns], widths)
        for at in range(depth)
    ]


def _parts(cell: str, width: int) -> list[str]:
    """Break a cell into lines at blanks and underscores or, without any, anywhere."""
    lines = [""]
    for word in re.findall(r"[^ _]*[ _]?", cell):
        for piece in [word[i : i + width] for i in range(0, len(word), width)]:
            if len(lines[-1]) + len(piece.rstrip()) > width:
                lines.append("")
            lines[-1] += piece
    return [line.rstrip() for line in lines]


def _joined(cells: Sequence[str], widths: Sequence[int]) -> str:
    """Cells side by side."""
    parts = [cell.ljust(width) for cell, width in zip(cells, widths, strict=True)]
    return "  ".join(parts).rstrip()


def write_pdf(pages: Sequence[Figure], path: str | Path) -> Path:
    """Write pages to one PDF file, without a date in it."""
    from matplotlib.backends.backend_pdf import PdfPages

    target = Path(path)
    with PdfPages(target, metadata={"CreationDate": None}) as file:
        for page in pages:
            file.savefig(page)
    return target
