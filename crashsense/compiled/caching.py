"""The one decorator of compiled kernels: kept on disk until the source of any of them changes.

Numba keeps a compiled function beside its source, and compiles it again when that file changes. A
kernel is made of functions of other files as well: with numba's own check, an old kernel would run
after a change there, in silence. Here the check is over all files that kernels are made of.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import numba
from llvmlite.binding import parse_assembly, parse_bitcode
from numba.core.compiler_lock import global_compiler_lock
from numba.core.registry import cpu_target


@lru_cache(maxsize=1)
def _sources() -> str:
    """Checksum of the files that kernels are made of: theirs, and two that numpy uses as well."""
    folder = Path(__file__).parent
    content = hashlib.sha256()
    ours = sorted(folder.glob("*.py"))
    for file in [*ours, *(folder.parent / f"{name}.py" for name in ("normal", "operations"))]:
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
            _write_again(kept)
        _load_lightly(made)
        return made

    return decorate


def _write_again(file: Any) -> None:
    """Let what a power failure or a full disk left of a kernel count as nothing kept.

    Numba would fail at every start until somebody removes the file; so the kernel is compiled, and
    the file written again. A file that may not be read is no such case.
    """

    def readable(read: Callable[..., Any], nothing: Callable[[], Any]) -> Callable[..., Any]:
        def read_or_nothing(*given: Any) -> Any:
            try:
                return read(*given)
            except OSError:
                raise
            except Exception:  # whatever half a pickle raises
                return nothing()

        return read_or_nothing

    file._load_index = readable(file._load_index, dict)
    file.load = readable(file.load, lambda: None)


#: Functions of a kernel that are called from without: what numba calls their names.
_CALLED = ("llvm_func_name", "llvm_cpython_wrapper_name", "llvm_cfunc_wrapper_name")


def _load_lightly(made: Any) -> None:
    """Let a kernel that is loaded leave the form of it that is linked as it was kept.

    Numba reads that form with the machine code, and asks for the name of each function in it: half
    of what loading takes, and 34 MB of all kernels. Only a function that is compiled while it calls
    a loaded kernel has a use for it. Nothing is changed in a numba that keeps it elsewhere.
    """
    stored: Any = getattr(getattr(made, "_cache", None), "_impl", None)
    if stored is None:
        return
    rebuild = stored.rebuild

    def lightly(context: Any, kept: Any) -> Any:
        match kept:
            case (library, about, *more):
                names = [getattr(about, name, None) for name in _CALLED]
                light, put_back = _light(library, names)
                compiled = rebuild(context, (light, about, *more))
                put_back(getattr(compiled, "library", None))
                return compiled
        return rebuild(context, kept)

    stored.rebuild = lightly


def _light(kept: Any, names: Sequence[Any]) -> tuple[Any, Callable[[Any], None]]:
    """Return what to load in place of a kept library, and what to do with the library then.

    Its machine code, and in place of the form that is linked one with those *names* alone that
    numba looks for; the library then reads the other one if it is asked for it.
    """
    match kept:
        case (name, "object", (bytes() as code, bytes() as compact)) if _links_later():
            found = "".join(f'define void @"{one}"() {{ ret void }}\n' for one in names if one)
            return (name, "object", (code, _bitcode(found))), partial(_link_later, compact=compact)
    return kept, lambda library: None


def _bitcode(text: str) -> bytes:
    return bytes(parse_assembly(text).as_bitcode())


@lru_cache(maxsize=1)
def _links_later() -> bool:
    """True if libraries of this numba link what :func:`_link_later` lets them read."""
    library = _compiler().create_library("asked")
    return all(hasattr(library, one) for one in ("_shared_module", "_get_module_for_linking"))


def _link_later(library: Any, compact: bytes) -> None:
    """Let a library read the form that is linked when it is asked for it."""

    def linked() -> Any:
        if library._shared_module is None:
            library._shared_module = parse_bitcode(compact)
        return library._shared_module

    library._get_module_for_linking = linked
    library._shared_module = None


# --- code written at run time ---------------------------------------------------------------------


class Kept:
    """Functions that a program writes for itself, by name; their code is kept in a folder.

    They are made by numba's own compiler with its options, as kernels are: the same arithmetic has
    the same bits in both. Several processes may write and read the folder.

    Parameters
    ----------
    folder : where numba keeps the kernels that call them
    most : files; the oldest give way
    """

    def __init__(self, folder: Path, *, most: int) -> None:
        self.folder, self.most = folder, most
        self.functions: dict[str, tuple[Any, int]] = {}
        self._refused: set[str] = set()

    def _file(self, name: str) -> Path:
        return self.folder / f"{name}.code"

    def there(self, name: str) -> bool:
        """True if code is kept under this name: valid, or not yet looked at."""
        if name in self.functions:
            return True
        return name not in self._refused and self._file(name).is_file()

    def address(self, name: str) -> int:
        """Return where a function begins; 0 if there is no valid code of it."""
        with global_compiler_lock:
            if name not in self.functions and (library := self._loaded(name)) is not None:
                self._hold(name, library)
        return self.functions[name][1] if name in self.functions else 0

    def make(self, name: str, write: Callable[[Any], None]) -> None:
        """Compile and keep a function, in place of what may be kept of it.

        *write* puts a function *name* into the ``llvmlite.ir.Module`` that it is given.
        """
        with global_compiler_lock:
            if name not in self.functions:
                self._hold(name, self._made(name, write))

    def _hold(self, name: str, library: Any) -> None:
        # Its code lasts as long as the library does.
        self.functions[name] = library, int(library.get_pointer_to_function(name))

    def _made(self, name: str, write: Any) -> Any:
        library = _compiler().create_library(name)
        library.enable_object_caching()
        module = library.create_ir_module(name)
        write(module)
        library.add_ir_module(module)
        library.finalize()
        with suppress(OSError):  # it is made again in the next process
            self._keep(name, pickle.dumps(library.serialize_using_object_code()))
        return library

    def _loaded(self, name: str) -> Any:
        try:
            content = self._file(name).read_bytes()
        except OSError:
            return None
        seal, code = content[:32], content[32:]
        if seal != _seal(code):
            try:
                self._file(name).unlink(missing_ok=True)
            except OSError:  # it cannot be removed, and is made again all the same
                self._refused.add(name)
            return None
        light, put_back = _light(pickle.loads(code), [name])
        library = _compiler().unserialize_library(light)
        put_back(library)
        return library

    def _keep(self, name: str, code: bytes) -> None:
        files = sorted(self.folder.glob("*.code"), key=lambda file: file.stat().st_mtime)
        for file in files[: max(0, len(files) + 1 - self.most)]:
            file.unlink(missing_ok=True)
        handle, temporary = tempfile.mkstemp(dir=self.folder, prefix="new_", suffix=".code")
        try:
            with os.fdopen(handle, "wb") as new:
                new.write(_seal(code) + code)
            os.replace(temporary, self._file(name))
        except OSError:  # a full disk
            Path(temporary).unlink(missing_ok=True)
            raise


def _compiler() -> Any:
    return cpu_target.target_context.codegen()


def _seal(code: bytes) -> bytes:
    """Checksum of code and of all that it depends on: sources, compiler, processor."""
    made_by = repr((_sources(), numba.__version__, _compiler().magic_tuple()))
    return hashlib.sha256(made_by.encode() + code).digest()
