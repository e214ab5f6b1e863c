"""Numbers that no element has: outside what can be made or read, missing, or contradictory.

What physics forbids to numbers that are possible one by one (pull-in, a package that is excited)
stands with the element (:mod:`crashsense.sensing.element`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import TYPE_CHECKING

from crashsense.errors import Fault, nearest
from crashsense.sensing.sensor import LARGEST_QUALITY, LARGEST_RESONANCE_HZ, number_faults

if TYPE_CHECKING:
    from crashsense.sensing.element import Element

FORMS = ("comb", "plate")
READ_OUTS = ("charge", "bridge")

#: Deviations of manufacture, in the order of their columns of drawn numbers.
DEVIATIONS = ("gap", "edge", "beam", "thickness", "pressure", "centre")

#: Field -> lowest and highest number, and what a message expects; the ends are taken.
_WITHIN: Mapping[str, tuple[float, float, str]] = {
    "thickness": (1e-7, 1e-3, "0.1 to 1000 um"),
    "gap": (1e-7, 1e-4, "0.1 to 100 um"),
    "density": (100.0, 30_000.0, "100 to 30000 kg/m^3"),
    "young": (1e9, 2e12, "1 to 2000 GPa"),
    "young_per_k": (-1e-2, 1e-2, "within +/-10000 ppm/K"),
    "pressure": (1e-3, 1e7, "0.001 Pa to 10 MPa"),
    "solid_quality": (1.0, LARGEST_QUALITY, f"1 to {LARGEST_QUALITY:.0f}"),
    "trim_left": (0.0, 1.0, "a share of 0 to 1"),
    # The largest plate that may be described, of the densest material, has 12 g.
    "mass": (0.0, 0.02, "above 0, at most 2e7 ug, or 0 for that of the plate"),
    # A block of silicon of 1 mm each way, bent, has 2e8 N/m: Young times thickness.
    "stiffness": (0.0, 1e9, "above 0, at most 1e9 N/m, or 0 for that of the beams"),
    "plate_length": (0.0, 0.02, "1 to 20000 um"),
    "plate_width": (0.0, 0.02, "1 to 20000 um"),
    "beams": (0, 1000, "1 to 1000 beams"),
    "beam_length": (0.0, 0.01, "0.1 to 10000 um"),
    "beam_width": (0.0, 0.01, "0.1 to 10000 um"),
    "fingers": (0, 100_000, "1 to 100000 fingers a side"),
    "overlap": (0.0, 0.01, "1 to 10000 um"),
    # On a chip pF are large: 1 uF is a part on a board.
    "parasitic": (0.0, 1e-6, "0 to 1e6 pF"),
    "feedback": (0.0, 1e-6, "above 0, at most 1e9 fF"),
    # A resistor of 1 MOhm has 0.13 uV/sqrt(Hz): 1 mV/sqrt(Hz) hides any signal.
    "amplifier_noise": (0.0, 1e-3, "0 to 1e6 nV/sqrt(Hz)"),
    "package_hz": (0.0, LARGEST_RESONANCE_HZ, "0 to 100 MHz"),
}

#: Field -> highest number, and what a message expects; it lies above 0.
_ABOVE_0: Mapping[str, tuple[float, str]] = {
    "filled": (1.0, "a share above 0, at most 1"),
    "film": (1.0, "a share above 0, at most 1"),
    "drive": (100.0, "above 0, at most 100 V"),
    "supply": (100.0, "above 0, at most 100 V"),
    # Volts at the output of an amplifier of microvolts.
    "gain": (1e6, "above 0, at most 1e6"),
    "linear_within": (0.2, "a share above 0, at most 0.2"),
    "package_quality": (LARGEST_QUALITY, f"above 0, at most {LARGEST_QUALITY:.0f}"),
}

#: Largest deviation of a length [m], the thickest layer, and of the pressure [-].
_LARGEST_DEVIATION = 1e-3


def shape_faults(element: Element) -> list[Fault]:
    """Numbers outside their range, and numbers that are missing."""
    where = f"element {element.name}"
    found: list[Fault] = []
    for item in fields(element):
        if item.type in ("float", "int"):
            found += number_faults(
                where, item.name, getattr(element, item.name), whole=item.type == "int"
            )
    if found:
        return found

    def need(name: str, good: bool, expected: str) -> None:
        if not good and name not in {fault.field for fault in found}:
            found.append(Fault(where, name, getattr(element, name), expected))

    need("form", element.form in FORMS, nearest(str(element.form), FORMS))
    need("read_out", element.read_out in READ_OUTS, nearest(str(element.read_out), READ_OUTS))
    for name, (low, high, expected) in _WITHIN.items():
        need(name, low <= getattr(element, name) <= high, expected)
    for name, (high, expected) in _ABOVE_0.items():
        need(name, 0 < getattr(element, name) <= high, expected)
    need("coupling", 0 <= element.coupling < 0.5, "a share of 0 to less than 0.5")
    _geometry_faults(element, need)
    if element.read_out == "charge":
        need("feedback", element.feedback > 0, "the capacitance of the charge amplifier, above 0")
    elif not element.differential:
        need("read_out", False, "'charge': a bridge needs two electrodes")
    need("stop", 0 <= element.stop < element.gap, f"within the gap of {1e6 * element.gap:g} um")
    # Half of the gap within 50 K.
    still = abs(element.centre_per_k) <= 0.01 * element.gap
    need("centre_per_k", still, "within +/-1 % of the gap for each K")
    found += _tolerance_faults(element, where)
    found += _axis_faults(element, where)
    return found


def _geometry_faults(element: Element, need: Callable[[str, bool, str], None]) -> None:
    """Check mass, stiffness and electrodes by *need*: name, whether it is possible, expected."""
    if element.mass == 0:
        for name in ("plate_length", "plate_width"):
            need(name, getattr(element, name) >= 1e-6, "1 to 20000 um, or a mass outright")
    if element.stiffness == 0:
        need("beams", element.beams >= 1, "1 to 1000 beams, or a stiffness outright")
        for name in ("beam_length", "beam_width"):
            need(name, getattr(element, name) >= 1e-7, "0.1 to 10000 um")
    if element.form == "comb":
        need("fingers", element.fingers >= 1, "1 to 100000 fingers a side")
        need("overlap", element.overlap >= 1e-6, "1 to 10000 um")
    if element.form == "plate" and element.mass:
        for name in ("plate_length", "plate_width"):
            need(name, getattr(element, name) > 0, "the sides of the plate, also with a mass")


def _tolerance_faults(element: Element, where: str) -> list[Fault]:
    """Tolerances whose 3 sigma leave nothing of a gap, a beam or a layer."""
    found = []
    for name in DEVIATIONS:
        value = getattr(element, f"{name}_tolerance")
        if not 0 <= value <= _LARGEST_DEVIATION * (1e3 if name == "pressure" else 1.0):
            expected = "0 or more; 3 sigma within half of what deviates"
            found.append(Fault(where, f"{name}_tolerance", value, expected))
    if found:
        return found
    comb = element.form == "comb"
    edge = 6.0 * element.edge_tolerance
    worst = {
        "gap": 3.0 * element.gap_tolerance + (edge if comb else 0.0),
        "thickness": 3.0 * element.thickness_tolerance,
        "pressure": 3.0 * element.pressure_tolerance * element.pressure,
    }
    if element.beam_width:
        worst["beam_width"] = 3.0 * element.beam_tolerance + edge
    names = {"beam_width": "beam_tolerance"}
    for name, most in worst.items():
        whole = getattr(element, name)
        if most > 0.5 * whole:
            key = names.get(name, f"{name}_tolerance")
            expected = f"3 sigma (edges included) within half of the {name.replace('_', ' ')}"
            found.append(Fault(where, key, getattr(element, key), expected))
    if 3.0 * element.centre_tolerance > 0.5 * element.gap:
        expected = "3 sigma within half of the gap"
        found.append(Fault(where, "centre_tolerance", element.centre_tolerance, expected))
    return found


def _axis_faults(element: Element, where: str) -> list[Fault]:
    found = []
    if (
        not element.axes
        or len(set(element.axes)) != len(element.axes)
        or (set(element.axes) - {"x", "y", "z"})
    ):
        found.append(Fault(where, "axes", list(element.axes), "one to three of x, y, z, each once"))
    if element.shared_mass and len(element.axes) < 2:
        expected = "two or three axes for a shared mass"
        found.append(Fault(where, "shared_mass", True, expected))
    if element.coupling and not element.shared_mass:
        expected = "0: axes with masses of their own do not couple"
        found.append(Fault(where, "coupling", element.coupling, expected))
    return found
