"""Nominal signals kept between runs, so that a command starts without integrating the library anew.

The parsed recipes of the library are kept beside them.

One file per recipe, in the user's cache folder, named by the SHA-256 of everything that the
signals depend on: the recipe, the vehicle files, the code of the models and of what they stand
on, and the versions of numpy and scipy. Another digest is another file, so that nothing is ever out
of date; a damaged file fails its own checksum and is made again. Nothing here is part of a result:
signals are the same bit for bit with the cache, without it (``--no-cache``), and where the folder
cannot be written.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import pickle
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextvars import ContextVar
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.channels import CHANNELS
from crashsense.event import SignalBlock
from crashsense.processes import context, cores
from crashsense.resources import CACHE_VARIABLE, user_folder
from crashsense.resources import folder as shipped_folder
from crashsense.signal import Signal
from crashsense.synthesis.side_by_side import side_by_side

if TYPE_CHECKING:
    from crashsense.synthesis.recipe import Recipe

#: What is used least recently goes when the folder holds more than this. The library takes 50 MB.
MOST_BYTES = 400_000_000

_MARK = b"crashsense nominal signals 2\n"
#: Bytes of a file before its content: the mark, and the checksum of the content in a line.
_HEAD = len(_MARK) + 65
#: What stands before the axis in the name of a rigid-body motion.
_CABIN = "cabin_"

_PACKAGE = Path(__file__).resolve().parent.parent

#: Code that nominal signals do not depend on: the rooms above synthesis.
_ABOVE = frozenset(
    (
        *("cli", "lessons", "reporting", "studies", "campaign", "plan", "results", "trials"),
        *("scoring", "rules", "sensing", "records"),
    )
)

#: Recipes that are made here, one after the other, before processes are worth their start.
FEW = 16

#: Recipes whose models march side by side in a process.
BESIDE = 24

_on: ContextVar[bool] = ContextVar("crashsense_nominal_cache", default=True)
_processes: ContextVar[int] = ContextVar("crashsense_nominal_processes", default=1)


@contextlib.contextmanager
def without() -> Iterator[None]:
    """Within the block nothing is read from the cache and nothing written to it."""
    token = _on.set(False)
    try:
        yield
    finally:
        _on.reset(token)


def nominal_block(recipe: Recipe, make: Callable[[], SignalBlock]) -> SignalBlock:
    """Return the nominal block of *recipe*: the kept one, else what *make* gives, which is kept."""
    folder = user_folder(CACHE_VARIABLE) if _on.get() else None
    if folder is None:
        return make()
    path = folder / f"{recipe.kept_as}.bin"
    kept = _read(path, recipe)
    if kept is not None:
        return kept
    made = make()
    with contextlib.suppress(OSError):  # a full disk or a folder that cannot be written
        _write(path, made)
        _bound(folder)
    return made


#: Texts and numbers of something that is kept, and its arrays, by name.
Kept = tuple[dict[str, Any], dict[str, FloatArray]]


def kept_numbers(recipe: Recipe, *, about: str, make: Callable[[], Kept]) -> Kept:
    """Return what *make* gives for a recipe, kept beside its nominal block.

    Parameters
    ----------
    about : all that it depends on besides the recipe and the code of this room and below
    """
    folder = user_folder(CACHE_VARIABLE) if _on.get() else None
    if folder is None:
        return make()
    name = hashlib.sha256(f"{recipe.kept_as}\n{about}".encode()).hexdigest()
    path = folder / f"{name}.bin"
    found = _load(path)
    if found is not None:
        header, arrays = found
        shaped = zip(header["shapes"].items(), arrays, strict=True)
        return header["texts"], {key: array.reshape(shape) for (key, shape), array in shaped}
    texts, made = make()
    shapes = {key: array.shape for key, array in made.items()}
    with contextlib.suppress(OSError):
        _save(path, {"texts": texts, "shapes": shapes}, list(made.values()))
        _bound(folder)
    return texts, made


def kept_recipes(files: Sequence[Path], *, read: Callable[[], list[Recipe]]) -> list[Recipe]:
    """Return the recipes that *read* makes of shipped *files*, parsed once for all commands.

    Kept pickled, under the content of the files and the code and libraries that read them. To load
    a pickle is to run what it says: one that is not this user's own is not read.
    """
    folder = user_folder(CACHE_VARIABLE) if _on.get() else None
    if folder is None:
        return read()
    from pydantic import VERSION

    digest = hashlib.sha256(f"recipes {_surroundings()} {VERSION}".encode())
    for file in files:
        digest.update(f"\n{file}\n".encode() + file.read_bytes())
    path = folder / f"{digest.hexdigest()}.bin"
    content = _content(path, private=True)
    if content is not None:
        recipes: list[Recipe] = pickle.loads(memoryview(content)[_HEAD:])
        return recipes
    recipes = read()
    with contextlib.suppress(OSError):
        _put(path, pickle.dumps(recipes), private=True)
        _bound(folder)
    return recipes


@contextlib.contextmanager
def in_processes(most: int | None = None) -> Iterator[None]:
    """Within the block :func:`prepare` may start up to *most* processes (None: one a core).

    Not by default: a starting process imports the caller's main module, which only a program made
    for that tolerates (as the command line is).
    """
    token = _processes.set(cores() if most is None else most)
    try:
        yield
    finally:
        _processes.reset(token)


def prepare(recipes: Sequence[Recipe]) -> None:
    """Compute the missing nominal blocks of several recipes at once, spread over processes.

    Does nothing outside :func:`in_processes`, without a cache to bring the signals back, or for few
    recipes. A first run of the whole library then takes the time of one core divided by the cores;
    with numpy the models of some recipes march side by side.
    """
    folder = user_folder(CACHE_VARIABLE) if _on.get() else None
    if folder is None or _processes.get() < 2:
        return
    missing = [r for r in recipes if not (folder / f"{r.kept_as}.bin").exists()]
    if len(missing) < FEW:
        return
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    # What a process cannot do is done here afterwards, with its own words where it fails.
    with (
        contextlib.suppress(BrokenProcessPool, OSError),
        ProcessPoolExecutor(
            min(_processes.get(), len(missing)), mp_context=context(engine.current())
        ) as pool,
    ):
        name = engine.current()
        most = min(BESIDE, -(-len(missing) // _processes.get())) if name == "numpy" else 1
        groups = [missing[first : first + most] for first in range(0, len(missing), most)]
        for started in [pool.submit(_make, group, name, str(folder)) for group in groups]:
            started.exception()


def _make(recipes: Sequence[Recipe], name: str, folder: str) -> None:
    os.environ[CACHE_VARIABLE] = folder  # a fork server may be older than what is set now
    with engine.using(name):
        if len(recipes) > 1:
            with contextlib.suppress(Exception):  # of one recipe: then each is made by itself
                blocks = side_by_side([recipe.block_in_steps([0], seed=0) for recipe in recipes])
                for recipe, block in zip(recipes, blocks, strict=True):
                    nominal_block(recipe, partial(lambda made: made, block))
                return
        for recipe in recipes:
            with contextlib.suppress(Exception):  # made again by who asks for it, with its message
                recipe.nominal()


def digest_of(recipe: Recipe) -> str:
    """Checksum of all that the nominal signals of a recipe depend on."""
    parameters = recipe.parameters.model_dump(mode="json")
    content = {
        "name": recipe.name,
        "model": recipe.model.name,
        "parameters": parameters,
        "belts": recipe.belts,
        "requirements": {
            state: {name: entry.model_dump(mode="json") for name, entry in entries.items()}
            for state, entries in recipe.requirements.items()
        },
        "tolerances": repr(sorted(recipe.tolerances.items())),
        "side": [recipe.struck_side, recipe.is_mirrored],
        "occurrence": recipe.occurrence,
        "extra": repr(sorted(recipe.extra.items())),
        "files": _named_files(
            parameters, beside=Path(recipe.file).parent if recipe.file else Path()
        ),
    }
    text = json.dumps(content, sort_keys=True, default=repr)
    return hashlib.sha256(f"{_surroundings()}\n{text}".encode()).hexdigest()


def _named_files(parameters: Any, *, beside: Path) -> dict[str, str]:
    """Checksums of the files that the parameters name, as a user's vehicle file."""
    found: dict[str, str] = {}
    for value in _texts(parameters):
        if len(value) > 255 or not value:
            continue
        for path in (beside / value, beside / f"{value}.toml", Path(value)):
            with contextlib.suppress(OSError, ValueError):
                if path.is_file():
                    found[value] = hashlib.sha256(path.read_bytes()).hexdigest()
                    break
    return found


