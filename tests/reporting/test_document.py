"""The document to hand in: what it must say, what it must never say, and that it is a PDF."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from crashsense.campaign import evaluate
from crashsense.cli import run as command
from crashsense.errors import InputError
from crashsense.reporting.changes import changes_since
from crashsense.reporting.document import NO_RELEASE, document_pages, evidence_of, write_document
from crashsense.reporting.paper import HEIGHT, MARGIN, WIDTH, WRAP, Paper
from crashsense.reporting.view import view_of
from crashsense.resources import CAUTION
from crashsense.results import open_run

EVENTS = ["wall_full_40", "hammer_tunnel", "wall_full_8"]


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A run, and the same with a lost sensor."""
    home = tmp_path_factory.mktemp("document")
    before, after = home / "before", home / "after"
    evaluate(events=EVENTS, algorithms=["guarded"], out=before)
    evaluate(events=EVENTS, algorithms=["guarded"], faults=["central_x:lost"], out=after)
    return before, after


def texts(pages: list[Figure]) -> str:
    return "\n".join(text.get_text() for page in pages for text in page.texts)


@pytest.fixture(scope="module")
def pages(folders: tuple[Path, Path]) -> list[Figure]:
    before, after = folders
    run = open_run(after)
    view = replace(view_of(run), changes=changes_since(before, after))
    return document_pages(view, evidence_of(run, view))


def test_every_page_carries_the_caution_and_its_number(pages: list[Figure]) -> None:
    assert len(pages) > 2
    for number, page in enumerate(pages, start=1):
        words = [" ".join(text.get_text().split()) for text in page.texts]
        assert CAUTION in words
        assert f"{number} / {len(pages)}" in words


def test_it_says_what_it_must(pages: list[Figure]) -> None:
    text = " ".join(texts(pages).split())
    for part in (
        NO_RELEASE.split(".")[0],
        "requirements not met by guarded",
        "central_x:lost",
        "coverage of the event matrix",
        "Faults of sensors: none -> central_x:lost.",
        "Not tested:",
        "Released by, date",
        "lost wall_full_40 front_airbag_stage_1 on time missed",
        "algorithm: guarded",
        "sensor set: standard",
        "code (SHA-256)",
    ):
        assert part in text, part


def test_it_never_sounds_like_approval(pages: list[Figure]) -> None:
    text = texts(pages).lower()
    for word in ("approved", "certified for", "safe to", "passed", "cleared", "is released"):
        assert word not in text.replace("whether anything is released", ""), word


@pytest.mark.slow
def test_no_line_leaves_the_page(pages: list[Figure]) -> None:
    for page in pages:
        page.canvas.draw()
        for text in page.texts:
            box = text.get_window_extent()
            right = box.x1 / page.dpi
            assert right <= WIDTH - MARGIN / 2, text.get_text()
            assert 0.0 < box.y0 / page.dpi < HEIGHT


def test_a_long_table_goes_on_with_its_head() -> None:
    paper = Paper(foot="foot")
    paper.heading("long")
    paper.table(["name", "number"], [[f"row_{n}", str(n)] for n in range(150)])
    sheets = paper.pages()
    assert len(sheets) == 3
    for sheet in sheets:
        assert sum("name" in text.get_text() for text in sheet.texts) == 1
    shown = texts(sheets)
    assert all(f"row_{n} " in shown for n in range(150))


@pytest.mark.slow
def test_command_writes_a_pdf_into_a_new_folder(
    folders: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, after = folders
    target = tmp_path / "new" / "review.pdf"
    arguments = ["report", str(after), "--baseline", str(before), "--pdf", str(target)]
    assert command(arguments) == 1
    content = target.read_bytes()
    assert content.startswith(b"%PDF-")
    assert b"%%EOF" in content[-1024:]
    assert b"CreationDate" not in content
    assert str(target) in capsys.readouterr().out
    assert command(["report", str(after), "--faults", str(tmp_path)]) == 2
    assert command([*arguments, "--faults", str(tmp_path)]) == 2


def test_another_ending_is_refused(folders: tuple[Path, Path], tmp_path: Path) -> None:
    run = open_run(folders[0])
    view = view_of(run)
    with pytest.raises(InputError, match=r"\.pdf"):
        write_document(view, evidence_of(run, view), tmp_path / "review.doc")


def test_nothing_of_a_table_is_cut() -> None:
    paper = Paper(foot="foot")
    long = "front_airbag_stage_2_after_stage_1_of_a_long_name"
    why = "until 2030-12-31: no front sensor in the middle of the prototype, agreed with all"
    paper.table(["event", "restraint", "waiver"], [[f"{long}_{k}", long, why] for k in range(3)])
    (page,) = paper.pages()
    rows = [text.get_text() for text in page.texts]
    assert not any(".." in row for row in rows)
    joined = "".join("".join(rows).split())
    assert joined.count("".join(why.split())) + joined.count("prototype,") >= 3
    assert max(map(len, rows[1:-2])) <= WRAP["table"]


def test_a_short_section_stays_on_one_page() -> None:
    paper = Paper(foot="foot")
    paper.heading("First")
    for _ in range(40):
        paper.add("text")
    paper.heading("Second")
    paper.table(["a"], [[str(k)] for k in range(15)])
    first, second = paper.pages()
    assert "Second" not in [text.get_text() for text in first.texts]
    assert "14" in [text.get_text() for text in second.texts]
