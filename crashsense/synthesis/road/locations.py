"""Readings at the locations of a riding car: rigid motion, plus response of tyre and structure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from crashsense import engine
from crashsense.arrays import FloatArray
from crashsense.compiled.felt import cosine_and_sine
from crashsense.synthesis.dynamics.half_car import RideCar, Riding, Road, march_beside
from crashsense.synthesis.model import Variation
from crashsense.synthesis.road.profile import ROWS_TOGETHER
from crashsense.synthesis.road.structure import RoadPath
from crashsense.synthesis.road.vehicle import Ride
from crashsense.synthesis.side_by_side import March, Steps
from crashsense.units import STANDARD_GRAVITY


def specific_force(
    motion: Mapping[str, FloatArray], *, ahead_m: float, below_m: float
) -> tuple[FloatArray, FloatArray]:
    """Specific force (x, z) [m/s^2] at a place on the body less its rest value, axes of J211.

    With pitch p (nose up), acceleration (a_x, a_up) of the centre of gravity and the place *ahead*
    and *below* of it::

        f_x = a_x cos p + (a_up + g) sin p + p'' below - p'^2 ahead
        f_z = a_x sin p - a_up cos p + g (1 - cos p) - p'' ahead - p'^2 below
    """
    at_centre = _at_centre(motion)
    return (
        _at_place(at_centre[0], motion, below_m, ahead_m),
        _at_place(at_centre[1], motion, -ahead_m, below_m),
    )


def _at_centre(motion: Mapping[str, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Specific force (x, z) at the centre of gravity, as :func:`specific_force`."""
    along, up = motion["x_acc"], motion["z_acc"]
    cosine, sine = cosine_and_sine(motion["pitch"])
    x = along * cosine
    x += (up + STANDARD_GRAVITY) * sine
    z = np.multiply(along, sine, out=sine)
    z -= up * cosine
    z += STANDARD_GRAVITY * (1.0 - cosine)
    return x, z


def _at_place(
    at_centre: FloatArray, motion: Mapping[str, FloatArray], by_turn: float, by_rate: float
) -> FloatArray:
    """``at_centre + p'' by_turn - p'^2 by_rate``."""
    out = motion["pitch_acc"] * by_turn
    out += at_centre
    square = motion["pitch_rate"] * motion["pitch_rate"]
    square *= by_rate
    out -= square
    return out


#: Readings in the order of the compiled march, and those of a car whose tracks differ.
_FELT = ("central_x", "central_z", "upfront_x")
_ACROSS = ("central_y", "side_left_y", "side_right_y")


@dataclass(frozen=True, eq=False)
class Driven:
    """What a march over a road gave.

    Parameters
    ----------
    felt : readings of the locations [m/s^2] as :meth:`RideLocations.read`, acceleration of the
        whole car ``x_acc`` and, one-sided, ``roll_rate`` [rad/s]; each (draws, rest + steps)
    motion : as :func:`.half_car.march`, nothing where it was not kept
    end : state at the end, (states, draws)
    """

    felt: dict[str, FloatArray]
    motion: dict[str, FloatArray]
    end: FloatArray


