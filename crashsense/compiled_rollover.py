"""Steps of the rollover model compiled by numba (extra ``fast``); see :mod:`.compiled`.

Twin: ``synthesis.rollover.march``, same bits: the same operations in the same order, and only such
as IEEE 754 defines exactly. A draw never depends on the draws beside it. Reached through
:func:`crashsense.engine.kernels`.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.compiled_kernel import kernel

_jit: Any = kernel()

#: Numbers of manoeuvres: ``march.MANOEUVRES``.
KERB, SOIL, STEER = 1, 2, 3


@_jit
def _saturated(x: float) -> float:
    return x / sqrt(1.0 + x * x)


@_jit
def roll_steps(
    manoeuvre: int,
    step: float,
    points: FloatArray,
    bodies: FloatArray,
    numbers: FloatArray,
    lift: FloatArray,
    fall: FloatArray,
    angle: FloatArray,
    out: FloatArray,
) -> None:
    """All steps of a body in the lateral plane; fills *out* (8, steps, draws).

    *points* (5, 6, draws): y, z, stiffness, damping, grip of each contact point; *bodies* (6,
    draws): mass, inertia, height, speed, ground, rest; *numbers*: bump (3), axles (3), cornering,
    front grip, yaw inertia, start, kerb (3), soil (3), soil depth, slip speed, gravity; *lift*,
    *fall* (steps, draws); *angle* (steps,).
    """
    travel, bump_k, bump_d = numbers[0], numbers[1], numbers[2]
    ahead, behind, wheelbase = numbers[3], numbers[4], numbers[5]
    cornering, front_grip, yaw_inertia, start_y = numbers[6], numbers[7], numbers[8], numbers[9]
    kerb_k, kerb_d, kerb_top = numbers[10], numbers[11], numbers[12]
    soil_start, soil_growth, soil_limit = numbers[13], numbers[14], numbers[15]
    soil_depth, slip_speed, gravity = numbers[16], numbers[17], numbers[18]
    up, side = np.empty(6), np.empty(6)
    arm_y, touch, slip = np.empty(6), np.empty(6), np.empty(6)
    for draw in range(out.shape[2]):
        mass, inertia, height = bodies[0, draw], bodies[1, draw], bodies[2, draw]
        speed, ground, rest = bodies[3, draw], bodies[4, draw], bodies[5, draw]
        v_y = speed if manoeuvre in (KERB, SOIL) else 0.0
        v_z = pos_y = roll = rate = yaw_rate = sin = 0.0
        cos = 1.0
        pos_z = -height
        for index in range(out.shape[1]):
            low = 0.0
            for i in range(6):
                y, z = points[0, i, draw], points[1, i, draw]
                across = y * cos - z * sin
                under = y * sin + z * cos
                deep = pos_z + under
                sink = v_z + rate * across
                if i == 0:
                    deep = deep + lift[index, draw]
                    sink = sink + fall[index, draw]
                if i == 1:
                    low = pos_z + under - rest
                push = points[2, i, draw] * deep + points[3, i, draw] * sink
                if i < 2:
                    stop = deep - rest - travel
                    stop = (stop if stop > 0.0 else 0.0) * bump_k
                    press = 1.0 + bump_d * sink
                    push = push + stop * (press if press > 0.0 else 0.0)
                up[i] = push if deep > 0.0 and push > 0.0 else 0.0
                arm_y[i] = across
                touch[i] = under - (deep if deep > 0.0 else 0.0)
                slip[i] = v_y - rate * touch[i]
                side[i] = -points[4, i, draw] * up[i] * _saturated(slip[i] / slip_speed)
            if manoeuvre == STEER:
                load = up[0] + up[1]
                forward = speed if speed > 1.0 else 1.0
                front = angle[index] - (v_y + ahead * yaw_rate) / forward
                rear = -(v_y - behind * yaw_rate) / forward
                limit_f = points[4, 0, draw] * load * behind / wheelbase * front_grip
                limit_r = points[4, 0, draw] * load * ahead / wheelbase
                over_f = limit_f if limit_f > 1.0 else 1.0
                over_r = limit_r if limit_r > 1.0 else 1.0
                force_f = limit_f * _saturated(cornering * front / over_f)
                force_r = limit_r * _saturated(cornering * rear / over_r)
                turned = step * (ahead * force_f - behind * force_r) / yaw_inertia
                yaw_rate = yaw_rate + turned
                carried = load if load > 1.0 else 1.0
                for i in range(2):
                    side[i] = up[i] / carried * (force_f + force_r)
            into = pos_y + arm_y[1] - start_y
            inside = into if into > 0.0 else 0.0
            if manoeuvre == KERB:
                press = kerb_k * ground * inside * (1.0 + kerb_d * slip[1])
                if low > kerb_top:
                    side[1] -= press if press > 0.0 else 0.0
            elif manoeuvre == SOIL:
                plough = soil_start + soil_growth * inside
                plough = (plough if plough < soil_limit else soil_limit) * ground
                hold = 1.0 + low / soil_depth
                hold = min(max(hold, 0.0), 1.0)
                side[1] -= (
                    plough * hold * _saturated((slip[1] if slip[1] > 0.0 else 0.0) / slip_speed)
                )
            push_y = push_z = moment = 0.0
            for i in range(6):
                push_y = push_y + side[i]
                push_z = push_z + up[i]
                moment = moment + (-(arm_y[i] * up[i]) - touch[i] * side[i])
            a_y, a_z, alpha = push_y / mass, -push_z / mass + gravity, moment / inertia
            out[0, index, draw], out[1, index, draw], out[2, index, draw] = roll, rate, alpha
            out[3, index, draw], out[4, index, draw], out[5, index, draw] = a_y, a_z, v_y
            out[6, index, draw], out[7, index, draw] = -pos_z, push_y
            v_y = v_y + step * (a_y - yaw_rate * speed if manoeuvre == STEER else a_y)
            v_z = v_z + step * a_z
            rate = rate + step * alpha
            pos_y = pos_y + step * v_y
            pos_z = pos_z + step * v_z
            roll = roll + step * rate
            half = 0.5 * step * rate
            square = half * half
            turned_sin = (sin * (1.0 - square) + 2.0 * half * cos) / (1.0 + square)
            cos = (cos * (1.0 - square) - 2.0 * half * sin) / (1.0 + square)
            sin = turned_sin


def check_roll() -> None:
    """Compile and run the kernel on next to nothing: raises where the compiler fails."""
    ones = np.ones
    roll_steps(
        0, 1e-3, ones((5, 6, 1)), ones((6, 1)), ones(19), ones((2, 1)), ones((2, 1)), ones(2),
        ones((8, 2, 1)),
    )  # fmt: skip
