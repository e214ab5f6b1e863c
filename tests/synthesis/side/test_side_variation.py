"""Variation of side, rear and rollover recipes, and balances over the whole range of inputs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crashsense.resources import folder as shipped_folder
from crashsense.synthesis.dynamics.spring_chain import Chain, integrate_chains
from crashsense.synthesis.model import Variation, draw_variation
from crashsense.synthesis.recipe import load_recipes
from crashsense.synthesis.side import side_impact as side

PULSES = shipped_folder("pulses")
LIBRARY = {r.name: r for f in ("side", "rear", "rollover") for r in load_recipes(PULSES / f)}
POLE = LIBRARY["side_pole_90_29"]
BARRIER = LIBRARY["side_barrier_90_50"]


@pytest.mark.slow
@settings(max_examples=12, derandomize=True, deadline=None)
@given(
    speed=st.floats(3.0, 70.0),
    angle=st.floats(60.0, 90.0),
    payload=st.floats(0.0, 500.0),
    striker=st.one_of(st.none(), st.floats(500.0, 3000.0)),
)
def test_energy_and_momentum_at_any_severity(
    speed: float, angle: float, payload: float, striker: float | None
) -> None:
    values = {"speed_kmh": speed, "angle_deg": angle, "payload_kg": payload}
    if striker is None:
        recipe = POLE.with_parameters(name="any", **values)
    else:
        recipe = BARRIER.with_parameters(name="any", striker_mass_kg=striker, **values)
    variation = draw_variation(
        np.array([0, 1]), seed=1, occurrence="any", tolerances=recipe.tolerances
    )
    masses, speeds, springs, _ = side.build_chain(recipe.parameters, variation)
    (motion,) = integrate_chains(
        [Chain(masses, springs, speeds, 0.12, stored_step_s=1e-4, substeps=4, ledger=True)]
    )
    kinetic = motion.kinetic_energy().sum(axis=1)
    total = kinetic + motion.elastic_energy().sum(axis=1) + motion.absorbed_energy().sum(axis=1)
    np.testing.assert_allclose(total, np.broadcast_to(kinetic[0], total.shape), rtol=5e-3)
    if striker is not None:
        momentum = (masses[None] * motion.velocity).sum(axis=1)
        np.testing.assert_allclose(momentum, np.broadcast_to(momentum[0], momentum.shape), 1e-9)


@pytest.mark.parametrize("name", ["side_pole_75_32", "rear_barrier_24", "rollover_soil_45"])
def test_draws_scatter_about_nominal(name: str) -> None:
    recipe = LIBRARY[name]
    block = recipe.block(range(41), seed=2)
    key = "largest_roll_rate_rad_s" if name.startswith("rollover") else "velocity_change_m_s"
    values = block.facts[key]
    spread = values[1:].std() / values[0]
    assert 0.003 < spread < 0.2
    assert abs(np.median(values[1:]) / values[0] - 1.0) < 0.1
    for channel, signal in block.signals.items():
        assert np.isfinite(signal.samples).all(), channel


def test_every_row_of_the_matrix_has_a_recipe() -> None:
    rows = {recipe.matrix for recipe in LIBRARY.values()}
    assert rows == (
        {f"L{n:02d}" for n in range(1, 11)}
        | {f"R{n:02d}" for n in range(1, 4)}
        | {f"T{n:02d}" for n in range(1, 5)}
    )


TOLERANCES = [
    (name, tolerance)
    for name in ("side_barrier_crabbed_53", "rear_barrier_offset_80", "rollover_kerb_25")
    for tolerance in LIBRARY[name].model.tolerances
    if tolerance != "pulse_length"
] + [("rear_sled_16", "pulse_length")]


@pytest.mark.quick(2)
@pytest.mark.parametrize(("name", "tolerance"), TOLERANCES)
def test_every_tolerance_moves_the_signals(name: str, tolerance: str) -> None:
    # A tolerance that the model names and never uses would be a lie on the card. The draw keeps
    # the nominal noise, so that only the tolerance differs.
    recipe = LIBRARY[name]
    width = recipe.model.tolerances[tolerance].width
    nominal, moved = (
        recipe.model.simulate(
            recipe.parameters,
            Variation(
                draws=np.array([0]),
                seed=1,
                occurrence=recipe.occurrence,
                deviations={tolerance: np.array([deviation])},
            ),
        ).signals
        for deviation in (0.0, -width)
    )
    shares = {
        channel: np.abs(moved[channel] - samples).max() / np.abs(samples).max()
        for channel, samples in nominal.items()
        if samples.any()
    }
    assert max(shares.values()) > 5e-3, shares


def test_a_loaded_car_changes_its_speed_less() -> None:
    heavy = BARRIER.with_parameters(name="heavy", payload_kg=400.0)
    light = float(BARRIER.synthesise([0], seed=1).facts["velocity_change_m_s"][0])
    assert float(heavy.synthesise([0], seed=1).facts["velocity_change_m_s"][0]) < light
