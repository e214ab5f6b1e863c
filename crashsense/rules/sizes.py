"""Size of the rules of a file, counted before anything is built.

A definition that uses another twice, which uses a third twice, and so on, makes a short file but a
rule of millions of parts. Sizes are counted definition by definition, which is quick.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from crashsense.errors import Fault

#: Deepest nesting of rules. The shipped ones reach 7.
DEEPEST_RULE = 24
#: Most rules of one restraint, definitions written out. The shipped ones come to about 40.
MOST_PARTS = 1000


class TooLarge(Exception):
    """A rule is too large; ``fault`` says where."""

    def __init__(self, where: str, expected: str) -> None:
        super().__init__(expected)
        self.where, self.expected = where, expected


class Sizes:
    """Depth and number of rules of tables that may use definitions."""

    def __init__(self, definitions: Mapping[str, Any]) -> None:
        self.definitions = definitions
        self.known: dict[str, tuple[int, int]] = {}
        self.open: set[str] = set()

    def faults(self, tables: Mapping[str, Any], *, file: str) -> list[Fault]:
        """Return the first fault of the definitions and of tables by where they stand."""
        try:
            for name, table in self.definitions.items():
                self.of({"use": name} if isinstance(table, Mapping) else table, where="", level=1)
            for where, table in tables.items():
                self.of(table, where=where, level=1)
        except TooLarge as error:
            return [Fault(file, error.where, None, error.expected)]
        return []

    def of(self, table: Any, *, where: str, level: int) -> tuple[int, int]:
        """Return the nesting depth and the number of rules in a table."""
        name = table.get("use") if isinstance(table, Mapping) else None
        if isinstance(name, str) and name in self.definitions:
            if name in self.open:  # a definition that uses itself is a fault of its own
                return 0, 0
            if name not in self.known:
                self.open.add(name)
                found = self.of(self.definitions[name], where=f"definitions.{name}", level=1)
                self.open.discard(name)
                self.known[name] = found
            depth, count = self.known[name]
        else:
            depth, count = 1, 1
            if level > DEEPEST_RULE:
                raise TooLarge(where, f"at most {DEEPEST_RULE} rules in each other")
            for key, part in _rules_in(table):
                below, more = self.of(part, where=f"{where}.{key}", level=level + 1)
                depth, count = max(depth, 1 + below), count + more
        if depth > DEEPEST_RULE or level - 1 + depth > DEEPEST_RULE:
            raise TooLarge(where, f"at most {DEEPEST_RULE} rules in each other")
        if count > MOST_PARTS:
            raise TooLarge(where, f"at most {MOST_PARTS} rules, definitions written out")
        return depth, count


def _rules_in(table: Any) -> Iterator[tuple[str, Any]]:
    """Every table below that may be a rule."""
    for key, value in table.items() if isinstance(table, Mapping) else ():
        if isinstance(value, Mapping) and key != "parameters":
            yield str(key), value
        elif isinstance(value, (list, tuple)):
            for number, item in enumerate(value):
                if isinstance(item, Mapping):
                    yield f"{key}[{number}]", item
