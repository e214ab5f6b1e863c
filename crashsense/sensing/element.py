"""A capacitive element: from geometry, gas and read-out to the numbers of a sensor's chain.

A proof mass is suspended by beams between fixed electrodes. Two forms: a **comb** moves in the
plane of the wafer between fingers, a **plate** moves out of it. From its numbers follow resonance,
quality factor, deflection, capacitance, noise and the four full scales: the smallest of them is the
range.

Tolerances are those of manufacture: gap, edge loss of the etching, beam width, thickness, pressure
and centring of the mass are drawn, and sensitivity, offset, resonance, quality, stop, nonlinearity
and noise of a draw all follow from the same drawn geometry.

SI inside; files use um, Pa, g (:mod:`crashsense.sensing.element_file`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import cos, inf, pi, radians, sin, sqrt
from typing import Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError
from crashsense.sensing import mechanics
from crashsense.sensing.element_limits import DEVIATIONS, shape_faults
from crashsense.values import Shown

#: Temperature at which an element is trimmed and its file is meant [K].
REFERENCE_K = 298.15


@dataclass(frozen=True, kw_only=True)
class Element(Shown):
    """One capacitive element. SI units; defaults are common practice.

    Mass: ``plate_length``, ``plate_width``, ``thickness`` [m], ``filled`` share of the plate that
    etch holes leave [-], ``density`` [kg/m^3]; or ``mass`` [kg] outright (0: from the plate).
    Spring: ``beams`` (number), ``beam_length``, ``beam_width`` [m], ``folded`` (two beams one after
    the other in each), ``young`` [Pa], ``young_per_k`` [1/K]; or ``stiffness`` [N/m] outright.
    Electrodes: ``form`` ``"comb"`` or ``"plate"``, ``differential``, ``gap`` [m], ``fingers``
    of a side and their ``overlap`` [m] (comb); a plate's electrode has the area of the plate.
    Gas: ``pressure`` [Pa] at 25 degC, sealed; ``film`` share of the squeeze film that holes leave;
    ``solid_quality`` quality factor of losses in beams and anchors [-].
    Read-out: ``read_out`` ``"charge"`` (amplifier of the difference, ``feedback`` [F]) or
    ``"bridge"`` (divider, ``gain`` [-]); ``drive`` [V] on the electrodes (root mean square),
    ``supply`` [V], ``parasitic`` [F], ``amplifier_noise`` [V/sqrt(Hz)].
    Stops: ``stop`` [m] travel to it; 0 for none but the electrodes.
    Limits: ``linear_within`` [-] largest nonlinear part at full scale.
    Package: ``package_hz`` (0: none known), ``package_quality``.
    Axes: ``axes`` names; ``shared_mass``; ``coupling`` [-] share of every other axis that one reads
    (:func:`leaning_coupling` makes it from springs).
    Tolerances, one standard deviation, cut at 3 sigma: ``gap_tolerance``, ``edge_tolerance`` (what
    etching takes off every edge: widens gaps and narrows beams by twice that),
    ``beam_tolerance``, ``thickness_tolerance``, ``centre_tolerance`` [m], ``pressure_tolerance``
    [-]; ``centre_per_k`` [m/K]; ``trim_left``: share of a deviation in sensitivity and offset that
    trimming at 25 degC leaves (1: not trimmed).
    """

    name: str
    title: str = ""
    form: str = "comb"
    differential: bool = True
    thickness: float
    plate_length: float = 0.0
    plate_width: float = 0.0
    filled: float = 1.0
    density: float = mechanics.SILICON_DENSITY
    mass: float = 0.0
    beams: int = 4
    beam_length: float = 0.0
    beam_width: float = 0.0
    folded: bool = False
    young: float = mechanics.SILICON_YOUNG
    young_per_k: float = mechanics.SILICON_YOUNG_PER_K
    stiffness: float = 0.0
    gap: float
    fingers: int = 0
    overlap: float = 0.0
    pressure: float = mechanics.ATMOSPHERE
    film: float = 1.0
    solid_quality: float = 10_000.0
    read_out: str = "charge"
    drive: float = 1.0
    supply: float = 3.3
    feedback: float = 0.0
    gain: float = 1.0
    parasitic: float = 0.0
    amplifier_noise: float = 0.0
    stop: float = 0.0
    linear_within: float = 0.01
    package_hz: float = 0.0
    package_quality: float = 50.0
    axes: tuple[str, ...] = ("x",)
    shared_mass: bool = False
    coupling: float = 0.0
    gap_tolerance: float = 0.0
    edge_tolerance: float = 0.0
    beam_tolerance: float = 0.0
    thickness_tolerance: float = 0.0
    pressure_tolerance: float = 0.0
    centre_tolerance: float = 0.0
    centre_per_k: float = 0.0
    trim_left: float = 1.0
    basis: Mapping[str, str] = field(default_factory=dict, compare=False, repr=False)
    file: str = field(default="", compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "axes", tuple(self.axes))
        object.__setattr__(self, "basis", dict(self.basis))
        found = shape_faults(self)
        if not found:
            found = _physical_faults(self)
        if found:
            raise InputError(found)

    def changed(self, **changes: Any) -> Element:
        """Return the element with other values; impossible ones are refused."""
        return replace(self, **changes)

    @property
    def area(self) -> float:
        """Electrode area of one side [m^2]."""
        if self.form == "comb":
            return self.fingers * self.overlap * self.thickness
        return self.plate_length * self.plate_width * self.filled

    @property
    def footprint(self) -> float:
        """Area on the wafer [m^2]: the plate, and the fingers of both sides at their pitch.

        Fingers are taken as wide as the beams, far gaps as three gaps; anchors and pads are not
        included.
        """
        plate = self.plate_length * self.plate_width
        if self.form == "plate":
            return plate
        pitch = 2.0 * max(self.beam_width, self.gap) + 4.0 * self.gap
        sides = 2 if self.differential else 1
        return plate + sides * self.fingers * pitch * self.overlap

    def state(
        self,
        *,
        warmer_k: FloatArray | float = 0.0,
        with_film: bool = True,
        **deviations: FloatArray,
    ) -> State:
        """Compute the element as made.

        Parameters
        ----------
        warmer_k : above 25 degC [K]
        with_film : False if damping, quality and noise are not needed: the film takes time
        deviations : of :data:`DEVIATIONS`, SI (pressure: share), of one shape
        """
        zero = np.zeros(np.shape(warmer_k))
        by = {name: np.asarray(deviations.get(name, zero)) for name in DEVIATIONS}
        kelvin = REFERENCE_K + np.asarray(warmer_k, dtype=np.float64)
        comb = self.form == "comb"
        etched = 2.0 * by["edge"] if comb else 0.0
        grown = 1.0 + mechanics.SILICON_EXPANSION * warmer_k
        gap = (self.gap + by["gap"] + etched) * grown
        thickness = self.thickness + by["thickness"]
        share = thickness / self.thickness
        mass = self._nominal_mass() * share
        spring = self._spring(by["beam"] - 2.0 * by["edge"], thickness, warmer_k)
        area = self.area * (share if comb else 1.0)
        pressure_25 = self.pressure * (1.0 + by["pressure"])
        sides = 2.0 if self.differential else 1.0
        softening = sides * mechanics.PERMITTIVITY * area * self.drive**2 / (gap * gap * gap)
        static = spring - softening
        w = np.sqrt(static / mass)
        film_length, film_width, films = self._film(thickness)
        viscosity = mechanics.viscosity(kelvin)
        gas, gas_spring = np.zeros(np.shape(w)), np.zeros(np.shape(w))
        if with_film:
            viscosity = mechanics.thinned_viscosity(viscosity, gap=gap, pressure_25=pressure_25)
            gas, gas_spring = mechanics.squeeze_film(
                length=film_length,
                width=film_width,
                gap=gap,
                hz=w / (2.0 * pi),
                pressure=pressure_25 * kelvin / REFERENCE_K,
                viscosity=viscosity,
            )
        moving = static + films * self.film * gas_spring
        damping = films * self.film * gas + np.sqrt(static * mass) / self.solid_quality
        w0 = np.sqrt(moving / mass)
        rest = mechanics.PERMITTIVITY * area / gap
        compliance = mass / static  # deflection for each m/s^2
        divider, volts = self._volts(rest, gap, compliance)
        noise_volts = self.amplifier_noise * (
            1.0 + (sides * rest + self.parasitic) / self.feedback
            if self.read_out == "charge"
            else self.gain
        )
        return State(
            gap=gap,
            mass=mass,
            spring=spring,
            softening=softening,
            static_stiffness=static,
            gas_spring=films * self.film * gas_spring,
            damping=damping,
            resonance_hz=w0 / (2.0 * pi),
            quality=np.sqrt(moving * mass) / damping,
            squeeze_number=np.asarray(
                12.0
                * viscosity
                * w
                * np.square(film_width)
                / (pressure_25 * kelvin / REFERENCE_K * gap * gap)
            ),
            rest=rest,
            compliance=compliance,
            divider=divider,
            volts=volts,
            thermal_noise=np.sqrt(4.0 * mechanics.BOLTZMANN * kelvin * damping) / mass,
            electronic_noise=noise_volts / volts,
        )

    def _nominal_mass(self) -> float:
        if self.mass:
            return self.mass
        return self.density * self.plate_length * self.plate_width * self.thickness * self.filled

    def _spring(
        self, wider: FloatArray, thickness: FloatArray, warmer_k: FloatArray | float
    ) -> FloatArray:
        """Stiffness of all beams as made [N/m]."""
        soft = 1.0 + self.young_per_k * np.asarray(warmer_k)
        comb = self.form == "comb"
        if self.stiffness:
            width = 1.0 + wider / self.beam_width if self.beam_width else np.ones(np.shape(wider))
            thick = thickness / self.thickness
            bent, straight = (width, thick) if comb else (thick, width)
            return np.asarray(self.stiffness * bent * bent * bent * straight * soft)
        width = self.beam_width + wider
        across, along = (width, thickness) if comb else (thickness, width)
        one = mechanics.beam_stiffness(
            young=self.young, across=across, along=along, length=self.beam_length
        )
        return np.asarray(one * self.beams * (0.5 if self.folded else 1.0) * soft)

    def _film(self, thickness: FloatArray) -> tuple[FloatArray | float, FloatArray | float, float]:
        """Length and width of one squeeze film [m], and how many there are."""
        sides = 2.0 if self.differential else 1.0
        if self.form == "comb":
            return self.overlap, thickness, sides * self.fingers
        long, wide = (
            max(self.plate_length, self.plate_width),
            min(self.plate_length, self.plate_width),
        )
        return long, wide, sides

    def _volts(
        self, rest: FloatArray, gap: FloatArray, compliance: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Share of the cubic part that the read-out keeps [-], and volts for each m/s^2."""
        if self.read_out == "bridge":
            # Drive (C1 - C2) / (C1 + C2 + Cp): the divider's sum takes most of the cubic part away.
            loss = self.parasitic / (2.0 * rest)
            volts = self.gain * self.drive * compliance / (gap * (1.0 + loss))
            return loss / (1.0 + loss), volts
        sides = 2.0 if self.differential else 1.0
        volts = self.drive * sides * rest * compliance / (gap * self.feedback)
        return np.ones(np.shape(rest)), volts

    # --- what follows for a part -----------------------------------------------------------------

    def full_scales(self) -> dict[str, float]:
        """Largest acceleration [m/s^2] by gap, stops, linearity and amplifier, nominal."""
        s = self.state()
        static, gap = float(s.static_stiffness), self.gap
        snap = mechanics.snap_deflection(
            stiffness=float(s.spring), gap=gap, area=self.area, volts=self.drive
        )
        by_gap = mechanics.load_at(
            deflection=snap, stiffness=float(s.spring), gap=gap, area=self.area, volts=self.drive
        ) / float(s.mass)
        compliance = float(s.mass) / static
        if not self.differential:
            linear = gap * self.linear_within
        elif float(s.divider) > 0:
            linear = gap * sqrt(self.linear_within / float(s.divider))
        else:
            linear = inf
        return {
            "gap": by_gap,
            "stops": (self.stop / compliance) if self.stop else inf,
            "linearity": linear / compliance if linear < gap else inf,
            "amplifier": self.supply / 2.0 / float(s.volts),
        }

    @property
    def binds(self) -> str:
        """Which of the full scales is the smallest."""
        scales = self.full_scales()
        return min(scales, key=lambda name: scales[name])

    @property
    def range(self) -> float:
        """Full scale [m/s^2]: the smallest of :meth:`full_scales`."""
        return min(self.full_scales().values())

    def part_numbers(self) -> dict[str, float]:
        """Fields of a :class:`~crashsense.sensing.sensor.Sensor` that follow from the element."""
        s, scales = self.state(), self.full_scales()
        full = min(scales.values())
        deflected = full * float(s.compliance) / self.gap
        return {
            "range": full,
            "front_end": scales["amplifier"],
            "stop": min(scales["gap"], scales["stops"]),
            "resonance_hz": float(s.resonance_hz),
            "quality": float(s.quality),
            "quadratic": 0.0 if self.differential else deflected,
            "nonlinearity": float(s.divider) * deflected**2,
            "noise_density": float(s.noise),
            "cross_axis": self.coupling if self.shared_mass else 0.0,
        }

    def drawn(self, z: FloatArray, warmer_k: FloatArray) -> ElementDraws:
        """Compute the elements of some draws, all relative to the nominal one.

        Parameters
        ----------
        z : standard normal numbers, cut at 3, shape (draws, len(DEVIATIONS)); 0: nominal
        warmer_k : above 25 degC, shape (draws,)
        """
        by = {
            name: z[:, k] * getattr(self, f"{name}_tolerance") for k, name in enumerate(DEVIATIONS)
        }
        nominal = self.state()
        made = self.state(with_film=False, **by)
        now = self.state(warmer_k=warmer_k, **by)
        raw = made.volts / nominal.volts
        trimmed = 1.0 + self.trim_left * (raw - 1.0)
        thermal = now.volts / made.volts
        sensitivity = trimmed * thermal
        # A mass off its centre reads the acceleration that would hold it there.
        at_trim = raw * by["centre"] / made.compliance
        moved = sensitivity * self.centre_per_k * warmer_k / now.compliance
        noise = sensitivity * now.noise / nominal.noise
        return ElementDraws(
            sensitivity=sensitivity,
            offset=self.trim_left * at_trim * thermal + moved,
            resonance=now.resonance_hz / nominal.resonance_hz,
            quality=now.quality / nominal.quality,
            stop=nominal.compliance / now.compliance * self._stop_share(now),
            nonlinearity=_squared(now.compliance / nominal.compliance * self.gap / now.gap)
            * _ratio(now.divider, nominal.divider),
            noise=noise,
        )

    def _stop_share(self, now: State) -> FloatArray | float:
        """Travel to the stop as made, over the nominal one: a stop's own gap follows the gap."""
        return now.gap / self.gap


