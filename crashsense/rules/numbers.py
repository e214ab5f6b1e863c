"""The numbers of an algorithm by name: read, replaced, written back to its file.

A name is the path to the number in the algorithm's file, without ``definitions`` or ``rules``:
``front.threshold_m_s``, ``side_airbag_left.main.threshold_percent``, ``front.of[1].window_ms``. The
threshold of the third vertex of a threshold line is ``map.line[2]``.

The file may declare which of them a calibration may move::

    [calibration]
    most_numbers = 8                                   # more are refused; default 20
    [calibration.free]
    "front.threshold_m_s" = [0.5, 4.0]                 # bounds
    [calibration.same]
    "upfront_right.threshold_m_s" = "upfront_left.threshold_m_s"
    [calibration.shape]
    "map.line" = ["rising", "smooth"]                  # of "rising", "convex" and "smooth"

*Rising*: no piece falls. *Convex*: each piece is as steep as the one before it, or steeper.
*Smooth*: no zigzag and no sharp bend; a piece is at most three times as steep as its neighbour.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from crashsense.errors import Fault, InputError, nearest

#: Numbers that a calibration may move at most, unless the file says otherwise.
MOST_NUMBERS = 20

SHAPES = ("rising", "convex", "smooth")

#: Of a smooth line: most by which two neighbouring slopes may differ, over the sum of their sizes.
#: Half of it: the steeper is three times as steep; slopes of opposite signs never pass.
MOST_BEND = 0.5

Path = tuple[str | int, ...]


def numbers_of(table: Mapping[str, Any]) -> dict[str, float]:
    """Return every number of a parsed algorithm by name.

    >>> numbers_of({"definitions": {"front": {"family": "level", "threshold_g": 3.0}}})
    {'front.threshold_g': 3.0}
    """
    return {_name(path): float(value) for path, value in _walk(table)}


def _walk(table: Mapping[str, Any]) -> Iterator[tuple[Path, float]]:
    for part in ("definitions", "rules"):
        for name, content in dict(table.get(part, {})).items():
            yield from _numbers((part, name), content)


def _numbers(path: Path, value: Any) -> Iterator[tuple[Path, float]]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _numbers((*path, key), item)
    elif isinstance(value, (list, tuple)):
        for at, item in enumerate(value):
            pair = isinstance(item, (list, tuple)) and len(item) == 2
            if pair and not isinstance(item[1], (list, tuple, Mapping)):
                yield from _numbers((*path, at, 1), item[1])
            else:
                yield from _numbers((*path, at), item)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        yield path, float(value)


def _name(path: Path) -> str:
    parts = path[1:]
    text = str(parts[0])
    for at, part in enumerate(parts[1:], start=1):
        if isinstance(part, str):
            text += f".{part}"
        elif not isinstance(parts[at - 1], int):  # the place in a pair is not written
            text += f"[{part}]"
    return text


def _paths(table: Mapping[str, Any]) -> dict[str, Path]:
    return {_name(path): path for path, _ in _walk(table)}


def with_numbers(table: Mapping[str, Any], values: Mapping[str, float]) -> dict[str, Any]:
    """Return the parsed algorithm with other numbers.

    Raises
    ------
    InputError : a name that no number of the algorithm has
    """
    out = copy.deepcopy(dict(table))
    paths = _paths(table)
    if faults := unknown_numbers(table, list(values)):
        raise InputError(faults)
    for name, value in values.items():
        path = paths[name]
        place: Any = out
        for part in path[:-1]:
            place = place[part]
        place[path[-1]] = float(value)
    return out


def unknown_numbers(
    table: Mapping[str, Any], names: Sequence[str], *, file: str = "algorithm"
) -> list[Fault]:
    """Return a fault for each name that no number of the algorithm has."""
    known = numbers_of(table)
    return [Fault(file, name, None, nearest(name, known)) for name in names if name not in known]


def with_numbers_in_text(text: str, values: Mapping[str, float]) -> str:
    """Return the text of an algorithm's file with other numbers; its comments stay.

    If a number is not on a line of its own in its section, the file is rewritten and loses its
    comments.
    """
    table = tomllib.loads(text)
    wanted = with_numbers(table, values)
    paths, out = _paths(table), text
    for name, value in values.items():
        *section, key = paths[name]
        if isinstance(key, str) and all(isinstance(part, str) for part in section):
            head = re.escape(".".join(str(part) for part in section))
            pattern = rf"(^\[{head}\][^\n]*\n(?:(?!\[)[^\n]*\n)*?{re.escape(key)}[ ]*=[ ]*)[^\s#]+"
            found = re.search(pattern, out, flags=re.MULTILINE)
            if found is not None:
                out = f"{out[: found.start(1)]}{found[1]}{float(value)!r}{out[found.end() :]}"
    if tomllib.loads(out) == wanted:
        return out
    import tomli_w

    return tomli_w.dumps(wanted)


@dataclass(frozen=True)
class Freedom:
    """What a calibration may move: name -> bounds, names that follow another, shapes of lines."""

    bounds: Mapping[str, tuple[float, float]]
    same: Mapping[str, str] = field(default_factory=dict)
    shapes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def spread(self, values: Mapping[str, float]) -> dict[str, float]:
        """Return the values, with those that follow another."""
        return {**values, **{name: values[other] for name, other in self.same.items()}}


def freedom_of(
    table: Mapping[str, Any], *, file: str = "algorithm", most: int | None = None
) -> Freedom:
    """Return what a calibration may move, as ``[calibration]`` of the file says.

    Raises
    ------
    InputError : no number is free, or more than *most* (default: what the file says, else 20);
        unknown names, invalid bounds
    """
    said = table.get("calibration", {})
    free, same, shapes = (dict(said.get(key, {})) for key in ("free", "same", "shape"))
    known = {"most_numbers", "free", "same", "shape"}
    faults = [Fault(file, f"calibration.{k}", None, nearest(k, known)) for k in set(said) - known]
    limit = said.get("most_numbers", MOST_NUMBERS) if most is None else most
    if not free:
        expected = '"NAME" = [low, high] for each number that may move'
        raise InputError([*faults, Fault(file, "calibration.free", None, expected)])
    if len(free) > limit:
        expected = f"{limit} free numbers at most: more than a reader can defend"
        faults.append(Fault(file, "calibration.free", len(free), expected))
    faults += unknown_numbers(table, [*free, *same], file=file)
    start = numbers_of(table)
    for name, bounds in free.items():
        pair = isinstance(bounds, list) and len(bounds) == 2
        if not pair or not all(isinstance(b, (int, float)) for b in bounds):
            faults.append(Fault(file, f"calibration.free.{name}", bounds, "[low, high]"))
        elif not bounds[0] < bounds[1]:
            faults.append(Fault(file, f"calibration.free.{name}", bounds, "low below high"))
        elif name in start and not bounds[0] <= start[name] <= bounds[1]:
            expected = f"bounds that hold the value of the file, {start[name]:g}"
            faults.append(Fault(file, f"calibration.free.{name}", bounds, expected))
    for name, other in same.items():
        if other not in free:
            faults.append(Fault(file, f"calibration.same.{name}", other, nearest(other, free)))
    for name, words in shapes.items():
        wrong = [word for word in words if word not in SHAPES] if isinstance(words, list) else [""]
        if wrong:
            faults.append(
                Fault(file, f"calibration.shape.{name}", words, f"of {', '.join(SHAPES)}")
            )
        elif not isinstance(_line(table, name), list):
            faults.append(Fault(file, f"calibration.shape.{name}", None, "a threshold line"))
    if faults:
        raise InputError(faults)
    return Freedom(
        {name: (float(low), float(high)) for name, (low, high) in free.items()},
        same,
        {name: tuple(words) for name, words in shapes.items()},
    )


def _line(table: Mapping[str, Any], name: str) -> Any:
    for part in ("definitions", "rules"):
        place: Any = table.get(part, {})
        for key in name.split("."):
            place = place.get(key) if isinstance(place, Mapping) else None
        if place is not None:
            return place
    return None


def shape_shortfall(table: Mapping[str, Any], shapes: Mapping[str, Sequence[str]]) -> float:
    """Return by how much threshold lines fall short of their shapes, 0 where all hold.

    >>> bent = {"definitions": {"map": {"line": [[0.0, 1.0], [10.0, 3.0], [20.0, 4.0]]}}}
    >>> shape_shortfall(bent, {"map.line": ("rising",)})
    0.0
    >>> shape_shortfall(bent, {"map.line": ("convex",)})
    0.1
    >>> shape_shortfall(bent, {"map.line": ("smooth",)})  # 0.2, then 0.1 a millisecond
    0.0
    >>> zigzag = {"definitions": {"map": {"line": [[4.0, 0.68], [8.0, 1.99], [12.0, 0.81]]}}}
    >>> shape_shortfall(zigzag, {"map.line": ("smooth",)}) > 0.2
    True
    """
    total = 0.0
    for name, words in shapes.items():
        line = _line(table, name)
        pairs = list(zip(line[:-1], line[1:], strict=True))
        slopes = [(v1 - v0) / (t1 - t0) for (t0, v0), (t1, v1) in pairs]
        if "rising" in words:
            total += sum(max(-slope, 0.0) for slope in slopes)
        if "convex" in words:
            total += sum(max(a - b, 0.0) for a, b in zip(slopes[:-1], slopes[1:], strict=True))
        if "smooth" in words:
            total += sum(
                max(abs(b - a) - MOST_BEND * (abs(a) + abs(b)), 0.0)
                for a, b in zip(slopes[:-1], slopes[1:], strict=True)
            )
    return total
