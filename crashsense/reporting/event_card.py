"""The card of an event: model, parameters with basis, requirements, figures, each with its unit.

One set of units throughout: g, km/h, ms, mm, deg. Numbers of the recipe file keep the name and the
unit that they have in the file.
"""

from __future__ import annotations

import textwrap
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from crashsense.event import FURTHER_RESTRAINTS, Event
from crashsense.further_restraints import further_requirement
from crashsense.reporting.event_channels import band_peak
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.misuse.levels import measure_levels
from crashsense.synthesis.model import Synthesis
from crashsense.synthesis.recipe import Recipe
from crashsense.synthesis.rest import moving_channels
from crashsense.units import STANDARD_GRAVITY

#: Ending of a fact's name, longest first -> (unit on the card, SI value of that unit, decimals).
FACT_UNITS: Mapping[str, tuple[str, float, int]] = {
    "_m_s2": ("g", STANDARD_GRAVITY, 1),
    "_rad_s": ("deg/s", np.pi / 180.0, 0),
    "_m_s": ("km/h", 1 / 3.6, 1),
    "_rad": ("deg", np.pi / 180.0, 1),
    "_share": ("% of ambient", 0.01, 1),
    "_pa": ("kPa", 1e3, 2),
    "_n": ("kN", 1e3, 1),
    "_m": ("mm", 1e-3, 0),
    "_s": ("ms", 1e-3, 1),
}

#: Longest text of a list on the card.
LIST_WIDTH = 40


def expectation_words(expectations: Mapping[str, str]) -> str:
    """Say what an event expects of its restraints: what fires, else what holds for most, by name.

    Parameters
    ----------
    expectations : restraint -> ``fire``, ``no_fire`` or ``open``

    >>> expectation_words({"a": "fire", "b": "no_fire", "c": "open", "d": "open"})
    'fire a; no fire b; rest open'
    >>> expectation_words({"a": "no_fire", "b": "no_fire", "c": "open"})
    'no fire; open c'
    >>> expectation_words({"a": "no_fire", "b": "no_fire"})
    'no fire'
    """
    groups = {
        words: [name for name, found in expectations.items() if found == key]
        for key, words in (("fire", "fire"), ("no_fire", "no fire"), ("open", "open"))
    }
    rest = max(("open", "no fire"), key=lambda words: len(groups[words]))
    named = [w for w, names in groups.items() if names and w != rest]
    parts = [f"{words} {', '.join(groups[words])}" for words in named]
    if not groups["fire"]:
        return "; ".join([rest, *parts])
    return "; ".join([*parts, f"rest {rest}"] if groups[rest] else parts)


def card(recipe: Recipe, event: Event) -> list[str]:
    """The card of an event: model, parameters with basis, requirements, figures, tolerances."""
    expected = expectation_words({r: e.expectation for r, e in event.requirements.items()})
    lines = [
        event.title,
        f"  event {event.name}, family {event.family}, matrix row {recipe.matrix or '-'}",
        f"  model {recipe.model.name}: {recipe.model.title}",
        f"  context: {_context_words(event)}",
        f"  expected: {expected}",
        "",
        "Parameters (as in the recipe, unit in the name)",
    ]
    written = _as_written(recipe)
    for key, value in recipe.parameters.model_dump(mode="json").items():
        basis = recipe.basis.get(key, "default of the model")
        shown = parameter_words(key, value, written=written.get(key))
        lines.append(f"  {key:<26} {shown:<18} {basis}")
    lines += ["", "Requirements (time to fire from time zero)"]
    for restraint, entry in event.requirements.items():
        time = "" if entry.required_s is None else f"{1e3 * entry.required_s:.1f} ms"
        lines.append(f"  {restraint:<22} {entry.expectation:<8} {time:<9} {entry.basis}")
        if entry.order is not None:
            lines.append(f"  {'':<22} {'order':<8} {entry.order.words}: {entry.order.basis}")
    lines += ["", "Requirements of further restraints, where an algorithm or a plan covers them"]
    for restraint in FURTHER_RESTRAINTS:
        entry = further_requirement(event, restraint)
        time = "" if entry.required_s is None else f"{1e3 * entry.required_s:.1f} ms"
        lines.append(f"  {restraint:<24} {entry.expectation:<8} {time:<9} {entry.basis}")
    lines += ["", "Figures (nominal draw; +x forward, +y right)"]
    for label, value in key_figures(recipe, event):
        lines.append(f"  {label:<48} {value}")
    lines += ["", "Tolerances (standard deviation, or half width if uniform)"]
    for key, tolerance in recipe.tolerances.items():
        lines.append(f"  {key:<22} {tolerance.kind:<8} {tolerance.width:<7g} {tolerance.basis}")
    lines += _beside_ranges(recipe)
    lines += _checked(recipe)
    if recipe.family == "rough_road":
        lines += _ride_spectrum(recipe)
    lines += ["", *textwrap.wrap(f"At the end: {at_end_words(recipe)}", 100)]
    if recipe.notes:
        lines += ["", recipe.notes]
    return lines


