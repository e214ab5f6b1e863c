"""Sweep: one evaluation serves every threshold scale, for some leaves of a composition too.

Replace every leaf that is not swept by infinity where its demand is 1 or more and by 0 elsewhere,
evaluate the composition, and take the running maximum: at scale k it fires at the first sample
where that maximum reaches k. Exact for every operator that commutes with a threshold: minimum,
maximum, order statistic, hold, delay, debounce, gate, switch, reset. Scaled and adapted thresholds
move the level that a leaf below them is compared with; where that cannot be done sample by sample,
the rule must be re-run, and :func:`swept_demand` says so.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import fields, replace

import numpy as np

from crashsense.errors import Fault, InputError, nearest
from crashsense.rules.adaptation import Adapted
from crashsense.rules.composition import Composite, Gated, ResetAfterQuiet, Scaled
from crashsense.rules.contract import FloatArray, Rule, part_demand
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
    fixed = {"arming", "measure", "activity", "gate"}
    return frozenset(path for path in leaves(rule) if not fixed & set(path.split(".")))


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
    return _swept(rule, samples, chosen, path="", level=np.ones((1, 1)))


def _touches(path: str, chosen: frozenset[str]) -> bool:
    return any(leaf == path or leaf.startswith(f"{path}.") or path == "" for leaf in chosen)


def _decided(demand: FloatArray, level: FloatArray) -> FloatArray:
    return np.where(demand >= level, np.inf, 0.0)


def _swept(
    rule: Rule, samples: EcuSamples, chosen: frozenset[str], *, path: str, level: FloatArray
) -> FloatArray:
    if not _touches(path, chosen):
        return _decided(part_demand(rule, samples), level)
    if not isinstance(rule, Composite):
        if not rule.scales:
            raise _rerun(path, f"{type(rule).__name__} does not say that it scales")
        return part_demand(rule, samples)
    # Families of the house compute it from their parts; another class has said it or not.
    if type(rule).scales is False:
        raise _rerun(path, f"{type(rule).__name__} does not say that it scales")

    def part(role: str, at: FloatArray) -> FloatArray:
        where = f"{path}.{role}" if path else role
        return _swept(rule.children[role], samples, chosen, path=where, level=at)

    if isinstance(rule, Scaled):
        return part("rule", level / rule.factor) * rule.factor
    if isinstance(rule, Adapted):
        measure = f"{path}.measure" if path else "measure"
        if _touches(measure, chosen):
            raise _rerun(measure, "its demand moves a threshold")
        factor = rule.factor(part_demand(rule.measure, samples), samples)
        return part("rule", level * factor) / factor
    if isinstance(rule, Gated):
        return np.minimum(part("rule", level), part("gate", np.ones((1, 1))))
    if not rule.pointwise and level.size > 1:
        raise _rerun(path, "an operator over time stands below an adapted threshold")
    if isinstance(rule, ResetAfterQuiet):
        activity = f"{path}.activity" if path else "activity"
        if _touches(activity, chosen):
            raise _rerun(activity, "it resets")
        parts = {"rule": part("rule", level), "activity": part_demand(rule.activity, samples)}
    else:
        parts = {role: part(role, level) for role in rule.children}
    return rule.combine(parts, samples)


def _rerun(path: str, why: str) -> InputError:
    return InputError([Fault("sweep", path, None, f"a re-run at every scale: {why}")])


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


def first_ticks(demand: FloatArray, scales: FloatArray) -> Mapping[str, FloatArray]:
    """Return, for every scale, the first sample at which the running maximum reaches it.

    ``"tick"`` has shape (draws, scales), -1 where it never does.
    """
    highest = np.maximum.accumulate(demand, axis=-1)
    out = np.stack([np.searchsorted(row, scales, side="left") for row in highest])
    return {"tick": np.where(out < demand.shape[-1], out, -1)}
