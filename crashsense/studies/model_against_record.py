"""The library's prediction beside a measured crash: does the fictional car represent yours?

The frontal model is run at the record's speed, mass and obstacle; no other number of it is changed
for the record. Both signals go through the same functions. Bands of the model are
those of its own tolerances over draws.

The shipped car's numbers come in part from one public record (a full-width wall at 57 km/h):
agreement with that record shows only that the fit holds and is no evidence for other cars.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.errors import Fault, InputError, nearest
from crashsense.event import Event
from crashsense.filters.channel_class import channel_class_filter
from crashsense.filters.design import bandpass
from crashsense.filters.zero_phase import forth_and_back
from crashsense.occupant import FREE_TRAVEL_M, INFLATION_S, free_flight_time
from crashsense.signal import Signal, cumulative_trapezoid
from crashsense.synthesis import Recipe, load_recipes
from crashsense.text_table import text_table
from crashsense.units import STANDARD_GRAVITY

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


#: Times at which velocities are compared [s].
TIMES_S = (0.010, 0.020, 0.030, 0.040, 0.050)
#: Bands whose level is compared [Hz], and the window after contact [s].
BANDS_HZ = ((20.0, 60.0), (60.0, 200.0), (200.0, 400.0), (400.0, 1000.0))
BAND_WINDOW_S = (0.015, 0.035)
#: Quantiles of the model's draws that are drawn and printed.
LOW, HIGH = 0.05, 0.95


@dataclass(frozen=True, eq=False)
class Prediction:
    """One record beside its prediction.

    ``rows``: quantity, unit, record, model (nominal), low and high over the draws; without bands
    that reach half the record's rate. ``times_s`` [s], ``record_velocity`` and ``record_class_60``
    (times,), the model's with draws (draws, times); velocity change in m/s and class 60 in g, both
    positive for a deceleration.
    """

    event: str
    asked: Mapping[str, object]
    rows: pd.DataFrame
    times_s: FloatArray
    record_velocity: FloatArray
    record_class_60: FloatArray
    model_velocity: FloatArray
    model_class_60: FloatArray


def obstacles() -> tuple[str, ...]:
    """Obstacles that the frontal model knows, by the recipes of the library."""
    return tuple(sorted({str(r.parameters.model_dump()["obstacle"]) for r in _frontal()}))


def _frontal() -> list[Recipe]:
    return [r for r in load_recipes() if r.model.name == "frontal_impact"]


def _nearest(obstacle: str, speed_kmh: float) -> Recipe:
    """The library's plainest recipe with that obstacle: full width, straight, nearest in speed."""

    def order(recipe: Recipe) -> tuple[object, ...]:
        p = recipe.parameters.model_dump()
        odd = bool(p["damaged"]) or p["contact_delay_ms"] > 0.0 or recipe.is_mirrored
        far = abs(p["speed_kmh"] - speed_kmh)
        return odd, p["overlap"] != 1.0, p["angle_deg"] != 0.0, far, recipe.name

    here = [r for r in _frontal() if r.parameters.model_dump()["obstacle"] == obstacle]
    return min(here, key=order)


