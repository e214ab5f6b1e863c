"""What studies over a plan share on the command line: its options, and how it is resolved."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from crashsense.cli.options import OneOf, plan_options

if TYPE_CHECKING:
    from crashsense.plan import Plan

#: Keys of a plan that say which events are studied, and on what.
EVENT_KEYS = (
    "events",
    "records",
    "vehicle",
    "requirements",
    "restraints",
    "passenger_seat",
    "sensor_sets",
    "algorithms",
    "rules_in_process",
    "channel",
    "belts",
    "expect",
    "required_from",
)

#: Keys that say how draws are made.
DRAW_KEYS = ("draws", "seed", "vary", "sensor_draws")


def study_options(*more: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Add the options of a plan that studies take, *more* keys, and ``--engine``."""

    def decorate(command: Callable[..., Any]) -> Callable[..., Any]:
        engine = click.option(
            "--engine", type=OneOf("numpy", "fast"), help="Default: the fastest installed."
        )
        return partial(plan_options, only=(*EVENT_KEYS, *more))(engine(command))

    return decorate


def resolved(
    plan: str | None, options: dict[str, Any], *, algorithms: tuple[str, ...] = ("guarded",)
) -> Plan:
    """Resolve a plan file and the options of :func:`study_options`; these are taken out.

    *algorithms*: judged where neither the plan file nor an option names any.
    """
    from crashsense.plan import resolve_plan

    names = (*EVENT_KEYS, *DRAW_KEYS, "faults")
    given = {name: options.pop(name) for name in names if name in options}
    given = {name: value for name, value in given.items() if value not in (None, ())}
    if plan is None and "algorithms" not in given:
        given["algorithms"] = algorithms
    return resolve_plan(plan, **given)


def progress_bar(noun: str) -> Callable[..., None] | None:
    """Return a line on standard error that counts; None where that is no terminal."""
    if not sys.stderr.isatty():
        return None

    began = time.monotonic()

    def show(done: int, total: int, **_: Any) -> None:
        left = (time.monotonic() - began) * (total - done) / max(done, 1)
        text = f"{done} of {total} {noun}" + (f", {left:.0f} s left" if 0 < done < total else "")
        click.echo(f"\r{text:<60}", nl=done == total, err=True)

    return show
