"""Reasons why no test can notice a mutant: of lines that are there."""

from __future__ import annotations

from pathlib import Path

import pytest
from mutation_reasons import SAME

CHECKOUT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("module", sorted({module for module, *_ in SAME}))
def test_a_reason_names_a_line_that_is_there(module: str) -> None:
    lines = {line.strip() for line in (CHECKOUT / module).read_text(encoding="utf-8").splitlines()}
    assert not [said for file, said, _ in SAME if file == module and said not in lines]
