"""Shared by several commands: types of options, and options that belong together."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from crashsense.errors import Fault, InputError, nearest
from crashsense.plan.keys import KEYS, is_list, types, words


class WholeNumber(click.ParamType):
    """A whole number not below *least* and, where given, not above *most*."""

    name = "number"

    def __init__(self, least: int, *, most: int | None = None) -> None:
        self.least = least
        self.most = most

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            number = int(value)
        except (TypeError, ValueError):
            number = self.least - 1
        if number < self.least or (self.most is not None and number > self.most):
            until = "or more" if self.most is None else f"to {self.most}"
            expected = f"a whole number, {self.least} {until}"
            raise InputError([Fault("command line", shown(param), value, expected)])
        return number


class OneOf(click.ParamType):
    """One of several values."""

    name = "word"

    def __init__(self, *words: str) -> None:
        self.words = words

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        return "|".join(self.words)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value not in self.words:
            raise InputError(
                [Fault("command line", shown(param), value, nearest(str(value), self.words))]
            )
        return str(value)


def plan_options(command: Callable[..., Any], *, only: tuple[str, ...] = ()) -> Callable[..., Any]:
    """Add an option for every key of a plan that has one; *only* these, where some are named."""
    for one in reversed(KEYS):
        about = one.metadata
        if only and one.name not in only:
            continue
        choices = about["choices"] or words(one.name)
        if not about["option"]:
            continue
        kind: click.ParamType | None = OneOf(*choices) if choices else None
        if types()[one.name] is int:
            kind = WholeNumber(about["least"])
        if "float" in str(types()[one.name]):
            kind = click.FLOAT
        if types()[one.name] is bool:  # not given: what the plan says
            flag = click.option(
                about["option"], one.name, is_flag=True, default=None, help=about["says"]
            )
            command = flag(command)
            continue
        command = click.option(
            about["option"],
            one.name,
            type=kind,
            metavar=about["metavar"],
            multiple=is_list(one.name),
            help=about["says"],
        )(command)
    return command


def evaluation_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add RUN, EVENT and the options that choose one evaluation of the run.

    The draw is an argument at the end or ``--draw``; :func:`draw_of` reads both.
    """
    last = "of the run (default: the last)."
    for one in (
        click.option("--algorithm", metavar="NAME", help=f"Algorithm {last}"),
        click.option("--sensor-set", metavar="NAME", help=f"Sensor set {last}"),
        click.option("--draw", type=WholeNumber(0), help="Draw (default 0, nominal)."),
        click.argument("number", type=WholeNumber(0), required=False, metavar="[DRAW]"),
        click.argument("event"),
        click.argument("run"),
    ):
        command = one(command)
    return command


def draw_of(number: int | None, draw: int | None) -> int:
    """Return the requested draw, 0 (nominal) by default; two that differ are refused.

    >>> draw_of(None, None), draw_of(3, None), draw_of(None, 4)
    (0, 3, 4)
    """
    if number is not None and draw is not None and number != draw:
        raise InputError([Fault("command line", "--draw", draw, f"{number}, or one of the two")])
    found = draw if number is None else number
    return 0 if found is None else found


def shown(parameter: click.Parameter | None) -> str:
    """Name of a parameter as the user writes it."""
    if isinstance(parameter, click.Option):
        return max(parameter.opts, key=len)
    return "" if parameter is None else (parameter.name or "argument").upper()
