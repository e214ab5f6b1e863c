"""Steps of one draw of a car on its wheels, and what it feels, in plain numbers; as :mod:`.crush`.

The physics, and the twin in numpy over wheels and many draws side by side:
:mod:`crashsense.synthesis.dynamics.half_car`. Numba is not imported here.
"""

from __future__ import annotations

from typing import Any

from crashsense.compiled.felt import cosine_and_sine

#: Numbers of the body, of an axle, of the state of the body and of a wheel, of a track.
BODY, AXLE, MOTION, WHEEL, PLACE = 19, 11, 8, 4, 3


def ride_draw(
    body: Any,
    axles: Any,
    state: Any,
    paths: Any,
    places: Any,
    given: Any,
    v_set: Any,
    step_s: Any,
    out: Any,
) -> Any:
    """All steps of one draw in Python's numbers, from *state*; return the state at the end.

    *given*: brake, push, moment, each a list of steps or an empty one; the rest, in lists, as
    :func:`ride_march` says.
    """
    tracks = len(paths)
    motion = list(state[:MOTION])
    wheels = [state[MOTION + WHEEL * n : MOTION + WHEEL * (n + 1)] for n in range(2 * tracks)]
    acc = [[0.0, 0.0] for _ in wheels]
    last = [len(path) - 2 for path in paths]
    brake, push, moment = given
    ride_march(
        body, axles, paths, places, last, tracks, brake, push, moment, len(brake) > 0,
        len(push) > 0, len(moment) > 0, v_set, step_s, motion, wheels, acc, len(out[0]), out,
    )  # fmt: skip
    return motion + [number for wheel in wheels for number in wheel]


def ride_march(
    body: Any,
    axles: Any,
    paths: Any,
    places: Any,
    last: Any,
    tracks: Any,
    brake: Any,
    push: Any,
    moment: Any,
    brakes: Any,
    pushed: Any,
    turned: Any,
    v_set: Any,
    step_s: Any,
    motion: Any,
    wheels: Any,
    acc: Any,
    steps: Any,
    out: Any,
) -> None:
    """Some steps of one draw.

    *body* (BODY), *axles* (2, AXLE): ``half_car._tables``; *paths*: the one or two *tracks*, left
    first, *places* (tracks, PLACE): start, 1 / step, step, *last*: cell before the last point of
    each; *brake*, *push*, *moment* (steps), and whether they are there: *brakes*, *pushed*,
    *turned*; *v_set*: speed that is held. State: *motion* (MOTION), *wheels* (2 tracks, WHEEL);
    *acc* (2 tracks, 2): room to work in; *out* (12, steps): ``half_car.OUTPUTS``.
    """
    count = 2 * tracks
    share = 2.0 if tracks == 1 else 1.0
    mass_s, inertia_p, inertia_r = body[0], body[1], body[2]
    hold, arm, half_track = body[3], body[4], body[5]
    knee, fall, stop, length = body[6], body[7], body[8], body[9]
    rub, kt, ct, sidewall = body[10], body[11], body[12], body[13]
    krim, kx, cx = body[14], body[15], body[16]
    radius, friction = body[17], body[18]
    for step in range(steps):
        x, v, z, dz = motion[0], motion[1], motion[2], motion[3]
        pitch, dpitch, roll, droll = motion[4], motion[5], motion[6], motion[7]
        sum_x = sum_z = sum_pitch = sum_roll = 0.0
        road_x = road_z = road_left = 0.0
        for n in range(count):
            track, own = n // 2, axles[n % 2]
            lever, mass = own[0], own[7]
            wheel = wheels[n]
            zw, dzw, u, du = wheel[0], wheel[1], wheel[2], wheel[3]
            inverse = places[track][1]
            spot = (x + arm * pitch + u - own[1] - places[track][0]) * inverse
            k = min(max(int(spot), 0), last[track])
            low = paths[track][k]
            slope = (paths[track][k + 1] - low) * inverse
            squash = own[9] + (low + (spot - k) * places[track][2] * slope) - zw
            over = squash - sidewall
            elastic = kt * squash + krim * (over if over > 0.0 else 0.0)
            along = v + arm * dpitch + du
            normal = elastic + ct * (along * slope - dzw)
            normal = normal if normal > 0.0 else 0.0
            normal = normal if squash > 0.0 else 0.0
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
            if brakes:
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
        if turned:
            sum_roll = sum_roll + moment[step]
        acc_roll = sum_roll / inertia_r
        out[0][step], out[1][step], out[2][step] = acc_x, acc_z, acc_pitch
        out[3][step], out[4][step] = dpitch, pitch
        out[5][step], out[6][step] = acc_roll, droll
        out[7][step], out[8][step] = roll, v
        out[9][step], out[10][step] = share * road_x, share * road_z
        out[11][step] = road_left
        v = v + step_s * (acc_x + push[step] if pushed else acc_x)
        dz = dz + step_s * acc_z
        dpitch = dpitch + step_s * acc_pitch
        droll = droll + step_s * acc_roll
        motion[0], motion[1] = x + step_s * v, v
        motion[2], motion[3] = z + step_s * dz, dz
        motion[4], motion[5] = pitch + step_s * dpitch, dpitch
        motion[6], motion[7] = roll + step_s * droll, droll
        for n in range(count):
            wheel = wheels[n]
            wheel[1] = wheel[1] + step_s * acc[n][0]
            wheel[3] = wheel[3] + step_s * (acc[n][1] - acc_x - arm * acc_pitch)
            wheel[0] = wheel[0] + step_s * wheel[1]
            wheel[2] = wheel[2] + step_s * wheel[3]


