"""What ``events show`` reads and imports: only what it needs, because it is waited for."""

from __future__ import annotations

import subprocess
import sys

import pytest

from crashsense.errors import InputError
from crashsense.synthesis import load_recipes
from crashsense.synthesis.recipe import recipe_of_event


def test_every_shipped_event_is_found_by_the_name_of_its_file():
    for recipe in load_recipes():
        for event in recipe.event_names:
            assert recipe_of_event(event).name == recipe.name


def test_an_unknown_event_is_answered_with_the_nearest():
    with pytest.raises(InputError, match="did you mean 'wall_full_56'"):
        recipe_of_event("wall_ful_56")


@pytest.mark.slow
def test_an_event_that_was_shown_before_needs_the_drawing_library_alone(tmp_path):
    words = ["events", "show", "rear_barrier_24", "--figure"]
    script = (
        "import sys\n"
        "from crashsense.cli import run\n"
        f"code = run([*{words!r}, {str(tmp_path)!r} + '/a.png'])\n"
        "heavy = {'numba', 'pandas', 'pyarrow', 'matplotlib.pyplot'}\n"
        "rooms = 'signal special linalg optimize stats ndimage'.split()\n"
        "heavy |= {f'scipy.{room}' for room in rooms}\n"
        "print(code, sorted(heavy & set(sys.modules)))\n"
    )
    for _ in range(2):  # the first call computes and keeps
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "0 []", done.stderr
