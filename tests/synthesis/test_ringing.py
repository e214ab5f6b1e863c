"""Local ringing: a cascade for all modes of a location, noise by pages, rows on their own."""

import numpy as np
import pytest
from scipy.signal import sosfreqz

from crashsense.synthesis.location.ringing import (
    FREQUENCY_STEP,
    Band,
    LocalStructure,
    Mode,
    _mode_sections,
    ring,
)

RATE_HZ = 10000.0


@pytest.mark.parametrize(
    "modes",
    [
        (Mode(120.0, 0.05, 0.3),),
        (Mode(45.0, 0.08, 0.05), Mode(120.0, 0.06, 0.03), Mode(290.0, 0.05, 0.02)),
        (Mode(18.0, 0.08, 0.01), Mode(140.0, 0.06, -0.02)),
        (Mode(60.0, 0.1, 0.1), Mode(60.0, 0.1, 0.1)),
        (Mode(100.0, 0.1, 0.1), Mode(100.0, 0.1, -0.1)),
    ],
)
def test_a_cascade_answers_as_its_modes_side_by_side(modes):
    """Against gain w s / (s^2 + 2 z w s + w^2), through the bilinear map."""
    hz = np.array([10.0, 45.0, 90.0, 120.0, 300.0, 1500.0])
    got = sosfreqz(np.array(_mode_sections(modes, 2, RATE_HZ)), worN=hz, fs=RATE_HZ)[1]
    wanted = np.zeros(hz.size, dtype=complex)
    for mode in modes:
        own = mode.frequency_hz * (1.0 + 2 * FREQUENCY_STEP)
        # Bilinear map, exact at the mode: tan(pi f / rate) stands for frequency.
        s = 1j * np.tan(np.pi * hz / RATE_HZ)
        w = np.tan(np.pi * own / RATE_HZ)
        wanted += mode.gain * w * s / (s * s + 2.0 * mode.damping * w * s + w * w)
    assert np.abs(got - wanted).max() < 1e-9


def answer(rows, *, factor, draws):
    rng = np.random.default_rng(5)
    drive = np.cumsum(rng.standard_normal((draws, 400)), axis=1)
    power = np.abs(rng.standard_normal((draws, 400)))
    noise = rng.standard_normal((draws, 300))
    rigid = {"central_x": rng.standard_normal((draws, 400)), "central_z": np.ones((draws, 400))}
    for each in (drive, *rigid.values()):
        each[:, :50] = 0.0
    structure = LocalStructure((Mode(120.0, 0.05, 0.3),), Band(900.0, 1800.0, 2.0))
    return ring(
        {name: values[rows] for name, values in rigid.items()},
        structures={"central_x": structure},
        drive=drive[rows],
        power=power[rows],
        rate_hz=RATE_HZ,
        frequency_factor=factor[rows],
        noise=lambda channel, some: noise[rows][some],
        pages=[np.arange(len(rows))[::2], np.arange(len(rows))[1::2]],
        first=50,
        last=350,
    )


def test_rows_ring_as_they_do_alone():
    factor = 1.0 + 0.05 * np.random.default_rng(1).standard_normal(40)
    whole = answer(np.arange(40), factor=factor, draws=40)
    for row in (0, 7, 39):
        alone = answer(np.array([row]), factor=factor, draws=40)
        assert np.array_equal(alone["central_x"][0], whole["central_x"][row])
    assert not whole["central_x"][:, :50].any()
    assert whole["central_x"][:, 50:].all()
    # No structure there: the motion of the body as it is.
    assert np.array_equal(np.unique(whole["central_z"]), [0.0, 1.0])
