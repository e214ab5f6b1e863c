"""Algorithms as TOML: restraint -> composed rules -> parameters, and back.

A file looks like this::

    name = "mine"
    gate = true
    title = "one line"
    fitted_to = "the rear crashes"      # events on which its numbers were chosen; optional

    [definitions.front_arming]          # a named rule, to be used more than once
    family = "level"
    threshold_g = 3.0

    [rules.front_airbag_stage_1]
    family = "armed"
    hold_ms = 60.0
    main = { family = "velocity_change", threshold_m_s = 1.5 }
    arming = { use = "front_arming" }

    [rules.side_airbag_right]
    mirror_of = "side_airbag_left"      # left and right exchanged, y and roll reversed

    [rules.battery_cut_off]
    with_any_of = ["front_airbag_stage_1", "side_airbag_right"]     # as soon as one of these fires
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any

import tomli_w

from crashsense.channels import CHANNELS, MIRRORED
from crashsense.errors import Fault, InputError, UnknownNameError, nearest, printable
from crashsense.event import ALL_RESTRAINTS
from crashsense.files import is_file, read_text, toml_content
from crashsense.rules.contract import Algorithm, Rule, name_expected
from crashsense.rules.parameters import check_sense, sense_parts
from crashsense.rules.registry import find_family
from crashsense.rules.sizes import Sizes

#: Keys of a restraint that takes its rule from others.
_REFERENCES = {"mirror_of", "same_as", "with_any_of"}

_FOLDER = Path(__file__).resolve().parent / "algorithms"


def algorithm_names() -> tuple[str, ...]:
    """Return the names of the shipped algorithms, sorted."""
    return tuple(sorted(path.stem for path in _FOLDER.glob("*.toml")))


def algorithm_text(name: str) -> str:
    """Return the text of a shipped algorithm's file, comments included.

    >>> algorithm_text("plain").startswith("#")
    True
    """
    if name not in algorithm_names():
        raise UnknownNameError([Fault("", "algorithm", name, nearest(name, algorithm_names()))])
    return (_FOLDER / f"{name}.toml").read_text(encoding="utf-8")


def load_algorithm(name_or_path: str | Path) -> Algorithm:
    """Load a shipped algorithm by name, or one from a TOML file.

    >>> load_algorithm("plain").gate
    False
    """
    text = str(name_or_path)
    if text in algorithm_names():
        return read_algorithm(_FOLDER / f"{text}.toml")
    path = Path(text)
    if path.suffix == ".toml" or is_file(path):
        return read_algorithm(path)
    expected = nearest(text, algorithm_names()) + ", or a TOML file"
    raise UnknownNameError([Fault("", "algorithm", text, expected)])


def read_algorithm(path: Path) -> Algorithm:
    """Read an algorithm from a TOML file; every fault of the file is reported at once."""
    file = str(path)
    content = read_text(path, expected="an algorithm file")
    return algorithm_from_toml(content, file=file, folder=path.parent, name=path.stem)


def algorithm_from_toml(
    content: str,
    *,
    file: str = "algorithm",
    folder: Path | None = None,
    name: str = "",
    moved: Mapping[str, str] | None = None,
) -> Algorithm:
    """Build an algorithm from TOML text.

    *folder*: where files of rules are looked up. *moved*: files that now stand elsewhere, old
    absolute path -> new absolute path.
    """
    table = toml_content(content, file=file)
    return algorithm_from_table(table, file=file, folder=folder, name=name, moved=moved)


def algorithm_from_table(
    table: Mapping[str, Any],
    *,
    file: str = "algorithm",
    folder: Path | None = None,
    name: str = "",
    moved: Mapping[str, str] | None = None,
) -> Algorithm:
    """Build an algorithm from a parsed table; *folder*, *moved* as in algorithm_from_toml."""
    rules, definitions = table.get("rules"), table.get("definitions", {})
    faults = Sizes(definitions if isinstance(definitions, dict) else {}).faults(
        {f"rules.{key}": content for key, content in rules.items()}
        if isinstance(rules, dict)
        else {},
        file=file,
    )
    if faults:  # what is said next would be of the same size
        raise InputError(faults)
    faults += _layout_faults(table, file=file, name=name)
    builder = _Builder(file, folder, table.get("definitions", {}), faults, moved=moved)
    built: dict[str, Rule] = {}
    # Tables are kept beside their rules: a number of a dropped one could come again.
    made: dict[int, tuple[Any, Rule]] = {}
    if isinstance(rules, dict) and isinstance(table.get("definitions", {}), dict):
        for restraint, content in rules.items():
            where = f"rules.{restraint}"
            if restraint not in ALL_RESTRAINTS:
                faults.append(Fault(file, where, None, nearest(restraint, ALL_RESTRAINTS)))
                continue
            resolved = builder.restraint(content, where=where, rules=rules)
            # The same table gives the same rule, so that it is computed once.
            rule = made[id(resolved)][1] if id(resolved) in made else None
            if rule is None and resolved is not None:
                rule = builder.rule(resolved, where=where)
            if rule is not None:
                built[restraint] = rule
                made[id(resolved)] = (resolved, rule)
        for key, content in builder.definitions.items():
            if key not in builder.used:
                builder.rule(content, where=f"definitions.{key}")
    if faults:
        raise InputError(faults)
    return Algorithm(
        str(table.get("name", name)),
        rules=built,
        gate=bool(table.get("gate", True)),
        title=str(table.get("title", "")),
        fitted_to=str(table.get("fitted_to", "")),
    )


def _layout_faults(table: Mapping[str, Any], *, file: str, name: str) -> list[Fault]:
    """Faults in the keys of an algorithm, checked before any rule."""
    kinds: dict[str, tuple[type, str]] = {
        "name": (str, "a text"),
        "title": (str, "a text"),
        "fitted_to": (str, "a text: the events on which its numbers were chosen"),
        "gate": (bool, "true or false"),
        "calibration": (dict, "a table: which numbers a calibration may move"),
        "definitions": (dict, "a table of rules"),
        "rules": (dict, "a table: restraint -> rule"),
    }
    faults = [
        Fault(file, key, _short(table[key]), nearest(key, tuple(kinds)))
        for key in table
        if key not in kinds
    ]
    faults += [
        Fault(file, key, table[key], expected)
        for key, (kind, expected) in kinds.items()
        if key in table and not isinstance(table[key], kind)
    ]
    expected = name_expected(str(table.get("name", name)))
    if expected:
        faults.append(Fault(file, "name", table.get("name", name), expected))
    for key in ("title", "fitted_to"):
        if isinstance(table.get(key), str) and printable(table[key]) != table[key]:
            faults.append(Fault(file, key, table[key], "a text without control characters"))
    rules = table.get("rules")
    if rules is None or rules == {}:
        faults.append(Fault(file, "rules", rules, "a table with one restraint or more"))
    return faults


def rule_from_table(
    table: Mapping[str, Any], *, file: str = "rule", folder: Path | None = None
) -> Rule:
    """Build one rule from a parsed table.

    >>> rule_from_table({"family": "velocity_change", "threshold_m_s": 2.0}).threshold_m_s
    2.0
    """
    faults = Sizes({}).faults({"": table}, file=file)
    if faults:
        raise InputError(faults)
    rule = _Builder(file, folder, {}, faults).rule(table, where="")
    if rule is None:  # there are faults
        raise InputError(faults)
    return rule


def _short(value: object) -> object:
    return "a table" if isinstance(value, (dict, list)) else value


class _Builder:
    """Builds rules from tables and collects every fault."""

    def __init__(
        self,
        file: str,
        folder: Path | None,
        definitions: Mapping[str, Any],
        faults: list[Fault],
        *,
        moved: Mapping[str, str] | None = None,
    ) -> None:
        self.moved = {} if moved is None else moved
        self.file = file
        self.folder = folder
        self.definitions = definitions
        self.faults = faults
        self.used: set[str] = set()
        self.open: list[str] = []
        #: Definition -> its rule, None after a fault: each is built once, however often it is used.
        self.made: dict[str, Rule | None] = {}
        #: Equal rules are one object, so that what they share is computed once.
        self.interned: dict[Rule, Rule] = {}

    def fault(self, where: str, value: object, expected: str) -> None:
        self.faults.append(Fault(self.file, where, value, expected))

    def restraint(self, content: Any, *, where: str, rules: Mapping[str, Any]) -> Any:
        """Follow ``mirror_of``, ``same_as`` and ``with_any_of``."""
        if not isinstance(content, dict):
            self.fault(where, _short(content), "a table with a family")
            return None
        if "with_any_of" in content:
            return self.any_of(content, where=where, rules=rules)
        for key in ("mirror_of", "same_as"):
            if key not in content:
                continue
            other = content[key]
            self.nothing_beside(key, content, where=where)
            target = rules.get(other) if isinstance(other, str) else None
            if not isinstance(target, dict) or _REFERENCES & set(target):
                names = [name for name, entry in rules.items() if "family" in entry]
                self.fault(f"{where}.{key}", other, nearest(str(other), names))
                return None
            return mirrored(self.inlined(target)) if key == "mirror_of" else target
        return content

    def any_of(
        self, content: Mapping[str, Any], *, where: str, rules: Mapping[str, Any]
    ) -> dict[str, Any] | None:
        """The table of a restraint that goes with several others, whichever fires first."""
        key, others = "with_any_of", content["with_any_of"]
        known = [n for n, c in rules.items() if isinstance(c, dict) and key not in c]
        self.nothing_beside(key, content, where=where)
        if not isinstance(others, list) or not others:
            self.fault(f"{where}.{key}", _short(others), "a list of restraints with a rule")
            return None
        for other in others:
            if other not in known:
                self.fault(f"{where}.{key}", other, nearest(str(other), known))
        found = [
            self.restraint(rules[name], where=f"rules.{name}", rules=rules)
            for name in others
            if name in known
        ]
        return {"family": "any_of", "of": [table for table in found if table is not None]}

    def nothing_beside(self, key: str, content: Mapping[str, Any], *, where: str) -> None:
        """A reference stands alone in its table."""
        for extra in content:
            if extra != key:
                self.fault(f"{where}.{extra}", _short(content[extra]), f"nothing beside {key}")

    def inlined(self, table: Any, *, depth: int = 0) -> Any:
        """Replace uses of definitions by their content, so that they can be mirrored."""
        if isinstance(table, list):
            return [self.inlined(item, depth=depth) for item in table]
        if not isinstance(table, dict):
            return table
        name = table.get("use")
        if set(table) == {"use"} and isinstance(name, str) and name in self.definitions:
            if depth > 50:
                return table
            self.used.add(name)
            return self.inlined(self.definitions[name], depth=depth + 1)
        return {key: self.inlined(value, depth=depth) for key, value in table.items()}

    def rule(self, table: Any, *, where: str) -> Rule | None:
        """Build the rule of a table; None after a fault."""
        dot = f"{where}." if where else ""
        if not isinstance(table, Mapping):
            self.fault(where, _short(table), "a table with a family")
            return None
        if "use" in table:
            return self.definition(table, where=where)
        name = table.get("family")
        if not isinstance(name, str):
            self.fault(f"{dot}family", name, "the name of a rule family")
            return None
        try:
            family = find_family(name, file=self.file)
        except InputError as error:
            for found in error.faults:
                self.fault(f"{dot}{found.field}", found.value, found.expected)
            return None
        return self.build(family, table, where=where)

    def definition(self, table: Mapping[str, Any], *, where: str) -> Rule | None:
        name = table["use"]
        self.nothing_beside("use", table, where=where)
        if not isinstance(name, str) or name not in self.definitions:
            self.fault(f"{where}.use", name, nearest(str(name), self.definitions))
            return None
        if name in self.open:
            self.fault(f"definitions.{name}", name, "a definition that does not use itself")
            return None
        self.used.add(name)
        if name not in self.made:
            self.open.append(name)
            self.made[name] = self.rule(self.definitions[name], where=f"definitions.{name}")
            self.open.pop()
        return self.made[name]

    def found_again(self, arguments: dict[str, Any]) -> dict[str, Any]:
        """Replace the path of a rule's file if the file has moved."""
        file = str(arguments.get("file", ""))
        path, colon, name = file.rpartition(":")
        if file in self.moved:
            return {**arguments, "file": self.moved[file]}
        if path in self.moved:
            return {**arguments, "file": f"{self.moved[path]}{colon}{name}"}
        return arguments

    def build(self, family: type[Rule], table: Mapping[str, Any], *, where: str) -> Rule | None:
        dot = f"{where}." if where else ""
        before = len(self.faults)
        known = {
            item.name: item
            for item in fields(family)  # type: ignore[arg-type]
            if "parameter" in item.metadata or "child" in item.metadata
        }
        arguments: dict[str, Any] = {}
        for key, value in table.items():
            if key == "family":
                continue
            if key not in known:
                self.fault(f"{dot}{key}", _short(value), nearest(key, known))
                continue
            kind = known[key].metadata.get("child")
            if kind == "one":
                arguments[key] = self.rule(value, where=f"{dot}{key}")
            elif kind == "many":
                if not isinstance(value, (list, tuple)):
                    self.fault(f"{dot}{key}", _short(value), "a list of rules")
                    continue
                arguments[key] = tuple(
                    self.rule(item, where=f"{dot}{key}[{number}]")
                    for number, item in enumerate(value)
                )
            else:
                card = known[key].metadata["parameter"]
                expected = card.check(value)
                if expected is not None:
                    self.fault(f"{dot}{key}", value, expected)
                arguments[key] = value
        for key, item in known.items():
            missing = item.default is MISSING and item.default_factory is MISSING
            if key not in table and (missing or item.metadata.get("child") == "many"):
                expected = "a rule" if "child" in item.metadata else "a value"
                self.fault(f"{dot}{key}", None, f"{expected} ({item.name} is missing)")
        if len(self.faults) > before:
            return None
        if hasattr(family, "anchored"):
            arguments = self.found_again(family.anchored(arguments, folder=self.folder))
        try:
            rule = family(**arguments)
            return self.interned.setdefault(rule, rule)
        except InputError as error:
            for found in error.faults or (Fault("", "", None, str(error)),):
                self.fault(f"{dot}{found.field}", found.value, found.expected)
            return None


