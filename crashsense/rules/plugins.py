"""Your own rule in Python: from a file, a module or an installed entry point."""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any, ClassVar

from crashsense.channels import CHANNELS
from crashsense.errors import Fault, InputError, nearest
from crashsense.rules.amounts import Amount, only_threshold
from crashsense.rules.contract import FloatArray, Rule, part_demand
from crashsense.rules.parameters import Declared, parameter
from crashsense.rules.per_sample import PerSample
from crashsense.sensing.samples import EcuSamples


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


def _from_file(file: str, *, folder: Path | None, place: str) -> ModuleType:
    path = Path(file)
    if not path.is_absolute():
        path = (folder or Path.cwd()) / path
    if not path.is_file():
        raise InputError([Fault("", "rule", place, f"a Python file ({path} is none)")])
    path = path.resolve()
    name = "crashsense_rule_" + hashlib.sha256(str(path).encode()).hexdigest()[:16]
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise InputError([Fault("", "rule", place, "a Python file")])
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except (Exception, SystemExit) as error:
        sys.modules.pop(name, None)
        expected = f"a Python file that runs ({type(error).__name__}: {error})"
        raise InputError([Fault(str(path), "", None, expected)]) from error
    return module


def _from_module(name: str, *, place: str) -> ModuleType:
    try:
        return importlib.import_module(name)
    except (Exception, SystemExit) as error:
        expected = f"a module that can be imported ({type(error).__name__}: {error})"
        raise InputError([Fault("", "rule", place, expected)]) from error


def as_rule(found: type, *, parameters: Mapping[str, Any], where: str) -> Rule:
    """Build a rule from a class that is block-wise or per-sample."""
    block = issubclass(found, Rule)
    if not block and not (callable(getattr(found, "update", None)) and hasattr(found, "reset")):
        expected = "a subclass of Rule, or a class with reset and update"
        raise InputError([Fault(where, "class", found.__name__, expected)])
    try:
        rule = found(**parameters) if block else PerSample(found, parameters=parameters)
    except InputError:
        raise
    except (Exception, SystemExit) as error:
        expected = f"parameters that {found.__name__} takes ({type(error).__name__}: {error})"
        raise InputError([Fault(where, "parameters", dict(parameters), expected)]) from error
    if not isinstance(rule, Rule):
        raise InputError([Fault(where, "class", found.__name__, "a class that builds a rule")])
    unknown = sorted((rule.requires | rule.uses) - set(CHANNELS))
    if unknown:
        raise InputError([Fault(where, "requires", n, nearest(str(n), CHANNELS)) for n in unknown])
    return rule


def as_rule_class(found: object, *, where: str) -> type[Rule]:
    """Return the class of an installed family: it must be a declared rule family."""
    if isinstance(found, type) and issubclass(found, Rule):
        if not hasattr(found, "__dataclass_fields__"):
            expected = "a dataclass whose parameters are declared (see rules.parameters.parameter)"
            raise InputError([Fault(where, "class", found.__name__, expected)])
        return found
    raise InputError([Fault(where, "class", repr(found), "a subclass of Rule")])


@dataclass(frozen=True, eq=False)
class PythonRule(Declared):
    """A rule of your own, from a Python file or module.

    ``file`` is ``FILE.py:CLASS`` (relative to the algorithm's file) or ``MODULE:CLASS``; the class
    is a block-wise :class:`~crashsense.rules.Rule` or a per-sample one with ``reset`` and
    ``update``; ``parameters`` go to it by name. It runs in this process: it can be wrong, but an
    error ends its own evaluation only. For code that may hang or crash use a C library or a process
    of your own.
    """

    family: ClassVar[str] = "python"
    title: ClassVar[str] = "your own rule from a Python file or module"

    file: str = parameter("my_rule.py:MyRule", kind="text", text="FILE.py:CLASS or MODULE:CLASS")
    parameters: Mapping[str, Any] = field(
        default_factory=dict,
        kw_only=True,
        metadata={
            "parameter": parameter({}, kind="table", text="parameters by name").metadata[
                "parameter"
            ]
        },
    )
    inner: Rule = field(init=False, repr=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        where = f"rule {self.file}"
        rule = as_rule(load_class(self.file), parameters=self.parameters, where=where)
        object.__setattr__(self, "inner", rule)
        for name in ("scales", "monotone", "rates_hz"):
            object.__setattr__(self, name, getattr(rule, name))

    def __reduce__(self) -> tuple[Any, ...]:
        # A class from a file cannot be pickled by name: the file is read again on the other side.
        return _rebuilt, (self.file, dict(self.parameters))

    @classmethod
    def anchored(cls, arguments: dict[str, Any], *, folder: Path | None) -> dict[str, Any]:
        """Make a file relative to the folder of the algorithm absolute."""
        file = str(arguments.get("file", ""))
        path, separator, name = file.rpartition(":")
        if separator and path.endswith(".py") and folder is not None:
            arguments = {**arguments, "file": f"{(folder / path).resolve()}:{name}"}
        return arguments

    @property
    def requires(self) -> frozenset[str]:
        """What the rule requires."""
        return self.inner.requires

    @property
    def uses(self) -> frozenset[str]:
        """What the rule uses."""
        return self.inner.uses

    def active(self, samples: EcuSamples) -> frozenset[str]:
        """What the rule reads in this block."""
        return self.inner.active(samples)

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return the demand of the rule."""
        return self.inner.demand(samples)

    def amounts(self, samples: EcuSamples, at: int) -> tuple[Amount, ...]:
        """The criterion over the only parameter or attribute ``threshold...``, if it scales."""
        inner = getattr(self.inner, "inner", self.inner)  # a rule written by sample is wrapped
        found = only_threshold({**getattr(inner, "__dict__", {}), **self.parameters})
        if not self.scales or found is None:
            return ()
        threshold, unit = found
        demand = float(part_demand(self, samples)[0, at])
        return (Amount("criterion", demand * threshold, threshold, unit),)

    def branch_demands(self, samples: EcuSamples) -> dict[str, FloatArray]:
        """Return the demand of the rule by branch: what it is armed by counts as in the house."""
        return self.inner.branch_demands(samples)


def _rebuilt(file: str, parameters: dict[str, Any]) -> PythonRule:
    return PythonRule(file=file, parameters=parameters)
