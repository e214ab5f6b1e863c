"""Conformance suite: does a rule keep the contract? Small checks, each with a name.

Use it three ways: ``crashsense check-rule FILE.py:CLASS``; :func:`check_rule` from Python; or in a
test file::

    from crashsense.rules import conformance

    @conformance.conforms(lambda: MyRule(threshold_m_s=1.5))
    def test_my_rule(check):
        check()

A check raises :class:`NotConforming` with a message that says what was observed, or
:class:`NotTested` if it does not apply to the rule, which is not a pass. Passing all of them
means that the rule can be evaluated reliably; it says nothing about whether it decides well.
"""

from __future__ import annotations

import copy
import pickle
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from crashsense.channels import CHANNELS
from crashsense.draws import generator
from crashsense.errors import CrashsenseError, RuleError
from crashsense.event import Context
from crashsense.rules.checked import (
    active_channels,
    checked_branch_demands,
    guarded,
    prefix,
    rows,
    said,
)
from crashsense.rules.contract import FloatArray, Rule
from crashsense.sensing.samples import EcuSamples

#: What each unit's test pulse reaches: far beyond any threshold of the trade.
_AMPLITUDE = {"m/s^2": 600.0, "Pa": 30000.0, "rad/s": 6.0}
#: Rest: offset and noise (standard deviation) that a sound sensor may show at rest.
_OFFSET = {"m/s^2": 0.5, "Pa": 100.0, "rad/s": 0.01}
_NOISE = {"m/s^2": 1.0, "Pa": 50.0, "rad/s": 0.005}

#: Default longest time for one draw and one sample [s]: the tick of a 2 kHz control unit.
TIME_PER_SAMPLE_S = 500e-6


class NotConforming(CrashsenseError, AssertionError):
    """A rule does not keep the contract."""


class NotTested(CrashsenseError):
    """A check does not apply to the rule."""


@dataclass(frozen=True)
class Stimulus:
    """The blocks that the checks use, made for the channels of one rule."""

    rate_hz: float
    pulses: EcuSamples
    rest: EcuSamples


def block(
    values: Mapping[str, FloatArray], *, rate_hz: float, start_s: float = -0.05
) -> EcuSamples:
    """Return a block of control-unit samples with the channels given, one or more; no others.

    Raises
    ------
    ValueError : no channel is given
    """
    if not values:
        raise ValueError("a block of samples: expected one or more channels")
    shape = next(iter(values.values())).shape
    channels = {name: np.full(shape, np.nan) for name in CHANNELS}
    valid = {name: np.zeros(shape, dtype=np.bool_) for name in CHANNELS}
    codes = {name: np.zeros(shape, dtype=np.int32) for name in CHANNELS}
    for name, samples in values.items():
        channels[name] = np.array(samples, dtype=np.float64)
        valid[name] = np.isfinite(channels[name])
        scale = CHANNELS[name].file_scale * 0.1
        codes[name] = np.rint(np.nan_to_num(channels[name]) / scale).astype(np.int32)
    return EcuSamples(
        channels=channels,
        codes=codes,
        valid=valid,
        rate_hz=rate_hz,
        start_s=np.full(shape[0], start_s),
        context=Context(),
    )


