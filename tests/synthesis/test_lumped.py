"""The lumped-mass structure: balances in every frontal recipe, twins, closed forms."""

from dataclasses import replace
from math import acos, atan2, exp, pi, sqrt

import numpy as np
import pytest

from crashsense import engine
from crashsense.errors import InputError
from crashsense.synthesis.dynamics import lumped_block
from crashsense.synthesis.dynamics.lumped import BODIES, SPRINGS, STEP_S, System, integrate
from crashsense.synthesis.frontal.impact import TOLERANCES, build_system
from crashsense.synthesis.model import draw_variation
from crashsense.synthesis.recipe import load_recipes

FRONTAL = {r.name: r for r in load_recipes() if r.model.name == "frontal_impact"}


def frontal_system(name, draws=1):
    tolerances = TOLERANCES if draws > 1 else {}
    variation = draw_variation(np.arange(draws), seed=3, occurrence=name, tolerances=tolerances)
    return build_system(FRONTAL[name].parameters, variation)


def books(system, **options):
    return integrate(system, duration_s=0.2, ledger=True, **options)


@pytest.fixture(scope="module")
def motions():
    names = [name for name in FRONTAL if name != "wall_full_40_late_contact"]
    return {name: (frontal_system(name), books(frontal_system(name))) for name in names}


def test_every_kind_of_obstacle_is_in_the_library():
    kinds = {recipe.parameters.obstacle for recipe in FRONTAL.values()}
    assert kinds == {
        "rigid_wall", "deformable_barrier", "moving_barrier", "centre_pole", "underride",
        "small_overlap", "car", "bumper_barrier",
    }  # fmt: skip


def test_impulse_on_the_obstacle_is_the_momentum_that_the_car_loses(motions):
    for name, (system, motion) in motions.items():
        lost = sum(
            system.mass[b][0] * (system.velocity[b][0] - motion.ledger["velocity"][-1, n, 0])
            for n, b in enumerate(BODIES[:4])
        )
        impulse = motion.obstacle_force[0].sum() / motion.rate_hz
        assert impulse == pytest.approx(lost, rel=0.005), name


def test_momentum_of_car_and_moving_obstacle_is_kept_at_every_step(motions):
    moving = [n for n in motions if FRONTAL[n].parameters.obstacle in ("car", "moving_barrier")]
    assert len(moving) == 3
    for name in moving:
        system, motion = motions[name]
        mass = np.array([system.mass[b][0] for b in BODIES])
        total = (motion.ledger["velocity"][:, :, 0] * mass).sum(axis=1)
        scale = np.abs(motion.ledger["velocity"][0, :, 0] * mass).sum()
        assert np.abs(total - total[0]).max() < 1e-9 * scale, name


def test_energy_balances_at_every_step(motions):
    """Kinetic + elastic + absorbed = initial, within 0.5 %."""
    assert len(motions) > 30
    for name, (system, motion) in motions.items():
        ledger = motion.ledger
        velocity = ledger["velocity"][:, :, 0]
        # Velocities stand half a step before the forces: take both to the same instant.
        middle = 0.5 * (velocity[1:] + velocity[:-1])
        mass = np.array([system.mass[b][0] for b in BODIES])
        moving = np.isfinite(mass)
        kinetic = 0.5 * (mass[moving] * middle[:, moving] ** 2).sum(axis=1)
        force, sets = ledger["force"][:, :, 0], ledger["set"][:, :, 0]
        stiffness = np.array(
            [system.stiffness[s] for s in SPRINGS] + [system.ties[t][0] for t in system.ties]
        )
        elastic = (force**2 / (2.0 * stiffness)).sum(axis=1)
        absorbed = (0.5 * (force[1:] + force[:-1]) * np.diff(sets, axis=0)).sum(axis=1)
        closing = np.stack([velocity[:, 2] - velocity[:, 3], velocity[:, 0] - velocity[:, 1]], 1)
        dragged = (ledger["drag"][:, :, 0] * closing).sum(axis=1) * STEP_S
        spent = np.concatenate([[0.0], np.cumsum(absorbed)]) + np.cumsum(dragged)
        total = kinetic + (elastic + spent)[:-1]
        assert np.abs(total / total[0] - 1.0).max() < 0.005, name


