"""Elements of each form and read-out, for tests of what follows from their geometry."""

from __future__ import annotations

from dataclasses import replace

from crashsense.sensing.element import Element

COMB = Element(
    name="comb", thickness=25e-6, plate_length=500e-6, plate_width=420e-6, filled=0.85, beams=3,
    beam_length=170e-6, beam_width=3e-6, gap=2e-6, fingers=40, overlap=120e-6, pressure=60e3,
    drive=1.3, supply=3.0, feedback=100e-15, parasitic=2e-12, amplifier_noise=200e-9, stop=1.6e-6,
    package_hz=40e3, package_quality=4.0, centre_per_k=0.02e-9, trim_left=0.25,
    gap_tolerance=0.03e-6, pressure_tolerance=0.05, centre_tolerance=4e-9,
)  # fmt: skip
ELEMENTS = {
    "comb": COMB,
    "one electrode": replace(COMB, differential=False, package_quality=50.0),
    "bridge": replace(COMB, read_out="bridge", gain=7.0, folded=True, stop=0.0),
    "plate": replace(
        COMB, form="plate", fingers=0, overlap=0.0, gap=4e-6, film=0.05, beam_length=300e-6,
        beam_width=30e-6, feedback=1e-12, stop=0.0, axes=("x", "y"), shared_mass=True,
        coupling=0.03,
    ),
}  # fmt: skip
