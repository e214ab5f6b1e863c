"""``crashsense lesson``: crash sensing taught with the functions of the tool."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from crashsense.cli.printing import place, prose, say, width
from crashsense.cli.targets import target_folder
from crashsense.errors import Fault, InputError
from crashsense.resources import CAUTION

if TYPE_CHECKING:
    from crashsense.lessons import Lesson


@click.command()
@click.argument("number", required=False, metavar="[NUMBER]")
@click.option("--notebook", is_flag=True, help="Write a notebook instead of page and script.")
@click.option(
    "--answer",
    "answers",
    multiple=True,
    metavar="EXERCISE=VALUE",
    help="Check an answer, such as 1=0.049; may be repeated. Writes nothing.",
)
@click.option(
    "--teacher", is_flag=True, help="Print the teacher's note and the time. Writes nothing."
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path(),
    help="Folder to write to; default: this one.",
)
def lesson(
    number: str | None, notebook: bool, answers: tuple[str, ...], teacher: bool, out: Path
) -> int:
    """List the lessons, or write the page and the script of one, or its notebook.

    The script is plain Python that runs unchanged and is meant to be changed: a script that you
    have changed is never overwritten. With --answer, exit code 0 if every answer is right, else 1.
    """
    from crashsense.lessons import find_lesson, lessons

    if number is None:
        if answers or notebook or teacher:
            raise InputError([Fault("command line", "NUMBER", None, "the number of a lesson")])
        for one in lessons():
            say(f"{one.number:3d}  {one.title}  [{one.minutes} min]\n     {one.question}")
        say("\ncrashsense lesson NUMBER   its page and script")
        return 0
    if not number.isdecimal() or len(number) > 4:
        expected = f"a whole number from 1 to {len(lessons())}"
        raise InputError([Fault("command line", "NUMBER", number, expected)])
    chosen = find_lesson(int(number))
    if teacher:
        say(f"Lesson {chosen.number}: {chosen.title}, {chosen.minutes} minutes")
        say(prose(chosen.teacher.strip(), width()))
        return 0
    if answers:
        return _check(chosen, answers)
    target_folder(out, option="--out").mkdir(parents=True, exist_ok=True)
    _write(chosen, out, notebook=notebook)
    return 0


def _check(chosen: Lesson, answers: tuple[str, ...]) -> int:
    given = [_answer(text, exercises=len(chosen.exercises)) for text in answers]
    replies = [(number, chosen.exercises[number - 1].check(value)) for number, value in given]
    for number, reply in replies:
        say(f"Exercise {number}: {reply.text}")
    return 0 if all(reply.right for _, reply in replies) else 1


def _answer(text: str, *, exercises: int) -> tuple[int, float]:
    number, _, value = text.partition("=")
    try:
        found = int(number), float(value)
    except ValueError:
        found = 0, 0.0
    if not 1 <= found[0] <= exercises:
        expected = f"EXERCISE=VALUE with an exercise from 1 to {exercises}, such as 1=0.049"
        raise InputError([Fault("command line", "--answer", text, expected)])
    return found


def _write(chosen: Lesson, out: Path, *, notebook: bool) -> None:
    from crashsense.lessons.page import lesson_page
    from crashsense.lessons.script import notebook as as_notebook
    from crashsense.lessons.script import script

    if notebook:
        _keep_changes(out / f"{chosen.stem}.ipynb", as_notebook(chosen))
    else:
        page = out / f"{chosen.stem}.html"
        page.write_text(lesson_page(chosen), encoding="utf-8")
        say(f"Page: {place(page)}")
        _keep_changes(out / f"{chosen.stem}.py", script(chosen))
    say(f"\nCAUTION: {CAUTION}")


def _keep_changes(path: Path, text: str) -> None:
    """Write a file that is meant to be changed, unless it has been changed."""
    if path.exists() and path.read_text(encoding="utf-8", errors="replace") != text:
        say(f"Kept {place(path)}, which differs from the lesson; name another folder with --out")
        return
    path.write_text(text, encoding="utf-8")
    what = "Notebook" if path.suffix == ".ipynb" else "Script"
    say(f"{what}: {place(path)}")
