"""Steps of one draw of a car on its wheels, in plain numbers; run as :mod:`.crush` is.

The physics, and the twin in numpy over wheels and many draws side by side:
:mod:`crashsense.synthesis.dynamics.half_car`. Numba is not imported here.
"""

from __future__ import annotations

from typing import Any


def ride_draw(
    body: Any,
    axles: Any,
    state: Any,
    left: Any,
    right: Any,
    places: Any,
    brake: Any,
    push: Any,
    moment: Any,
    v_set: Any,
    step_s: Any,
    wheels: Any,
    acc: Any,
    out: Any,
    end: Any,
) -> None:
    """All steps of one draw: sequences of floats, tables as sequences of rows.

    *body* (19), *axles* (2, 11): ``half_car._tables``; *state*, *end* (8 + 4 wheels); *left*,
    *right* (points): paths of the two tracks, *places* (tracks, 3): start, 1 / step, step; *brake*,
    *push*, *moment* (steps or 0); *v_set*: speed that is held; *wheels* (wheels, 4), *acc*
    (wheels, 2): room to work in; *out* (12, steps).
    """
    steps, tracks = len(out[0]), len(places)
    count = 2 * tracks
    share = 2.0 if tracks == 1 else 1.0
    ends = (len(left) - 2, len(right) - 2)
    mass_s, inertia_p, inertia_r = body[0], body[1], body[2]
    hold, arm, half_track = body[3], body[4], body[5]
    knee, fall, stop, length = body[6], body[7], body[8], body[9]
    rub, kt, ct, sidewall = body[10], body[11], body[12], body[13]
    krim, kx, cx = body[14], body[15], body[16]
    radius, friction = body[17], body[18]
    x, v, z, dz = state[0], state[1], state[2], state[3]
    pitch, dpitch, roll, droll = state[4], state[5], state[6], state[7]
    for n in range(count):
        for i in range(4):
            wheels[n][i] = state[8 + 4 * n + i]
    for step in range(steps):
        sum_x = sum_z = sum_pitch = sum_roll = 0.0
        road_x = road_z = road_left = 0.0
        for n in range(count):
            track, own = n // 2, axles[n % 2]
            lever, mass = own[0], own[7]
            wheel = wheels[n]
            zw, dzw, u, du = wheel[0], wheel[1], wheel[2], wheel[3]
            inverse = places[track][1]
            spot = (x + arm * pitch + u - own[1] - places[track][0]) * inverse
            k = min(max(int(spot), 0), ends[track])
            low = left[k] if track == 0 else right[k]
            high = left[k + 1] if track == 0 else right[k + 1]
            slope = (high - low) * inverse
            squash = own[9] + (low + (spot - k) * places[track][2] * slope) - zw
            normal = 0.0
            if squash > 0.0:
                over = squash - sidewall
                elastic = kt * squash + krim * (over if over > 0.0 else 0.0)
                along = v + arm * dpitch + du
                normal = elastic + ct * (along * slope - dzw)
                normal = normal if normal > 0.0 else 0.0
            forward = -normal * slope
            surplus = normal - own[8]
            road_x = road_x + forward
            road_z = road_z + surplus
            corner, dcorner = z + pitch * lever, dz + dpitch * lever
            side = half_track if track == 0 else -half_track
            if tracks == 2:
                road_left = road_left + (surplus if track == 0 else -surplus)
                corner, dcorner = corner + roll * side, dcorner + droll * side
            d, dd = zw - corner, dzw - dcorner
            up, down = d - own[5], -d - own[6]
            up = up if up > 0.0 else 0.0
            down = down if down > 0.0 else 0.0
            slow = knee if knee < dd else dd
            slow = slow if slow > -knee else -knee
            drag = own[3] if dd > 0.0 else own[4]
            damping = drag * (slow + fall * (dd - slow))
            pressed = stop * (up + up * up / length)
            pulled = stop * (down + down * down / length)
            closing, opening = 1.0 + rub * dd, 1.0 - rub * dd
            closing = closing if closing > 0.0 else 0.0
            opening = opening if opening > 0.0 else 0.0
            stops = pressed * closing - pulled * opening
            spring = own[2] * d + damping + stops
            bush = kx * u + cx * du
            turn = lever * spring + arm * bush
            if len(brake) > 0:
                slowing = own[10] * brake[step]
                grip = friction * normal
                slowing = grip if grip < slowing else slowing
                forward = forward - slowing
                turn = turn - slowing * radius
            sum_x = sum_x + bush
            sum_z = sum_z + spring
            sum_pitch = sum_pitch + turn
            if tracks == 2:
                sum_roll = sum_roll + side * spring
            acc[n][0] = (surplus - spring) / mass
            acc[n][1] = (forward - bush) / mass
        acc_x = (share * sum_x + hold * (v_set - v)) / mass_s
        acc_z = share * sum_z / mass_s
        acc_pitch = share * sum_pitch / inertia_p
        if len(moment) > 0:
            sum_roll = sum_roll + moment[step]
        acc_roll = sum_roll / inertia_r
        out[0][step], out[1][step], out[2][step] = acc_x, acc_z, acc_pitch
        out[3][step], out[4][step] = dpitch, pitch
        out[5][step], out[6][step] = acc_roll, droll
        out[7][step], out[8][step] = roll, v
        out[9][step], out[10][step] = share * road_x, share * road_z
        out[11][step] = road_left
        pushed = acc_x + push[step] if len(push) > 0 else acc_x
        v = v + step_s * pushed
        dz = dz + step_s * acc_z
        dpitch = dpitch + step_s * acc_pitch
        droll = droll + step_s * acc_roll
        x = x + step_s * v
        z = z + step_s * dz
        pitch = pitch + step_s * dpitch
        roll = roll + step_s * droll
        for n in range(count):
            wheels[n][1] = wheels[n][1] + step_s * acc[n][0]
            wheels[n][3] = wheels[n][3] + step_s * (acc[n][1] - acc_x - arm * acc_pitch)
            wheels[n][0] = wheels[n][0] + step_s * wheels[n][1]
            wheels[n][2] = wheels[n][2] + step_s * wheels[n][3]
    end[0], end[1], end[2], end[3] = x, v, z, dz
    end[4], end[5], end[6], end[7] = pitch, dpitch, roll, droll
    for n in range(count):
        for i in range(4):
            end[8 + 4 * n + i] = wheels[n][i]
