"""The names at the top level: there, typed, and loaded on first use only."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import crashsense

STUB = Path(crashsense.__file__).with_suffix(".pyi")


def test_the_stub_names_the_same_objects() -> None:
    told = {}
    for node in ast.parse(STUB.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ImportFrom):
            told |= {alias.asname: (node.module, alias.name) for alias in node.names}
    told["load_record"] = told.pop("_read_record")
    assert {"__version__", *told} == set(crashsense.__all__)
    for name, (module, inside) in told.items():
        home = sys.modules.get(str(module)) or __import__(str(module), fromlist=[inside])
        assert getattr(crashsense, name) is getattr(home, inside), name


def test_functions_say_what_they_take_and_return() -> None:
    functions = [n for n in crashsense.__all__ if inspect.isfunction(getattr(crashsense, n))]
    assert {"trial", "replay", "explain", "evaluate", "open_run", "load_events"} <= set(functions)
    for name in functions:
        signature = inspect.signature(getattr(crashsense, name))
        assert signature.return_annotation is not inspect.Signature.empty, name
        for parameter in signature.parameters.values():
            assert parameter.annotation is not inspect.Parameter.empty, (name, parameter.name)
        positional = [p for p in signature.parameters.values() if p.kind != p.KEYWORD_ONLY]
        assert len([p for p in positional if p.kind != p.VAR_KEYWORD]) <= 2, name


def test_importing_the_package_loads_no_numbers() -> None:
    code = "import sys, crashsense; print('numpy' in sys.modules)"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "False"


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        crashsense.nothing  # noqa: B018
