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
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

import numba
from llvmlite.binding import parse_bitcode
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


def _load_lightly(made: Any) -> None:
    """Let a kernel that is loaded hold its code in the form that is linked only when asked for it.

    Numba reads that form with the machine code: 34 MB of all kernels, and only a function that is
    compiled while it calls a loaded kernel has a use for it. Nothing is changed in a numba that
    keeps it elsewhere.
    """
    stored: Any = getattr(getattr(made, "_cache", None), "_impl", None)
    if stored is None:
        return
    rebuild = stored.rebuild

    def lightly(context: Any, kept: Any) -> Any:
        compiled = rebuild(context, kept)
        match kept:
            case (library, *_):
                _lighten(getattr(compiled, "library", None), library)
        return compiled

    stored.rebuild = lightly


def _lighten(library: Any, kept: Any) -> None:
    """Drop the form of a loaded library that is linked; *kept* is what it was loaded from."""
    if getattr(library, "_shared_module", None) is None:
        return
    match kept:
        case (_, "object", (_, bytes() as compact)):
            pass
        case _:
            return

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

    def _file(self, name: str) -> Path:
        return self.folder / f"{name}.code"

    def there(self, name: str) -> bool:
        """True if code is kept under this name, valid or not."""
        return name in self.functions or self._file(name).is_file()

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
            with suppress(OSError):  # where it cannot be removed it is made again all the same
                self._file(name).unlink()
            return None
        kept = pickle.loads(code)
        library = _compiler().unserialize_library(kept)
        _lighten(library, kept)
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
