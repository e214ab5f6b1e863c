"""The march of a rollover: contact points, ground and tyres push a rigid body in the lateral plane.

What acts is described in :mod:`crashsense.synthesis.rollover.roll`. Semi-implicit Euler of fixed
step, numpy over contact points and draws; :func:`crashsense.compiled.rollover.roll_march`, compiled
(engine ``fast``) or in Python's own numbers for few draws, gives the same bits by the same
operations in the same order. Only operations that IEEE 754 defines exactly: friction and tyres
saturate as ``x / sqrt(1 + x^2)``, and the body turns by ``tan(half)``, half the step's turn, whose
error is a twelfth of the cube of the turn (below 1e-6 rad a second).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.compiled.rollover import roll_draw
from crashsense.synthesis.dynamics.few_draws import draw_by_draw
from crashsense.units import STANDARD_GRAVITY as G

#: Manoeuvres, in the order of their numbers in the compiled kernel.
MANOEUVRES = ("ramp", "kerb", "soil", "steer")
#: Fastest that the ground falls away under a wheel [m/s]: leaving a ramp is a drop, not a pull.
DROP_M_S = -5.0
#: Speed over which sliding friction builds up [m/s].
SLIP_M_S = 0.3

#: What a march keeps of each step: roll [rad], its rate [rad/s] and acceleration [rad/s^2],
#: accelerations [m/s^2], speed to the right [m/s], height of the centre of gravity [m], lateral
#: force of the ground [N].
KEPT = (
    "roll",
    "rate",
    "roll_acceleration",
    "acceleration_y",
    "acceleration_z",
    "speed_y",
    "height",
    "ground_force",
)


@dataclass(frozen=True, eq=False)
class RollSystem:
    """A car and what it meets; arrays of shape (draws,) unless stated, SI units.

    Contact points, shape (6, draws): wheels left, right; sill left, right; roof left, right.
    """

    manoeuvre: str
    step_s: float
    mass: FloatArray
    inertia: FloatArray
    height: FloatArray  # of the centre of gravity at the start
    speed: FloatArray  # to the right on kerb and soil, else forward
    ground: FloatArray  # factor on what the ground holds [-]
    rest: FloatArray  # static deflection of the springs
    y: FloatArray  # contact points right of, and below, the centre of gravity (6, draws)
    z: FloatArray
    stiffness: FloatArray
    damping: FloatArray
    grip: FloatArray
    bump: tuple[float, float, float]  # travel, stiffness, dissipation [s/m]
    lift: FloatArray  # height of the ground under the left wheels (steps, draws)
    angle: FloatArray  # of the front wheels [rad] (steps,)
    axles: tuple[float, float, float]  # centre of gravity to front and rear, wheelbase
    cornering: float  # stiffness of an axle's tyres [N/rad]
    front_grip: float  # of the front tyres over that of the rear ones [-]
    yaw_inertia: float
    start_y: float  # of the right wheels
    kerb: tuple[float, float, float]  # stiffness, dissipation [s/m], place of its top below ground
    soil: tuple[float, float, float]  # force at the start, its growth [N/m], its limit
    soil_depth: float


def saturated(x: FloatArray) -> FloatArray:
    """``x / sqrt(1 + x^2)``: linear for small x, -1 or 1 for large ones."""
    return np.asarray(x / np.sqrt(1.0 + x * x))


def march_roll(system: RollSystem) -> dict[str, FloatArray]:
    """March all steps of ``lift``; return :data:`KEPT`, each (draws, steps)."""
    steps, draws = system.lift.shape
    fall = np.zeros((steps, draws))
    fall[1:] = np.maximum((system.lift[1:] - system.lift[:-1]) / system.step_s, DROP_M_S)
    kept = np.empty((len(KEPT), draws, steps))
    points = np.array([system.y, system.z, system.stiffness, system.damping, system.grip])
    bodies = np.array(
        [system.mass, system.inertia, system.height, system.speed, system.ground, system.rest]
    )
    numbers = np.array(
        [
            *system.bump, *system.axles, system.cornering, system.front_grip, system.yaw_inertia,
            system.start_y, *system.kerb, *system.soil, system.soil_depth, SLIP_M_S, G,
        ]
    )  # fmt: skip
    manoeuvre, lift = MANOEUVRES.index(system.manoeuvre), np.ascontiguousarray(system.lift)
    angle = np.ascontiguousarray(system.angle)
    compiled = engine.kernels()

    def march_one(draw: int) -> None:
        out = kept[:, draw].tolist()
        roll_draw(
            manoeuvre, system.step_s, points[:, :, draw].tolist(), bodies[:, draw].tolist(),
            numbers.tolist(), lift[:, draw].tolist(), fall[:, draw].tolist(), angle.tolist(), out,
        )  # fmt: skip
        kept[:, draw] = out

    if compiled is not None:
        compiled.roll_steps(
            manoeuvre, system.step_s, points, bodies, numbers, lift, fall, angle, kept
        )
    elif not draw_by_draw(draws, march_one):
        _march_many(system, fall, kept)
    return dict(zip(KEPT, kept, strict=True))


def _march_many(system: RollSystem, fall: FloatArray, kept: FloatArray) -> None:
    """All steps by numpy over contact points and draws; fills *kept*."""
    step, mass, rest, ground = system.step_s, system.mass, system.rest, system.ground
    y, z, grip, speed = system.y, system.z, system.grip, system.speed
    travel, bump_k, bump_d = system.bump
    ahead, behind, wheelbase = system.axles
    kerb_k, kerb_d, kerb_top = system.kerb
    soil_start, soil_growth, soil_limit = system.soil
    steering = system.manoeuvre == "steer"
    still = np.zeros(mass.size)
    v_y = speed if system.manoeuvre in ("kerb", "soil") else still
    v_z, pos_y, roll, rate, yaw_rate = (still,) * 5
    pos_z = -system.height
    sin, cos = still, still + 1.0
    for index in range(kept.shape[2]):
        arm_y = y * cos - z * sin
        arm_z = y * sin + z * cos
        deep = pos_z + arm_z
        deep[0] += system.lift[index]
        sink = v_z + rate * arm_y
        sink[0] += fall[index]
        up = system.stiffness * deep + system.damping * sink
        stop = np.maximum(deep[:2] - rest - travel, 0.0)
        stop *= bump_k
        up[:2] += stop * np.maximum(1.0 + bump_d * sink[:2], 0.0)
        up = np.where(deep > 0.0, np.maximum(up, 0.0), 0.0)
        # Lateral forces act at the ground, not at the tip of the relaxed spring below it.
        touch = arm_z - np.maximum(deep, 0.0)
        slip = v_y - rate * touch
        side = -grip * up * saturated(slip / SLIP_M_S)
        if steering:
            # Single-track car: the tyres' lateral force, limited by grip and load.
            load = up[0] + up[1]
            forward = np.maximum(speed, 1.0)
            front = system.angle[index] - (v_y + ahead * yaw_rate) / forward
            rear = -(v_y - behind * yaw_rate) / forward
            limit_f = grip[0] * load * behind / wheelbase * system.front_grip
            limit_r = grip[0] * load * ahead / wheelbase
            force_f = limit_f * saturated(system.cornering * front / np.maximum(limit_f, 1.0))
            force_r = limit_r * saturated(system.cornering * rear / np.maximum(limit_r, 1.0))
            turned = step * (ahead * force_f - behind * force_r) / system.yaw_inertia
            yaw_rate = yaw_rate + turned
            side[:2] = up[:2] / np.maximum(load, 1.0) * (force_f + force_r)
        low = pos_z + arm_z[1] - rest
        into = pos_y + arm_y[1] - system.start_y
        if system.manoeuvre == "kerb":
            press = kerb_k * ground * np.maximum(into, 0.0) * (1.0 + kerb_d * slip[1])
            side[1] -= np.where(low > kerb_top, np.maximum(press, 0.0), 0.0)
        elif system.manoeuvre == "soil":
            plough = soil_start + soil_growth * np.maximum(into, 0.0)
            plough = np.minimum(plough, soil_limit) * ground
            hold = np.clip(1.0 + low / system.soil_depth, 0.0, 1.0)
            side[1] -= plough * hold * saturated(np.maximum(slip[1], 0.0) / SLIP_M_S)
        push_y = 0.0 + side[0] + side[1] + side[2] + side[3] + side[4] + side[5]
        push_z = -(up[0] + up[1] + up[2] + up[3] + up[4] + up[5])
        turn = -(arm_y * up) - touch * side
        moment = 0.0 + turn[0] + turn[1] + turn[2] + turn[3] + turn[4] + turn[5]
        a_y, a_z, alpha = push_y / mass, push_z / mass + G, moment / system.inertia
        now = (roll, rate, alpha, a_y, a_z, v_y, -pos_z, push_y)
        for whole, values in zip(kept, now, strict=True):
            whole[:, index] = values
        v_y = v_y + step * (a_y - yaw_rate * speed if steering else a_y)
        v_z = v_z + step * a_z
        rate = rate + step * alpha
        pos_y = pos_y + step * v_y
        pos_z = pos_z + step * v_z
        roll = roll + step * rate
        half = 0.5 * step * rate
        square = half * half
        sin, cos = (
            (sin * (1.0 - square) + 2.0 * half * cos) / (1.0 + square),
            (cos * (1.0 - square) - 2.0 * half * sin) / (1.0 + square),
        )