def predict(
    event: Event,
    *,
    obstacle: str | None = None,
    speed_kmh: float | None = None,
    mass_kg: float | None = None,
    draws: int = 20,
    seed: int = 1,
) -> Prediction:
    """Predict a frontal record with the library's car, and compare.

    Parameters
    ----------
    event : of a record (:func:`crashsense.records.read_record`)
    obstacle : one of :func:`obstacles`; by default that of the record's header
    speed_kmh, mass_kg : closing speed and test mass; by default the record's. Without a mass the
        library's own car is taken
    draws : random draws of the model beside the nominal one

    Raises :class:`~crashsense.errors.InputError` where the record is not a frontal crash, or speed
    or obstacle are not known.
    """
    faults = []
    if event.family != "frontal":
        faults.append(Fault(event.name, "family", event.family, "a frontal record"))
    found = event.metadata.get("obstacle") if obstacle is None else obstacle
    known = obstacles()
    if found not in known:
        expected = f"an obstacle (--obstacle), {nearest(str(found or ''), known)}"
        faults.append(Fault(event.name, "obstacle", found, expected))
    speed = event.metadata.get("speed_kmh") if speed_kmh is None else speed_kmh
    if not isinstance(speed, int | float):
        faults.append(Fault(event.name, "speed", speed, "a closing speed (--speed-kmh)"))
    if faults:
        raise InputError(faults)
    mass = event.metadata.get("mass_kg") if mass_kg is None else mass_kg
    changes: dict[str, object] = {"obstacle": found, "speed_kmh": speed, "vehicle_mass_kg": mass}
    base = _nearest(str(found), float(speed))  # type: ignore[arg-type]
    own = base.parameters.model_dump()
    if own["obstacle_mass_kg"] is not None:
        # Closing speed against something that rests: what counts is the difference. An oblique
        # obstacle moves along its own normal, against a car that stands.
        stands = own["speed_kmh"] == 0.0
        moves = {"speed_kmh": 0.0, "obstacle_speed_kmh": speed}
        changes |= moves if stands else {"obstacle_speed_kmh": 0.0}
        if (other := event.metadata.get("other_mass_kg")) is not None:
            changes["obstacle_mass_kg"] = other
    recipe = base.with_parameters(name=f"prediction_of_{event.name}", **changes)
    (made, *_) = recipe.events()
    measured = event.signals["central_x"]
    nominal = made.signals["central_x"]
    modelled = made.vary(draws, seed=seed)["central_x"].samples if draws else np.empty((0, 0))
    rows = np.vstack([nominal.samples, modelled]) if draws else nominal.samples[None, :]
    end = min(measured.end_s, nominal.end_s, 0.15)
    times = np.arange(0.0, end, 1.0 / nominal.rate_hz)
    velocity, class_60 = _curves(measured, measured.samples[None, :], times)
    model_velocity, model_class_60 = _curves(nominal, rows, times)
    speed_m_s = float(speed) / 3.6  # type: ignore[arg-type]
    return Prediction(
        event.name,
        {**changes, "recipe": base.name, "draws": draws, "seed": seed},
        _table(
            _figures(measured, measured.samples[None, :], times, speed_m_s),
            _figures(nominal, rows, times, speed_m_s),
        ),
        times,
        velocity[0],
        class_60[0],
        model_velocity,
        model_class_60,
    )