def test_halving_the_step_moves_velocity_by_less_than_a_thousandth(motions):
    for name in ("wall_full_56", "odb_40_64", "pole_centre_40", "car_offset_40_40"):
        system, coarse = motions[name]
        fine = integrate(system, duration_s=0.2, step_s=STEP_S / 2, per_sample=4, ledger=True)
        start = system.velocity["cabin"][0]
        difference = coarse.ledger["velocity"][:, 3, 0] - fine.ledger["velocity"][::2, 3, 0]
        assert np.abs(difference).max() < 1e-3 * 2.0 * start, name


def test_both_twins_give_the_same_bits():
    for name in ("wall_full_56", "wall_30deg_40", "car_offset_40_40", "small_overlap_64"):
        system = frontal_system(name, draws=5)
        floats = books(system, few=True)
        arrays = books(system, few=False)
        assert np.array_equal(floats.power, arrays.power), name
        for key in floats.ledger:
            assert np.array_equal(floats.ledger[key], arrays.ledger[key]), (name, key)


def same_motion(one, other):
    series = [*one.acceleration, "obstacle_force", "power"]
    for name in series:
        a, b = (
            m.acceleration[name] if name in m.acceleration else getattr(m, name)
            for m in (one, other)
        )
        assert np.array_equal(a, b), name


@pytest.mark.parametrize("name", list(FRONTAL))
def test_what_the_numpy_twin_leaves_out_changes_no_bit(name):
    system = frontal_system(name, draws=12)
    floats = integrate(system, duration_s=0.25, few=True, rest=7)
    same_motion(floats, integrate(system, duration_s=0.25, few=False, rest=7))
    assert not floats.power[:, :7].any()


@pytest.mark.parametrize("name", list(FRONTAL))
def test_the_compiled_twin_gives_the_same_bits(name):
    pytest.importorskip("numba")
    for draws, per_sample in ((11, 2), (3, 1), (1, 4)):
        system = frontal_system(name, draws=draws)
        step_s = 1e-4 / per_sample if per_sample > 1 else STEP_S
        options = {"duration_s": 0.12, "step_s": step_s, "per_sample": per_sample, "rest": 3}
        floats = integrate(system, few=True, **options)
        with engine.using("fast"):
            same_motion(floats, integrate(system, **options))


def test_a_stretch_whose_bounds_do_not_hold_is_taken_again(monkeypatch):
    system = frontal_system("car_offset_40_40", draws=12)
    calm = integrate(system, duration_s=0.2, few=False)
    taken = []
    run = lumped_block._Block.run

    def counted(self, *arguments):
        held = run(self, *arguments)
        taken.append(held)
        return held

    monkeypatch.setattr(lumped_block._Block, "run", counted)
    monkeypatch.setattr(lumped_block, "STRAY", 0.3)
    monkeypatch.setattr(lumped_block, "CALM_M_S", 0.0)
    again = integrate(system, duration_s=0.2, few=False)
    assert taken.count(False) > 10
    same_motion(calm, again)


def test_an_unstable_step_is_refused_with_the_longest_that_is_stable():
    with pytest.raises(InputError, match="step_s: got 0.005; expected at most"):
        integrate(frontal_system("wall_full_56"), duration_s=0.1, step_s=0.005)


# -- closed forms: the general structure switched down ------------------------------------------


