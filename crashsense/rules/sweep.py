"""Sweep: one evaluation serves every threshold scale, for some leaves of a composition too.

Replace every leaf that is not swept by infinity where its demand is 1 or more and by 0 elsewhere,
evaluate the composition, and take the running maximum: at scale k it fires at the first sample
where that maximum reaches k. Exact for every operator that commutes with a threshold: minimum,
maximum, order statistic, hold, delay, debounce, gate, switch, reset. Scaled and adapted thresholds
move the level that a leaf below them is compared with; where that cannot be done sample by sample,
the rule must be re-run, and :func:`swept_demand` says so. How an operator is swept is its own
method, :meth:`~crashsense.rules.contract.Rule.swept`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import fields, replace

import numpy as np

from crashsense.errors import Fault, InputError, nearest
from crashsense.rules.composite import Composite
from crashsense.rules.composition import Scaled
from crashsense.rules.contract import FloatArray, Rule, Sweep
from crashsense.sensing.samples import EcuSamples


def leaves(rule: Rule, *, path: str = "") -> dict[str, Rule]:
    """Return every leaf of a composition by its path.

    >>> from crashsense.rules import rule_from_table as rule
    >>> list(leaves(rule({"family": "velocity_change"}) & rule({"family": "jerk"})))
    ['of[0]', 'of[1]']
    """
    if not rule.children:
        return {path: rule}
    found: dict[str, Rule] = {}
    for role, part in rule.children.items():
        found |= leaves(part, path=f"{path}.{role}" if path else role)
    return found


def default_leaves(rule: Rule) -> frozenset[str]:
    """Return the leaves that a sweep scales by default: all but arming, measures and resets."""
    return frozenset(_swept_leaves(rule, path=""))


def _swept_leaves(rule: Rule, *, path: str) -> Iterator[str]:
    if not rule.children:
        yield path
    for role, part in rule.children.items():
        if role not in rule.unswept:
            yield from _swept_leaves(part, path=f"{path}.{role}" if path else role)


def swept_demand(
    rule: Rule, samples: EcuSamples, *, sweep: Collection[str] | None = None
) -> FloatArray:
    """Return a demand that fires at scale k exactly where the rule, its *sweep* leaves at k, does.

    Its running maximum reaches k at the sample at which the rule first fires when every swept
    leaf's threshold is multiplied by k. ``sweep`` holds paths as :func:`leaves` gives them; by
    default :func:`default_leaves`. Raises InputError where re-running is needed.
    """
    known = leaves(rule)
    chosen = default_leaves(rule) if sweep is None else frozenset(sweep)
    faults = [
        Fault("sweep", "leaves", path, nearest(path, known))
        for path in sorted(chosen)
        if path not in known
    ]
    faults += [
        Fault("sweep", path, known[path].__class__.__name__, "a rule that scales, or a re-run")
        for path in sorted(chosen & known.keys())
        if not known[path].scales
    ]
    if faults:
        raise InputError(faults)
    return Sweep(rule, samples, chosen).demand(np.ones((1, 1)))


def with_leaves(rule: Rule, change: Callable[[str, Rule], Rule], *, path: str = "") -> Rule:
    """Return the composition with every leaf replaced by ``change(path, leaf)``."""
    if not isinstance(rule, Composite):
        return change(path, rule)
    changes: dict[str, object] = {}
    for item in fields(rule):  # type: ignore[arg-type]
        dot = f"{path}." if path else ""
        if item.metadata.get("child") == "one":
            changes[item.name] = with_leaves(
                getattr(rule, item.name), change, path=f"{dot}{item.name}"
            )
        elif item.metadata.get("child") == "many":
            changes[item.name] = tuple(
                with_leaves(part, change, path=f"{dot}{item.name}[{number}]")
                for number, part in enumerate(getattr(rule, item.name))
            )
    return replace(rule, **changes)  # type: ignore[type-var]


def rescaled(rule: Rule, scale: float, *, sweep: Collection[str] | None = None) -> Rule:
    """Return the composition with the thresholds of its *sweep* leaves multiplied by *scale*."""
    chosen = default_leaves(rule) if sweep is None else frozenset(sweep)

    def change(path: str, leaf: Rule) -> Rule:
        return Scaled(rule=leaf, factor=1.0 / scale) if path in chosen else leaf

    return with_leaves(rule, change)
