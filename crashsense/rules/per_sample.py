"""Rules written sample by sample, wrapped into the block contract."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from numbers import Real
from typing import Any, Protocol

import numpy as np

from crashsense.errors import RuleError
from crashsense.event import Context
from crashsense.rules.contract import FloatArray, Rule
from crashsense.rules.kernels import read
from crashsense.sensing.samples import EcuSamples


@dataclass(frozen=True)
class Frame:
    """What the control unit holds at one tick.

    ``value(name)`` is the channel in SI, 0.0 where it is not valid; ``valid[name]`` tells.
    """

    values: Mapping[str, float]
    valid: Mapping[str, bool]

    def value(self, channel: str) -> float:
        """Return a channel in SI, 0.0 where it is not valid."""
        return self.values[channel]


class SampleRule(Protocol):
    """A rule written sample by sample.

    ``requires`` names its channels (``uses`` may name more). ``reset`` is called before the first
    sample of every evaluation; ``update`` returns demand (>= 0) for one tick.
    """

    requires: frozenset[str]

    def reset(self, *, rate_hz: float, context: Context) -> None:
        """Forget everything."""
        ...

    def update(self, frame: Frame) -> float:
        """Return demand at this tick."""
        ...


def _is_number(result: object) -> bool:
    if isinstance(result, np.ndarray):
        return result.ndim == 0 and result.dtype.kind in "fiub"
    return isinstance(result, (Real, np.floating, np.integer, np.bool_))


def _shown(result: object) -> str:
    text = repr(result)
    return text if len(text) <= 60 else f"{text[:57]}..."


class PerSample(Rule):
    """Runs a :class:`SampleRule` over a block, draw by draw, tick by tick."""

    def __init__(self, factory: Callable[..., Any], *, parameters: Mapping[str, Any]) -> None:
        self.factory = factory
        self.parameters = dict(parameters)
        self.inner = factory(**self.parameters)
        self._requires = frozenset(self.inner.requires)
        self._uses = self._requires | frozenset(getattr(self.inner, "uses", ()))
        self.scales = bool(getattr(self.inner, "scales", False))
        self.monotone = bool(getattr(self.inner, "monotone", False))
        self.rates_hz = getattr(self.inner, "rates_hz", None)

    @property
    def requires(self) -> frozenset[str]:
        """Channels without which the rule cannot judge."""
        return self._requires

    @property
    def uses(self) -> frozenset[str]:
        """All channels that the rule reads."""
        return self._uses

    def demand(self, samples: EcuSamples) -> FloatArray:
        """Return demand, computed tick by tick."""
        out = np.empty((samples.draws, samples.size))
        names = sorted(self._uses)
        channels = {name: read(samples, name) for name in names}
        for draw in range(samples.draws):
            self.inner.reset(rate_hz=samples.rate_hz, context=samples.context)
            valid, values = [], []
            for name in names:
                value, there = channels[name]
                values.append(value[draw].tolist())
                valid.append(there[draw].tolist())
            for tick in range(samples.size):
                frame = Frame(
                    dict(zip(names, [column[tick] for column in values], strict=True)),
                    dict(zip(names, [column[tick] for column in valid], strict=True)),
                )
                result = self.inner.update(frame)
                # numpy would read the text "1" as a number; a rule that returns text is wrong.
                if type(result) is not float and not _is_number(result):
                    raise RuleError(
                        f"{type(self.inner).__name__}.update returned {_shown(result)} at tick "
                        f"{tick}; expected one number"
                    )
                out[draw, tick] = result
        return out
