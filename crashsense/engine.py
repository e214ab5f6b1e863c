"""Which engine computes the array kernels: ``numpy`` always, ``fast`` where numba is installed.

The engine changes speed only: verdicts and fire times are the same, floats agree to 1e-9.
:func:`using` selects it for a block of code in the current thread; everywhere else numpy computes.
Numba is imported, and a kernel loaded, when something computes with it: reading what is kept needs
neither. Work that is over before they are loaded runs in :func:`for_small_work`.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from functools import lru_cache
from importlib.abc import MetaPathFinder
from threading import get_ident
from types import ModuleType
from typing import TYPE_CHECKING, Any

from crashsense.errors import MissingExtraError, unknown_name

if TYPE_CHECKING:
    import numpy.typing as npt

ENGINES = ("numpy", "fast")

#: Numpy, where a sum is to have the bits of ``fast``: never chosen by a user.
_IN_TURN = "in turn"

_current: ContextVar[str] = ContextVar("crashsense_engine", default="numpy")
#: Within :func:`for_small_work`: the engine of the models; else None.
_of_models: ContextVar[str | None] = ContextVar("crashsense_engine_of_models", default=None)


def installed() -> bool:
    """True if numba can be imported."""
    return importlib.util.find_spec("numba") is not None


class _NotAsked(MetaPathFinder):
    """Says that ``scipy.linalg`` is not there, to the thread that made it and to no other."""

    def __init__(self) -> None:
        self.thread = get_ident()

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> None:
        if fullname == "scipy.linalg" and get_ident() == self.thread:
            raise ModuleNotFoundError(f"{fullname} is not imported here")


def _import_numba() -> None:
    """Import numba without ``scipy.linalg``, which takes half as long as numba itself.

    Numba imports it only to learn whether ``np.convolve`` of two arrays may use it. It is there: it
    is a dependency of this package. Should numba ask in another way, it is imported as before.
    """
    asked = "numba.np.arraymath"
    if asked in sys.modules or "scipy.linalg" in sys.modules:
        return
    import numba  # noqa: F401  (asks nothing yet)

    finder = _NotAsked()
    sys.meta_path.insert(0, finder)
    try:
        found: Any = importlib.import_module(asked)
    finally:
        sys.meta_path.remove(finder)
    if hasattr(found, "_HAVE_BLAS"):
        found._HAVE_BLAS = True


@lru_cache(maxsize=1)
def _load() -> tuple[ModuleType | None, str]:
    try:
        _import_numba()
        from crashsense.compiled import kernels as compiled
    except Exception as error:  # whatever a compiler or its cache may raise
        return None, _cannot_be_used(error)
    return compiled, ""


def kept() -> bool:
    """True if no kernel has to be compiled: all are on disk, or cannot be used or looked for."""
    kernels = _load()[0]
    made = [getattr(kernels, name) for name in getattr(kernels, "__all__", ())]
    # Numba has no public way to ask.
    files: list[Any] = [getattr(getattr(one, "_cache", None), "_cache_file", None) for one in made]
    return all(map(_has_entries, files))


def _has_entries(file: Any) -> bool:
    try:
        return bool(file._load_index())
    except Exception:  # not kept, another numba, or not to be read: told where it is loaded
        return True


@lru_cache(maxsize=1)
def _fault_of_a_kernel() -> str:
    from crashsense.compiled import kernels as compiled

    try:
        compiled.check()
    except Exception as error:  # as above
        return _cannot_be_used(error)
    return ""


def _cannot_be_used(error: Exception) -> str:
    reason = " ".join(str(error).split())[:120]
    return f"engine fast cannot be used ({type(error).__name__}: {reason}); numpy computes"


def choose(name: str | None, *, thorough: bool = False) -> tuple[str, str]:
    """Return the engine to use for the requested one (None: the fastest installed), and a note.

    The note is empty, or one line that says why numpy computes although ``fast`` is installed.
    *thorough*: every kernel is loaded (or compiled) and run once, for long work; else it is enough
    that the kernels can be imported.

    Raises
    ------
    MissingExtraError : ``fast`` is requested but numba is not installed
    UnknownNameError : no such engine

    >>> choose("numpy")
    ('numpy', '')
    """
    if requested(name) == "numpy":
        return "numpy", ""
    kernels, note = _load()
    if kernels is not None and thorough:
        note = _fault_of_a_kernel()
    return ("numpy", note) if note else ("fast", "")


def requested(name: str | None = None) -> str:
    """Return the engine requested, by name (None: the fastest installed); nothing is imported.

    For :func:`using`: where it turns out that numba cannot be imported, numpy computes. Raises what
    :func:`choose` raises.
    """
    if name is not None and name not in ENGINES:
        raise unknown_name("engine", name, ENGINES)
    if name == "numpy" or (name is None and not installed()):
        return "numpy"
    if not installed():
        raise MissingExtraError(
            "engine 'fast' needs numba, which is not installed: pip install '.[fast]'"
        )
    return "fast"


@contextmanager
def using(name: str) -> Iterator[None]:
    """Let the named engine compute inside the block."""
    token = _current.set(name)
    try:
        yield
    finally:
        _current.reset(token)


@contextmanager
def for_small_work(models: str) -> Iterator[None]:
    """Let numpy compute inside the block, without a library that is only faster.

    For the nominal draw of one event, as a command shows or explains it: importing numba and
    loading kernels takes half a second, more than the work itself.
    Integrating a model in time is no small work: there the engine *models* computes
    (:func:`for_models`). With ``fast`` sums that numpy rounds in another way are added up in its
    order (:func:`in_turn`), so that rows have its bits.
    """
    token = _of_models.set(models)
    try:
        with using("numpy" if models == "numpy" else _IN_TURN):
            yield
    finally:
        _of_models.reset(token)


@contextmanager
def for_models() -> Iterator[None]:
    """Let the engine of the models compute inside the block; no change outside small work."""
    models = _of_models.get()
    if models is None:
        yield
        return
    token = _of_models.set(None)
    try:
        with using(models):
            yield
    finally:
        _of_models.reset(token)


def is_small() -> bool:
    """True where a library that is only faster is not worth its import."""
    return _of_models.get() is not None


def in_turn() -> bool:
    """True where a sum whose bits depend on its order is to have those of the engine ``fast``.

    That is small work for a run of that engine; a block of another engine inside it is none
    (:func:`using`).
    """
    return _current.get() == _IN_TURN


def kernels() -> ModuleType | None:
    """Return the compiled kernels if engine ``fast`` computes here, else None."""
    return _load()[0] if _current.get() == "fast" else None


def given(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return an array as a kernel takes it: in C order, and not to be written to.

    A kernel is compiled anew for every kind of arguments; given alike it is compiled once.
    """
    flags = array.flags
    if flags.c_contiguous:
        if not flags.writeable:
            return array
        plain = array.view()
    else:
        plain = array.copy("C")
    plain.setflags(write=False)
    return plain


def current() -> str:
    """Return the name of the engine that computes here."""
    return "numpy" if kernels() is None else "fast"
