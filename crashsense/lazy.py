"""Names of a room that load on first use (PEP 562): no command imports what it does not need."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any


def loader(room: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """Return the ``__getattr__`` of a room.

    Parameters
    ----------
    room : its name, ``__name__``
    homes : name -> module in the room that has it

    >>> loader("crashsense.filters", {"lowpass": "design"})("lowpass").__module__
    'crashsense.filters.design'
    """

    def found(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {room!r} has no attribute {name!r}")
        return getattr(importlib.import_module(f"{room}.{homes[name]}"), name)

    return found
