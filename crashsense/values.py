"""Value objects as text: short for a reader, whole for a checksum.

A dataclass that holds arrays or other value objects takes :class:`Shown` as its base; its ``repr``
then fits on three lines. What depends on the content of an object, such as a checksum, uses
:func:`content_of` and never ``repr``.
"""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

#: Width of a line of a short text, and most lines.
WIDTH = 88
LINES = 3


class Shown:
    """Base of a value object with a short ``repr``.

    >>> @dataclasses.dataclass
    ... class Reading(Shown):
    ...     channel: str
    ...     samples: object
    ...     note: str = ""
    >>> Reading("central_x", np.zeros((3, 600)))
    Reading(channel='central_x', samples=<float64 3 x 600>)
    """

    def __init_subclass__(cls, **keywords: Any) -> None:
        super().__init_subclass__(**keywords)
        if "__repr__" not in cls.__dict__:  # a dataclass keeps the one that is there
            cls.__repr__ = short  # type: ignore[assignment, method-assign]


def short(value: Any) -> str:
    """Return a dataclass on at most three lines: fields that differ from their default."""
    parts = []
    for field in dataclasses.fields(value):
        content = getattr(value, field.name)
        plain = content is None or isinstance(content, str | int | float | tuple | Mapping)
        default = field.default
        if field.default_factory is not dataclasses.MISSING:
            default = field.default_factory()
        if field.repr and not (plain and type(content) is type(default) and content == default):
            parts.append(f"{field.name}={_brief(content)}")
    text = f"{type(value).__name__}({', '.join(parts)})"
    lines = textwrap.wrap(text, WIDTH, max_lines=LINES, placeholder=" ...)", subsequent_indent="  ")
    return "\n".join(lines)


def _brief(value: Any) -> str:
    if isinstance(value, np.ndarray):
        if value.size <= 3:
            return str([_number(item) for item in value.ravel().tolist()]).replace("'", "")
        return f"<{value.dtype} {' x '.join(map(str, value.shape))}>"
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, str):
        return repr(value) if len(value) <= 60 else repr(f"{value[:57]}...")
    if isinstance(value, Mapping):
        names = ", ".join(map(str, list(value)[:4]))
        return f"{{{names}{', ...' if len(value) > 4 else ''}}}"
    if isinstance(value, tuple | list | frozenset | set):
        items = [_brief(item) for item in list(value)[:4]]
        return f"({', '.join(items)}{', ...' if len(value) > 4 else ''})"
    if dataclasses.is_dataclass(value):
        name = getattr(value, "name", None)
        return f"{type(value).__name__}({repr(name) if isinstance(name, str) else '...'})"
    return repr(value) if value is None or isinstance(value, int) else f"<{type(value).__name__}>"


def _number(item: Any) -> str:
    return f"{item:.5g}" if isinstance(item, float) else str(item)


@dataclasses.dataclass(frozen=True, eq=False)
class Identity:
    """An object as a key, by identity: comparing its content would cost as much as what is kept.

    The object is kept with the key, so that no other has its place in memory.
    """

    value: Any

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Identity) and self.value is other.value

    def __hash__(self) -> int:
        return id(self.value)


#: Types that are written by their ``repr``.
_PLAIN = frozenset((str, float, int, bool, type(None)))


@lru_cache(maxsize=256)
def _shown(kind: type) -> tuple[str, ...] | None:
    """Fields of a dataclass that its ``repr`` shows; None of what is no dataclass."""
    if not dataclasses.is_dataclass(kind):
        return None
    return tuple(field.name for field in dataclasses.fields(kind) if field.repr)


def content_of(value: Any) -> str:
    """Return the whole content of an object as text, the same for equal contents.

    Dataclasses, mappings and sequences are written field by field, arrays as their bytes; anything
    else is written by its ``repr``.

    >>> content_of({"a": (1, 2.5), "b": np.array([1.0])})
    "{'a': (1, 2.5), 'b': float64(1,):000000000000f03f}"
    """
    kind: Any = type(value)
    if kind in _PLAIN:
        return repr(value)
    if isinstance(value, np.ndarray):
        return f"{value.dtype}{value.shape}:{np.ascontiguousarray(value).tobytes().hex()}"
    shown = _shown(kind)
    if shown is not None:
        contents = _contents([getattr(value, name) for name in shown])
        inside = ", ".join([f"{name}={text}" for name, text in zip(shown, contents, strict=True)])
        return f"{kind.__qualname__}({inside})"
    if isinstance(value, Mapping):
        contents = _contents(list(value.values()))
        inside = ", ".join([f"{key!r}: {text}" for key, text in zip(value, contents, strict=True)])
        return f"{{{inside}}}"
    if isinstance(value, tuple | list):
        return f"({', '.join(_contents(value))})"
    if isinstance(value, set | frozenset):
        return f"({', '.join(sorted(_contents(list(value))))})"
    return repr(value)


def _contents(values: Sequence[Any]) -> list[str]:
    """Text of each of some values; nearly all are plain, and need no call."""
    return [repr(one) if type(one) in _PLAIN else content_of(one) for one in values]
