"""Loading of Python rules: from a file or a module to a rule. Runs the user's code."""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import sys
from collections.abc import Mapping
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.files import is_file
from crashsense.rules.checked import said
from crashsense.rules.contract import Rule
from crashsense.rules.per_sample import PerSample


def load_class(place: str, *, folder: Path | None = None) -> type:
    """Return the class of ``MODULE:CLASS`` or ``FILE.py:CLASS``.

    A file is looked up relative to *folder* (the working folder by default). Importing runs the
    file: only name code that you trust.
    """
    module_name, separator, class_name = place.rpartition(":")
    if not separator or not module_name or not class_name:
        raise InputError([Fault("", "rule", place, "MODULE:CLASS or FILE.py:CLASS")])
    module = (
        _from_file(module_name, folder=folder, place=place)
        if module_name.endswith(".py")
        else _from_module(module_name, place=place)
    )
    found = getattr(module, class_name, None)
    if not isinstance(found, type):
        classes = [name for name, value in vars(module).items() if isinstance(value, type)]
        raise InputError([Fault(module_name, "class", class_name, nearest(class_name, classes))])
    return found


class _Source(SourceFileLoader):
    """Compiles the file as it is now.

    Bytecode that Python keeps counts as fresh if size and second of the last change agree: a number
    edited twice within a second would be judged as it was before.
    """

    def get_code(self, fullname: str) -> CodeType:
        return self.source_to_code(self.get_data(self.path), self.path)


def _from_file(file: str, *, folder: Path | None, place: str) -> ModuleType:
    path = (folder or Path.cwd()) / file  # an absolute one stays as it is
    if not is_file(path):
        raise InputError([Fault("", "rule", place, f"a Python file ({path} is none)")])
    path = path.resolve()
    name = "crashsense_rule_" + hashlib.sha256(str(path).encode()).hexdigest()[:16]
    spec = importlib.util.spec_from_file_location(name, path, loader=_Source(name, str(path)))
    if spec is None or spec.loader is None:
        raise InputError([Fault("", "rule", place, "a Python file")])
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        sys.modules.pop(name, None)
        expected = f"a Python file that runs ({said(error)})"
        raise InputError([Fault(str(path), "", None, expected)]) from error
    return module


def _from_module(name: str, *, place: str) -> ModuleType:
    try:
        return importlib.import_module(name)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        expected = f"a module that can be imported ({said(error)})"
        raise InputError([Fault("", "rule", place, expected)]) from error


def as_rule(found: type, *, parameters: Mapping[str, Any], where: str) -> Rule:
    """Build a rule from a class that is block-wise or per-sample."""
    block = issubclass(found, Rule)
    if not block and not (callable(getattr(found, "update", None)) and hasattr(found, "reset")):
        expected = "a subclass of Rule, or a class with reset and update"
        raise InputError([Fault(where, "class", found.__name__, expected)])
    lacking = 'requires = frozenset({"central_x"}): the channels without which it cannot judge'
    if isinstance(getattr(found, "requires", None), str):  # a set of its letters otherwise
        raise InputError([Fault(where, "requires", found.__dict__.get("requires"), lacking)])
    try:
        rule = found(**parameters) if block else PerSample(found, parameters=parameters)
    except (InputError, KeyboardInterrupt):
        raise
    except BaseException as error:
        if isinstance(error, AttributeError | TypeError) and "requires" in str(error):
            raise InputError([Fault(where, "requires", None, lacking)]) from error
        expected = f"parameters that {found.__name__} takes ({said(error)})"
        raise InputError([Fault(where, "parameters", dict(parameters), expected)]) from error
    if not isinstance(rule, Rule):
        raise InputError([Fault(where, "class", found.__name__, "a class that builds a rule")])
    try:
        unknown = sorted(str(n) for n in (rule.requires | rule.uses) - set(CHANNELS))
    except Exception as error:
        expected = f"sets of channels in requires and uses ({said(error)})"
        raise InputError([Fault(where, "requires", None, expected)]) from error
    if unknown:
        raise InputError([Fault(where, "requires", n, nearest(str(n), CHANNELS)) for n in unknown])
    return rule


def load_rule(place: str, *, parameters: Mapping[str, Any]) -> Rule:
    """Return the rule of ``FILE.py:CLASS`` or ``MODULE:CLASS``, built with its parameters."""
    return as_rule(load_class(place), parameters=parameters, where=f"rule {place}")