def _squared(values: FloatArray) -> FloatArray:
    return values * values


def _ratio(values: FloatArray, nominal: FloatArray) -> FloatArray:
    return values / nominal if float(nominal) else np.ones(np.shape(values))


@dataclass(frozen=True, eq=False)
class State(Shown):
    """An element as made, at one temperature; numbers or arrays of one shape, SI units.

    ``compliance``: deflection for each m/s^2 [s^2]; ``divider``: share of the cubic part that the
    read-out keeps; ``volts``: output for each m/s^2 [V s^2/m].
    """

    gap: FloatArray
    mass: FloatArray
    spring: FloatArray
    softening: FloatArray
    static_stiffness: FloatArray
    gas_spring: FloatArray
    damping: FloatArray
    resonance_hz: FloatArray
    quality: FloatArray
    squeeze_number: FloatArray
    rest: FloatArray
    compliance: FloatArray
    divider: FloatArray
    volts: FloatArray
    thermal_noise: FloatArray
    electronic_noise: FloatArray

    @property
    def noise(self) -> FloatArray:
        """Noise density of motion and electronics together [m/s^2 / sqrt(Hz)]."""
        return np.asarray(np.sqrt(_squared(self.thermal_noise) + _squared(self.electronic_noise)))


@dataclass(frozen=True, eq=False)
class ElementDraws(Shown):
    """Elements of some draws, shape (draws,): factors on nominal numbers; ``offset`` [m/s^2]."""

    sensitivity: FloatArray
    offset: FloatArray
    resonance: FloatArray
    quality: FloatArray
    stop: FloatArray
    nonlinearity: FloatArray
    noise: FloatArray


