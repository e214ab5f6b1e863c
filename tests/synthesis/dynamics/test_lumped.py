"""The lumped-mass structure in the plane: balances in every frontal recipe, twins, closed forms."""

from dataclasses import replace
from math import acos, atan2, exp, pi, sqrt

import numpy as np
import pytest
from lumped_support import MASS, SPEED, single
from scipy.signal import StateSpace, lsim

from crashsense import engine
from crashsense.compiled.crush import CRUSHED, LEDGER
from crashsense.errors import InputError
from crashsense.synthesis.dynamics import few_draws, lumped
from crashsense.synthesis.dynamics.lumped import (
    FREEDOMS,
    SPRINGS,
    STEP_S,
    Crash,
    integrate,
    integrate_beside,
)
from crashsense.synthesis.dynamics.lumped_system import SOLID, TIES
from crashsense.synthesis.frontal.impact import TOLERANCES, build_system
from crashsense.synthesis.model import draw_variation
from crashsense.synthesis.recipe import load_recipes

#: One recipe of each kind of obstacle and contact.
KINDS = (
    "wall_full_56", "wall_30deg_40", "repair_wall_15", "odb_40_64", "mpdb_50_50", "pole_centre_40",
    "underride_40", "small_overlap_64", "car_head_on_25_25", "car_offset_40_40",
    "bumper_barrier_10", "deer_90", "moose_70", "trolley_front_50", "oblique_barrier_90",
)  # fmt: skip
FRONTAL = {r.name: r for r in load_recipes() if r.model.name == "frontal_impact"}


def frontal_system(name, draws=1):
    tolerances = TOLERANCES if draws > 1 else {}
    variation = draw_variation(np.arange(draws), seed=3, occurrence=name, tolerances=tolerances)
    return build_system(FRONTAL[name].parameters, variation)


def books(system, **options):
    return integrate(system, duration_s=0.2, ledger=True, **options)


@pytest.fixture(scope="module")
def motions():
    """Two draws beside nominal of every recipe, with every step's inner quantities."""
    out = {}
    for name in KINDS:
        system = frontal_system(name, draws=3)
        out[name] = (system, books(system))
    return out


def test_every_kind_of_obstacle_is_in_the_library():
    kinds = {recipe.parameters.obstacle for recipe in FRONTAL.values()}
    assert kinds == {
        "rigid_wall", "deformable_barrier", "moving_barrier", "centre_pole", "underride",
        "small_overlap", "car", "bumper_barrier", "animal", "tall_animal", "light_object",
        "oblique_barrier",
    }  # fmt: skip


def masses(system):
    return np.array([np.broadcast_to(system.mass[name], system.draws) for name in FREEDOMS])


def normal(system, motion):
    """Normal of the obstacle's face at every step: x and y, each (steps, draws)."""
    turned = system.angle - motion.ledger["travel"][:, FREEDOMS.index("turn")]
    return np.cos(turned), -np.sin(turned)


def held_sideways(system, velocity):
    """Force of the tyres of front and rear axle [N]: mu g times the load of each, in full from
    1 m/s on; the load is shared by the levers."""
    ahead, behind = system.axles_m
    slides = (velocity[:, 4] + ahead * velocity[:, 5], velocity[:, 4] - behind * velocity[:, 5])
    loads = (behind / (ahead + behind), ahead / (ahead + behind))
    return sum(
        load * system.grip_n * np.clip(slide, -1.0, 1.0)
        for load, slide in zip(loads, slides, strict=True)
    )


@pytest.mark.slow
def test_impulse_on_the_obstacle_is_the_momentum_that_the_car_loses(motions):
    """Along the obstacle's normal at every step, apart from what the tyres take: so every step's
    force is right.

    Friction lies in the face and has no part along its normal. Before each step the ledger holds
    the velocity, to which the forces of all steps before it have led (semi-implicit Euler).
    """
    for name, (system, motion) in motions.items():
        velocity, mass = motion.ledger["velocity"], masses(system)
        step = -np.diff(velocity, axis=0)
        along_x = (mass[:4] * step[:, :4]).sum(axis=1)
        along_y = mass[4] * step[:, 4] - held_sideways(system, velocity)[:-1] / motion.rate_hz
        n_x, n_y = (part[:-1] for part in normal(system, motion))
        lost = np.cumsum(n_x * along_x + n_y * along_y, axis=0)
        impulse = np.cumsum(motion.obstacle_force, axis=1)[:, :-1].T / motion.rate_hz
        closing = (velocity[0, FREEDOMS.index("cabin")] - velocity[0, FREEDOMS.index("far")]).min()
        whole = mass[:4, 0].sum() * closing
        # Sine and cosine of the turn by their series: within psi^4 / 24.
        series = np.abs(motion.ledger["travel"][:, FREEDOMS.index("turn")]).max() ** 4 / 24.0
        assert lost == pytest.approx(impulse, abs=(1e-9 + series) * whole), name
        assert impulse[-1].min() > 0.01 * whole, name