def single(*, springs=None, ties=None, mass=None, velocity=None):
    """A system without any spring except the given ones; all bodies fixed except those given."""
    one = np.ones(1)
    springs = springs or {}
    nothing = ((0.0, 0.0), (1.0, 0.0))
    masses = dict.fromkeys(BODIES, np.inf * one) | {k: v * one for k, v in (mass or {}).items()}
    return System(
        mass=masses,
        velocity=dict.fromkeys(BODIES, 0.0 * one)
        | {k: v * one for k, v in (velocity or {}).items()},
        envelopes={n: springs[n][0] if n in springs else nothing for n in SPRINGS},
        stiffness={n: springs[n][1] if n in springs else 1.0 for n in SPRINGS},
        share={n: one * (n in springs) for n in SPRINGS},
        gap=dict.fromkeys(SPRINGS, 0.0 * one),
        rate=0.0,
        ripple=0.0,
        fold_m=1.0,
        phase=dict.fromkeys(list(SPRINGS)[:4], 0.0 * one),
        ties={"mounts": (1.0, 0.0, 0.0), "beam": (1.0, 0.0, 0.0)} | (ties or {}),
    )


MASS, SPEED = 1500.0, 56.0 / 3.6
OMEGA = 2.0 * pi * 2.5
SPRING = MASS * OMEGA**2
ELASTIC = (((0.0, 0.0), (2.0, 2.0 * SPRING)), SPRING)


def test_undamped_spring_56_kmh_2500_mhz():
    """Peak V0 w = 24.9164 g, crush V0/w = 0.990297 m at 100 ms (elementary, computed)."""
    system = single(
        springs={"engine": ELASTIC}, mass={"powertrain": MASS}, velocity={"powertrain": SPEED}
    )
    motion = integrate(system, duration_s=0.25, ledger=True)
    crush = motion.ledger["travel"][:, 2, 0]
    assert crush.max() == pytest.approx(0.990297, rel=1e-3)
    assert crush.argmax() * STEP_S == pytest.approx(0.100, abs=1e-4)
    assert -motion.acceleration["powertrain"].min() / 9.80665 == pytest.approx(24.9164, rel=1e-3)
    assert motion.ledger["velocity"][-1, 2, 0] == pytest.approx(-SPEED, rel=1e-3)


# z: t_m ms, C m, e, peak g, t_p ms; Kelvin closed form (standard derivation, computed)
KELVIN = {
    0.1: (94.0948, 0.854231, 0.744079, 21.9300, 81.2768),
    0.2: (88.9789, 0.748798, 0.571740, 20.4543, 62.8125),
    0.3: (84.4945, 0.665031, 0.450975, 20.2671, 43.8267),
    0.4: (80.5246, 0.597082, 0.363527, 21.5155, 23.3559),
}


@pytest.mark.parametrize("damping", KELVIN)
def test_kelvin_model(damping):
    drag = 2.0 * damping * MASS * OMEGA
    system = single(
        ties={"mounts": (SPRING, 1e12, drag)},
        mass={"powertrain": MASS},
        velocity={"powertrain": SPEED},
    )
    step = 10e-6
    motion = integrate(system, duration_s=0.25, step_s=step, per_sample=1, ledger=True)
    velocity, crush = motion.ledger["velocity"][:, 2, 0], motion.ledger["travel"][:, 2, 0]
    pulse = -motion.acceleration["powertrain"][0] / 9.80665
    time, deepest, restitution, peak, at = KELVIN[damping]
    top = int(crush.argmax())
    leaves = top + int(np.argmax(pulse[top:] < 0.0))
    assert top * step == pytest.approx(1e-3 * time, rel=1e-3)
    assert crush[top] == pytest.approx(deepest, rel=1e-3)
    assert -velocity[leaves] / SPEED == pytest.approx(restitution, rel=2e-3)
    assert pulse.max() == pytest.approx(peak, rel=1e-3)
    assert pulse.argmax() * step == pytest.approx(1e-3 * at, abs=3e-4)
    phase = acos(damping)
    closed = exp(-2.0 * damping * phase / sqrt(1.0 - damping**2))
    assert closed == pytest.approx(restitution, rel=1e-4)


