"""Faults are one line each and survive the way to a worker and back."""

from __future__ import annotations

import pickle

import pytest

from crashsense import resources
from crashsense.errors import CrashsenseError, Fault, InputError, unknown_name


def test_fault_is_one_line():
    text = str(Fault("plan.toml", "seed", "a\nb", "a whole number"))
    assert "\n" not in text
    assert text == "plan.toml: seed: got 'a\\nb'; expected a whole number"


def test_input_error_carries_every_fault_through_pickle():
    error = InputError([Fault("a", "b", 1, "2"), Fault("c", "d", None, "e")])
    again = pickle.loads(pickle.dumps(error))
    assert isinstance(again, InputError)
    assert again.faults == error.faults
    assert str(again).splitlines() == ["a: b: got 1; expected 2", "c: d: expected e"]


def test_unknown_name_offers_the_nearest():
    with pytest.raises(InputError, match="did you mean 'guarded'"):
        raise unknown_name("algorithm", "guardet", ["plain", "guarded"])


def test_missing_shipped_folder_is_named():
    with pytest.raises(CrashsenseError, match="no_such_folder"):
        resources.folder("no_such_folder")