@pytest.mark.slow
def test_momentum_of_car_and_moving_obstacle_is_kept_at_every_step(motions):
    moving = [n for n in motions if np.isfinite(motions[n][0].mass["far"]).all()]
    assert len(moving) == 7
    turning = 0
    for name in moving:
        # Tyres hold the car to the ground.
        system = replace(motions[name][0], grip_n=0.0)
        motion = books(system)
        momentum = motion.ledger["velocity"] * np.where(
            np.isfinite(masses(system)), masses(system), 0.0
        )
        cosine, sine = np.cos(system.angle), np.sin(system.angle)
        # Car in x and y; the obstacle's face and body along the first normal, its body across it.
        body = momentum[:, 6] + momentum[:, 7]
        x = momentum[:, :4].sum(axis=1) + cosine * body + sine * momentum[:, 8]
        y = momentum[:, 4] - sine * body + cosine * momentum[:, 8]
        if np.isfinite(system.mass["turn"]).all():
            # The face (1 to 4 % of the moving mass) has its momentum along the turned normal.
            turning += 1
            assert np.abs(y - y[0]).max() < 4e-3 * np.abs(momentum[0]).sum(axis=0).min(), name
            assert np.abs(x - x[0]).max() < 4e-3 * np.abs(momentum[0]).sum(axis=0).min(), name
        else:
            assert np.abs(x - x[0]).max() < 1e-9 * np.abs(momentum[0]).sum(), name
    assert turning == 4


def balance(system, motion):
    """Kinetic + elastic + spent energy at every step but the last, over the initial."""
    ledger = motion.ledger
    velocity = ledger["velocity"]
    mass = np.where(np.isfinite(masses(system)), masses(system), 0.0)
    # Velocities stand half a step before the forces: take both to the same instant.
    kinetic = 0.5 * (mass * (0.5 * (velocity[1:] + velocity[:-1])) ** 2).sum(axis=1)
    force, sets = ledger["force"].copy(), ledger["set"]
    force[:, :CRUSHED] -= ledger["damped"]
    stiffness = np.array([system.stiffness[s] for s in SPRINGS] + [system.ties[t][0] for t in TIES])
    compliance = np.broadcast_to(1.0 / stiffness[:, None], force.shape).copy()
    compliance[:, : len(SPRINGS)] *= ledger["straight"]
    elastic = (0.5 * force**2 * compliance).sum(axis=1)
    absorbed = (0.5 * (force[1:] + force[:-1]) * np.diff(sets, axis=0)).sum(axis=1)
    # What folds takes its elastic energy along: F^2 / 2 d(1 / k), below zero on loading.
    square = 0.5 * (force[1:] ** 2 + force[:-1] ** 2)
    absorbed += (0.5 * square * np.diff(compliance, axis=0)).sum(axis=1)
    v = velocity
    turned = system.half_span_m * v[:, 5]
    rails = np.stack([v[:, 3] + turned - v[:, 0], v[:, 3] - turned - v[:, 1]], axis=1)
    ties = np.stack([v[:, 2] - v[:, 3], v[:, 0] - v[:, 1] - 2.0 * turned], axis=1)
    dragged = (ledger["drag"] * np.concatenate([rails, ties], axis=1)).sum(axis=1)
    rubbed = sum(ledger[name].sum(axis=1) for name in ("sliding", "lost", "held"))
    spent = np.cumsum(dragged + rubbed, axis=0) * STEP_S
    spent[1:] += np.cumsum(absorbed, axis=0)
    total = kinetic + (elastic + spent)[:-1]
    return total / (0.5 * (mass * velocity[0] ** 2).sum(axis=0)), spent


