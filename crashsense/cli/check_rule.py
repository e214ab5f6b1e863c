"""``crashsense check-rule``: whether your own rule keeps the contract."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crashsense.cli.printing import say
from crashsense.errors import Fault, InputError, printable

if TYPE_CHECKING:
    from crashsense.rules import Rule

#: Endings of a C shared library.
LIBRARIES = (".so", ".dylib", ".dll")


def _value(text: str) -> Any:
    """Read a value as TOML would, or take it as text."""
    import tomllib

    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):  # text, thousands of digits, nested without end
        return text


@click.command("check-rule")
@click.argument("rule")
@click.option(
    "--parameter",
    "parameters",
    multiple=True,
    metavar="NAME=VALUE",
    help="Parameter of the rule; may be repeated.",
)
@click.option(
    "--rules-in-process",
    is_flag=True,
    help="Run a Python rule in this process: faster, but not isolated.",
)
def check_rule(rule: str, parameters: tuple[str, ...], rules_in_process: bool) -> int:
    """Check a rule against the contract.

    RULE is MODULE:CLASS, FILE.py:CLASS, a C shared library (FILE.so, .dylib, .dll), or the TOML
    file of an algorithm. In an algorithm each of your own rules is checked, with the parameters
    given there; if it has none, the rule of every restraint. For a library give the parameters
    that the TOML file would state, such as --parameter 'channels=["-central_x"]'
    --parameter 'parameters=[1.8, 20.0]'.

    A check that does not apply to the rule is printed as not tested. Exit code 0 if no check
    fails, 1 if one does, 2 if the rule cannot be loaded. Passing means that the rule can be
    evaluated reliably, not that it decides well.
    """
    given: dict[str, Any] = {}
    faults = []
    for text in parameters:
        name, separator, value = text.partition("=")
        if not separator or not name:
            faults.append(Fault("command line", "--parameter", text, "NAME=VALUE"))
        else:
            given[name] = _value(value)
    if faults:
        raise InputError(faults)
    failed = 0
    makers = _makers(rule, given)
    for title, make in makers.items():
        if len(makers) > 1 or title != rule:
            say(f"{title}:")
        failed += _report(make)
    return 1 if failed else 0


def _makers(rule: str, given: dict[str, Any]) -> dict[str, Callable[[], Rule]]:
    """The rules to check: title -> function that builds one. Faults of the rule come first."""
    from crashsense.rules.c_library import CLibraryRule
    from crashsense.rules.plugins import PythonRule

    suffix = Path(rule).suffix.lower()
    if suffix == ".toml":
        if given:
            expected = "no parameter: those of the algorithm count"
            raise InputError([Fault("command line", "--parameter", next(iter(given)), expected)])
        return _of_algorithm(rule)
    makers: dict[str, Callable[[], Rule]]
    if suffix in LIBRARIES:
        table = {"family": CLibraryRule.family, "file": rule, **given}
        makers = {rule: partial(_from_table, table, where=rule)}
        _refuse_parameters(makers[rule](), where=rule)
    else:
        makers = {rule: lambda: PythonRule(file=rule, parameters=given)}
    for make in makers.values():
        make()
    return makers


def _from_table(table: dict[str, Any], *, where: str) -> Rule:
    from crashsense.rules import rule_from_table

    return rule_from_table(table, file=where)


def _refuse_parameters(rule: Rule, *, where: str) -> None:
    """Parameters that the library does not take are one fault, not one for each check."""
    from crashsense.errors import RuleError
    from crashsense.rules.c_library import REFUSED_PARAMETERS, CLibraryRule
    from crashsense.rules.conformance import stimulus

    if not isinstance(rule, CLibraryRule):
        return
    try:
        rule.demand(stimulus(rule, size=8).rest)
    except RuleError as error:
        if REFUSED_PARAMETERS in str(error):
            given = list(rule.parameters)
            raise InputError([Fault(where, "parameters", given, REFUSED_PARAMETERS)]) from None


def _of_algorithm(file: str) -> dict[str, Callable[[], Rule]]:
    """Every user rule in an algorithm, by its position; equal ones once.

    If there is none: the rule of every restraint, as it is composed.
    """
    from crashsense.rules import load_algorithm
    from crashsense.rules.algorithm import rule_to_table
    from crashsense.rules.c_library import CLibraryRule
    from crashsense.rules.plugins import PythonRule
    from crashsense.rules.sweep import leaves

    rules = load_algorithm(file).rules
    found: list[tuple[str, str, Rule]] = [
        (".".join(part for part in ("rules", restraint, path) if part), Path(leaf.file).name, leaf)
        for restraint, rule in rules.items()
        for path, leaf in leaves(rule).items()
        if isinstance(leaf, (PythonRule, CLibraryRule))
    ]
    if not found:
        found = [
            (f"rules.{restraint}", str(getattr(rule, "family", "")), rule)
            for restraint, rule in rules.items()
        ]
    makers: dict[str, Callable[[], Rule]] = {}
    seen: list[dict[str, Any]] = []
    for place, name, rule in found:
        table = rule_to_table(rule)
        if table not in seen:
            seen.append(table)
            makers[f"{place} ({name})"] = partial(_from_table, table, where=file)
    return makers


def _report(make: Callable[[], Rule]) -> int:
    """Run every check, print each finding and return how many checks failed."""
    from crashsense.rules.conformance import CHECKS
    from crashsense.rules.conformance import check_rule as run_checks

    results = run_checks(make)
    told: dict[str, list[str]] = {}
    for result in results:
        first = (CHECKS[result.name].__doc__ or "").strip().splitlines()[0]
        if result.passed:
            say(f"passed  {result.name}: {first}")
        elif result.untested:
            say(f"not tested  {result.name}: {result.untested}")
        else:
            told.setdefault(result.message, []).append(result.name)
    # One error of the rule stops many checks: it is said once.
    for message, names in told.items():
        say(f"FAILED  {', '.join(names)}: {printable(message)}")
    passed, failed = (sum(getattr(r, kind) for r in results) for kind in ("passed", "failed"))
    untested = len(results) - passed - failed
    tail = f", {untested} not tested" if untested else ""
    say(f"{passed} of {len(results)} checks passed, {failed} failed{tail}")
    return failed
