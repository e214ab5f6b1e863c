"""The linear quarter-car: body on a spring and damper, wheel on its tyre. Closed forms.

    ms zs'' = -ks (zs - zu) - c (zs' - zu')
    mu zu'' =  ks (zs - zu) + c (zs' - zu') - kt (zu - z_road)

Any set of consistent units will do; ratios per sprung mass (golden car: ms = 1) as well. It is the
limit of the half-car for equal axles that move together, small motion and linear dampers.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class QuarterCar:
    """Sprung mass, unsprung mass [kg], spring, tyre [N/m], damping [N s/m]."""

    sprung: float
    unsprung: float
    spring: float
    tyre: float
    damping: float = 0.0

    def modes_hz(self) -> tuple[float, float]:
        """Undamped body and wheel-hop frequencies [Hz], coupled.

        >>> saloon = QuarterCar(sprung=454.5, unsprung=45.45, spring=22e3, tyre=176e3)
        >>> [round(f, 4) for f in saloon.modes_hz()]
        [1.0433, 10.5113]
        """
        # w^4 ms mu - w^2 (ms (ks + kt) + mu ks) + ks kt = 0
        a = self.sprung * self.unsprung
        b = self.sprung * (self.spring + self.tyre) + self.unsprung * self.spring
        c = self.spring * self.tyre
        root = sqrt(b * b - 4.0 * a * c)
        low, high = 2.0 * c / (b + root), (b + root) / (2.0 * a)
        return sqrt(low) / (2.0 * pi), sqrt(high) / (2.0 * pi)

    def state_space(self) -> tuple[FloatArray, FloatArray]:
        """Matrices A (4, 4) and B (4, 1): states zs, zs', zu, zu'; input: height of the road."""
        ks, kt, c = self.spring, self.tyre, self.damping
        ms, mu = self.sprung, self.unsprung
        a = np.array(
            [
                [0.0, 1.0, 0.0, 0.0],
                [-ks / ms, -c / ms, ks / ms, c / ms],
                [0.0, 0.0, 0.0, 1.0],
                [ks / mu, c / mu, -(ks + kt) / mu, -c / mu],
            ]
        )
        return a, np.array([[0.0], [0.0], [0.0], [kt / mu]])

    def transmissibility(self, frequency_hz: FloatArray) -> FloatArray:
        """Amplitude of the body over that of the road, |zs / z_road| [-]."""
        s = 2j * pi * np.asarray(frequency_hz, dtype=np.float64)
        link = self.spring + self.damping * s
        body = self.sprung * s * s + link
        wheel = self.unsprung * s * s + link + self.tyre
        return np.asarray(np.abs(link * self.tyre / (body * wheel - link * link)))