@pytest.mark.slow
def test_energy_balances_at_every_step_and_no_draw_creates_any(motions):
    """Kinetic + elastic + absorbed = initial, within 1 %; what is spent never comes back."""
    for name, (system, motion) in motions.items():
        share, spent = balance(system, motion)
        assert np.abs(share - 1.0).max() < 0.01, (name, np.abs(share - 1.0).max())
        assert np.diff(spent, axis=0).min() > -1e-3 * spent.max(), name


@pytest.mark.slow
def test_dampers_of_a_crushed_front_only_take(motions):
    for name, (_, motion) in motions.items():
        assert motion.ledger["lost"].min() > -1e-6, name  # W, of up to some MW: rounding
    assert sum(motion.ledger["lost"].max() > 1e3 for _, motion in motions.values()) > 5


@pytest.mark.slow
def test_a_crushed_front_end_does_not_chatter_on_the_wall():
    """After it has stopped, the rail presses it on: it keeps contact, no train of blows of its own.

    What still shakes it are the folds of its rail, and by no more than a mass on the crushed nose
    lets them: m x'' + 2 z sqrt(k m) x' + k x = rail, solved from the rail's force alone. The nose's
    own frequency lies far above that of the folds, so that most of it goes into the obstacle.
    """
    system = frontal_system("wall_full_56")
    elastic = books(replace(system, crushed_damping=0.0))
    spent = books(system)
    pressed = slice(180, 480)
    nose, rail = (SPRINGS.index(f"{name}_left") for name in ("nose", "rail"))
    free, held = (m.ledger["force"][pressed, nose, 0] <= 0.0 for m in (elastic, spent))
    assert free.any()
    assert not held.any()
    mass, stiffness = float(system.mass["front_left"][0]), system.stiffness["nose_left"]
    rub = 2.0 * system.crushed_damping * sqrt(stiffness * mass)
    ledger = spent.ledger
    pushed = (ledger["force"][pressed, rail, 0] + ledger["drag"][pressed, 0, 0]) / mass
    crushed = ledger["set"][pressed, nose, 0]
    assert np.ptp(crushed) < 1e-12
    start = [ledger["travel"][180, 0, 0] - crushed[0], ledger["velocity"][180, 0, 0]]
    chain = StateSpace(
        [[0.0, 1.0], [-stiffness / mass, -rub / mass]], [[0.0], [1.0]],
        [[-stiffness / mass, -rub / mass]], [[1.0]],
    )  # fmt: skip
    _, alone, _ = lsim(chain, pushed, np.arange(pushed.size) * STEP_S, X0=start, interp=False)
    calm = spent.acceleration["front_left"][0, pressed]
    assert np.std(calm - alone) < 0.1 * np.std(alone)
    folds = float(np.std(pushed))
    assert np.std(calm) < folds
    # What the obstacle gives and what the cabin feels stay.
    speed = system.velocity["cabin"][0]
    for body in (0, 3):
        one, other = (m.ledger["velocity"][480:, body, 0] for m in (elastic, spent))
        assert abs(one.mean() - other.mean()) < 0.02 * speed, body


@pytest.mark.quick(1)
@pytest.mark.parametrize("damping", [0.5, 0.8])
def test_a_crushed_end_gives_back_the_restitution_of_its_damper(damping):
    """exp(-2 z / sqrt(1 - z^2) acos(z)), a damped oscillator let go at zero force (computed)."""
    # A stiff elastic nose: the envelope is never reached, so that the damper acts from the start.
    system = single(
        springs={"nose_left": (((0.0, 0.0), (1.0, 4e8)), 4e6)},
        mass={"front_left": 100.0},
        velocity={"front_left": 2.0},
    )
    motion = integrate(
        replace(system, crushed_damping=damping), duration_s=0.06, step_s=1e-5, ledger=True
    )
    back = -motion.ledger["velocity"][-1, 0, 0] / 2.0
    expected = np.exp(-2.0 * damping / np.sqrt(1.0 - damping**2) * np.arccos(damping))
    assert back == pytest.approx(expected, abs=0.02)


@pytest.mark.slow
def test_halving_the_step_moves_velocity_by_less_than_a_hundredth(motions):
    for name in ("wall_full_56", "odb_40_64"):
        system = frontal_system(name)
        coarse = books(system)
        fine = integrate(system, duration_s=0.2, step_s=STEP_S / 2, ledger=True)
        start = system.velocity["cabin"][0]
        difference = coarse.ledger["velocity"][:, 3, 0] - fine.ledger["velocity"][::2, 3, 0]
        assert np.abs(difference).max() < 0.01 * start, name