def _context_words(event: Event) -> str:
    belts = "belted" if event.context.belted else "unbelted"
    return belts if event.context.passenger_seat_occupied else f"{belts}, passenger seat empty"


def _checked(recipe: Recipe) -> list[str]:
    """Where a recipe of the frontal model lies outside the range in which that was checked."""
    if recipe.model.name != "frontal_impact":
        return []
    from crashsense.synthesis.frontal.checked import checks_of

    parameters: Any = recipe.parameters
    return ["", *checks_of(parameters)]


def _beside_ranges(recipe: Recipe) -> list[str]:
    """Levels of the event beside the ranges of its row, where there are any."""
    levels = measure_levels([recipe])
    if not levels:
        return []
    head = f"Levels beside the ranges of row {recipe.matrix} (memory: of the trade)"
    return [
        "",
        head,
        *(
            f"  {m.quantity:<34} {m.value:.3g} {m.unit}, "
            f"range {m.low:.3g} to {m.high:.3g} ({m.basis}): {m.place}"
            for m in levels
        ),
    ]


#: Bands of a ride [Hz], what lies there, and what is known of its level from memory of the trade.
RIDE_BANDS: tuple[tuple[float, float, str, str], ...] = (
    (0.0, 8.0, "body on its springs", "body 1-1.5 Hz"),
    (8.0, 20.0, "wheel hop, engine bounce", "wheel hop 10-15 Hz"),
    (20.0, 40.0, "wheels fore and aft on bushes", "rough roads 2-8 g in 8-30 Hz"),
    (40.0, 100.0, "subframe, tyre belt, tunnel", "no range known"),
    (100.0, 300.0, "floor, air in the tyre", "no range known"),
    (300.0, 1000.0, "above the model's modes", "below the bands before it"),
)


def _ride_spectrum(recipe: Recipe) -> list[str]:
    """Largest values by bands of z and x, the hop frequency, and x over z, with what is known."""
    synthesis = recipe.nominal_synthesis()
    rate = synthesis.rate_hz
    x, z = (synthesis.signals[n][0] / STANDARD_GRAVITY for n in ("central_x", "central_z"))
    lines = ["", "Spectrum (largest value of a band, g; right: from memory of the trade)"]
    lines.append(f"  {'band Hz':<12} {'z':>6} {'x':>6}   what lies there; what is known")
    for low, high, what, known in RIDE_BANDS:
        up, along = (band_peak(v, rate_hz=rate, band_hz=(low, high)) for v in (z, x))
        lines.append(f"  {f'{low:g}-{high:g}':<12} {up:6.2f} {along:6.2f}   {what}; {known}")
    spectrum = np.abs(np.fft.rfft(z))
    frequency = np.fft.rfftfreq(z.size, 1.0 / rate)
    inside = (frequency >= 8.0) & (frequency < 20.0)
    hop = float(frequency[inside][spectrum[inside].argmax()])
    lines.append(f"  strongest between 8 and 20 Hz: {hop:.1f} Hz; wheel hop 10-15 Hz")
    ratio = float(np.abs(x).max() / np.abs(z).max())
    lines.append(f"  peak of x over peak of z: {ratio:.2f}; coupling 0.2-0.4, more on sharp edges")
    return lines


def at_end_words(recipe: Recipe) -> str:
    """Whether the event ends at rest within the noise of its usual sensors, and if not, why."""
    from crashsense.sensing.catalogue import load_sensor_set

    signals = recipe.nominal().signals
    moving = moving_channels(
        {name: signal.samples[0] for name, signal in signals.items()},
        rate_hz=next(iter(signals.values())).rate_hz,
        sensors=load_sensor_set("standard").sensors,
    )
    if not moving:
        return "at rest within the noise of the sensors"
    why = recipe.still_moving or "the recipe does not say why"
    return f"{', '.join(moving)} not at rest: {why}"


def _as_written(recipe: Recipe) -> Mapping[str, Any]:
    """The ``[parameters]`` of the recipe's file, empty where there is none to read."""
    try:
        found = tomllib.loads(Path(recipe.file).read_text(encoding="utf-8")).get("parameters", {})
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, Mapping) else {}


