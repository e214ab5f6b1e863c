"""The table of shipped models is what their modules register."""

from __future__ import annotations

import subprocess
import sys

import pytest

from crashsense.errors import InputError
from crashsense.synthesis.model import SHIPPED, find_model, known_models

#: Prints the models that importing one module adds, and those that it takes from others.
SCRIPT = """
import importlib
from crashsense.synthesis import model
importlib.import_module("crashsense.synthesis.{module}")
print(*sorted(model._MODELS))
"""


def test_every_model_of_the_table_is_found_under_its_name():
    assert known_models() == tuple(sorted(name for names in SHIPPED.values() for name in names))
    assert [find_model(name).name for name in known_models()] == list(known_models())


@pytest.mark.slow
@pytest.mark.parametrize("module", SHIPPED)
def test_a_module_registers_what_the_table_says(module):
    script = SCRIPT.format(module=module)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    registered = set(done.stdout.split())
    assert set(SHIPPED[module]) <= registered, done.stderr
    others = {name for names in SHIPPED.values() for name in names} - set(SHIPPED[module])
    if module != "combined":  # stands on the frontal and the road model
        assert not registered & others


def test_an_unknown_model_is_answered_with_the_nearest_of_all():
    with pytest.raises(InputError, match="did you mean 'rollover'"):
        find_model("rolover")