def same_motion(one, other):
    for name in one.acceleration:
        assert np.array_equal(one.acceleration[name], other.acceleration[name]), name
    assert np.array_equal(one.obstacle_force, other.obstacle_force)
    assert np.array_equal(one.power, other.power)
    for name in one.ledger:
        assert np.array_equal(one.ledger[name], other.ledger[name]), name


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", KINDS)
def test_arrays_and_numbers_of_python_give_the_same_bits(name, monkeypatch):
    """Several draws until the car rebounds, and one alone at first."""
    for draws, duration in ((3, 0.1), (1, 0.02)):
        system = frontal_system(name, draws=draws)
        with monkeypatch.context() as patch:
            patch.setattr(few_draws, "FEW", 0)
            arrays = integrate(system, duration_s=duration, rest=3, ledger=True)
        assert arrays.ledger.keys() == LEDGER.keys()
        assert not arrays.power[:, :3].any()
        # A spring that this obstacle does not meet has no set in numbers: arrays let it follow.
        unmet = [n for n, spring in enumerate(SPRINGS) if not np.any(system.share[spring])]
        arrays.ledger["set"][:, unmet] = 0.0
        arrays.ledger["straight"][:, unmet] = 1.0
        with monkeypatch.context() as patch:
            patch.delattr(lumped, "_run_arrays")
            same_motion(arrays, integrate(system, duration_s=duration, rest=3, ledger=True))


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    "name",
    [
        "wall_full_56",
        "wall_30deg_40",
        "odb_40_64",
        "car_offset_40_40",
        "small_overlap_64",
        "oblique_barrier_90",
    ],
)
def test_the_compiled_twin_gives_the_same_bits(name):
    """As Python's numbers, which are those of arrays by the test above."""
    pytest.importorskip("numba")
    for draws, duration in ((7, 0.12), (1, 0.2)):
        system = frontal_system(name, draws=draws)
        numbers = integrate(system, duration_s=duration, rest=3)
        with engine.using("fast"):
            assert engine.kernels() is not None
            same_motion(numbers, integrate(system, duration_s=duration, rest=3))
        assert not numbers.power[:, :3].any()


def test_numbers_that_leave_the_range_of_doubles_are_left_to_arrays():
    """Python raises where IEEE 754 goes on with infinity."""
    system = frontal_system("wall_full_56")
    system = replace(system, velocity={**system.velocity, "cabin": np.array([1e307])})
    with np.errstate(all="ignore"):
        motion = integrate(system, duration_s=0.01)
    assert not np.isfinite(motion.acceleration["cabin"]).all()


def test_a_draw_is_the_same_in_any_block():
    whole = integrate(frontal_system("odb_40_40", draws=9), duration_s=0.1)
    variation = draw_variation(np.array([4]), seed=3, occurrence="odb_40_40", tolerances=TOLERANCES)
    alone = integrate(build_system(FRONTAL["odb_40_40"].parameters, variation), duration_s=0.1)
    assert np.array_equal(whole.acceleration["cabin"][4], alone.acceleration["cabin"][0])
    assert np.array_equal(whole.acceleration["yaw"][4], alone.acceleration["yaw"][0])


def test_crashes_side_by_side_have_the_bits_of_each_by_itself():
    """Fixed and moving obstacles, other cars and slants, few draws and many, another duration."""
    cases = [("wall_full_56", 9, 0.04), ("car_offset_40_40", 4, 0.04), ("wall_30deg_40", 1, 0.04)]
    crashes = [
        Crash(frontal_system(name, draws=draws), duration_s=duration, rest=2)
        for name, draws, duration in (*cases, ("odb_40_64", 3, 0.03), ("underride_40", 5, 0.04))
    ]
    # Of other steps, in one number each.
    crashes += [
        replace(crashes[0], step_s=5e-5, duration_s=0.02),
        replace(crashes[0], rest=3),
    ]
    found = integrate_beside(crashes)
    assert found[0].rows.base is found[2].rows.base  # marched as one
    for crash, motion in zip(crashes, found, strict=True):
        how = {"duration_s": crash.duration_s, "step_s": crash.step_s, "rest": crash.rest}
        alone = integrate(crash.system, **how)
        assert motion.rate_hz == alone.rate_hz
        assert motion.rows.tobytes() == alone.rows.tobytes()


