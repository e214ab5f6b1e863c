"""``crashsense check-rule``: does a rule of your own keep the contract?"""

from __future__ import annotations

from typing import Any

import click

from crashsense.errors import Fault, InputError


def _value(text: str) -> Any:
    """Read a value as TOML would, or take it as text."""
    import tomllib

    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
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
def check_rule(rule: str, parameters: tuple[str, ...]) -> int:
    """Check a rule against the contract: MODULE:CLASS, or FILE.py:CLASS.

    Exit code 0 if every check passes, 1 if one does not. Passing says that the rule can be
    evaluated soundly, not that it decides well.
    """
    from crashsense.rules.conformance import CHECKS
    from crashsense.rules.conformance import check_rule as run_checks
    from crashsense.rules.plugins import as_rule, load_class

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
    found = load_class(rule)
    as_rule(found, parameters=given, where=f"rule {rule}")
    results = run_checks(lambda: as_rule(found, parameters=given, where=f"rule {rule}"))
    told: dict[str, list[str]] = {}
    for result in results:
        first = (CHECKS[result.name].__doc__ or "").strip().splitlines()[0]
        if result.passed:
            click.echo(f"passed  {result.name}: {first}")
        else:
            told.setdefault(result.message, []).append(result.name)
    # One error of the rule stops many checks: it is said once.
    for message, names in told.items():
        click.echo(f"FAILED  {', '.join(names)}: {message}")
    failed = sum(not result.passed for result in results)
    click.echo(f"{len(results) - failed} of {len(results)} checks passed")
    return 1 if failed else 0
