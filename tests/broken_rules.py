"""Rules that are broken in one way each, for the tests."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from crashsense.errors import RuleError
from crashsense.rules.velocity import VelocityChange


@dataclass(frozen=True)
class Sound(VelocityChange):
    """A rule that keeps the contract; each broken one below breaks it in one way."""

    leak_g: float = 2.0

    def honest(self, samples):
        return VelocityChange.demand(self, samples)


class Acausal(Sound):
    def demand(self, samples):
        peak = np.max(np.abs(np.nan_to_num(samples.channels["central_x"])), axis=-1)
        return self.honest(samples) * (peak > 200.0)[:, None]


class Truncating(Sound):
    """Depends on the length of what it is given, though not on what comes later."""

    def demand(self, samples):
        return self.honest(samples) * (1.0 + 1e-3 * (samples.size % 2))


class Forgetful(Sound):
    count = 0

    def demand(self, samples):
        type(self).count += 1
        return self.honest(samples) * (1.0 + 1e-6 * type(self).count)


class Mixing(Sound):
    def demand(self, samples):
        demand = self.honest(samples)
        return demand + 0.01 * demand.mean(axis=0)


class Writing(Sound):
    def demand(self, samples):
        demand = self.honest(samples)
        samples.channels["central_x"][:, 0] = 0.0
        return demand


class Noisy(Sound):
    def demand(self, samples):
        return self.honest(samples) + np.abs(np.nan_to_num(samples.channels["central_x"])) / 2.0


class Latching(Sound):
    scales = True

    def demand(self, samples):
        demand = self.honest(samples)
        fired = np.maximum.accumulate(demand >= 1.0, axis=-1)
        return np.where(fired, 1.0, demand)


class Infinite(Sound):
    def demand(self, samples):
        demand = self.honest(samples).copy()
        demand[:, -1] = np.nan
        return demand


class Negative(Sound):
    def demand(self, samples):
        return self.honest(samples) - 0.5


class Single(Sound):
    def demand(self, samples):
        return self.honest(samples).astype(np.float32)


class Shapeless(Sound):
    def demand(self, samples):
        return self.honest(samples)[:, 1:]


class Growing(Sound):
    def demand(self, samples):
        return self.honest(samples) * self.threshold_m_s**2


class Unscaled(Sound):
    scales = True

    def demand(self, samples):
        return self.honest(samples) / np.sqrt(self.threshold_m_s)


class Unpicklable(Sound):
    def __reduce__(self):
        raise TypeError("no")


class AnyRate(Sound):
    rates_hz = (1000.0, 2000.0)


class Declared(AnyRate):
    def demand(self, samples):
        if samples.rate_hz not in self.rates_hz:
            raise RuleError(f"made for {self.rates_hz} Hz, got {samples.rate_hz:g}")
        return self.honest(samples)


class Spreading(Sound):
    def demand(self, samples):
        return np.maximum(np.cumsum(-samples.channels["central_x"], axis=-1) / 3000.0 - 2.0, 0.0)


class FiringBlind(Sound):
    def demand(self, samples):
        valid = samples.valid["central_x"]
        return np.where(valid, self.honest(samples), 2.0)


class Slow(Sound):
    def demand(self, samples):
        time.sleep(samples.size * 1e-3 if samples.draws == 1 and samples.size == 400 else 0.0)
        return self.honest(samples)


class Raising(Sound):
    def demand(self, samples):
        raise KeyError("central_q")


class Highest(Sound):
    """Keeps the largest demand so far: a latch that moves on."""

    def demand(self, samples):
        return np.maximum.accumulate(self.honest(samples), axis=-1)


class Sticky(Sound):
    """Never below 1 again, once it was there."""

    def demand(self, samples):
        demand = self.honest(samples)
        fired = np.maximum.accumulate(demand >= 1.0, axis=-1)
        return np.where(fired, np.maximum(demand, 1.0), demand)


class Listing(Sound):
    def demand(self, samples):
        return self.honest(samples).tolist()


class Mainless(Sound):
    def branch_demands(self, samples):
        return {"total": self.honest(samples)}


class Unsure(Sound):
    def active(self, samples):
        raise KeyError("mine")


class UnsureWithout(Sound):
    """Fails when it is asked what it reads while a channel is missing."""

    def active(self, samples):
        if not samples.valid["central_x"].any():
            raise KeyError("mine")
        return self.uses


class Unlike(Sound):
    """Its total is no minimum of main and arming."""

    def branch_demands(self, samples):
        demand = self.honest(samples)
        return {"total": demand, "main": demand, "arming": np.zeros_like(demand)}


BROKEN = [
    (Acausal, "causal", "not causal: demand up to sample .* moves when later samples change"),
    (Truncating, "causal", "not causal: demand up to sample .* moves when .* are cut off"),
    (Truncating, "chunks", "chunks differ: the first .* samples alone give another demand"),
    (Forgetful, "deterministic", "not deterministic: the same samples give another demand"),
    (Mixing, "blocks", "blocks differ: draw 0 in a block differs"),
    (Writing, "input_untouched", "input touched: the rule writes to channel central_x"),
    (Noisy, "silent_at_rest", "not silent at rest: demand reaches"),
    (Latching, "does_not_latch", "latches: after sample .* nothing moves it any more"),
    (Infinite, "finite", "demand holds NaN or infinity"),
    (Negative, "finite", "demand is negative somewhere"),
    (Single, "finite", "type is float32"),
    (Shapeless, "finite", "shape is"),
    # 1200 samples at 2 kHz.
    (Highest, "does_not_latch", "stays at 1 or more whatever comes in 600 ms: rest or"),
    (Sticky, "does_not_latch", "latches: after sample .* stays at 1 or more whatever comes"),
    (Listing, "evaluates", "the rule raised Listing: demand has shape list; expected"),
    (Mainless, "evaluates", "the rule raised Mainless: branch_demands must give 'total' and 'main"),
    (Unsure, "evaluates", "the rule raised Unsure: KeyError: 'mine'"),
    (UnsureWithout, "evaluates", "the rule raised UnsureWithout: KeyError: 'mine'"),
    (Unlike, "evaluates", "total is not the lesser of main and arming"),
    (Growing, "monotone", "larger thresholds give a larger demand"),
    (Unscaled, "scales", "demand is not divided by 1.5 where every threshold is times 1.5"),
    (Unpicklable, "pickles", "does not pickle: TypeError: no"),
    (AnyRate, "rates", "undeclared rate: the rule takes 2740 Hz"),
    (Spreading, "nan_policy", "NaN policy: demand is not finite while central_x is not valid"),
    (FiringBlind, "nan_policy", "NaN policy: the rule fires without any valid channel"),
    (Slow, "time_per_sample", "too slow: .* us a sample, at most 500 us"),
    (Raising, "finite", "the rule raised KeyError"),
]
