"""Nominal signals that are kept between runs are those that the models make, or are made again."""

from __future__ import annotations

import os
import sys

import numpy as np
import pytest

from crashsense.resources import CACHE_VARIABLE, user_folder
from crashsense.resources import folder as shipped_folder
from crashsense.synthesis import nominal_cache
from crashsense.synthesis.recipe import parse_recipe

RECIPE = shipped_folder("pulses") / "misuse"


@pytest.fixture(scope="module")
def text():
    return sorted(RECIPE.glob("*.toml"))[0].read_text(encoding="utf-8")


@pytest.fixture
def cache(tmp_path, monkeypatch):
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "cache"))
    return tmp_path / "cache"


def same(one, other) -> bool:
    assert set(one.signals) == set(other.signals)
    assert one.required_s.keys() == other.required_s.keys()
    pairs = [(one.signals[n], other.signals[n]) for n in one.signals]
    kinds = all(
        (a.rate_hz, a.start_s, a.unit, a.axis, a.location, a.history)
        == (b.rate_hz, b.start_s, b.unit, b.axis, b.location, b.history)
        for a, b in pairs
    )
    times = all(
        np.array_equal(one.required_s[e][r], other.required_s[e][r], equal_nan=True)
        for e in one.required_s
        for r in one.required_s[e]
    )
    facts = one.facts.keys() == other.facts.keys() and all(
        np.array_equal(one.facts[f], other.facts[f], equal_nan=True) for f in one.facts
    )
    return kinds and times and facts and all(np.array_equal(a.samples, b.samples) for a, b in pairs)


def fresh(text):
    return parse_recipe(text, path=str(RECIPE / "x.toml"))


def test_kept_signals_are_those_of_the_model_bit_for_bit(cache, text, monkeypatch):
    with nominal_cache.without():
        wanted = fresh(text).nominal()
    assert not cache.exists()
    made = fresh(text).nominal()
    (kept,) = cache.glob("*.bin")
    before = kept.read_bytes()
    recipe = fresh(text)
    monkeypatch.setattr(type(recipe), "block", lambda *a, **k: pytest.fail("synthesised again"))
    read = recipe.nominal()
    assert same(wanted, made)
    assert same(wanted, read)
    assert kept.read_bytes() == before


