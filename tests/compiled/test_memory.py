"""Kernels that know arrays by their address alone: each array lives as long as its address is used.

Numba frees an array of a kernel after the last line that names it, whatever still reads or writes
at its address. Where that is, numba says itself: its intermediate code deletes every variable.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("numba", reason="needs the extra fast")

from numba.core import ir
from numba.core.compiler import run_frontend

from crashsense.compiled import caching
from crashsense.compiled.filters import CHUNK
from crashsense.compiled.noise import _run
from crashsense.compiled.vectors import address, aligned

#: Methods whose result shares the memory of their array.
VIEWS = ("reshape", "view")
#: Functions of which an address is no use.
PASSED_ON = (int, bool, tuple, min, max)


class Lifetimes:
    """Which variables of a kernel hold which addresses, and which are alive where."""

    def __init__(self, function: Any) -> None:
        self.code = run_frontend(function, emit_dels=True)
        #: variable -> all that is assigned to it
        self.made: dict[str, list[Any]] = {}
        for block in self.code.blocks.values():
            for one in block.body:
                if isinstance(one, ir.Assign):
                    self.made.setdefault(one.target.name, []).append(one.value)
        self.addresses = self._addresses()

    def _called(self, value: Any) -> Any:
        """Function of a call, where it has a name of the module; None: a method or none."""
        if not (isinstance(value, ir.Expr) and value.op == "call"):
            return None
        (found,) = self.made[value.func.name]
        return found.value if isinstance(found, ir.Global | ir.FreeVar) else None

    def _addresses(self) -> dict[str, set[str]]:
        """Variable -> arrays whose addresses it holds: as a number, in a tuple or an array."""
        held: dict[str, set[str]] = {}
        before = None
        while before != held:
            before = {name: set(arrays) for name, arrays in held.items()}
            for block in self.code.blocks.values():
                for one in block.body:
                    if isinstance(one, ir.SetItem | ir.StaticSetItem):
                        more = held.get(one.value.name, set())
                        held.setdefault(one.target.name, set()).update(more)
                    elif isinstance(one, ir.Assign):
                        own = held.setdefault(one.target.name, set())
                        called = self._called(one.value)
                        if called is address:
                            own.add(one.value.args[0].name)
                        if called is address or called in PASSED_ON or called is None:
                            for variable in _read(one.value):
                                own |= held.get(variable, set())
        return held

    def _same_memory(self, value: Any) -> str | None:
        """Variable of the array that something is, or is a part of."""
        if isinstance(value, ir.Var):
            return value.name
        if isinstance(value, ir.Expr) and value.op in ("getitem", "static_getitem"):
            return value.value.name
        if isinstance(value, ir.Expr) and value.op == "call":
            (found,) = self.made[value.func.name]
            if isinstance(found, ir.Expr) and found.op == "getattr" and found.attr in VIEWS:
                return found.value.name
        return None

    def keepers(self, array: str) -> set[str] | None:
        """Variables of which each keeps the memory of an array; None: the caller does."""
        found = {array}
        while True:
            bases = {self._same_memory(value) for value in self.made[array]}
            if all(isinstance(value, ir.Arg) for value in self.made[array]):
                return None
            (base, *others) = bases
            if others or base is None:
                return found
            found.add(base)
            array = base

    def alive(self) -> dict[int, set[str]]:
        """First line of a block -> variables that are alive there, however it was reached."""
        blocks = self.code.blocks
        every = set(self.made)
        first = min(blocks)
        found = {label: set() if label == first else set(every) for label in blocks}
        before = None
        while before != found:
            before = {label: set(names) for label, names in found.items()}
            for label, block in blocks.items():
                after = set(found[label])
                for one in block.body:
                    _step(one, after)
                for target in block.terminator.get_targets():
                    found[target] &= after
        return found

    def lost(self) -> set[tuple[int, str]]:
        """Line and array of every use of an address whose array may be gone."""
        found = set()
        for label, alive in self.alive().items():
            for one in self.code.blocks[label].body:
                value = getattr(one, "value", None)
                called = self._called(value)
                if called is not None and called is not address and called not in PASSED_ON:
                    for array in set().union(*(self.addresses.get(v, ()) for v in _read(value))):
                        keepers = self.keepers(array)
                        if keepers is not None and not keepers & alive:
                            found.add((one.loc.line, array))
                _step(one, alive)
        return found


def _read(value: Any) -> list[str]:
    """Variables that an expression reads."""
    if isinstance(value, ir.Var):
        return [value.name]
    return [v.name for v in value.list_vars()] if isinstance(value, ir.Expr) else []


def _step(one: Any, alive: set[str]) -> None:
    """Bring what is alive behind a statement."""
    if isinstance(one, ir.Assign):
        alive.add(one.target.name)
    elif isinstance(one, ir.Del):
        alive.discard(one.value)


def kernels() -> dict[str, Any]:
    """Name -> every kernel that asks for an address, as Python has it."""
    found = {}
    for file in sorted(Path(caching.__file__).parent.glob("[a-z]*.py")):
        module = import_module(f"crashsense.compiled.{file.stem}")
        for name, one in vars(module).items():
            function = getattr(one, "py_func", None)
            own = getattr(function, "__module__", "") == module.__name__
            if own and "address" in function.__code__.co_names:
                found[f"{file.stem}.{name}"] = function
    return found


KERNELS = kernels()


def test_all_kernels_that_know_addresses_are_looked_at() -> None:
    wanted = {"noise.stream_of", "words.filtered_words", "lanes.full_lanes_of"}
    assert wanted | {"rules.run_program"} <= KERNELS.keys()


@pytest.mark.parametrize("name", KERNELS)
def test_an_array_lives_as_long_as_its_address_is_used(name: str) -> None:
    lifetimes = Lifetimes(KERNELS[name])
    assert any(lifetimes.addresses.values())
    assert not lifetimes.lost()


def lost_at_once(samples: Any) -> None:
    unused = aligned(CHUNK)
    out = address(unused)
    _run(0, out, out, out, out, out, 0, 0, 0, 0, CHUNK)


def lost_in_a_loop(samples: Any) -> None:
    for k in range(3):
        room = aligned(CHUNK).reshape(-1)
        place = (address(room) + 8 * k, CHUNK)
        for _ in range(2):
            _run(0, *(place[0], 0, 0, 0, 0), 0, 0, 0, 0, place[1])


def lost_in_a_table(samples: Any) -> None:
    room, told = aligned(CHUNK), aligned(1)
    told[0, 0] = address(room)
    _run(0, address(samples), address(told), 0, 0, 0, 0, 0, 0, 0, CHUNK)
    told[0, 0] = 0.0


def lost_on_one_way(samples: Any) -> None:
    room = aligned(CHUNK)
    at = address(room)
    if samples.size > 3:
        room[0, 0] = 1.0
    _run(0, at, at, at, at, at, 0, 0, 0, 0, CHUNK)


def held_to_the_end(samples: Any) -> None:
    room = aligned(CHUNK)
    at = address(room[3:])
    for _ in range(3):
        _run(0, at, address(samples[1:]), at, at, at, 0, 0, 0, 0, CHUNK)
    room[0, 0] = 0.0


@pytest.mark.parametrize(
    ("function", "count"),
    [
        (lost_at_once, 1),
        (lost_in_a_loop, 1),
        (lost_in_a_table, 1),
        (lost_on_one_way, 1),
        (held_to_the_end, 0),
    ],
)
def test_an_array_that_is_lost_is_seen(function: Any, count: int) -> None:
    assert len(Lifetimes(function).lost()) == count