def leaning_coupling(*, lean_deg: float, stiffness_ratio: float) -> float:
    """Share of the other axis that one axis of a shared mass reads when its springs lean.

    Principal stiffnesses k and *stiffness_ratio* k, turned by *lean_deg* against the axes. The
    deflection is ``R diag(1/k, 1/(r k)) R^T m a``; for a load along the first axis its second entry
    over its first is the coupling. Equal springs couple nothing, however they lean.

    >>> round(leaning_coupling(lean_deg=2.0, stiffness_ratio=2.0), 4)
    0.0174
    """
    c, s = cos(radians(lean_deg)), sin(radians(lean_deg))
    softer = 1.0 / stiffness_ratio
    return abs((1.0 - softer) * s * c / (c * c + softer * s * s))


# --- what cannot be ------------------------------------------------------------------------------


def _physical_faults(element: Element) -> list[Fault]:
    """Faults that physics forbids, with the reason."""
    where = f"element {element.name}"
    spring = float(element._spring(np.zeros(()), np.asarray(element.thickness), 0.0))
    pull = mechanics.pull_in_two_sided if element.differential else mechanics.pull_in_one_sided
    limit = pull(stiffness=spring, gap=element.gap, area=element.area)
    if element.drive >= limit:
        expected = (
            f"a drive below the pull-in voltage, {limit:.3g} V: above it the electrodes snap"
            " together; a stiffer spring, a wider gap or less area raises it"
        )
        return [Fault(where, "drive", element.drive, expected)]
    if element.supply >= limit and element.supply > element.drive:
        expected = (
            f"a pull-in voltage ({limit:.3g} V) above the supply: a fault of the drive would snap"
            " the electrodes together"
        )
        return [Fault(where, "supply", element.supply, expected)]
    state = element.state()
    found = []
    if element.package_hz:
        low, high = package_band(element.package_hz, element.package_quality)
        if low <= float(state.resonance_hz) <= high:
            expected = (
                f"a package mode away from the element's resonance ({float(state.resonance_hz):.4g}"
                f" Hz): within {low:.4g} to {high:.4g} Hz each excites the other"
            )
            found.append(Fault(where, "package_hz", element.package_hz, expected))
    worst = (-3.0, 3.0)
    z = np.array([[a, b, a, a, b, 0.0] for a in worst for b in worst])
    by = {
        name: z[:, k] * getattr(element, f"{name}_tolerance") for k, name in enumerate(DEVIATIONS)
    }
    with np.errstate(invalid="ignore"):
        made = element.state(**by)
    if not (np.asarray(made.static_stiffness) > 0).all():
        expected = "tolerances whose 3 sigma keep the pull-in voltage above the drive"
        found.append(Fault(where, "gap_tolerance", element.gap_tolerance, expected))
    return found


def package_band(hz: float, quality: float) -> tuple[float, float]:
    """Band [Hz] that a package mode claims: its half-power width, at least 10 % to either side."""
    half = max(0.5 / quality, 0.1)
    return hz * (1.0 - half), hz * (1.0 + half)
