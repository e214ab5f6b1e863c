"""The one-mass model against its own check figures.

Source: the check table that came with the written definition of the model behind the event matrix
(derived there; a second implementation agreed within 0.2 %).
"""

import pytest

from crashsense.synthesis.dynamics.one_mass import (
    POLE,
    UNDERRIDE,
    one_mass_impact,
    scaled_wall,
    with_honeycomb,
)

WALL = scaled_wall(mass_kg=1500.0)

# case: front, speed, delta-V km/h, peak g, duration ms, crush mm, t100, t127, t150
TABLE = {
    "wall 8": (WALL, 8, 12.43, 5.40, 111.0, 116.5, 94.63, 103.21, 110.06),
    "wall 25": (WALL, 25, 32.49, 15.46, 83.3, 289.9, 54.89, 59.64, 63.28),
    "wall 40": (WALL, 40, 48.39, 19.37, 95.1, 520.4, 47.76, 52.34, 55.84),
    "wall 56": (WALL, 56, 67.58, 36.82, 85.3, 747.0, 43.97, 48.19, 51.35),
    "30 deg 32": (
        scaled_wall(mass_kg=1500.0, share=0.65),
        32, 38.73, 12.46, 118.0, 515.4, 59.36, 65.04, 69.38,
    ),
    "40 % rigid 15": (
        scaled_wall(mass_kg=1500.0, share=0.5),
        15, 20.24, 7.57, 113.4, 244.9, 82.42, 89.25, 94.47,
    ),
    "ODB 40": (
        with_honeycomb(scaled_wall(mass_kg=1500.0, share=0.55)),
        40, 46.38, 11.19, 145.5, 792.5, 60.99, 66.86, 71.32,
    ),
    "ODB 64": (
        with_honeycomb(scaled_wall(mass_kg=1500.0, share=0.55)),
        64, 73.92, 27.06, 132.1, 1376, 54.72, 60.27, 64.52,
    ),
    "pole 29": (POLE, 29, 39.18, 28.54, 93.6, 556.6, 78.94, 83.96, 87.48),
    "pole 56": (POLE, 56, 67.55, 36.65, 85.3, 857.4, 54.18, 57.76, 60.48),
    "underride 40": (UNDERRIDE, 40, 49.77, 26.25, 110.7, 1001.7, 92.70, 97.40, 100.82),
}  # fmt: skip


@pytest.mark.parametrize("case", TABLE)
def test_one_mass_model_reproduces_its_check_table(case):
    front, speed, change, peak, duration, crush, *times = TABLE[case]
    found = one_mass_impact(front, speed_kmh=speed)
    assert found.velocity_change_kmh == pytest.approx(change, rel=0.004)
    assert found.peak_g == pytest.approx(peak, rel=0.004)
    assert found.duration_ms == pytest.approx(duration, rel=0.004)
    assert found.crush_mm == pytest.approx(crush, rel=0.004)
    assert list(found.travel_ms.values()) == pytest.approx(times, rel=0.004)
