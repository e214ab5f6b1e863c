"""``crashsense rules``: the rule families and the shipped algorithms; ``rules show NAME``."""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import Any

import click

from crashsense.cli import LazyGroup
from crashsense.cli.printing import prose, say, width
from crashsense.errors import Fault, InputError, nearest


def _default(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, tuple):
        return str([list(item) if isinstance(item, tuple) else item for item in value])
    return f"{value:g}" if isinstance(value, float) else str(value)


def parameter_lines(family: Any) -> list[str]:
    """One line for each parameter: name, unit, range, default, meaning."""
    from crashsense.rules.parameters import parameter_cards

    lines = []
    for name, (card, default) in parameter_cards(family).items():
        shown = "{}" if card.kind == "table" else _default(default)
        unit = "" if card.unit == "-" else f" [{card.unit}]"
        text = f"    {name}{unit}"
        lines.append(f"{text:<31} {card.range_text:<14} default {shown}: {card.text}")
    return lines


@click.group(cls=LazyGroup, invoke_without_command=True)
@click.pass_context
def rules(ctx: click.Context) -> None:
    """List or show rule families and algorithms; default: list."""
    if ctx.invoked_subcommand is None:
        _list()


@rules.command("list")
def list_command() -> None:
    """List the rule families with their parameters, units and ranges, and the algorithms."""
    _list()


def _list() -> None:
    from crashsense.rules import (
        algorithm_names,
        installed_families,
        load_algorithm,
        rule_families,
    )
    from crashsense.rules.composition import Composite

    say("Shipped algorithms")
    for name in algorithm_names():
        algorithm = load_algorithm(name)
        gate = "decides the exit code" if algorithm.gate else "does not decide the exit code"
        say(f"  {name}: {algorithm.title} ({gate})")
    families = rule_families()
    for heading, operators in (("Criteria", False), ("Operators", True)):
        say(f"\n{heading}")
        for name, family in families.items():
            if issubclass(family, Composite) is operators:
                say(f"  {name}: {getattr(family, 'title', '')}")
                for line in parameter_lines(family):
                    say(line)
    installed = installed_families()
    if installed:
        say("\nInstalled")
        for name, point in installed.items():
            say(f"  {name}: {point.value}")
    say("\ncrashsense rules show NAME   card of a family, or an algorithm (FILE.toml: your own)")


@rules.command()
@click.argument("name")
def show(name: str) -> None:
    """Print the card of a family, or the file of an algorithm unchanged.

    NAME: a family, a shipped algorithm, or your own algorithm file.
    """
    from crashsense.rules import (
        algorithm_names,
        algorithm_text,
        installed_families,
        load_algorithm,
        rule_families,
    )
    from crashsense.rules.registry import find_family

    if name in algorithm_names():
        say(algorithm_text(name), as_it_is=True)
        return
    if name.endswith(".toml"):
        load_algorithm(name)  # a file with faults is refused
        say(Path(name).read_text(encoding="utf-8"), as_it_is=True)
        return
    known = [*rule_families(), *installed_families()]
    if name not in known:
        expected = nearest(name, [*known, *algorithm_names()])
        raise InputError([Fault("command line", "name", name, expected)])
    family = find_family(name)
    say(f"{name}\n")
    say(prose(inspect.cleandoc(family.__doc__ or ""), width()))
    lines = parameter_lines(family)
    if lines:
        say("\nParameters")
        for line in lines:
            say(line)
    children = [
        item.name
        for item in family.__dataclass_fields__.values()  # type: ignore[attr-defined]
        if "child" in item.metadata
    ]
    if children:
        say(f"\nRules below it: {', '.join(children)}")