def test_an_unstable_step_is_refused_with_the_longest_that_is_stable():
    with pytest.raises(InputError, match="step_s: got 0.005; expected at most"):
        integrate(frontal_system("wall_full_56"), duration_s=0.1, step_s=0.005)


# -- closed forms: the general structure switched down ------------------------------------------


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


@pytest.mark.slow
@pytest.mark.parametrize("damping", KELVIN)
def test_kelvin_model(damping):
    drag = 2.0 * damping * MASS * OMEGA
    system = single(
        ties={"mounts": (SPRING, 1e12, drag)},
        mass={"powertrain": MASS},
        velocity={"powertrain": SPEED},
    )
    step = 40e-6
    motion = integrate(system, duration_s=0.25, step_s=step, ledger=True)
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


@pytest.mark.slow
@pytest.mark.parametrize("damper", MAXWELL)
def test_maxwell_model(damper):
    """Damper between two bodies, the second (1 kg) on the spring: in series."""
    step = 20e-6
    system = single(
        springs={"direct": ELASTIC},
        ties={"mounts": (1.0, 0.0, damper)},
        mass={"powertrain": MASS, "cabin": 1.0},
        velocity={"powertrain": SPEED, "cabin": 0.0},
    )
    motion = integrate(system, duration_s=0.23, step_s=step, ledger=True)
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


@pytest.mark.quick(1)
@pytest.mark.parametrize("length", [1.2, None])
def test_what_has_folded_gives_nothing_back(length):
    """e^2 m V^2 = F^2 / k with k = k0 / (1 - p / L): only what is still straight is elastic."""
    plateau, stiffness = 250e3, 4e6
    spring = (((0.0, 0.0), (0.1, plateau), (2.0, plateau)), stiffness)
    system = single(
        springs={"engine": spring}, mass={"powertrain": MASS}, velocity={"powertrain": SPEED}
    )
    if length is not None:
        system = replace(system, length={"engine": length})
    motion = integrate(system, duration_s=0.25, ledger=True)
    crush = motion.ledger["travel"][:, 2, 0].max()
    left = 1.0
    if length is not None:
        left = 1.0 - motion.ledger["set"][-1, list(SPRINGS).index("engine"), 0] / length
        assert 0.3 < left < 0.6
    # Work up to the deepest point: a triangle, a plateau.
    assert plateau * (crush - 0.05) == pytest.approx(0.5 * MASS * SPEED**2, rel=2e-3)
    expected = plateau * sqrt(left / stiffness / MASS) / SPEED
    assert -motion.ledger["velocity"][-1, 2, 0] / SPEED == pytest.approx(expected, rel=0.01)


@pytest.mark.slow
def test_a_spring_that_lies_solid_grows_no_stiffer():
    spring = (((0.0, 0.0), (0.1, 150e3), (2.0, 150e3)), 4e6)
    system = single(
        springs={"engine": spring}, mass={"powertrain": MASS}, velocity={"powertrain": SPEED}
    )
    motion = integrate(replace(system, length={"engine": 0.5}), duration_s=0.3, ledger=True)
    row = list(SPRINGS).index("engine")
    assert motion.ledger["set"][-1, row, 0] > 0.5
    assert motion.ledger["straight"][-1, row, 0] == pytest.approx(1.0 - SOLID)


def test_two_bodies_head_on():
    """dV_i = m_j / (m_1 + m_2) (1 + e) V_closing (elementary)."""
    spring = (((0.0, 0.0), (0.5, 400e3), (2.0, 400e3)), 5e6)
    system = single(
        springs={"engine": spring},
        mass={"powertrain": 1500.0, "face": 1000.0},
        velocity={"powertrain": 10.0, "face": -6.0},
    )
    last = integrate(system, duration_s=0.25, ledger=True).ledger["velocity"][-1, :, 0]
    restitution = (last[6] - last[2]) / 16.0
    assert 0.0 < restitution < 1.0
    assert 10.0 - last[2] == pytest.approx(1000.0 / 2500.0 * (1 + restitution) * 16.0, rel=1e-6)
    assert last[6] + 6.0 == pytest.approx(1500.0 / 2500.0 * (1 + restitution) * 16.0, rel=1e-6)


def test_a_negative_mass_is_refused():
    system = frontal_system("wall_full_8")
    broken = replace(system, mass={**system.mass, "cabin": np.array([-5.0])})
    with pytest.raises(InputError, match="mass of cabin: got -5.0; expected a positive mass"):
        integrate(broken, duration_s=0.01)
