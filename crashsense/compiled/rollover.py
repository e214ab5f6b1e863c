"""Steps of one draw of the rollover model, in plain numbers; run as :mod:`.crush` is.

The physics: :mod:`crashsense.synthesis.rollover.roll`; the twin in numpy over contact points and
many draws side by side: :mod:`crashsense.synthesis.rollover.march`. Numba is not imported here.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

#: Numbers of manoeuvres: ``march.MANOEUVRES``.
KERB, SOIL, STEER = 1, 2, 3
#: Rows of six numbers that a march works in.
ROLL_ROWS = 5


#: Numbers of a contact point, of a body, of all draws, and of the state.
POINT, BODIES, NUMBERS, MOTION = 5, 6, 19, 9


def roll_draw(
    manoeuvre: Any,
    step: Any,
    points: Any,
    bodies: Any,
    numbers: Any,
    lift: Any,
    fall: Any,
    angle: Any,
    out: Any,
) -> None:
    """All steps of one draw in Python's numbers: lists, as :func:`roll_march` says."""
    motion = start_of(manoeuvre, bodies[2], bodies[3])
    work = [[0.0] * 6 for _ in range(ROLL_ROWS)]
    roll_march(
        manoeuvre, step, points, bodies, numbers, lift, fall, angle, motion, work, len(lift), out
    )


def start_of(manoeuvre: Any, height: Any, speed: Any) -> Any:
    """State at the start: of a car on its wheels, that slides where it meets kerb or soil."""
    v_y = speed if manoeuvre in (KERB, SOIL) else 0.0
    return [v_y, 0.0, 0.0, -height, 0.0, 0.0, 0.0, 0.0, 1.0]


def roll_march(
    manoeuvre: Any,
    step: Any,
    points: Any,
    bodies: Any,
    numbers: Any,
    lift: Any,
    fall: Any,
    angle: Any,
    motion: Any,
    work: Any,
    steps: Any,
    out: Any,
) -> None:
    """Some steps of one draw.

    Parameters
    ----------
    step : [s]
    points : y, z, stiffness, damping, grip of each contact point, (POINT, 6)
    bodies : mass, inertia, height, speed, ground, rest
    numbers : bump (3), axles (3), cornering, front grip, yaw inertia, start, kerb (3), soil (3),
        soil depth, slip speed, gravity
    lift, fall, angle : (steps)
    motion : state: speeds y and z, place y and z, roll, its rate, yaw rate, sine and cosine of roll
    work : room to work in, (ROLL_ROWS, 6)
    out : ``march.KEPT``, (8, steps)
    """
    travel, bump_k, bump_d = numbers[0], numbers[1], numbers[2]
    ahead, behind, wheelbase = numbers[3], numbers[4], numbers[5]
    cornering, front_grip, yaw_inertia, start_y = numbers[6], numbers[7], numbers[8], numbers[9]
    kerb_k, kerb_d, kerb_top = numbers[10], numbers[11], numbers[12]
    soil_start, soil_growth, soil_limit = numbers[13], numbers[14], numbers[15]
    soil_depth, slip_speed, gravity = numbers[16], numbers[17], numbers[18]
    up, side, arm_y, touch, slip = work
    mass, inertia, speed = bodies[0], bodies[1], bodies[3]
    ground, rest = bodies[4], bodies[5]
    for index in range(steps):
        v_y, v_z, pos_y, pos_z = motion[0], motion[1], motion[2], motion[3]
        roll, rate, yaw_rate, sin, cos = motion[4], motion[5], motion[6], motion[7], motion[8]
        low = 0.0
        for i in range(6):
            y, z = points[0][i], points[1][i]
            across = y * cos - z * sin
            under = y * sin + z * cos
            deep = pos_z + under
            sink = v_z + rate * across
            if i == 0:
                deep = deep + lift[index]
                sink = sink + fall[index]
            if i == 1:
                low = pos_z + under - rest
            push = points[2][i] * deep + points[3][i] * sink
            if i < 2:
                stop = deep - rest - travel
                stop = (stop if stop > 0.0 else 0.0) * bump_k
                press = 1.0 + bump_d * sink
                push = push + stop * (press if press > 0.0 else 0.0)
            push = push if push > 0.0 else 0.0
            up[i] = push if deep > 0.0 else 0.0
            arm_y[i] = across
            touch[i] = under - (deep if deep > 0.0 else 0.0)
            slip[i] = v_y - rate * touch[i]
            ratio = slip[i] / slip_speed
            side[i] = -points[4][i] * up[i] * (ratio / sqrt(1.0 + ratio * ratio))
        if manoeuvre == STEER:
            load = up[0] + up[1]
            forward = speed if speed > 1.0 else 1.0
            front = angle[index] - (v_y + ahead * yaw_rate) / forward
            rear = -(v_y - behind * yaw_rate) / forward
            limit_f = points[4][0] * load * behind / wheelbase * front_grip
            limit_r = points[4][0] * load * ahead / wheelbase
            over_f = limit_f if limit_f > 1.0 else 1.0
            over_r = limit_r if limit_r > 1.0 else 1.0
            ratio, other = cornering * front / over_f, cornering * rear / over_r
            force_f = limit_f * (ratio / sqrt(1.0 + ratio * ratio))
            force_r = limit_r * (other / sqrt(1.0 + other * other))
            turned = step * (ahead * force_f - behind * force_r) / yaw_inertia
            yaw_rate = yaw_rate + turned
            carried = load if load > 1.0 else 1.0
            for i in range(2):
                side[i] = up[i] / carried * (force_f + force_r)
        into = pos_y + arm_y[1] - start_y
        inside = into if into > 0.0 else 0.0
        if manoeuvre == KERB:
            press = kerb_k * ground * inside * (1.0 + kerb_d * slip[1])
            press = press if press > 0.0 else 0.0
            side[1] = side[1] - (press if low > kerb_top else 0.0)
        elif manoeuvre == SOIL:
            plough = soil_start + soil_growth * inside
            plough = (plough if plough < soil_limit else soil_limit) * ground
            hold = 1.0 + low / soil_depth
            hold = min(max(hold, 0.0), 1.0)
            ratio = (slip[1] if slip[1] > 0.0 else 0.0) / slip_speed
            side[1] = side[1] - plough * hold * (ratio / sqrt(1.0 + ratio * ratio))
        push_y = push_z = moment = 0.0
        for i in range(6):
            push_y = push_y + side[i]
            push_z = push_z + up[i]
            moment = moment + (-(arm_y[i] * up[i]) - touch[i] * side[i])
        a_y, a_z, alpha = push_y / mass, -push_z / mass + gravity, moment / inertia
        out[0][index], out[1][index], out[2][index] = roll, rate, alpha
        out[3][index], out[4][index], out[5][index] = a_y, a_z, v_y
        out[6][index], out[7][index] = -pos_z, push_y
        v_y = v_y + step * (a_y - yaw_rate * speed if manoeuvre == STEER else a_y)
        v_z = v_z + step * a_z
        rate = rate + step * alpha
        half = 0.5 * step * rate
        square = half * half
        motion[0], motion[1], motion[5], motion[6] = v_y, v_z, rate, yaw_rate
        motion[2] = pos_y + step * v_y
        motion[3] = pos_z + step * v_z
        motion[4] = roll + step * rate
        motion[7] = (sin * (1.0 - square) + 2.0 * half * cos) / (1.0 + square)
        motion[8] = (cos * (1.0 - square) - 2.0 * half * sin) / (1.0 + square)
