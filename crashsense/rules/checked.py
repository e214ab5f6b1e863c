"""Evaluation of a rule that is not trusted: whatever it does becomes a RuleError of its own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace

import numpy as np

from crashsense.errors import RuleError
from crashsense.rules.contract import FloatArray, Rule, sharing
from crashsense.sensing.samples import EcuSamples


@dataclass(frozen=True, eq=False)
class Evaluated:
    """Demand by branch, and the draws in which the rule failed (their rows are 0)."""

    branches: Mapping[str, FloatArray]
    errors: Mapping[int, str]


def checked_branch_demands(rule: Rule, samples: EcuSamples) -> dict[str, FloatArray]:
    """Return ``rule.branch_demands(samples)``, or raise RuleError saying what is wrong with it."""
    name = type(rule).__name__
    with sharing(), guarded(rule), _read_only(samples) if _of_a_user(rule) else nullcontext():
        branches = rule.branch_demands(samples)
    shape = (samples.draws, samples.size)
    if not isinstance(branches, dict) or not {"total", "main"} <= set(branches):
        raise RuleError(f"{name}: branch_demands must give 'total' and 'main'")
    for branch, demand in branches.items():
        if not isinstance(demand, np.ndarray) or demand.shape != shape:
            got = getattr(demand, "shape", type(demand).__name__)
            raise RuleError(f"{name}: demand has shape {got}; expected {shape}")
        if demand.dtype != np.float64:
            raise RuleError(f"{name}: demand is {demand.dtype}; expected float64")
        if not np.isfinite(demand).all():
            draw, tick = (int(i) for i in np.argwhere(~np.isfinite(demand))[0])
            value = demand[draw, tick]
            raise RuleError(f"{name}: {branch} demand is {value} at draw {draw}, sample {tick}")
        if (demand < 0.0).any():
            draw, tick = (int(i) for i in np.argwhere(demand < 0.0)[0])
            value = demand[draw, tick]
            raise RuleError(f"{name}: {branch} demand is {value:g} at draw {draw}, sample {tick}")
    return branches


@contextmanager
def guarded(rule: Rule) -> Iterator[None]:
    """Whatever the rule raises inside becomes a RuleError that names it."""
    try:
        yield
    except RuleError:
        raise
    except (Exception, SystemExit) as error:  # a rule that calls exit() ends nothing but itself
        raise RuleError(f"{type(rule).__name__}: {type(error).__name__}: {error}") from error


def _of_a_user(rule: Rule) -> bool:
    """True if the rule, or a part of it, is no rule of the house."""
    kinds = [type(rule), type(getattr(rule, "inner", rule))]
    return any(kind.__module__.partition(".")[0] != "crashsense" for kind in kinds) or any(
        _of_a_user(part) for part in rule.children.values()
    )


@contextmanager
def _read_only(samples: EcuSamples) -> Iterator[None]:
    """Samples are what other rules see as well: one that writes to them fails, and alone."""
    tables = (samples.channels, samples.codes, samples.valid)
    open_ones = [array for table in tables for array in table.values() if array.flags.writeable]
    for array in open_ones:
        array.setflags(write=False)
    try:
        yield
    finally:
        for array in open_ones:
            array.setflags(write=True)


def evaluate_rule(rule: Rule, samples: EcuSamples) -> Evaluated:
    """Evaluate a rule on a block; a failing draw fails alone, in a block of any size.

    The block is tried at once. If it fails, each draw is run by itself, so that the result does not
    depend on which draws share a block.
    """
    try:
        return Evaluated(checked_branch_demands(rule, samples), {})
    except RuleError as error:
        if samples.draws == 1:
            zeros = np.zeros((1, samples.size))
            return Evaluated({"total": zeros, "main": zeros}, {0: str(error)})
    parts = [evaluate_rule(rule, rows(samples, [draw])) for draw in range(samples.draws)]
    keys = sorted(set().union(*(part.branches for part in parts)))
    zeros = np.zeros((1, samples.size))
    return Evaluated(
        {key: np.concatenate([part.branches.get(key, zeros) for part in parts]) for key in keys},
        {draw: part.errors[0] for draw, part in enumerate(parts) if part.errors},
    )


def rows(samples: EcuSamples, draws: list[int]) -> EcuSamples:
    """Return the block of some draws, given by their place in the block."""
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
