"""The one decorator of compiled kernels: kept on disk until the source of any of them changes.

Numba keeps a compiled function beside its source, and compiles it again when that file changes. A
kernel is made of functions of other files as well: with numba's own check, an old kernel would run
after a change there, in silence. Here the check is over all files that kernels are made of.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numba


@lru_cache(maxsize=1)
def _sources() -> str:
    """Checksum of the files that kernels are made of: theirs, and two that numpy uses as well."""
    folder = Path(__file__).parent
    content = hashlib.sha256()
    for file in [
        *sorted(folder.glob("compiled*.py")),
        folder / "normal.py",
        folder / "operations.py",
    ]:
        content.update(file.name.encode())
        content.update(file.read_bytes())
    return content.hexdigest()


def kernel(**options: Any) -> Callable[[Any], Any]:
    """Return a decorator that compiles a function without the lock of the interpreter.

    *options* are those of ``numba.njit``. Sums keep their order (no ``fastmath``), so that results
    are those of numpy to rounding.
    """

    def decorate(function: Any) -> Any:
        made = numba.njit(cache=True, nogil=True, fastmath=False, **options)(function)
        # Numba has no public way to say what a kept function depends on. Without these attributes
        # (compilation switched off, another numba) its own check remains: the function's file.
        kept: Any = getattr(getattr(made, "_cache", None), "_cache_file", None)
        if hasattr(kept, "_source_stamp"):
            kept._source_stamp = _sources()
        return made

    return decorate
