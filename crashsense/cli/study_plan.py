"""Shared by studies over a plan on the command line: its options, and how it is resolved."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from crashsense.cli.options import OneOf, plan_options

if TYPE_CHECKING:
    from crashsense.event import Event
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

#: Keys that say how records are read, and all that choose events of the library and records.
READING_KEYS = ("channel", "belts", "expect", "required_from")
CHOOSING_KEYS = ("events", "records", *READING_KEYS)

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


def event_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that choose events: from the library, or records and how they are read.

    They are the same for every command that takes events; a record may be a library of records.
    """
    return plan_options(command, only=CHOOSING_KEYS)


def reading_of(options: Mapping[str, Any]) -> dict[str, Any]:
    """How records are read, as far as options say."""
    return {k: options[k] for k in READING_KEYS if options[k] is not None}


def chosen_events(options: Mapping[str, Any]) -> list[Event]:
    """Return the events that the options choose; records replace the library.

    Raises
    ------
    InputError : unknown names, records that cannot be read, a request for records without any
    """
    from crashsense.plan import resolve_plan

    given = {name: options[name] for name in CHOOSING_KEYS if options[name] not in (None, ())}
    return list(resolve_plan(algorithms=("plain",), **given).events)


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