def _texts(values: Any) -> Iterator[str]:
    """Every text in nested tables and lists: a vehicle's own file can name another."""
    if isinstance(values, str):
        yield values
    elif isinstance(values, dict | list):
        for value in values.values() if isinstance(values, dict) else values:
            yield from _texts(value)


@lru_cache(maxsize=1)
def _surroundings() -> str:
    """Checksum of the code below and in synthesis, of the vehicles, and of the libraries."""
    from importlib import metadata

    scipy = metadata.version("scipy")  # importing scipy takes longer
    digest = hashlib.sha256(f"{sys.version_info[:2]} {np.__version__} {scipy}".encode())
    for path in sorted(_PACKAGE.rglob("*.py")):
        inside = path.relative_to(_PACKAGE)
        if inside.parts[0] not in _ABOVE:
            digest.update(f"{inside.as_posix()}\n".encode() + path.read_bytes())
    for path in sorted((shipped_folder("pulses") / "vehicles").glob("*.toml")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _write(path: Path, block: SignalBlock) -> None:
    """Write a nominal block; signals that are silent or equal are written once or not at all."""
    arrays: list[Any] = []
    places: dict[int, int] = {}
    signals: dict[str, Any] = {}
    cabin = {f"{_CABIN}{axis}": signal for axis, signal in block.cabin.items()}
    for name, signal in {**block.signals, **cabin}.items():
        silent = not signal.samples.any()
        if not silent and id(signal.samples) not in places:
            places[id(signal.samples)] = len(arrays)
            arrays.append(signal.samples)
        signals[name] = {
            "array": None if silent else places[id(signal.samples)],
            "shape": signal.samples.shape,
            "rate_hz": signal.rate_hz,
            "start_s": signal.start_s,
            "history": signal.history,
        }
    header = {
        "signals": signals,
        "required_s": {
            event: {name: values.tolist() for name, values in of.items()}
            for event, of in block.required_s.items()
        },
        "facts": {name: np.asarray(values).tolist() for name, values in block.facts.items()},
    }
    _save(path, header, arrays)


def _save(path: Path, header: dict[str, Any], arrays: Sequence[FloatArray]) -> None:
    """Write a file of texts and numbers, and of arrays."""
    payload = b"".join(np.ascontiguousarray(a, dtype="<f8").tobytes() for a in arrays)
    line = json.dumps({**header, "sizes": [array.size for array in arrays]})
    _put(path, line.encode() + b"\n" + payload)


def _put(path: Path, body: bytes, *, private: bool = False) -> None:
    """Write a file with its checksum, under a unique name first: two writers never collide.

    *private*: nobody else may write to it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.stem}.{os.getpid()}.{threading.get_ident()}.tmp")
    try:
        temporary.write_bytes(_MARK + hashlib.sha256(body).hexdigest().encode() + b"\n" + body)
        if private:
            temporary.chmod(0o600)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def _is_own(descriptor: int) -> bool:
    """True if nobody else can have written this open file; a folder of the cache may be shared."""
    if sys.platform == "win32":  # the folder belongs to the user there
        return True
    found = os.fstat(descriptor)
    return found.st_uid == os.getuid() and not found.st_mode & 0o022


def _content(path: Path, *, private: bool = False) -> bytes | None:
    """Return a file that :func:`_put` wrote, or None if there is none or it is damaged.

    *private*: None as well where somebody else could have written it.
    """
    try:
        with path.open("rb") as file:
            if private and not _is_own(file.fileno()):
                return None
            content = file.read()
        os.utime(path)  # used now
    except OSError:
        return None
    if content[: len(_MARK)] != _MARK or len(content) < _HEAD:
        return None
    found = hashlib.sha256(memoryview(content)[_HEAD:]).hexdigest().encode()
    return content if found == content[len(_MARK) : _HEAD - 1] else None


def _load(path: Path) -> tuple[dict[str, Any], list[FloatArray]] | None:
    """Return header and arrays of a file, or None if there is none or it is damaged."""
    content = _content(path)
    if content is None:
        return None
    line = content.index(b"\n", _HEAD)
    header = json.loads(content[_HEAD:line])
    values = np.frombuffer(content, dtype="<f8", offset=line + 1)
    ends = np.cumsum([0, *header["sizes"]])
    parts = [values[first:last] for first, last in zip(ends[:-1], ends[1:], strict=True)]
    return header, [part.astype(np.float64) for part in parts]


def _read(path: Path, recipe: Recipe) -> SignalBlock | None:
    """Return the cached block, or None if there is none or it is damaged."""
    found = _load(path)
    if found is None:
        return None
    header, arrays = found
    signals, cabin = {}, {}
    kept: dict[tuple[int | None, tuple[int, ...]], FloatArray] = {}  # equal signals share one
    for name, entry in header["signals"].items():
        moves = name.startswith(_CABIN)
        channel = CHANNELS["central_x" if moves else name]
        axis = name.removeprefix(_CABIN) if moves else channel.axis
        shape = tuple(entry["shape"])
        number = entry["array"]
        if (number, shape) not in kept:
            part = np.zeros(shape) if number is None else arrays[number]
            kept[number, shape] = part.reshape(shape)
        signal = Signal.owning(
            kept[number, shape],
            rate_hz=entry["rate_hz"],
            start_s=entry["start_s"],
            unit=channel.unit,
            axis=axis,
            location="cabin" if moves else channel.location,
            history=tuple(entry["history"]),
        )
        if moves:
            cabin[axis] = signal
        else:
            signals[name] = signal
    return SignalBlock(
        draws=np.zeros(1, dtype=np.int64),
        signals=signals,
        required_s={
            event: {name: np.asarray(v, dtype=np.float64) for name, v in of.items()}
            for event, of in header["required_s"].items()
        },
        facts={name: np.asarray(v, dtype=np.float64) for name, v in header["facts"].items()},
        cabin=cabin,
    )


def _bound(folder: Path) -> None:
    """Remove the least recently used files beyond :data:`MOST_BYTES`."""
    found = []
    for path in folder.glob("*.bin"):
        with contextlib.suppress(OSError):  # another process may remove it meanwhile
            state = path.stat()
            found.append((state.st_mtime, state.st_size, path))
    total = sum(size for _, size, _ in found)
    for _, size, path in sorted(found):
        if total <= MOST_BYTES:
            break
        with contextlib.suppress(OSError):
            path.unlink()
        total -= size