@pytest.mark.parametrize("damage", ["one bit", "cut off", "empty", "another file"])
def test_a_damaged_file_is_made_again(cache, text, damage):
    wanted = fresh(text).nominal()
    (kept,) = cache.glob("*.bin")
    whole = kept.read_bytes()
    changed = bytearray(whole)
    changed[len(whole) // 2] ^= 8
    kept.write_bytes(
        {
            "one bit": bytes(changed),
            "cut off": whole[:-9],
            "empty": b"",
            "another file": b"x" * len(whole),
        }[damage]
    )
    assert same(wanted, fresh(text).nominal())
    assert kept.read_bytes() == whole


def test_another_recipe_is_another_file(cache, text):
    fresh(text).nominal()
    changed = fresh(text)
    key = next(
        k for k, v in changed.parameters.model_dump().items() if isinstance(v, float) and v > 0
    )
    value = getattr(changed.parameters, key)
    changed.with_parameters(name=changed.name, **{key: value * 1.01}).nominal()
    assert len(list(cache.glob("*.bin"))) == 2


def test_a_folder_that_cannot_be_written_changes_nothing(tmp_path, monkeypatch, text):
    blocked = tmp_path / "a_file"
    blocked.write_text("not a folder")
    with nominal_cache.without():
        wanted = fresh(text).nominal()
    monkeypatch.setenv(CACHE_VARIABLE, str(blocked / "inside"))
    assert same(wanted, fresh(text).nominal())
    monkeypatch.setenv(CACHE_VARIABLE, "")
    assert user_folder(CACHE_VARIABLE) is None
    assert same(wanted, fresh(text).nominal())


def test_the_folder_is_bounded_and_keeps_what_was_used_last(cache, text, monkeypatch):
    fresh(text).nominal()
    (kept,) = cache.glob("*.bin")
    old = cache / f"{'0' * 64}.bin"
    old.write_bytes(b"0" * 5000)
    os.utime(old, (1, 1))
    monkeypatch.setattr(nominal_cache, "MOST_BYTES", kept.stat().st_size + 100)
    nominal_cache._bound(cache)
    assert list(cache.glob("*.bin")) == [kept]
    assert not list(cache.glob(".*.tmp"))


def test_the_command_line_can_do_without(cache, tmp_path, capsys):
    from crashsense.cli import run

    name = "hammer_tunnel"
    assert run(["--no-cache", "events", "export", name, "--out", str(tmp_path / "a.csv")]) == 0
    assert not cache.exists()
    assert run(["events", "export", name, "--out", str(tmp_path / "b.csv")]) == 0
    assert len(list(cache.glob("*.bin"))) >= 1
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    capsys.readouterr()


@pytest.mark.slow
def test_processes_make_the_same_signals_and_leave_little_to_do(cache, text, monkeypatch):
    from crashsense.synthesis.recipe import load_recipes

    recipes = [r for r in load_recipes() if r.family == "misuse"][: nominal_cache.FEW + 1]
    nominal_cache.prepare(recipes)
    assert not cache.exists()  # nobody asked for processes
    with nominal_cache.in_processes(2):
        nominal_cache.prepare(recipes[: nominal_cache.FEW - 1])
        assert not cache.exists()  # few
        nominal_cache.prepare(recipes)
    assert len(list(cache.glob("*.bin"))) == len(recipes)
    with nominal_cache.without():
        alone = recipes[3].block([0], seed=0)
    with monkeypatch.context() as patch:
        patch.setattr(type(recipes[3]), "block", lambda *a, **k: pytest.fail("made again"))
        assert same(alone, recipes[3].nominal())
    # Some in one go, as a process does with numpy.
    some = load_recipes()[:2]
    nominal_cache._make(some, "numpy", str(cache))
    with nominal_cache.without():
        alone = some[1].block([0], seed=0)
    monkeypatch.setattr(type(some[1]), "block", lambda *a, **k: pytest.fail("made again"))
    assert same(alone, some[1].nominal())


def test_a_recipe_that_cannot_be_made_does_not_lose_those_made_with_it(cache, monkeypatch):
    some = [parse_recipe(f.read_text("utf-8"), path=str(f)) for f in sorted(RECIPE.glob("*.toml"))][
        :3
    ]
    for name in ("block", "block_in_steps"):
        make = getattr(type(some[0]), name)

        def failing(recipe, *given, _make=make, **more):
            if recipe is some[1]:
                raise ValueError("cannot be made")
            return _make(recipe, *given, **more)

        monkeypatch.setattr(type(some[0]), name, failing)
    nominal_cache._make(some, "numpy", str(cache))
    kept = [(cache / f"{recipe.kept_as}.bin").exists() for recipe in some]
    assert kept == [True, False, True]


def test_signals_of_an_event_are_rows_of_the_kept_block(cache):
    """A library of nominal signals is in memory once, and silence once for each length."""
    path = RECIPE / "ball_door.toml"
    for _ in range(2):  # made, then read
        recipe = parse_recipe(path.read_text(encoding="utf-8"), path=str(path))
        (event,) = recipe.events()
        block = recipe.nominal()
        for name, signal in event.signals.items():
            assert np.shares_memory(signal.samples, block.signals[name].samples), name
            with pytest.raises(ValueError, match="read-only"):
                signal.samples[0] = 1.0
    silent = [s.samples for s in event.signals.values() if not s.samples.any()]
    assert len(silent) > 1
    assert len({samples.ctypes.data for samples in silent}) == 1


def test_recipes_are_parsed_once_and_are_the_same(cache, text):
    file = RECIPE / "x.toml"
    read = [parse_recipe(text, path=str(file))]
    first = sorted(RECIPE.glob("*.toml"))[:1]
    (made,) = nominal_cache.kept_recipes(first, read=lambda: read)
    (kept,) = nominal_cache.kept_recipes(first, read=lambda: pytest.fail("parsed again"))
    assert made is read[0]
    assert kept is not made
    wanted = {name: getattr(made, name) for name in made.__dataclass_fields__}
    assert {name: getattr(kept, name) for name in kept.__dataclass_fields__} == wanted
    assert kept.kept_as == made.kept_as
    with nominal_cache.without():
        assert nominal_cache.kept_recipes(first, read=list) == []


def test_recipes_are_parsed_again_where_a_file_or_what_is_kept_has_changed(cache, text, tmp_path):
    file = tmp_path / "x.toml"
    file.write_text(text, encoding="utf-8")
    read = [parse_recipe(text, path=str(file))]
    nominal_cache.kept_recipes([file], read=lambda: read)
    file.write_text(f"{text}\n", encoding="utf-8")
    assert nominal_cache.kept_recipes([file], read=list) == []
    file.write_text(text, encoding="utf-8")
    for path in cache.glob("*.bin"):
        path.write_bytes(path.read_bytes()[:-1] + b"x")
    assert nominal_cache.kept_recipes([file], read=list) == []


@pytest.mark.skipif(sys.platform == "win32", reason="file modes of POSIX")
def test_recipes_that_others_could_write_are_not_loaded(cache, text):
    file = sorted(RECIPE.glob("*.toml"))[0]
    before = os.umask(0)
    nominal_cache.kept_recipes([file], read=lambda: [parse_recipe(text, path=str(file))])
    os.umask(before)
    assert len(nominal_cache.kept_recipes([file], read=list)) == 1  # whatever the umask is
    for path in cache.glob("*.bin"):
        path.chmod(0o666)
    assert nominal_cache.kept_recipes([file], read=list) == []
