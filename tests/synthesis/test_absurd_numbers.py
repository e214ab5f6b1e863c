"""Numbers that no test can have, in every numeric key of recipes and of the frontal vehicle."""

from __future__ import annotations

import pathlib
import resource
import signal
import tomllib
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
import pytest
import tomli_w

from crashsense import engine
from crashsense.errors import InputError
from crashsense.resources import folder
from crashsense.synthesis.frontal.vehicle import load_vehicle
from crashsense.synthesis.recipe import parse_recipe

Path = tuple[str | int, ...]


def numbers(table: Any, path: Path = ()) -> Iterator[Path]:
    """Where a table holds numbers."""
    if isinstance(table, dict):
        for key, value in table.items():
            yield from numbers(value, (*path, key))
    elif isinstance(table, list):
        for place, value in enumerate(table):
            yield from numbers(value, (*path, place))
    elif isinstance(table, int | float) and not isinstance(table, bool):
        yield path


@cache
def kinds() -> dict[str, tuple[str, dict[str, Any], list[Path]]]:
    """Kind -> file, contents and numbers of its first recipe that states them.

    A kind is a model with one obstacle or manoeuvre. Numbers that no shipped recipe states, because
    they have a default, are stated with it.
    """
    found: dict[str, tuple[str, dict[str, Any], list[Path]]] = {}
    seen: set[tuple[str, Path]] = set()
    for file in sorted(folder("pulses").rglob("*.toml")):
        if file.parent.name == "vehicles":
            continue
        text = file.read_text(encoding="utf-8")
        data = tomllib.loads(text)
        given = data["parameters"]
        kind = ".".join(
            [data["model"], *(str(given[key]) for key in ("obstacle", "manoeuvre") if key in given)]
        )
        for key, value in parse_recipe(text, path=str(file)).parameters.model_dump().items():
            if isinstance(value, int | float) and key not in given:
                given[key], data["basis"][key] = value, "default"
        new = [path for path in numbers(given) if (kind, path) not in seen]
        seen.update((kind, path) for path in new)
        if new:
            found[f"{kind}.{file.stem}"] = (str(file), data, new)
    return found


def changed(data: dict[str, Any], path: Path, value: float) -> str:
    """The recipe with one number replaced, as text."""
    copy = tomllib.loads(tomli_w.dumps(data))
    table = copy["parameters"]
    for key in path[:-1]:
        table = table[key]
    table[path[-1]] = value
    return tomli_w.dumps(copy)


def refusal(file: str, data: dict[str, Any], path: Path, value: float) -> str:
    """What the program says to one number replaced; empty: it takes it."""
    try:
        parse_recipe(changed(data, path, value), path=file)
    except InputError as error:
        return "; ".join(f"{fault.field}: {fault.expected}" for fault in error.faults)
    return ""


@pytest.mark.parametrize("value", [1e12, -1e12, float("nan"), float("inf")])
@pytest.mark.parametrize("kind", kinds())
def test_a_number_that_nothing_has_is_refused_by_its_name(kind, value):
    file, data, paths = kinds()[kind]
    quiet = [path for path in paths if str(path[0]) not in refusal(file, data, path, value)]
    assert not quiet, [(path, refusal(file, data, path, value)) for path in quiet]


def test_every_number_of_every_model_is_looked_at():
    models = {kind.partition(".")[0] for kind in kinds()}
    assert len(models) >= 19
    assert sum(len(paths) for _, _, paths in kinds().values()) > 250


class _TooLong(Exception):
    pass


def _late(*_: object) -> None:
    raise _TooLong


@pytest.mark.slow
@pytest.mark.parametrize("kind", kinds())
def test_a_tiny_or_negative_number_is_refused_or_gives_finite_signals(kind):
    """Zero, -1 and 1e-12: where the program takes it, the event is finite, soon there and small.

    Two minutes are no assertion about speed: one draw takes seconds, and what hangs takes hours.
    """
    file, data, paths = kinds()[kind]
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    previous = signal.signal(signal.SIGALRM, _late)
    try:
        for path in paths:
            for value in (-1.0, 0.0, 1e-12):
                said = refusal(file, data, path, value)
                if said:
                    assert str(path[0]) in said, (path, value, said)
                    continue
                signal.alarm(120)
                with engine.using("fast" if engine.installed() else "numpy"):
                    made = parse_recipe(changed(data, path, value), path=file).synthesise(
                        [0], seed=1
                    )
                signal.alarm(0)
                for channel, samples in made.signals.items():
                    assert np.isfinite(samples).all(), (path, value, channel)
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, previous)
    # kB here; a default event takes some ten MB
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 2_000_000


