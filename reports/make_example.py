"""Make the example in reports/example by the main command of README.md, and put what it printed
into the README. Run from the checkout:   python reports/make_example.py
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parent.parent
EXAMPLE = CHECKOUT / "reports" / "example"
KEPT = ("report.html", "statistics.csv", "summary.json", "plan.toml", "provenance.json")
RESTRAINT = "front_airbag_stage_1"
#: The event that the README shows.
EVENT = "pole_centre_29"


def keep_nominal_rows(run_folder: Path) -> None:
    """The verdict rows of the nominal draw: those of all draws take 9 MB."""
    from crashsense.results import open_run
    from crashsense.results.folder import write_csv

    write_csv(EXAMPLE / "verdicts.csv", [open_run(run_folder).nominal])


def draw_picture(run_folder: Path) -> None:
    """Timing of the guarded algorithm, front airbag stage 1, as the README's picture."""
    from crashsense.plotting import save
    from crashsense.results import open_run

    title = "guarded algorithm, front airbag stage 1 (synthetic events, not qualified)"
    figure = open_run(run_folder).plot(restraint=RESTRAINT, algorithm="guarded", title=title)
    save(figure, EXAMPLE / "timing.png")


def draw_event(folder: str) -> None:
    """One event of the library, as the README's other picture."""
    target = str(EXAMPLE / "event.png")
    command = [sys.executable, "-m", "crashsense", "events", "show", EVENT, "--figure", target]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    if done.returncode != 0:
        raise SystemExit(done.stderr)


def main() -> None:
    """Run, keep what a reader needs, draw the pictures, refresh the README."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "crashsense", "evaluate"]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
        if done.returncode not in (0, 1):
            raise SystemExit(done.stderr)
        run_folder = Path(folder) / "crashsense-run"
        shutil.rmtree(EXAMPLE, ignore_errors=True)
        EXAMPLE.mkdir(parents=True)
        for name in KEPT:
            shutil.copy(run_folder / name, EXAMPLE / name)
        keep_nominal_rows(run_folder)
        draw_picture(run_folder)
        draw_event(folder)
    printed = done.stdout.replace(f"{Path(folder).resolve()}{os.sep}", "")  # as seen from there
    (EXAMPLE / "first_run.txt").write_text(printed, encoding="utf-8")
    readme = CHECKOUT / "README.md"
    text = readme.read_text(encoding="utf-8")
    block = f"<!-- first run -->\n\n```text\n{printed}```\n\n<!-- end of first run -->"
    text = re.sub(
        r"<!-- first run -->.*?<!-- end of first run -->", lambda _: block, text, flags=re.DOTALL
    )
    readme.write_text(text, encoding="utf-8")
    print(f"Wrote {EXAMPLE.relative_to(CHECKOUT)} (exit code of the run: {done.returncode})")


if __name__ == "__main__":
    main()