def stimulus(rule: Rule, *, size: int = 400) -> Stimulus:
    """Return the test blocks of a rule, at a rate that it declares (2 kHz if it declares none)."""
    rate = 2000.0 if rule.rates_hz is None else float(rule.rates_hz[0])
    # A rule that reads no channel is asked about as many samples as any other.
    names = sorted(rule.uses | rule.requires) or ["central_x"]
    source = generator(0, "conformance")
    ticks = np.arange(size)
    hump = np.where(
        (ticks >= size // 8) & (ticks < size // 2),
        np.sin(np.pi * (ticks - size // 8) / (size // 2 - size // 8)),
        0.0,
    )
    pulses, rest = {}, {}
    for number, name in enumerate(names):
        unit = CHANNELS[name].unit
        noise = source.standard_normal((5, size))
        shape = np.stack([hump, -hump, hump * np.sin(0.7 * ticks), 0.2 * noise[3], -0.3 * hump])
        # Channels differ, so that differences between them are seen too.
        pulses[name] = _AMPLITUDE[unit] * (shape + 0.05 * noise) / (1.0 + 0.3 * number)
        offsets = np.array([1.0, -1.0, 0.0, 0.5])[:, None] * _OFFSET[unit]
        rest[name] = offsets + _NOISE[unit] * source.standard_normal((4, size))
    return Stimulus(rate, block(pulses, rate_hz=rate), block(rest, rate_hz=rate))


def _demand(rule: Rule, samples: EcuSamples) -> FloatArray:
    return np.asarray(rule.branch_demands(samples)["total"])


def _changed_after(samples: EcuSamples, tick: int, *, scale: float) -> EcuSamples:
    """Return the block with everything after *tick* replaced."""
    channels = {}
    for name, values in samples.channels.items():
        other = values.copy()
        other[:, tick + 1 :] = scale * values[:, tick + 1 :][:, ::-1] + 1.0
        channels[name] = other
    return replace(samples, channels=channels)


def _require(condition: bool, message: str) -> None:
    if not condition:
        raise NotConforming(message)


def check_evaluates(rule: Rule, given: Stimulus) -> None:
    """An evaluation can use the rule, with any channel missing: demand by branch, channels read."""
    for samples in (given.pulses, given.rest):
        branches = checked_branch_demands(rule, samples)
        if "arming" in branches:
            least = np.minimum(branches["main"], branches["arming"])
            _require(
                np.array_equal(branches["total"], least),
                "does not evaluate: total is not the lesser of main and arming",
            )
    missing = [_without(given.pulses, names) for names in ((), *((n,) for n in rule.uses))]
    for samples in (given.rest, *missing, _without(given.pulses, tuple(rule.uses))):
        active = active_channels(rule, samples)
        unknown = sorted(active - rule.uses - rule.requires)
        _require(not unknown, f"does not evaluate: it reads {unknown}, which uses does not name")
        with guarded(rule):
            rule.armed_by(samples)


def _without(samples: EcuSamples, names: tuple[str, ...]) -> EcuSamples:
    """Return the block with some channels absent."""
    channels, valid = dict(samples.channels), dict(samples.valid)
    for name in names:
        channels[name] = np.full_like(channels[name], np.nan)
        valid[name] = np.zeros_like(valid[name])
    return replace(samples, channels=channels, valid=valid)


def check_causal(rule: Rule, given: Stimulus) -> None:
    """Demand at a sample does not change when later samples are changed or cut off."""
    whole = _demand(rule, given.pulses)
    size = given.pulses.size
    for tick in (1, size // 8, size // 4, size // 2, size - 2):
        for scale in (0.0, -1.0, 3.0):
            other = _demand(rule, _changed_after(given.pulses, tick, scale=scale))
            _require(
                np.array_equal(whole[:, : tick + 1], other[:, : tick + 1]),
                f"not causal: demand up to sample {tick} moves when later samples change",
            )
        cut = _demand(rule, prefix(given.pulses, tick + 1))
        _require(
            np.array_equal(whole[:, : tick + 1], cut),
            f"not causal: demand up to sample {tick} moves when later samples are cut off",
        )


def check_deterministic(rule: Rule, given: Stimulus) -> None:
    """The same samples give the same demand again, whatever was evaluated in between."""
    first = _demand(rule, given.pulses)
    _demand(rule, given.rest)
    again = _demand(rule, given.pulses)
    _require(
        np.array_equal(first, again),
        "not deterministic: the same samples give another demand the second time",
    )


def check_blocks(rule: Rule, given: Stimulus) -> None:
    """A block gives the same as its draws one by one, bit for bit."""
    whole = _demand(rule, given.pulses)
    for draw in range(given.pulses.draws):
        alone = _demand(rule, rows(given.pulses, [draw]))
        _require(
            np.array_equal(whole[draw : draw + 1], alone),
            f"blocks differ: draw {draw} in a block differs from the same draw alone",
        )


def check_chunks(rule: Rule, given: Stimulus) -> None:
    """However a record is cut into chunks, demand up to each cut is the same."""
    whole = _demand(rule, given.pulses)
    source = generator(0, "conformance", "chunks")
    sizes = np.unique(source.integers(1, given.pulses.size, size=12)).tolist()
    for size in sizes:
        part = _demand(rule, prefix(given.pulses, size))
        _require(
            np.array_equal(whole[:, :size], part),
            f"chunks differ: the first {size} samples alone give another demand",
        )


def check_input_untouched(rule: Rule, given: Stimulus) -> None:
    """The rule does not write to its samples."""
    kept = {name: values.copy() for name, values in given.pulses.channels.items()}
    kept_valid = {name: values.copy() for name, values in given.pulses.valid.items()}
    _demand(rule, given.pulses)
    for name, values in given.pulses.channels.items():
        same = np.array_equal(kept[name], values, equal_nan=True)
        same = same and np.array_equal(kept_valid[name], given.pulses.valid[name])
        if not same:
            # Later checks must not use spoilt samples.
            values[...] = kept[name]
            given.pulses.valid[name][...] = kept_valid[name]
        _require(same, f"input touched: the rule writes to channel {name}")


def check_silent_at_rest(rule: Rule, given: Stimulus) -> None:
    """Offset and noise alone do not fire."""
    largest = float(np.max(_demand(rule, given.rest), initial=0.0))
    _require(largest < 1.0, f"not silent at rest: demand reaches {largest:.3g} on offset and noise")


def check_does_not_latch(rule: Rule, given: Stimulus) -> None:
    """After demand has passed 1 the rule goes on as if nothing had fired; demand may fall again."""
    whole = _demand(rule, given.pulses)
    fired = False
    for draw in range(given.pulses.draws):
        over = np.flatnonzero(whole[draw] >= 1.0)
        if not over.size or over[0] >= given.pulses.size - 20:
            continue
        fired = True
        one = rows(given.pulses, [draw])
        tick = int(over[0])
        futures = [
            _demand(rule, _changed_after(one, tick, scale=scale))[0, tick + 1 :]
            for scale in (0.0, -2.0, 2.0, 5.0)
        ]
        _require(
            any(not np.array_equal(futures[0], other) for other in futures[1:]),
            f"latches: after sample {tick}, where demand passed 1, nothing moves it any more",
        )
        falls = (
            _demand(rule, _continued(one, tick, level=level))[0, tick + 1 :].min() < 1.0
            for level in (0.0, 0.3, -0.3)
        )
        ms = 1e3 * _CONTINUED / one.rate_hz
        _require(
            any(falls),
            f"latches: after sample {tick}, where demand passed 1, it stays at 1 or more whatever "
            f"comes in {ms:.0f} ms: rest or a long push in either sense",
        )
    if not fired:
        raise NotTested("demand never reached 1 on the test pulses")


#: Samples for which a pulse is continued to see demand fall again.
_CONTINUED = 1200


def _continued(samples: EcuSamples, tick: int, *, level: float) -> EcuSamples:
    """Return the block up to *tick*, then a constant: *level* times what a test pulse reaches."""
    channels, valid, codes = {}, {}, {}
    shape = (samples.draws, _CONTINUED)
    for name, values in samples.channels.items():
        there = bool(samples.valid[name].any())
        constant = level * _AMPLITUDE[CHANNELS[name].unit] if there else np.nan
        channels[name] = np.hstack([values[:, : tick + 1], np.full(shape, constant)])
        valid[name] = np.isfinite(channels[name])
        codes[name] = np.zeros(valid[name].shape, dtype=np.int32)
    return replace(samples, channels=channels, valid=valid, codes=codes)


def check_finite(rule: Rule, given: Stimulus) -> None:
    """Demand is float64 of shape (draws, samples), finite and not negative."""
    for samples in (given.pulses, given.rest):
        demand = _demand(rule, samples)
        shape = (samples.draws, samples.size)
        _require(demand.shape == shape, f"not finite: shape is {demand.shape}, expected {shape}")
        _require(demand.dtype == np.float64, f"not finite: type is {demand.dtype}, not float64")
        _require(bool(np.isfinite(demand).all()), "not finite: demand holds NaN or infinity")
        _require(bool((demand >= 0.0).all()), "not finite: demand is negative somewhere")


#: How far thresholds are raised.
_RAISED = 1.5


def _raised(rule: Rule, *, claim: str) -> Rule:
    """Return the rule with its thresholds raised, so that its claims can be tested."""
    if not getattr(rule, claim):
        raise NotTested(f"the rule does not claim it ({claim} is not True)")
    raised = rule.at_scale(_RAISED)
    if raised is None:
        raise NotTested("the rule claims it, and there is no parameter threshold... to raise")
    return raised


def check_monotone(rule: Rule, given: Stimulus) -> None:
    """Larger thresholds never give a larger demand, where the rule says so."""
    other = _demand(_raised(rule, claim="monotone"), given.pulses)
    _require(
        bool((other <= _demand(rule, given.pulses) * (1.0 + 1e-12)).all()),
        "not monotone: larger thresholds give a larger demand",
    )


def check_scales(rule: Rule, given: Stimulus) -> None:
    """Every threshold times k gives demand / k, where the rule says so."""
    other = _demand(_raised(rule, claim="scales"), given.pulses)
    expected = _demand(rule, given.pulses) / _RAISED
    _require(
        bool(np.allclose(other, expected, rtol=1e-9, atol=1e-12)),
        f"does not scale: demand is not divided by {_RAISED:g} where every threshold is times "
        f"{_RAISED:g}, though the rule says so",
    )


def check_pickles(rule: Rule, given: Stimulus) -> None:
    """The rule can be pickled, cloned and sent to another process."""
    demand = _demand(rule, given.pulses)
    try:
        loaded = pickle.loads(pickle.dumps(rule))
        cloned = copy.deepcopy(rule)
    except (Exception, SystemExit) as error:
        raise NotConforming(f"does not pickle: {type(error).__name__}: {error}") from error
    for other in (loaded, cloned):
        _require(
            np.array_equal(demand, _demand(other, given.pulses)),
            "does not pickle: the copy gives another demand",
        )


def check_rates(rule: Rule, given: Stimulus) -> None:
    """A rule that declares its tick rates refuses any other."""
    if rule.rates_hz is None:
        raise NotTested("the rule declares no rates")
    for rate in rule.rates_hz:
        _demand(rule, replace(given.pulses, rate_hz=float(rate)))
    foreign = 1.37 * max(rule.rates_hz)
    try:
        _demand(rule, replace(given.pulses, rate_hz=foreign))
    except CrashsenseError:
        return
    raise NotConforming(
        f"undeclared rate: the rule takes {foreign:g} Hz though it declares {rule.rates_hz}"
    )


def check_nan_policy(rule: Rule, given: Stimulus) -> None:
    """Channels that are not valid (NaN) leave demand finite, and do not fire by themselves."""
    size = given.pulses.size
    for name in [*sorted(rule.uses), None]:
        channels = {key: values.copy() for key, values in given.pulses.channels.items()}
        valid = {key: values.copy() for key, values in given.pulses.valid.items()}
        for key in channels if name is None else (name,):
            channels[key][:, size // 3 :] = np.nan
            valid[key][:, size // 3 :] = False
        what = "every channel" if name is None else name
        demand = _demand(rule, replace(given.pulses, channels=channels, valid=valid))
        _require(
            bool(np.isfinite(demand).all()),
            f"NaN policy: demand is not finite while {what} is not valid",
        )
    channels = {key: np.full_like(values, np.nan) for key, values in given.pulses.channels.items()}
    valid = {key: np.zeros_like(values) for key, values in given.pulses.valid.items()}
    demand = _demand(rule, replace(given.pulses, channels=channels, valid=valid))
    _require(bool((demand < 1.0).all()), "NaN policy: the rule fires without any valid channel")


def check_time_per_sample(rule: Rule, given: Stimulus, *, limit_s: float | None = None) -> None:
    """One draw and one sample take no longer than a tick of the control unit."""
    limit = TIME_PER_SAMPLE_S if limit_s is None else limit_s
    one = rows(given.pulses, [0])
    _demand(rule, one)
    best = np.inf
    for _ in range(3):
        began = time.perf_counter()
        _demand(rule, one)
        best = min(best, time.perf_counter() - began)
    each = best / one.size
    _require(each <= limit, f"too slow: {each * 1e6:.0f} us a sample, at most {limit * 1e6:.0f} us")


Check = Callable[[Rule, Stimulus], None]

#: Every check by its name, in the order in which they run.
CHECKS: Mapping[str, Check] = MappingProxyType(
    {
        "evaluates": check_evaluates,
        "finite": check_finite,
        "causal": check_causal,
        "deterministic": check_deterministic,
        "blocks": check_blocks,
        "chunks": check_chunks,
        "input_untouched": check_input_untouched,
        "silent_at_rest": check_silent_at_rest,
        "does_not_latch": check_does_not_latch,
        "monotone": check_monotone,
        "scales": check_scales,
        "pickles": check_pickles,
        "rates": check_rates,
        "nan_policy": check_nan_policy,
        "time_per_sample": check_time_per_sample,
    }
)


@dataclass(frozen=True)
class Result:
    """Result of one check: why it failed, or why it could not test; passed if both are empty."""

    name: str
    message: str = ""
    untested: str = ""

    @property
    def passed(self) -> bool:
        """True if the rule was tested and conforms."""
        return not self.message and not self.untested

    @property
    def failed(self) -> bool:
        """True if the rule does not conform."""
        return bool(self.message)


def run_check(name: str, make: Callable[[], Rule]) -> None:
    """Run one check on a fresh rule.

    Raises
    ------
    NotConforming : it fails
    NotTested : it does not apply to the rule
    """
    rule = make()
    given = stimulus(rule)
    try:
        CHECKS[name](rule, given)
    except (NotConforming, NotTested):
        raise
    except RuleError as error:  # of a rule in a process apart: what it raised there
        text = str(error).removeprefix("PythonRule: ")
        raise NotConforming(f"the rule raised {text}") from error
    except (Exception, SystemExit) as error:
        raise NotConforming(f"the rule raised {said(error)}") from error


def check_rule(make: Callable[[], Rule]) -> list[Result]:
    """Run every check on fresh rules from *make* and return what each found."""
    results = []
    for name in CHECKS:
        try:
            run_check(name, make)
        except NotConforming as error:
            results.append(Result(name, message=str(error) or "failed"))
        except NotTested as error:
            results.append(Result(name, untested=str(error)))
        else:
            results.append(Result(name))
    return results


def conforms(make: Callable[[], Rule]) -> Callable[[Any], Any]:
    """Turn a test function into one test for each check; it receives ``check`` and calls it.

    A check that does not apply to the rule is skipped, with the reason.
    """
    import pytest

    def bound(name: str) -> Callable[[], None]:
        def check() -> None:
            try:
                run_check(name, make)
            except NotTested as error:
                pytest.skip(str(error))

        return check

    return pytest.mark.parametrize("check", [pytest.param(bound(name), id=name) for name in CHECKS])