def mirrored_sense(sense: str) -> str:
    """Exchange left and right of a channel; y and roll change their sign.

    >>> mirrored_sense("+side_left_y"), mirrored_sense("+door_left_pressure")
    ('-side_right_y', '+door_right_pressure')
    """
    sign, name = sense_parts(sense)
    other = MIRRORED[name]
    if sign == "|":
        return f"|{other}|"
    if CHANNELS[name].axis in ("y", "roll"):
        sign = "-" if sign == "+" else "+"
    return sign + other


def mirrored(table: Any) -> Any:
    """Exchange left and right in a rule's table."""
    if isinstance(table, Mapping):
        return {key: mirrored(value) for key, value in table.items()}
    if isinstance(table, (list, tuple)):
        return [mirrored(item) for item in table]
    if isinstance(table, str) and check_sense(table) is None:
        return mirrored_sense(table)
    return table


def rule_to_table(rule: Rule) -> dict[str, Any]:
    """Return the table that builds *rule*: every parameter that is set, children last."""
    if not hasattr(rule, "__dataclass_fields__") or not getattr(rule, "family", ""):
        raise InputError(
            [Fault("algorithm", "rule", type(rule).__name__, "a rule of a named family")]
        )
    table: dict[str, Any] = {"family": rule.family}  # type: ignore[attr-defined]
    later: dict[str, Any] = {}
    for item in fields(rule):  # type: ignore[arg-type]
        value = getattr(rule, item.name)
        kind = item.metadata.get("child")
        if kind == "one":
            later[item.name] = rule_to_table(value)
        elif kind == "many":
            later[item.name] = [rule_to_table(part) for part in value]
        elif "parameter" in item.metadata and value is not None:
            table[item.name] = _plain(value)
    return {**table, **later}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value.item() if hasattr(value, "item") else value


def algorithm_to_table(algorithm: Algorithm) -> dict[str, Any]:
    """Return the table that builds *algorithm*; definitions and mirrors are written out."""
    fitted = {"fitted_to": algorithm.fitted_to} if algorithm.fitted_to else {}
    return {
        "name": algorithm.name,
        "title": algorithm.title,
        **fitted,
        "gate": algorithm.gate,
        "rules": {name: rule_to_table(rule) for name, rule in algorithm.rules.items()},
    }


def algorithm_to_toml(algorithm: Algorithm) -> str:
    """Return *algorithm* as TOML text; reading it again gives an equal algorithm."""
    try:
        return tomli_w.dumps(algorithm_to_table(algorithm))
    except TypeError as error:
        raise InputError(
            [Fault(algorithm.name, "parameter", str(error), "numbers, texts, lists and tables")]
        ) from error
