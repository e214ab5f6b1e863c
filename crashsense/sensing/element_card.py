"""The card of an element, value by value: ``crashsense sensors element``.

Each row carries the formula that it comes from and the source of that formula. ``textbook`` means
any text on micromechanical sensors, from memory; the tests hold each against a worked exercise, a
limit or a numerical solution.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, pi, sqrt

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.sensing import mechanics
from crashsense.sensing.element import Element, package_band
from crashsense.sensing.element_file import FILE_NAMES
from crashsense.sensing.sensor import SensorSet
from crashsense.units import STANDARD_GRAVITY as G
from crashsense.values import content_of

#: Height of the drop on the card [m], and how long the blow on a hard floor lasts [s] (practice,
#: from memory: 0.1 to 0.5 ms on concrete or steel).
DROP_M, BLOW_S = 1.0, 0.3e-3

#: Voltage of the self-test on the card, as a share of the supply.
SELF_TEST = 1.0

#: Temperatures of the drift rows, above 25 degC [K].
HOT_K = 60.0

_TEXTBOOK = "textbook"


@dataclass(frozen=True)
class CardRow:
    """One value of the card: *value* in *unit*, from *formula*, whose source is *source*."""

    group: str
    name: str
    value: float
    unit: str
    formula: str
    source: str

    @property
    def shown(self) -> str:
        """The value as text: four digits, ``none`` where nothing limits."""
        if not isfinite(self.value):
            return "none"
        return f"{self.value:.0f}" if abs(self.value) >= 1e4 else f"{self.value:.4g}"


def element_rows(element: Element) -> list[CardRow]:
    """Return every value of an element's card.

    >>> from crashsense.sensing.element import Element
    >>> one = Element(name="one", thickness=25e-6, mass=1e-8, stiffness=50.0, gap=2e-6, fingers=40,
    ...     overlap=120e-6, feedback=1e-13)
    >>> [row.shown for row in element_rows(one) if row.name == "deflection for each g"]
    ['1.972']
    """
    return [
        *_motion_rows(element),
        *_capacitance_rows(element),
        *_scale_rows(element),
        *_noise_rows(element),
        *_limit_rows(element),
        *_drift_rows(element),
    ]


def _motion_rows(element: Element) -> list[CardRow]:
    s = element.state()
    q, f0 = float(s.quality), float(s.resonance_hz)
    zeta = 1.0 / (2.0 * q)
    compliance = float(s.compliance)
    rows = [
        ("proof mass", float(s.mass) * 1e9, "ug", "density x volume x filled", _TEXTBOOK),
        (
            "stiffness of the beams",
            float(s.spring),
            "N/m",
            "n 12 E I / L^3, clamped and guided (folded: half)",
            "textbook (Gere and Timoshenko)",
        ),
        (
            "electrostatic softening",
            float(s.softening),
            "N/m",
            "e A V^2 / d^3 a side",
            _TEXTBOOK,
        ),
        ("gas spring at resonance", float(s.gas_spring), "N/m", "squeeze film", "Blech 1983"),
        ("resonance", f0, "Hz", "sqrt(k / m) / 2 pi, softening and gas in k", _TEXTBOOK),
        (
            "squeeze number at resonance",
            float(s.squeeze_number),
            "-",
            "12 mu w W^2 / (p d^2); the gas stiffens above about 10",
            "Blech 1983",
        ),
        (
            "damping",
            float(s.damping) * 1e6,
            "uN s/m",
            "squeeze film, viscosity mu / (1 + 9.638 Kn^1.159), + sqrt(k m) / solid quality",
            "Blech 1983; Veijola 1995",
        ),
        ("quality factor", q, "-", "sqrt(k m) / b", _TEXTBOOK),
        (
            "bandwidth, -3 dB",
            mechanics.bandwidth_hz(resonance_hz=f0, quality=q),
            "Hz",
            "f0 sqrt(1 - 1/2Q^2 + sqrt((1 - 1/2Q^2)^2 + 1))",
            _TEXTBOOK,
        ),
        (
            "overshoot of a step",
            100.0 * mechanics.overshoot(zeta),
            "%",
            "exp(-pi z / sqrt(1 - z^2)), z = 1/2Q",
            _TEXTBOOK,
        ),
        (
            "a step rings down to 5 % after",
            1e3 * _settling_s(f0, zeta),
            "ms",
            "last time that the second-order response leaves 1 +/- 5 %",
            _TEXTBOOK,
        ),
        ("deflection for each g", compliance * G * 1e9, "nm", "m g / k", _TEXTBOOK),
    ]
    return [CardRow("Motion", *row) for row in rows]


def _settling_s(hz: float, zeta: float) -> float:
    """Last time at which the step response lies outside 5 % of its end [s]."""
    times, response = step_response(hz, zeta)
    outside = np.flatnonzero(np.abs(response - 1.0) > 0.05)
    return float(times[outside[-1]]) if outside.size else 0.0


def step_response(hz: float, zeta: float) -> tuple[FloatArray, FloatArray]:
    """Response of the element to a unit step of acceleration: times [s], reading [-]."""
    w0 = 2.0 * pi * hz
    slow = zeta * w0 if zeta < 1 else w0 * (zeta - sqrt(zeta * zeta - 1.0))
    t = np.linspace(0.0, 6.0 / slow, 4000)
    if zeta < 1.0:
        wd = w0 * sqrt(1.0 - zeta * zeta)
        sine = zeta / sqrt(1.0 - zeta * zeta) * np.sin(wd * t)
        return t, 1.0 - np.exp(-zeta * w0 * t) * (np.cos(wd * t) + sine)
    if zeta == 1.0:
        return t, 1.0 - np.exp(-w0 * t) * (1.0 + w0 * t)
    root = w0 * sqrt(zeta * zeta - 1.0)
    a, b = zeta * w0 + root, zeta * w0 - root
    return t, 1.0 - (a * np.exp(-b * t) - b * np.exp(-a * t)) / (a - b)


def _capacitance_rows(element: Element) -> list[CardRow]:
    s = element.state()
    sides = 2.0 if element.differential else 1.0
    per_g = sides * float(s.rest) * float(s.compliance) * G / element.gap
    rows = [
        ("capacitance at rest, a side", float(s.rest) * 1e15, "fF", "e A / d", _TEXTBOOK),
        (
            "change of capacitance for each g",
            per_g * 1e18,
            "aF",
            f"{sides:g} C0 x / d at small x",
            _TEXTBOOK,
        ),
        (
            "output for each g",
            float(s.volts) * G * 1e3,
            "mV",
            "V dC / Cf" if element.read_out == "charge" else "gain V (x/d) / (1 + Cp / 2 C0)",
            _TEXTBOOK,
        ),
    ]
    return [CardRow("Capacitance", *row) for row in rows]


def _scale_rows(element: Element) -> list[CardRow]:
    scales = element.full_scales()
    formulas = {
        "gap": "largest load that spring and drive still hold (no snap)",
        "stops": "k / m x travel to the stop",
        "linearity": "k / m x d sqrt(limit / share of the cubic part)"
        if element.differential
        else "k / m x d x limit",
        "amplifier": "half the supply / output for each m/s^2",
    }
    rows = [
        CardRow("Full scale", f"by {name}", value / G, "g", formulas[name], _TEXTBOOK)
        for name, value in scales.items()
    ]
    rows.append(
        CardRow("Full scale", "range", element.range / G, "g", f"{element.binds} binds", "-")
    )
    return rows


def _noise_rows(element: Element) -> list[CardRow]:
    s = element.state()
    rows = [
        (
            "thermo-mechanical",
            float(s.thermal_noise) / G * 1e6,
            "ug/sqrt(Hz)",
            "sqrt(4 kB T b) / m",
            "Gabrielson 1993",
        ),
        (
            "electronic",
            float(s.electronic_noise) / G * 1e6,
            "ug/sqrt(Hz)",
            "amplifier noise x (1 + (C + Cp) / Cf) / output for each m/s^2"
            if element.read_out == "charge"
            else "amplifier noise x gain / output for each m/s^2",
            _TEXTBOOK,
        ),
        (
            "together",
            float(s.noise) / G * 1e6,
            "ug/sqrt(Hz)",
            "root of the sum of squares",
            _TEXTBOOK,
        ),
        (
            "thermal motion",
            mechanics.thermal_motion(stiffness=float(s.static_stiffness)) * 1e12,
            "pm rms",
            "sqrt(kB T / k)",
            "equipartition",
        ),
    ]
    return [CardRow("Noise", *row) for row in rows]


def _limit_rows(element: Element) -> list[CardRow]:
    s = element.state()
    spring, area = float(s.spring), element.area
    pull = mechanics.pull_in_two_sided if element.differential else mechanics.pull_in_one_sided
    volts = SELF_TEST * element.supply
    force = 0.5 * mechanics.PERMITTIVITY * area * volts**2 / element.gap**2
    tested = force / float(s.static_stiffness)
    speed = sqrt(2.0 * G * DROP_M)
    peak = pi * speed / (2.0 * BLOW_S)
    travel = element.stop or element.gap
    rows = [
        (
            "pull-in voltage",
            pull(stiffness=spring, gap=element.gap, area=area),
            "V",
            "sqrt(k d^3 / 2 e A)" if element.differential else "sqrt(8 k d^3 / 27 e A)",
            _TEXTBOOK,
        ),
        (
            "self-test at the supply, on one side",
            tested * 1e9,
            "nm",
            "e A V^2 / (2 d^2 k), small deflection",
            _TEXTBOOK,
        ),
        ("the same as acceleration", force / float(s.mass) / G, "g", "force / m", _TEXTBOOK),
        (
            f"shock of a {DROP_M:g} m drop on a hard floor",
            peak / G,
            "g",
            f"pi sqrt(2 g h) / (2 T), half sine of {1e3 * BLOW_S:g} ms, no rebound",
            "textbook; duration: practice, from memory",
        ),
    ]
    if element.beam_length:
        bent = travel / (2.0 if element.folded else 1.0)
        across = element.beam_width if element.form == "comb" else element.thickness
        stress = mechanics.beam_stress(
            young=element.young, across=across, deflection=bent, length=element.beam_length
        )
        rows.append(
            (
                "stress in the beams at the stop",
                stress / 1e6,
                "MPa",
                f"3 E w x / L^2; silicon holds about {mechanics.SILICON_STRENGTH / 1e6:g} MPa",
                "textbook; strength: handbook, from memory",
            )
        )
    if element.package_hz:
        low, high = package_band(element.package_hz, element.package_quality)
        rows.append(("package mode from", low, "Hz", "half-power width, at least 10 %", _TEXTBOOK))
        rows.append(("package mode to", high, "Hz", "the same", _TEXTBOOK))
    return [CardRow("Limits", *row) for row in rows]


def _drift_rows(element: Element) -> list[CardRow]:
    """Effects of temperature, and of manufacture at one standard deviation of each number."""
    rows = []
    z = np.zeros((3, 6))
    drawn = element.drawn(z, np.array([0.0, -HOT_K, HOT_K]))
    formula = "spring, gap and gas at that temperature"
    for at, word in ((1, "colder"), (2, "warmer")):
        rows.append(
            CardRow(
                "Temperature",
                f"sensitivity, {HOT_K:g} K {word}",
                100.0 * (float(drawn.sensitivity[at]) - 1.0),
                "%",
                formula,
                "handbook coefficients, from memory",
            )
        )
        rows.append(
            CardRow(
                "Temperature",
                f"quality factor, {HOT_K:g} K {word}",
                100.0 * (float(drawn.quality[at]) - 1.0),
                "%",
                "viscosity by Sutherland's formula",
                "constants from memory",
            )
        )
    if element.centre_per_k:
        rows.append(
            CardRow(
                "Temperature",
                f"offset, {HOT_K:g} K warmer",
                float(drawn.offset[2]) / G,
                "g",
                "k / m x shift of the mass",
                _TEXTBOOK,
            )
        )
    if element.coupling:
        rows.append(
            CardRow(
                "Axes",
                f"share that {element.axes[0]} reads of every other axis",
                100.0 * element.coupling,
                "%",
                "shared mass: off-diagonal of the compliance",
                _TEXTBOOK,
            )
        )
    return rows


def card_lines(element: Element) -> list[str]:
    """The card as text: value and unit, formula and source, group by group; then the basis."""
    lines = [f"{element.name}: {element.title}".removesuffix(": ")]
    group = ""
    for row in element_rows(element):
        if row.group != group:
            group = row.group
            lines += ["", group]
        lines.append(f"  {row.name:<38} {row.shown:>9} {row.unit:<12} {row.formula} [{row.source}]")
    if element.basis:
        lines += ["", "Where the numbers of the file come from"]
        lines += [f"  {key:<28} {text}" for key, text in element.basis.items()]
    return lines


@dataclass(frozen=True, eq=False)
class ElementCurves:
    """Numbers of an element's figure.

    ``acceleration`` [m/s^2] with ``deflection`` [m] and ``capacitance`` [F] there; ``hz`` with
    ``gain`` [-] of the element; ``times`` [s] with ``step`` [-], its step response; ``scales``
    [m/s^2] by what limits them.
    """

    acceleration: FloatArray
    deflection: FloatArray
    capacitance: FloatArray
    hz: FloatArray
    gain: FloatArray
    times: FloatArray
    step: FloatArray
    scales: dict[str, float]
    package_hz: float


def element_curves(element: Element) -> ElementCurves:
    """Compute the numbers of an element's figure."""
    s = element.state()
    scales = element.full_scales()
    most = min(1.5 * element.range, scales["gap"] * 0.999)
    load = np.linspace(-most, most, 401)
    x = load * float(s.compliance)
    if element.differential:
        change = mechanics.capacitance_difference(x / element.gap, rest=float(s.rest))
    else:
        change = float(s.rest) * (x / element.gap) / (1.0 - x / element.gap)
    f0, q = float(s.resonance_hz), float(s.quality)
    hz = np.geomspace(f0 / 300.0, f0 * 5.0, 600)
    r = hz / f0
    gain = 1.0 / np.sqrt((1.0 - r * r) ** 2 + (r / q) ** 2)
    times, step = step_response(f0, 1.0 / (2.0 * q))
    return ElementCurves(
        acceleration=load,
        deflection=x,
        capacitance=np.asarray(change),
        hz=hz,
        gain=gain,
        times=times,
        step=step,
        scales={name: value for name, value in scales.items() if value < inf},
        package_hz=element.package_hz,
    )


@dataclass(frozen=True, eq=False)
class ElementSection:
    """What a report shows of one element: where it sits, its card, its curves, its tolerances.

    ``tolerances``: name in the element file -> one standard deviation in the file's unit.
    """

    name: str
    title: str
    channels: tuple[str, ...]
    rows: tuple[CardRow, ...]
    curves: ElementCurves
    tolerances: dict[str, float]
    basis: dict[str, str]


def element_sections(sensor_set: SensorSet) -> list[ElementSection]:
    """Return a section for every element that a part of the set comes from; maybe none."""
    places: dict[str, tuple[Element, list[str]]] = {}
    for channel, sensor in sensor_set.sensors.items():
        if sensor.element is not None:
            places.setdefault(content_of(sensor.element), (sensor.element, []))[1].append(channel)
    return [
        ElementSection(
            name=element.name,
            title=element.title,
            channels=tuple(channels),
            rows=tuple(element_rows(element)),
            curves=element_curves(element),
            tolerances={
                key: getattr(element, field) / factor
                for field, (table, key, factor) in FILE_NAMES.items()
                if table == "tolerances"
            },
            basis=dict(element.basis),
        )
        for element, channels in places.values()
    ]