# c: peak g, at ms, max crush m, at ms, separation ms, e; Maxwell closed form (computed)
MAXWELL = {
    30000.0: (15.1366, 80.799, 1.203996, 136.671, 217.470, 0.261463),
    60000.0: (18.9263, 89.154, 1.083868, 114.817, 203.970, 0.533073),
}


@pytest.mark.parametrize("damper", MAXWELL)
def test_maxwell_model(damper):
    """Damper between two bodies, the second (1 kg) on the spring: in series."""
    step = 10e-6
    system = single(
        springs={"direct": ELASTIC},
        ties={"mounts": (1.0, 0.0, damper)},
        mass={"powertrain": MASS, "cabin": 1.0},
        velocity={"powertrain": SPEED, "cabin": 0.0},
    )
    motion = integrate(system, duration_s=0.23, step_s=step, per_sample=1, ledger=True)
    force = motion.ledger["force"][:, list(SPRINGS).index("direct"), 0]
    crush = motion.ledger["travel"][:, 2, 0]
    velocity = motion.ledger["velocity"][:, 2, 0]
    peak, at, deepest, deep_at, leaves_ms, restitution = MAXWELL[damper]
    assert force.max() / MASS / 9.80665 == pytest.approx(peak, rel=3e-3)
    assert force.argmax() * step == pytest.approx(1e-3 * at, abs=5e-4)
    assert crush.max() == pytest.approx(deepest, rel=3e-3)
    assert crush.argmax() * step == pytest.approx(1e-3 * deep_at, abs=5e-4)
    leaves = int(force.argmax()) + int(np.argmax(force[force.argmax() :] <= 0.0))
    assert leaves * step == pytest.approx(1e-3 * leaves_ms, abs=1e-3)
    assert -velocity[leaves] / SPEED == pytest.approx(restitution, rel=1e-2)
    decay = SPRING / (2.0 * damper)
    wd = sqrt(SPRING / MASS - decay**2)
    assert 1e3 * atan2(wd, decay) / wd == pytest.approx(at, rel=1e-4)


def test_plastic_wall_gives_nothing_back():
    spring = (((0.0, 0.0), (5e-3, 200e3), (2.0, 200e3)), 1e9)
    system = single(
        springs={"engine": spring}, mass={"powertrain": MASS}, velocity={"powertrain": SPEED}
    )
    motion = integrate(system, duration_s=0.2, ledger=True)
    assert 0.0 <= -motion.ledger["velocity"][-1, 2, 0] < 0.02 * SPEED
    # All energy into a constant force after a ramp of 5 mm: m V^2 / (2 F) + ramp / 2, elementary.
    crush = MASS * SPEED**2 / 2.0 / 200e3 + 0.0025
    assert motion.ledger["travel"][:, 2, 0].max() == pytest.approx(crush, rel=2e-3)


def test_two_bodies_head_on():
    """dV_i = m_j / (m_1 + m_2) (1 + e) V_closing (elementary)."""
    spring = (((0.0, 0.0), (0.5, 400e3), (2.0, 400e3)), 5e6)
    system = single(
        springs={"engine": spring},
        mass={"powertrain": 1500.0, "face": 1000.0},
        velocity={"powertrain": 10.0, "face": -6.0},
    )
    last = integrate(system, duration_s=0.25, ledger=True).ledger["velocity"][-1, :, 0]
    restitution = (last[4] - last[2]) / 16.0
    assert 0.0 < restitution < 1.0
    assert 10.0 - last[2] == pytest.approx(1000.0 / 2500.0 * (1 + restitution) * 16.0, rel=1e-6)
    assert last[4] + 6.0 == pytest.approx(1500.0 / 2500.0 * (1 + restitution) * 16.0, rel=1e-6)


def test_a_negative_mass_is_refused():
    system = frontal_system("wall_full_8")
    broken = replace(system, mass={**system.mass, "cabin": np.array([-5.0])})
    with pytest.raises(InputError, match="mass of cabin: got -5.0; expected a positive mass"):
        integrate(broken, duration_s=0.01)
