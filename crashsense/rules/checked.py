"""Evaluation of an untrusted rule: any failure becomes a RuleError of that rule."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from sys import getrefcount

import numpy as np

from crashsense.errors import RuleError, RuleTimeout, printable
from crashsense.rules.contract import FloatArray, Rule, of_a_user, sharing
from crashsense.rules.locked import locked_samples
from crashsense.sensing.samples import EcuSamples


@dataclass(frozen=True, eq=False)
class Evaluated:
    """Demand by branch, and the draws in which the rule failed (their rows are 0)."""

    branches: Mapping[str, FloatArray]
    errors: Mapping[int, str]


def checked_branch_demands(rule: Rule, samples: EcuSamples) -> dict[str, FloatArray]:
    """Return ``rule.branch_demands(samples)``, or raise a RuleError that says what is wrong."""
    own = of_a_user(rule)
    with sharing(), guarded(rule):
        branches = rule.branch_demands(locked_samples(samples) if own else samples)
    checked = check_branches(branches, name=type(rule).__name__, samples=samples)
    if not own:
        return checked
    given = dict(checked)
    del branches, checked
    return _kept_still(given)


def _kept_still(branches: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """Copy what a rule gave back: it may use its own array again, and its demand must not move.

    An array is left as it is where no more refer to it than these branches do.
    """
    names: dict[int, list[str]] = {}
    for key in branches:
        names.setdefault(id(branches[key]), []).append(key)
    for keys in names.values():
        own = branches[keys[0]].base is None
        if not (own and getrefcount(branches[keys[0]]) == len(keys) + 1):
            branches |= dict.fromkeys(keys, branches[keys[0]].copy())
    return branches


def check_branches(branches: object, *, name: str, samples: EcuSamples) -> dict[str, FloatArray]:
    """Return what the rule *name* returned, or raise a RuleError that says what is wrong.

    Demand by branch, total and main at least, each float64 of shape (draws, samples), finite and
    not negative.
    """
    shape = (samples.draws, samples.size)
    if not isinstance(branches, dict) or not {"total", "main"} <= set(branches):
        raise RuleError(f"{name}: branch_demands must give 'total' and 'main'")
    sound: set[int] = set()  # one array may be several branches
    for branch, demand in branches.items():
        if id(demand) in sound:
            continue
        if not isinstance(demand, np.ndarray) or demand.shape != shape:
            got = getattr(demand, "shape", type(demand).__name__)
            raise RuleError(f"{name}: demand has shape {got}; expected {shape}")
        if demand.dtype != np.float64:
            raise RuleError(f"{name}: demand is {demand.dtype}; expected float64")
        # The extremes say in two passes whether it is sound: NaN is neither.
        if demand.min(initial=0.0) >= 0.0 and demand.max(initial=0.0) < np.inf:
            sound.add(id(demand))
            continue
        for wrong, form in ((~np.isfinite(demand), ""), (demand < 0.0, "g")):
            if wrong.any():
                draw, tick = (int(i) for i in np.argwhere(wrong)[0])
                value = format(demand[draw, tick], form)
                raise RuleError(f"{name}: {branch} demand is {value} at draw {draw}, sample {tick}")
    return branches


def active_channels(rule: Rule, samples: EcuSamples) -> frozenset[str]:
    """Return ``rule.active(samples)``, or raise a RuleError that says how the rule failed."""
    with guarded(rule):
        active = rule.active(locked_samples(samples) if of_a_user(rule) else samples)
        return frozenset(str(name) for name in active)


@contextmanager
def guarded(rule: Rule) -> Iterator[None]:
    """Within the block, anything the rule raises becomes a RuleError that names it."""
    try:
        yield
    except RuleError as failed:
        text = printable(failed)[:MOST_TEXT]
        if text == str(failed):
            raise
        raise type(failed)(text) from failed
    except (Exception, SystemExit) as error:  # a rule that calls exit() ends nothing but itself
        raise RuleError(f"{type(rule).__name__}: {said(error)}") from error


def said(error: BaseException) -> str:
    """Return type and text of an error raised by foreign code, safe for one line of a table."""
    try:
        text = str(error)
    except Exception:  # its own text fails
        text = "(it has no text)"
    return printable(f"{type(error).__name__}: {text}"[:MOST_TEXT])


#: Longest text of an error of a foreign rule that is kept.
MOST_TEXT = 400


def of_operations(rule: Rule) -> bool:
    """True if the rule, and every rule inside it, can be said in operations (``Rule.write``).

    Such rules cost little, and about the same for every draw.
    """
    kind = type(rule)
    says = kind.write is not Rule.write or kind.write_branches is not Rule.write_branches
    return says and not of_a_user(rule) and all(map(of_operations, rule.children.values()))


#: Draws of one rule that may hang before it is given up.
MOST_TIMEOUTS = 3


class _Patience:
    """How often each rule has hung, and its last message. Rules are kept: ids stay unique."""

    def __init__(self) -> None:
        self.hung: dict[int, tuple[Rule, int, str]] = {}

    def note(self, rule: Rule, text: str) -> None:
        count = self.hung.get(id(rule), (rule, 0, ""))[1]
        self.hung[id(rule)] = (rule, count + 1, text)

    def given_up(self, rule: Rule) -> str:
        """Why the rule has been given up; empty if it has not."""
        _, count, text = self.hung.get(id(rule), (rule, 0, ""))
        return (
            f"given up after {count} draws without an answer: {text}"
            if count >= MOST_TIMEOUTS
            else ""
        )


_PATIENCE: ContextVar[_Patience | None] = ContextVar("crashsense_patience", default=None)


@contextmanager
def patience() -> Iterator[None]:
    """Count the draws in which a rule hangs over all evaluations within the ``with`` block.

    A rule that has hung :data:`MOST_TIMEOUTS` times is given up: every further draw is an error
    that says so. Outside such a block each call of :func:`evaluate_rule` counts for itself.
    """
    if _PATIENCE.get() is not None:
        yield
        return
    token = _PATIENCE.set(_Patience())
    try:
        yield
    finally:
        _PATIENCE.reset(token)


def evaluate_rule(rule: Rule, samples: EcuSamples) -> Evaluated:
    """Evaluate a rule on a block; a failing draw fails alone, in a block of any size.

    The whole block is tried first. If it fails, each draw is run by itself, so that the result does
    not depend on which draws share a block. A rule that hangs repeatedly is given up
    (:func:`patience`).
    """
    with patience():
        return _evaluate(rule, samples)


def _evaluate(rule: Rule, samples: EcuSamples) -> Evaluated:
    counted = _PATIENCE.get()
    assert counted is not None  # evaluate_rule has set it
    error = counted.given_up(rule)
    if not error:
        try:
            return Evaluated(checked_branch_demands(rule, samples), {})
        except RuleError as failed:
            error = str(failed)
            if samples.draws == 1 and isinstance(failed, RuleTimeout):
                counted.note(rule, error)
    if samples.draws == 1 or counted.given_up(rule):
        zeros = np.zeros((samples.draws, samples.size))
        return Evaluated(
            {"total": zeros, "main": zeros}, dict.fromkeys(range(samples.draws), error)
        )
    parts = [_evaluate(rule, rows(samples, [draw])) for draw in range(samples.draws)]
    keys = sorted(set().union(*(part.branches for part in parts)))
    zeros = np.zeros((1, samples.size))
    return Evaluated(
        {key: np.concatenate([part.branches.get(key, zeros) for part in parts]) for key in keys},
        {draw: part.errors[0] for draw, part in enumerate(parts) if part.errors},
    )


def rows(samples: EcuSamples, draws: list[int]) -> EcuSamples:
    """Return the block of some draws, given by their place; that of its only draw is the block."""
    if samples.draws == 1 and draws == [0]:
        return samples
    return replace(
        samples,
        channels={name: values[draws] for name, values in samples.channels.items()},
        codes={name: values[draws] for name, values in samples.codes.items()},
        valid={name: values[draws] for name, values in samples.valid.items()},
        start_s=samples.start_s[draws],
    )


def prefix(samples: EcuSamples, size: int) -> EcuSamples:
    """Return the first *size* samples of a block."""
    return replace(
        samples,
        channels={name: values[:, :size] for name, values in samples.channels.items()},
        codes={name: values[:, :size] for name, values in samples.codes.items()},
        valid={name: values[:, :size] for name, values in samples.valid.items()},
    )
