"""The air in the door against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from crashsense import engine
from crashsense.compiled.cavity import leak_march
from crashsense.synthesis.dynamics import few_draws
from crashsense.synthesis.side.door_cavity import (
    AMBIENT_DENSITY,
    AMBIENT_PA,
    DISCHARGE,
    GAMMA,
    adiabatic_overpressure,
    cavity_overpressure,
    delayed,
    leak_volume_flow,
)

RATE = 10_000.0


def ramp(depth: float, *, samples: int = 400, over: int = 200) -> np.ndarray:
    return depth * np.clip(np.arange(samples) / over, 0.0, 1.0)[None, :]


def test_without_leak_the_closed_form_holds() -> None:
    # Closed form: p V^1.4 = const (adiabatic, reversible).
    displaced = ramp(0.020)
    pressure = cavity_overpressure(displaced, volume_m3=0.075, leak_area_m2=0.0, rate_hz=RATE)
    closed = adiabatic_overpressure(1.0 - displaced / 0.075)
    np.testing.assert_allclose(pressure, closed, rtol=1e-9, atol=1e-6)
    assert closed.max() == pytest.approx(AMBIENT_PA * ((0.055 / 0.075) ** -1.4 - 1.0))


def test_small_compression_is_linear_with_gamma() -> None:
    # First order: dp / p0 = gamma dV / V.
    share = adiabatic_overpressure(np.array(1.0 - 1e-4)) / AMBIENT_PA
    assert share == pytest.approx(1.4e-4, rel=1e-3)


def test_steady_inflow_settles_at_the_orifice_pressure() -> None:
    # Where the skin displaces as much as leaks out, dp = rho/2 (Q / C_d A)^2 (orifice equation).
    # The volume shrinks, so the quasi-steady flow is V0 dm/dt with dm/dt at constant pressure.
    rate_in, area, volume = 0.35, 60e-4, 0.075
    times = np.arange(1200) / RATE
    pressure = cavity_overpressure(
        (rate_in * times)[None, :], volume_m3=volume, leak_area_m2=area, rate_hz=RATE
    )[0]
    expected = 0.5 * AMBIENT_DENSITY * (rate_in / (DISCHARGE * area)) ** 2
    assert pressure[1000] == pytest.approx(expected, rel=0.10)
    assert abs(pressure[1000] / pressure[1100] - 1.0) < 0.02


def test_leak_of_a_held_volume_follows_the_square_root_law() -> None:
    # Outflow at small overpressure: d(dp)/dt = -gamma p0 C_d A sqrt(2 dp / rho) / V, hence
    # sqrt(dp) falls linearly: t_empty = 2 sqrt(dp0) V / (gamma p0 C_d A sqrt(2 / rho)).
    volume, area = 0.075, 20e-4
    displaced = np.full((1, 1200), 0.0004)
    pressure = cavity_overpressure(displaced, volume_m3=volume, leak_area_m2=area, rate_hz=RATE)[0]
    slope = 1.4 * AMBIENT_PA * DISCHARGE * area * np.sqrt(2.0 / AMBIENT_DENSITY) / volume
    root = np.sqrt(pressure[0]) - 0.5 * slope * np.arange(1200) / RATE
    half = np.flatnonzero(root > 0.5 * root[0])
    assert half.size > 80
    np.testing.assert_allclose(np.sqrt(pressure[half]), root[half], rtol=0.02)
    assert pressure[-1] == pytest.approx(0.0, abs=2.0)


def test_pressure_never_crosses_ambient_by_leaking() -> None:
    held = np.full((1, 3000), 0.004)
    pressure = cavity_overpressure(held, volume_m3=0.06, leak_area_m2=80e-4, rate_hz=RATE)
    assert pressure.min() > -1.0


def test_suction_after_the_skin_springs_back() -> None:
    dent = np.concatenate([np.full(600, 0.010), np.zeros(400)])[None, :]
    pressure = cavity_overpressure(dent, volume_m3=0.075, leak_area_m2=40e-4, rate_hz=RATE)[0]
    assert pressure[600:650].min() < -1000.0
    assert leak_volume_flow(np.array(-100.0), leak_area_m2=1e-3) < 0


def test_delay_shifts_and_keeps_rows_apart() -> None:
    signal = np.stack([ramp(1.0)[0], ramp(2.0)[0]])
    late = delayed(signal, delay_s=np.array([1e-3, 2.5e-4]), rate_hz=RATE)
    np.testing.assert_allclose(late[0, 10:], signal[0, :-10], atol=1e-12)
    np.testing.assert_allclose(late[1, 3:200], signal[1, 3:200] - 2.5 * 2.0 / 200, atol=1e-12)
    assert late[0, 5] == 0.0


def pushed_and_sprung_back(draws: int) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Doors that are pushed in at once, held, and spring back: air leaves, and is drawn in."""
    rng = np.random.default_rng(3)
    at = np.arange(700)
    depth = rng.uniform(0.002, 0.025, (draws, 1))
    displaced = depth * np.clip((at - 20) / rng.uniform(30, 300, (draws, 1)), 0.0, 1.0)
    displaced *= 1.0 - 0.8 * np.clip((at - 450) / 60, 0.0, 1.0)
    areas = rng.uniform(0.0, 80e-4, draws)
    return displaced, {"volume_m3": rng.uniform(0.05, 0.08, draws), "leak_area_m2": areas}


