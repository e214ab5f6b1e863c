"""Contact of round bodies in closed form: stiffness, first yield, duration, peak, restitution.

The first tenths of a millisecond of a hammer blow or stone impact follow from the two materials,
the radius at the point of contact, the masses and the speed:

    1/E* = (1 - nu1^2)/E1 + (1 - nu2^2)/E2      F = K c^(3/2),  K = 4/3 E* sqrt(R)

The pressure under the contact cannot pass the indentation strength p_y of the softer body; beyond
the depth c_y the force grows linearly. Functions of numbers or arrays, SI; they do
not check their input (the recipe has been checked).

Sources: K. L. Johnson, Contact Mechanics, Cambridge University Press 1985, sections 4.2 and 11.4;
C. Thornton, Journal of Applied Mechanics 64 (1997) 383; K. H. Hunt and F. R. E. Crossley, Journal
of Applied Mechanics 42 (1975) 440. Formulas from memory of these sources; the tests derive them
again from energy and march the motion.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Material:
    """Material of a body at the point of contact.

    Parameters
    ----------
    youngs_modulus_pa, poisson_ratio : E [Pa], nu [-]
    indentation_pa : pressure under the contact that the body bears [Pa]; infinite: stays elastic
    basis : where the numbers come from
    """

    youngs_modulus_pa: float
    poisson_ratio: float
    indentation_pa: float
    basis: str


#: Materials of strikers and struck places.
MATERIALS = {
    "steel": Material(2.1e11, 0.30, 2.0e9, "hardened steel; handbook modulus, strength memory"),
    "steel_sheet": Material(
        2.1e11, 0.30, 0.9e9, "body steel: about 2.8 times a yield strength of 320 MPa (memory)"
    ),
    "stone": Material(4.0e10, 0.22, 0.5e9, "limestone or concrete (memory, weak)"),
    "hard_rubber": Material(2.0e7, 0.49, np.inf, "facing of a mallet, about 85 Shore A (memory)"),
    "hard_plastic": Material(2.5e9, 0.40, 0.12e9, "facing of a mallet (memory)"),
}


def effective_modulus(one: Material, other: Material) -> float:
    """E* of two bodies in contact [Pa]; Johnson (1985), section 4.2.

    >>> print(round(effective_modulus(MATERIALS["steel"], MATERIALS["steel_sheet"]) / 1e9, 1))
    115.4
    """
    return 1.0 / sum((1.0 - m.poisson_ratio**2) / m.youngs_modulus_pa for m in (one, other))


def hertz_stiffness(modulus_pa: float, *, radius_m: float) -> float:
    """K of F = K c^(3/2) for a sphere on a flat [N/m^(3/2)]; Johnson (1985), eq. 4.23."""
    return float(4.0 / 3.0 * modulus_pa * radius_m**0.5)


def yield_depth(modulus_pa: float, *, radius_m: float, indentation_pa: float) -> float:
    """Depth at which the pressure at the centre reaches p_y: R (pi p_y / (2 E*))^2 [m].

    Johnson (1985), section 4.2: peak pressure 2 E* a / (pi R) with a^2 = R c. Infinite if p_y is.
    """
    return float(radius_m * (pi * indentation_pa / (2.0 * modulus_pa)) ** 2)


def contact_time(mass_kg: Any, *, modulus_pa: float, radius_m: float, speed_m_s: Any) -> Any:
    """Duration of an elastic blow of a sphere on a flat [s]; Johnson (1985), eq. 11.24.

    2.87 (m^2 / (R E*^2 v))^(1/5), m = m1 m2 / (m1 + m2). A steel ball of 25 mm at 1 m/s:

    >>> print(round(1e6 * contact_time(0.064, modulus_pa=115.4e9, radius_m=0.0125, speed_m_s=1.0)))
    86
    """
    return 2.87 * (mass_kg**2 / (radius_m * modulus_pa**2 * speed_m_s)) ** 0.2


def contact_peak(mass_kg: Any, *, stiffness: float, speed_m_s: Any) -> Any:
    """Largest force of an elastic blow [N]: K (5 m v^2 / (4 K))^(3/5), from energy."""
    return stiffness * (1.25 * mass_kg * speed_m_s**2 / stiffness) ** 0.6


def yield_speed(mass_kg: Any, *, stiffness: float, depth_m: float) -> Any:
    """Speed above which a blow leaves a dent [m/s]: m v^2 / 2 = 2/5 K c_y^(5/2)."""
    return (0.8 * stiffness * depth_m**2.5 / mass_kg) ** 0.5


def plastic_restitution(speed_ratio: Any) -> Any:
    """Rebound over approach speed [-]; Thornton (1997), eq. 36; 1 up to first yield.

    Parameters
    ----------
    speed_ratio : yield speed over speed of the blow [-]

    >>> print(round(float(plastic_restitution(0.01)), 3))
    0.374
    """
    r = np.minimum(speed_ratio, 1.0)
    e = (6.0 * 3.0**0.5 / 5.0) ** 0.5 * (1.0 - r * r / 6.0) ** 0.5
    return e * (r / (r + 2.0 * (1.2 - 0.2 * r * r) ** 0.5)) ** 0.25