def drive_march(
    contact_x: Any,
    contact_z: Any,
    z_acc: Any,
    samples: Any,
    mass: Any,
    along: Any,
    down: Any,
    held: Any,
) -> None:
    """What drives the paths to the locations; twin: ``road.locations.RideLocations.read``.

    *mass* (1): of the car; *along*, *down* of the road per mass, *held*: down, of the suspension.
    """
    for k in range(samples):
        along[k] = contact_x[k] / mass[0]
        # +z is down: a wheel pushed up shakes the floor up.
        down[k] = -contact_z[k] / mass[0]
        held[k] = -z_acc[k]


def section_march(section: Any, state: Any, given: Any, samples: Any, out: Any, kept: Any) -> None:
    """One section of a filter; *out* may be *given*. Twin: ``scipy.signal.sosfilt``.

    *section*: b0, b1, b2, a1, a2; *state*: its two numbers, *kept*: room for them.
    """
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[3], section[4]
    kept[0], kept[1] = state[0], state[1]
    for k in range(samples):
        x = given[k]
        y = b0 * x + kept[0]
        kept[0] = b1 * x - a1 * y + kept[1]
        kept[1] = b2 * x - a2 * y
        out[k] = y
    state[0], state[1] = kept[0], kept[1]


def beside_march(sections: Any, state: Any, given: Any, samples: Any, out: Any, kept: Any) -> None:
    """Add the answers of some sections side by side to *out*; as many as *kept* holds states of.

    Few enough for the processor's registers. Twin: ``synthesis.road.structure.RoadPath``.
    """
    modes = range(len(kept) // 2)
    own = [[sections[5 * m + n] for n in range(5)] for m in modes]
    for n in range(len(kept)):
        kept[n] = state[n]
    for k in range(samples):
        x, total = given[k], out[k]
        for m in range(len(kept) // 2):
            b0, b1, b2, a1, a2 = own[m]
            y = b0 * x + kept[2 * m]
            kept[2 * m] = b1 * x - a1 * y + kept[2 * m + 1]
            kept[2 * m + 1] = b2 * x - a2 * y
            total = total + y
        out[k] = total
    for n in range(len(kept)):
        state[n] = kept[n]


def begin_march(road: Any, suspension: Any, samples: Any, given: Any, out: Any) -> None:
    """What the modes of a location are given; *out*: 0, to which their answers are added."""
    for k in range(samples):
        given[k] = road[k] + suspension[k]
        out[k] = 0.0


def pitched_march(
    x_acc: Any,
    z_acc: Any,
    pitch_acc: Any,
    pitch_rate: Any,
    pitch: Any,
    samples: Any,
    places: Any,
    central: Any,
    floor: Any,
    upfront: Any,
) -> None:
    """Add rigid motion in body axes; twin: ``road.locations.RideLocations.read``.

    *places*: gravity; how far the central unit lies below and ahead of the centre of gravity, and
    what is up front; what of the floor's shaking is felt fore and aft.
    """
    gravity, below, ahead = places[0], places[1], places[2]
    front_below, front_ahead, of_floor = places[3], places[4], places[5]
    for k in range(samples):
        cosine, sine = cosine_and_sine(pitch[k])
        along, up, turn = x_acc[k], z_acc[k], pitch_acc[k]
        at_x = along * cosine + (up + gravity) * sine
        at_z = along * sine - up * cosine + gravity * (1.0 - cosine)
        square = pitch_rate[k] * pitch_rate[k]
        shaken = floor[k] * of_floor
        central[k] = central[k] + (turn * below + at_x - square * ahead) + shaken
        upfront[k] = upfront[k] + (turn * front_below + at_x - square * front_ahead) + shaken
        floor[k] = floor[k] + (turn * -ahead + at_z - square * below)


def halves_march(
    contact_left: Any,
    down: Any,
    held: Any,
    samples: Any,
    mass: Any,
    left: Any,
    right: Any,
    of_body: Any,
) -> None:
    """What drives the paths of the two sides; twin: ``road.locations.RideLocations.read``."""
    for k in range(samples):
        more_left = contact_left[k] / mass[0]
        left[k] = 0.5 * (more_left - down[k])
        right[k] = 0.5 * (-more_left - down[k])
        of_body[k] = -0.5 * held[k]


def aside_march(
    roll_acc: Any,
    roll: Any,
    samples: Any,
    places: Any,
    central: Any,
    left: Any,
    right: Any,
) -> None:
    """Readings across the car of its two sides; twin: ``road.locations.RideLocations.read``.

    *places*: as :func:`pitched_march`, then what of both sides' shaking together is felt across,
    and what of one side's.
    """
    gravity, below, of_both, of_one = places[0], places[1], places[6], places[7]
    for k in range(samples):
        _, sine = cosine_and_sine(roll[k])
        lateral = -roll_acc[k] * below - gravity * sine
        of_left, of_right = left[k], right[k]
        central[k] = lateral + of_both * (of_left - of_right)
        left[k] = lateral + of_one * of_left
        right[k] = lateral - of_one * of_right