class RideLocations:
    """Readings of the locations from the motion of a ride: of a march, or of what it kept.

    Parameters
    ----------
    ride : the vehicle file
    variation : its deviations of mass and mode frequency
    rate_hz : rate of the motion [Hz]
    one_sided : True if the two tracks differ: lateral channels are modelled, too
    keep : True if a second call continues where the first ended (a road in pieces)
    """

    def __init__(
        self,
        ride: Ride,
        variation: Variation,
        *,
        rate_hz: float,
        one_sided: bool = False,
        keep: bool = False,
    ) -> None:
        self._ride = ride
        self._mass = (ride.mass_kg * variation.factor("mass"))[:, None]
        factor = variation.factor("mode_frequency")

        def path(axis: str, place: str) -> RoadPath:
            return RoadPath(
                tyre=getattr(ride, f"tyre_{axis}_modes"),
                body=getattr(ride, f"{place}_{axis}_modes"),
                factor=factor,
                rate_hz=rate_hz,
                keep=keep,
            )

        self._central_x, self._central_z = path("x", "central"), path("z", "central")
        self._upfront_x = path("x", "upfront")
        self._sides = [path("z", "central") for _ in range(2)] if one_sided else []

    def drive(
        self,
        car: RideCar,
        state: FloatArray,
        *,
        roads: Sequence[Road],
        brake: FloatArray | None = None,
        push: FloatArray | None = None,
        steps: int,
        step_s: float,
        rest: int,
        keeps: bool,
    ) -> Steps[Driven]:
        """March the car and read its locations; arguments as :func:`.half_car.march`.

        Where its *motion* is not to be kept (*keeps* false) the compiled march reads some instants
        after the other, and motion never leaves the cache. *rest*: samples at rest before.
        """
        size = state.shape[1]
        names = (*_FELT, *(_ACROSS if self._sides else ()), "x_acc")
        names = (*names, "roll_rate") if self._sides else names
        riding = Riding(car, state, roads, steps, step_s, brake, push)
        if engine.kernels() is None:
            motion, end = yield March(march_beside, riding)
            read: Mapping[str, FloatArray] = {**self.read(motion), **motion}
            felt = np.zeros((len(names), size, rest + steps))
            for row, name in zip(felt, names, strict=True):
                row[:, rest:] = read[name]
        else:
            felt = np.empty((len(names), size, rest + steps))
            riding = replace(riding, felt=(*self._told(), felt), keeps=keeps)
            motion, end = yield March(march_beside, riding)
        return Driven(dict(zip(names, felt, strict=True)), motion, end)

    def _told(self) -> tuple[Any, ...]:
        """What the compiled march is given of the locations."""
        ride = self._ride
        paths = [self._central_z, self._central_x, self._upfront_x, *self._sides]
        located = (
            STANDARD_GRAVITY,
            ride.sensor_below_m,
            ride.sensor_ahead_m,
            ride.upfront_below_m,
            ride.upfront_ahead_m,
            ride.x_of_z,
            ride.y_of_z,
            2.0 * ride.y_of_z,
        )
        sections = np.concatenate([path.sections() for path in paths], axis=1)
        counts = np.array([path.counts for path in paths])
        given = (self._mass[:, 0], np.array(located), sections, counts, paths[0].which)
        return tuple(map(engine.given, given))

    def read(self, motion: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
        """Readings [m/s^2] by name, each (draws, samples).

        ``central_x``, ``central_z``, ``upfront_x`` and, one-sided, ``central_y``, ``side_left_y``,
        ``side_right_y``.
        Part of what shakes the floor up and down is felt fore and aft and sideways.
        :meth:`drive` gives the same bits with the compiled march.
        """
        ride = self._ride
        along = motion["contact_x"] / self._mass
        # +z is down: a wheel pushed up shakes the floor up.
        down = -motion["contact_z"] / self._mass
        held = -motion["z_acc"]
        floor, central, upfront = (
            path(road, body)
            for path, road, body in (
                (self._central_z, down, held),
                (self._central_x, along, motion["x_acc"]),
                (self._upfront_x, along, motion["x_acc"]),
            )
        )
        # Rigid motion is added in place, few rows at a time: they stay in the processor's cache.
        for at in range(0, len(floor), ROWS_TOGETHER):
            rows = slice(at, at + ROWS_TOGETHER)
            part = {name: values[rows] for name, values in motion.items()}
            at_x, at_z = _at_centre(part)
            of_floor = ride.x_of_z * floor[rows]
            central[rows] += _at_place(at_x, part, ride.sensor_below_m, ride.sensor_ahead_m)
            central[rows] += of_floor
            upfront[rows] += _at_place(at_x, part, ride.upfront_below_m, ride.upfront_ahead_m)
            upfront[rows] += of_floor
            floor[rows] += _at_place(at_z, part, -ride.sensor_ahead_m, ride.sensor_below_m)
        out = {"central_x": central, "central_z": floor, "upfront_x": upfront}
        if self._sides:
            _, sine = cosine_and_sine(motion["roll"])
            lateral = -motion["roll_acc"] * ride.sensor_below_m - STANDARD_GRAVITY * sine
            more_left = motion["contact_left"] / self._mass
            left, right = (
                side(0.5 * (sign * more_left - down), -0.5 * held)
                for side, sign in zip(self._sides, (1.0, -1.0), strict=True)
            )
            out["central_y"] = lateral + ride.y_of_z * (left - right)
            out["side_left_y"] = lateral + 2.0 * ride.y_of_z * left
            out["side_right_y"] = lateral - 2.0 * ride.y_of_z * right
        return out