START = "front_airbag_stage_1 = {expectation = 'fire', timing = 'explicit', basis = 'x', "


@pytest.mark.parametrize(
    ("table", "line", "said"),
    [
        ("", "length_m = 1e12", "parameters.length_m: got 1000000000000.0; expected 0.05 to 100"),
        ("", "height_mm = 300.0", "height_mm: got 300.0; expected 0.1 or more, less than 250"),
        (
            "tolerances",
            "speed = {kind = 'scale', width = 1e12, basis = 'x'}",
            "tolerances.speed.width: got 1000000000000.0; expected 0 to 100",
        ),
        (
            "tolerances",
            "speed = {kind = 'scale', width = 2.0, basis = 'x'}",
            "width: 0 to 1 for kind scale, not 2",
        ),
        ("requirements", START + "required_ms = nan}", "required_ms: got nan; expected a finite"),
        ("requirements", START + "required_ms = 1e9}", "expected -20000 to 20000"),
    ],
)
def test_the_message_names_key_value_and_range(table, line, said):
    file = folder("pulses") / "rough_road" / "hump_900_50.toml"
    text = file.read_text(encoding="utf-8")
    if table:
        text += f"\n[{table}]\n{line}\n"
    else:
        old = next(one for one in text.splitlines() if one.startswith(line.partition(" =")[0]))
        text = text.replace(old, line, 1)
    with pytest.raises(InputError) as caught:
        parse_recipe(text, path="mine.toml")
    assert said in str(caught.value)


# --- the vehicle of the frontal model -------------------------------------------------------------

CAR = folder("pulses") / "vehicles" / "small_car.toml"


def car_numbers() -> list[Path]:
    """Where the shipped vehicle states numbers that the model uses."""
    return [path for path in numbers(tomllib.loads(CAR.read_text("utf-8"))) if path[0] != "fit"]


def written_car(place: pathlib.Path, path: Path, value: float) -> str:
    """Write the shipped vehicle with one number replaced; return its file name."""
    data = tomllib.loads(CAR.read_text("utf-8"))
    table: Any = data
    for key in path[:-1]:
        table = table[key]
    table[path[-1]] = value
    name = f"{'_'.join(map(str, path))}_{value}.toml"
    (place / name).write_text(tomli_w.dumps(data), encoding="utf-8")
    return name


def told_of_car(name: str) -> list[str]:
    """Keys of a vehicle file that are refused."""
    try:
        load_vehicle(name)
    except InputError as error:
        return [fault.field for fault in error.faults]
    return []


@pytest.mark.parametrize("value", [1e12, -1e12, float("nan"), float("inf")])
def test_a_number_that_no_vehicle_has_is_refused_by_its_name(value, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    quiet = []
    for path in car_numbers():
        told = told_of_car(written_car(tmp_path, path, value))
        where = ".".join(str(key) for key in path if not isinstance(key, int))
        # What a spring's points say together is a fault of the spring.
        if not any(field.startswith(where.removesuffix(".points")) for field in told):
            quiet.append((where, told))
    assert len(car_numbers()) > 100
    assert not quiet


@pytest.mark.slow
@pytest.mark.parametrize("value", [-1.0, 0.0, 1e-12])
def test_a_tiny_or_negative_number_of_a_vehicle_is_refused_or_gives_finite_signals(
    value, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    file = folder("pulses") / "frontal" / "odb_40_64.toml"
    data = tomllib.loads(file.read_text("utf-8"))
    previous = signal.signal(signal.SIGALRM, _late)
    try:
        for path in car_numbers():
            name = written_car(tmp_path, path, value)
            if told_of_car(name):
                continue
            signal.alarm(120)
            with engine.using("fast" if engine.installed() else "numpy"):
                text = changed(data, ("vehicle",), name)
                made = parse_recipe(text, path="mine.toml").synthesise([0], seed=1)
            signal.alarm(0)
            for channel, samples in made.signals.items():
                assert np.isfinite(samples).all(), (path, channel)
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, previous)
