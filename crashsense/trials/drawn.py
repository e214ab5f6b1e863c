"""What was drawn for a trial, by name: tolerances of the pulse, of every sensor, of the unit.

Every number depends on (seed, occurrence, name, draw) alone, so that it is made again here and
never stored with the samples. Noise is not listed: it is no single number.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from crashsense import draws as random_draws
from crashsense.arrays import FloatArray
from crashsense.sensing import ANY_OCCURRENCE
from crashsense.sensing.sensor import Sensor
from crashsense.sensing.tolerance import PHASES, ROLES, draw_sensor, draw_unit
from crashsense.synthesis import Recipe
from crashsense.synthesis.model import draw_variation
from crashsense.trials.trial import Trial

#: Role of a sensor -> field of the part whose tolerance it takes.
FIELDS = {
    "sensitivity": "sensitivity_tolerance",
    "offset": "offset_tolerance",
    "drift": "drift_tolerance",
    "sensitivity_temperature": "sensitivity_temperature",
    "offset_temperature": "offset_temperature",
    "misalignment": "misalignment_tolerance",
    "cross_axis_first": "cross_axis_tolerance",
    "cross_axis_second": "cross_axis_tolerance",
}


def varying_roles(sensor: Sensor) -> tuple[str, ...]:
    """Return the roles of a sensor that vary: those whose tolerance is not 0."""
    return tuple(role for role in ROLES if getattr(sensor, FIELDS[role]) != 0.0)


def drawn_of(trial: Trial) -> dict[str, FloatArray]:
    """Return quantity -> drawn values, shape (draws,).

    ``pulse NAME``: deviation of a tolerance of the recipe; ``CHANNEL ROLE``: standard normal
    number, cut at 3; ``CHANNEL filter``: setting 0 to 4; ``unit phase`` [-] and ``unit warmer_k``
    [K above 25 degC]. Nothing where the conditions of the trial do not vary it.

    >>> from crashsense.trials import trial
    >>> found = drawn_of(trial("hammer_tunnel", draw=[0, 1]))
    >>> [float(values[0]) for name, values in found.items() if name == "unit phase"]
    [0.0]
    """
    conditions, event = trial.conditions, trial.events[0]
    found: dict[str, FloatArray] = {}
    if conditions.varies_pulse(event) and isinstance(event.source, Recipe):
        source = event.source
        variation = draw_variation(
            trial.draws,
            seed=conditions.seed,
            occurrence=source.occurrence,
            tolerances=source.tolerances,
        )
        found |= {f"pulse {name}": values for name, values in variation.deviations.items()}
    if conditions.vary not in ("sensor", "both"):
        return found
    shared = conditions.sensor_draws == "shared"
    occurrence = ANY_OCCURRENCE if shared else event.occurrence
    about: dict[str, Any] = {"seed": conditions.seed, "occurrence": occurrence}
    unit = draw_unit(trial.draws, unit=trial.sensor_set.control_unit, vary=True, **about)
    found["unit phase"] = np.asarray(PHASES)[unit.phase]
    found["unit warmer_k"] = unit.warmer_k
    for channel in trial.samples.channels:
        sensor = trial.sensor_set.sensors.get(channel)
        if sensor is None:
            continue
        axes = (occurrence, channel, "tolerance")
        normal = random_draws.normals(trial.draws, len(ROLES), seed=conditions.seed, axes=axes)
        for role in varying_roles(sensor):
            drawn = np.clip(normal[:, ROLES.index(role)], -3.0, 3.0)
            held = sensor.build.get(role)
            found[f"{channel} {role}"] = drawn if held is None else np.full_like(drawn, held)
        if sensor.filter_kind != "none":
            made = draw_sensor(
                trial.draws,
                sensor=sensor,
                channel=channel,
                shared=unit,
                vary=True,
                **about,
            )
            found[f"{channel} filter"] = made.setting.astype(np.float64)
    return found