def parameter_words(key: str, value: Any, *, written: Any = None) -> str:
    """A parameter on one line: a vehicle by the name it has in the recipe, a long list by its size.

    >>> parameter_words("vehicle", {"mass_kg": 1500.0}, written="small_car_side")
    'small_car_side'
    >>> parameter_words("speed_m_s", 10.0)
    '10.0 (36 km/h)'
    """
    if value is None:
        return "none"
    if isinstance(value, Mapping):
        return written if isinstance(written, str) else f"table of {len(value)} entries"
    if isinstance(value, list) and len(str(value)) > LIST_WIDTH:
        return f"{len(value)} entries, {value[0]} to {value[-1]}"
    if key.endswith("speed_m_s") and isinstance(value, int | float):
        return f"{value} ({3.6 * value:.4g} km/h)"
    return str(value)


def fact_words(name: str, value: float) -> tuple[str, str]:
    """Label and value of a fact of the model, in the units of the card.

    >>> fact_words("stopping_distance_m", 0.7173)
    ('stopping distance', '717 mm')
    >>> fact_words("largest_roll_rate_rad_s", 3.141592653589793)
    ('largest roll rate', '180 deg/s')
    """
    for ending, (unit, factor, decimals) in FACT_UNITS.items():
        if name.endswith(ending):
            label = name.removesuffix(ending).replace("_", " ")
            return label, f"{_plain(value / factor, decimals)} {unit}"
    return name.replace("_", " "), f"{value:.4g}"


def _plain(number: float, decimals: int) -> str:
    """Format with fixed decimals, or more where they would show only zeros; zero has no sign.

    >>> _plain(-0.0, 1), _plain(0.0194, 1), _plain(64.93, 1)
    ('0.0', '0.019', '64.9')
    """
    if number == 0.0:
        return f"{0.0:.{decimals}f}"
    if abs(number) < 10.0**-decimals:
        return f"{number:.2g}"
    return f"{number:.{decimals}f}"


def _g(value: float) -> str:
    return f"{_plain(value / STANDARD_GRAVITY, 1)} g"


def key_figures(recipe: Recipe, event: Event) -> list[tuple[str, str]]:
    """Peak, velocity change and duration of the cabin, and what the model states of itself.

    Velocity changes count from the first sample and carry their sign. The largest one and the one
    at the end of the signal differ: after the largest, the car springs back and its bodies swing
    against each other. A fact of the model that equals one of the two is not repeated.
    """
    synthesis = recipe.nominal_synthesis()
    out: list[tuple[str, str]] = []
    said: list[float] = []
    for axis, cabin in (("x", synthesis.cabin_x), ("y", synthesis.cabin_y)):
        if cabin is None or not cabin.any():
            continue
        name = f"cabin {axis}"
        if axis == "y" and recipe.family == "rollover":
            name = "cabin y over ground"  # the body turns, the ground does not
        rows, changes = _cabin_figures(name, cabin[0], synthesis)
        out += rows
        said += changes
    for key, fact in synthesis.facts.items():
        value = float(fact[0])
        if key == "velocity_change_m_s":
            if any(abs(abs(value) - abs(s)) <= 0.01 * abs(value) + 1e-3 for s in said):
                continue
            out.append(("velocity change along the line of the blow", fact_words(key, value)[1]))
        else:
            out.append(fact_words(key, value))
    for channel, signal in event.signals.items():
        if signal.unit == "m/s^2" and signal.samples.any():
            out.append((f"{channel}: peak", _g(float(np.abs(signal.samples).max()))))
    return out


def _cabin_figures(
    name: str, samples: np.ndarray[Any, np.dtype[np.float64]], synthesis: Synthesis
) -> tuple[list[tuple[str, str]], list[float]]:
    """Rows of one axis of the cabin, and its velocity changes [m/s]: largest, at the end."""
    rate = synthesis.rate_hz
    window = max(1, round(0.005 * rate))
    total = np.concatenate([[0.0], np.cumsum(samples)])
    mean = np.abs(total[window:] - total[:-window]) / window
    lasting = float(np.count_nonzero(np.abs(samples) > 0.05 * np.abs(samples).max())) / rate
    velocity = cumulative_trapezoid(samples, step_s=1.0 / rate)
    at = int(np.abs(velocity).argmax())
    largest, last = float(velocity[at]), float(velocity[-1])
    when, end = (1e3 * (synthesis.start_s + n / rate) for n in (at, samples.size - 1))
    rows = [
        (f"{name}: peak of 5 ms mean", _g(float(mean.max()))),
        (f"{name}: velocity change, largest", f"{_plain(3.6 * largest, 1)} km/h at {when:.0f} ms"),
    ]
    if at < samples.size - 1:
        told = f"{_plain(3.6 * last, 1)} km/h at {end:.0f} ms"
        rows.append((f"{name}: velocity change, at the end", told))
    rows += [
        (f"{name}: duration above 5 % of peak", f"{1e3 * lasting:.0f} ms"),
    ]
    return rows, [largest, last]