def test_air_leaks_as_by_logarithms_and_exponentials() -> None:
    # The same step with m = exp(-lost) and p / p0 = (m V0 / V)^gamma by the mathematical library.
    assert pytest.approx(7 / 5, abs=0) == GAMMA
    displaced, about = pushed_and_sprung_back(40)
    found = cavity_overpressure(displaced, rate_hz=RATE, **about)
    flow = DISCHARGE * about["leak_area_m2"] * np.sqrt(2.0 / AMBIENT_DENSITY)
    flow /= about["volume_m3"] * RATE
    lost, expected = np.zeros(40), []
    for share in np.maximum(1.0 - displaced / about["volume_m3"][:, None], 0.12).T:
        ratio = np.log(share) + lost
        expected.append(AMBIENT_PA * np.expm1(-GAMMA * ratio))
        moved = flow * np.sqrt(np.abs(expected[-1])) * np.exp(lost)
        lost += np.copysign(np.minimum(moved, np.abs(ratio)), expected[-1])
    rows = np.array(expected).T
    assert rows.min() < -1e3 < 3e4 < rows.max()
    np.testing.assert_allclose(found, rows, rtol=0, atol=1e-10 * rows.max())


@pytest.mark.parametrize("d", [1e-5, 1e-3, 0.02])
def test_a_step_of_leaking_is_an_exponential_within_its_stated_bound(d: float) -> None:
    """A cavity at twice the ambient pressure, and what is left of it a step later."""
    closed, gauge = [2.0 ** (1 / 7), 1e3], [0.0, 0.0]
    leak_march(closed, 2, [d], 1.0, [0.0], gauge)
    assert gauge[0] == pytest.approx(1.0, rel=1e-14)
    y = 1e3 / (gauge[1] + 1.0) ** (1 / 7)
    assert abs(y / np.exp(d) - 1.0) < d**4 / 24 + 1e-14


def test_the_air_is_the_same_by_every_engine_and_for_few_draws(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    displaced, about = pushed_and_sprung_back(few_draws.FEW)

    def found(name: str, few: int) -> np.ndarray:
        monkeypatch.setattr(few_draws, "FEW", few)
        with engine.using(name):
            return cavity_overpressure(displaced, rate_hz=RATE, **about)

    by_numpy = found("numpy", 0)
    np.testing.assert_array_equal(found("numpy", few_draws.FEW + 8), by_numpy)
    pytest.importorskip("numba", reason="needs the extra fast")
    np.testing.assert_array_equal(found("fast", 0), by_numpy)


@pytest.mark.parametrize("other", [np.nan, 1e-12, 0.02])
def test_the_air_of_a_door_does_not_depend_on_the_doors_beside_it(other: float) -> None:
    """A door that is pushed from sample 40 on, next to nothing at first; one from the first on."""
    displaced = 1e-11 * np.clip(np.arange(90) - 40, 0, None)[None, :] ** 4.0
    about = {"leak_area_m2": 40e-4, "rate_hz": RATE}
    alone = cavity_overpressure(displaced, volume_m3=0.06, **about)
    both = np.concatenate([displaced, np.full_like(displaced, other)])
    found = cavity_overpressure(both, volume_m3=np.array([0.06, 1e-3]), **about)
    assert alone.max() > 50.0
    assert found[0].tobytes() == alone[0].tobytes()
