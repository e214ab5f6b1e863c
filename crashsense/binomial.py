"""The binomial distribution, of ``scipy.special``, which is imported here in half of its time.

Scipy goes through all names of numpy when it is imported, and with them through modules that numpy
only imports when they are asked for, its compiler of Fortran and its tools for tests. Scipy asks
nothing of either. While it is imported a module stands in for each, which gives what the real one
has to whoever does ask.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import Any

import numpy as np

__all__ = ["bdtr", "bdtrik", "betaincinv"]

#: Modules of numpy that take half the time of importing ``scipy.special``.
NOT_ASKED = ("f2py", "testing")


class _StandIn(ModuleType):
    """A module that is imported when something is asked of it."""

    def __getattr__(self, name: str) -> Any:
        return getattr(importlib.import_module(self.__name__), name)


@contextmanager
def _stand_ins() -> Iterator[None]:
    """Let those modules of numpy that have not been imported be stood in for."""
    absent = [name for name in NOT_ASKED if f"numpy.{name}" not in sys.modules]
    for name in absent:
        setattr(np, name, _StandIn(f"numpy.{name}"))
    try:
        yield
    finally:
        for name in absent:  # one that has been imported meanwhile stands there itself
            if isinstance(vars(np).get(name), _StandIn):
                delattr(np, name)


with _stand_ins():
    from scipy.special import bdtr, bdtrik, betaincinv