def _curves(
    signal: Signal, samples: FloatArray, times: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Velocity change [m/s] and class 60 [g] at some times, positive for a deceleration."""
    first = round(-signal.start_s * signal.rate_hz)
    own = np.arange(samples.shape[1] - first) / signal.rate_hz
    velocity = cumulative_trapezoid(-samples[:, first:], step_s=1.0 / signal.rate_hz)
    smooth = channel_class_filter(-samples, rate_hz=signal.rate_hz, channel_class=60)
    at = [np.interp(times, own, row) for row in velocity]
    slow = [np.interp(times, own, row[first:]) / STANDARD_GRAVITY for row in smooth]
    return np.array(at), np.array(slow)


def _figures(
    signal: Signal, samples: FloatArray, times: FloatArray, speed_m_s: float
) -> dict[tuple[str, str], FloatArray]:
    """Quantity and unit -> value of each row."""
    velocity, class_60 = _curves(signal, samples, times)
    found: dict[tuple[str, str], FloatArray] = {}
    for at in TIMES_S:
        index = min(int(np.searchsorted(times, at)), times.size - 1)
        found[f"velocity change at {at * 1e3:.0f} ms", "m/s"] = velocity[:, index]
    flight = np.array(
        [
            float(
                free_flight_time(
                    -row, rate_hz=signal.rate_hz, start_s=signal.start_s, travel_m=FREE_TRAVEL_M
                )
            )
            for row in samples
        ]
    )
    found["free flight of 127 mm (t127)", "ms"] = flight * 1e3
    found["required time", "ms"] = (flight - INFLATION_S) * 1e3
    found["velocity change", "m/s"] = velocity.max(axis=1)
    found["peak, class 60", "g"] = class_60.max(axis=1)
    found["time of the peak", "ms"] = times[class_60.argmax(axis=1)] * 1e3
    travel = cumulative_trapezoid(velocity, step_s=float(times[1] - times[0]))
    found["crush (car's travel)", "mm"] = (speed_m_s * times - travel).max(axis=1) * 1e3
    for low, high in BANDS_HZ:
        if high < signal.rate_hz / 2:
            levels = np.array([_level(signal, row, low, high) for row in samples])
            found[_name(low, high), "g"] = levels
    return found


def _name(low: float, high: float) -> str:
    return f"{low:.0f} to {high:.0f} Hz, rms from 15 to 35 ms"


def _level(signal: Signal, row: FloatArray, low: float, high: float) -> float:
    sections = bandpass(4, low_hz=low, high_hz=high, rate_hz=signal.rate_hz)
    band = forth_and_back(row, sections=sections)
    times = signal.start_s + np.arange(row.size) / signal.rate_hz
    inside = (times >= BAND_WINDOW_S[0]) & (times < BAND_WINDOW_S[1])
    return float(np.sqrt(np.mean(band[inside] ** 2))) / STANDARD_GRAVITY


def _table(
    record: Mapping[tuple[str, str], FloatArray], model: Mapping[tuple[str, str], FloatArray]
) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for (name, unit), values in model.items():
        if (name, unit) not in record:
            continue
        drawn = values[1:] if values.size > 1 else values
        low, high = (float(np.quantile(drawn, q)) for q in (LOW, HIGH))
        rows.append(
            {
                "quantity": name,
                "unit": unit,
                "record": float(record[name, unit][0]),
                "model": float(values[0]),
                "model_low": low,
                "model_high": high,
            }
        )
    return pd.DataFrame(rows)


def as_text(predictions: Sequence[Prediction]) -> str:
    """Return the comparison as text: one table a record."""
    lines = []
    for found in predictions:
        asked = found.asked
        mass = asked["vehicle_mass_kg"]
        told = "the library's own mass" if mass is None else f"{mass:g} kg"
        lines.append(
            f"{found.event}: the library's car, {told}, {asked['speed_kmh']:g} km/h against "
            f"{str(asked['obstacle']).replace('_', ' ')} (as recipe {asked['recipe']}, "
            f"{asked['draws']} draws)"
        )
        table = [("", "record", "model", "5 to 95 % of draws", "record inside")]
        for row in found.rows.itertuples():
            inside = "yes" if row.model_low <= row.record <= row.model_high else "no"
            table.append(
                (
                    f"{row.quantity} [{row.unit}]",
                    f"{row.record:.1f}",
                    f"{row.model:.1f}",
                    f"{row.model_low:.1f} to {row.model_high:.1f}",
                    inside,
                )
            )
        lines += [*text_table(table), ""]
        compared = set(found.rows["quantity"])
        beyond = [
            f"{low:.0f} to {high:.0f}" for low, high in BANDS_HZ if _name(low, high) not in compared
        ]
        if beyond:
            lines += [f"The rate of the record is too low for {', '.join(beyond)} Hz.", ""]
    lines.append(
        "The car is fictional; its numbers come in part from one public record (full-width wall, "
        "57 km/h): agreement with a channel of that test is not evidence. This command fits "
        "nothing to the record above."
    )
    return "\n".join(lines)


def model_figure(predictions: Sequence[Prediction]) -> Figure:
    """Draw velocity and class 60 of each record beside the model, with the band of its draws."""
    from crashsense.plotting import BLUE, VERMILION, new_figure, tidy

    figure = new_figure(9.0, 3.2 * len(predictions))
    panels = figure.subplots(len(predictions), 2, squeeze=False)
    for found, (left, right) in zip(predictions, panels, strict=True):
        ms = found.times_s * 1e3
        for axes, record, model, label in (
            (left, found.record_velocity, found.model_velocity, "velocity change [m/s]"),
            (right, found.record_class_60, found.model_class_60, "class 60 [g]"),
        ):
            if model.shape[0] > 1:
                low, high = np.quantile(model[1:], (LOW, HIGH), axis=0)
                axes.fill_between(ms, low, high, color=VERMILION, alpha=0.2, lw=0, label="draws")
            axes.plot(ms, record, color=BLUE, lw=1.4, label="record")
            axes.plot(ms, model[0], color=VERMILION, ls="--", lw=1.4, label="model, nominal")
            axes.set_xlabel("time after contact [ms]")
            axes.set_ylabel(label)
            tidy(axes)
        left.set_title(found.event, loc="left", fontsize=9)
        left.legend(frameon=False, fontsize=8)
    return figure
