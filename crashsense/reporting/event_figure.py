"""The figure of an event: channels that its family's rules read, cabin motion, requirements.

:func:`event_motion` takes the numbers from a recipe; :func:`event_figure` draws numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np

from crashsense.arrays import FloatArray
from crashsense.event import Event, Requirement
from crashsense.occupant import FREE_TRAVEL_M
from crashsense.plotting import BLUE, GREEN, GREY, INK, VERMILION, new_figure
from crashsense.reporting.event_channels import Reading, Spread, event_readings, spread
from crashsense.resources import CAUTION
from crashsense.signal import cumulative_trapezoid
from crashsense.synthesis.model import Synthesis
from crashsense.synthesis.recipe import Recipe
from crashsense.units import STANDARD_GRAVITY

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


#: Facts that hold the speed of the car along x at the first sample [m/s].
START_SPEEDS = ("speed_m_s", "speed_before_m_s")

#: Looks of the required times, one a time.
LOOKS = ((VERMILION, "-"), (GREEN, "--"), (INK, ":"), (GREY, "-."))

#: Colours of the range of the draws: raw, behind the sensor's low-pass, and of other lines.
#: Overlapping bands, and lines over them, also differ in grey.
RAW_RANGE = "0.87"
SENSED_RANGE = "#d9b8a2"
OTHER_RANGE = "#bfdbec"

#: Sizes of the figure [inch]: width, margins, height of a panel and the gap below it, room of the
#: title, of a line of the legend above it, of the axis label and of a line of the footer; and place
#: of the labels of the values beside the panels.
WIDTH_IN, LEFT_IN, RIGHT_IN = 8.0, 0.92, 0.12
PANEL_IN, GAP_IN = 1.62, 0.16
TITLE_IN, ENTRY_IN, X_LABEL_IN, FOOTER_IN = 0.40, 0.168, 0.55, 0.13
Y_LABEL_IN = -0.52

#: Columns of a band, of which there may be twice as many: the panel has fewer pixels.
COLUMNS = 1000

#: Largest free-flight travel that is drawn [mm].
LARGEST_TRAVEL_MM = 400.0


@dataclass(frozen=True, eq=False)
class EventMotion:
    """What the figure draws of one event: the nominal draw, and what other draws span around it.

    Arrays have shape (samples,) and share ``times_ms`` [ms]; NaN is not drawn.

    Parameters
    ----------
    readings : the channels that the rules of the family read, raw and behind a 400 Hz sensor
    channel : the central one of them that velocity and displacement belong to
    reading : the channel [m/s^2]
    rigid : the same without local ringing [m/s^2], in the axes of the channel; None: not known
    rigid_words : what ``rigid`` is
    velocity : velocity [m/s] along the axis of the channel
    velocity_words, moved_words : what velocity and displacement are
    moved : displacement [m]
    travel : free-flight travel of an unbelted occupant [m]; None where no requirement counts it
    required : (time [ms], restraints that must fire by then), by time
    note : a remark on something that may surprise a reader
    draws : random draws behind every spread; 0: the nominal draw alone
    velocity_spread, moved_spread, travel_spread : lowest and highest over the draws, or None
    """

    title: str
    readings: Sequence[Reading]
    times_ms: FloatArray
    channel: str
    reading: FloatArray
    rigid: FloatArray | None
    rigid_words: str
    velocity: FloatArray
    velocity_words: str
    moved: FloatArray
    moved_words: str
    travel: FloatArray | None
    required: Sequence[tuple[float, Sequence[str]]]
    note: str = ""
    draws: int = 0
    velocity_spread: Spread | None = None
    moved_spread: Spread | None = None
    travel_spread: Spread | None = None


def free_flight_counts(recipe: Recipe) -> bool:
    """True for a frontal event, and where a requirement counts free flight.

    Elsewhere the travel of an unbelted occupant towards the front bag means nothing.
    """
    entries = (entry for state in recipe.requirements.values() for entry in state.values())
    return recipe.family == "frontal" or any(entry.timing == "free_flight" for entry in entries)


def required_times(requirements: Mapping[str, Requirement]) -> list[tuple[float, list[str]]]:
    """Required times [ms] to a tenth, each with the restraints that must fire by then."""
    times: dict[float, list[str]] = {}
    for restraint, entry in requirements.items():
        if entry.expectation == "fire" and entry.required_s is not None:
            times.setdefault(round(1e3 * entry.required_s, 1), []).append(restraint)
    return sorted(times.items())


def event_motion(recipe: Recipe, event: Event, *, draws: int = 0, seed: int = 1) -> EventMotion:
    """Synthesise the nominal draw and take what the figure draws of *event*.

    *draws*: random draws whose range is taken as well, those of an evaluation with *seed*; a
    recipe without tolerances has none.
    """
    draws = draws if recipe.varies else 0
    synthesis = recipe.synthesise(range(draws + 1), seed=seed)
    readings = event_readings(recipe, synthesis)
    shown = [reading.channel for reading in readings if reading.unit == "g"]
    central = [name for name in shown if name.startswith("central_")]
    channel = (central or shown or list(event.signals))[0]
    signal = event.signals[channel]
    axis = channel[-1] if central else ""
    step = 1.0 / signal.rate_hz
    cabin = _cabin(synthesis, axis)
    rigid, rigid_words, note = _rigid(recipe, synthesis, axis)
    read = synthesis.signals.get(channel, np.atleast_2d(signal.samples))
    pushed = read if cabin is None else cabin
    velocity = cumulative_trapezoid(pushed, step_s=step)
    start = _start_speed(synthesis) if axis == "x" and cabin is not None else None
    if start is not None:
        velocity = velocity + start[:, np.newaxis]
    contact = int(np.argmin(np.abs(signal.times_s)))
    moved = cumulative_trapezoid(velocity, step_s=step)
    moved = moved - moved[:, contact, np.newaxis]
    moved[:, :contact] = np.nan
    source = f"integral of {channel}" if cabin is None else f"cabin {axis}"
    if axis == "y" and "reading_y" in synthesis.trace:
        source = "cabin y over ground"
    what = "velocity" if start is not None else "change of velocity"
    travel = None
    if synthesis.cabin_x is not None and free_flight_counts(recipe):
        origin = event.requirements["front_airbag_stage_1"].origin_s
        flight = np.where(signal.times_s >= origin, -synthesis.cabin_x, 0.0)
        travel = cumulative_trapezoid(cumulative_trapezoid(flight, step_s=step), step_s=step)
    return EventMotion(
        title=event.title,
        readings=readings,
        times_ms=1e3 * signal.times_s,
        channel=channel,
        reading=signal.samples,
        rigid=rigid,
        rigid_words=rigid_words,
        velocity=velocity[0],
        velocity_words=f"{source}:\n{what} [km/h]",
        moved=moved[0],
        moved_words=f"{source}:\ndisplacement [mm]",
        travel=None if travel is None else travel[0],
        required=required_times(event.requirements),
        note=note,
        draws=draws,
        velocity_spread=spread(velocity),
        moved_spread=spread(moved),
        travel_spread=None if travel is None else spread(travel),
    )


def _cabin(synthesis: Synthesis, axis: str) -> FloatArray | None:
    return {"x": synthesis.cabin_x, "y": synthesis.cabin_y}.get(axis)


def _start_speed(synthesis: Synthesis) -> FloatArray | None:
    for name in START_SPEEDS:
        if name in synthesis.facts:
            return synthesis.facts[name]
    return None


def _rigid(recipe: Recipe, synthesis: Synthesis, axis: str) -> tuple[FloatArray | None, str, str]:
    """Return the channel without ringing in its axes, its name, and a note for the reader."""
    if axis == "y" and "reading_y" in synthesis.trace:
        sign = -1.0 if recipe.is_mirrored else 1.0
        note = (
            "A sensor turns with the body: it reads specific force in body axes (tilt and rotation "
            "included), while velocity and displacement are sideways over ground."
        )
        return sign * synthesis.trace["reading_y"][0], "rigid body, in body axes", note
    cabin = _cabin(synthesis, axis)
    return None if cabin is None else cabin[0], "rigid body", ""


def _range(
    panel: Axes,
    times_ms: FloatArray,
    band: Spread | None,
    colour: str,
    *,
    scale: float = 1.0,
) -> None:
    """Fill the range of the draws, if there is one.

    Samples that share a column of pixels are joined, as they would be when drawn.
    """
    if band is None:
        return
    joined = max(1, times_ms.size // COLUMNS)
    first = np.arange(0, times_ms.size, joined)
    low, high = np.minimum.reduceat(band[0], first), np.maximum.reduceat(band[1], first)
    panel.fill_between(times_ms[first], scale * low, scale * high, lw=0.0, color=colour)


def _range_legend(motion: EventMotion) -> list[Artist]:
    """What the bands are, in words; empty where none is drawn."""
    from matplotlib.patches import Patch

    if not motion.draws:
        return []
    over = f"range of {motion.draws} random draws"
    entries = [Patch(color=RAW_RANGE, label=f"lightest band: raw, {over}; lines: nominal draw")]
    if any(reading.sensed_spread is not None for reading in motion.readings):
        entries.append(
            Patch(color=SENSED_RANGE, label="darker band over it: the same behind 400 Hz")
        )
    entries.append(Patch(color=OTHER_RANGE, label="band below the channels: the same draws"))
    return list(entries)


def event_figure(motion: EventMotion) -> Figure:
    """Draw the rules' channels, velocity, displacement and, where it counts, free-flight travel.

    Lines are the nominal draw; behind them lies the range of the other draws, if any were taken.
    """
    read = len(motion.readings)
    count = read + (2 if motion.travel is None else 3)
    ranges = _range_legend(motion)
    caution = f"CAUTION: {CAUTION}"
    words = [motion.note, caution] if motion.note else [caution]
    footer = "\n".join(fill(text, 125) for text in words)
    above = TITLE_IN + ENTRY_IN * (len(motion.required) + len(ranges))
    below = X_LABEL_IN + FOOTER_IN * (footer.count("\n") + 1)
    height = above + below + count * PANEL_IN + (count - 1) * GAP_IN
    figure = new_figure(WIDTH_IN, height, laid_out=False)
    figure.subplots_adjust(
        left=LEFT_IN / WIDTH_IN,
        right=1.0 - RIGHT_IN / WIDTH_IN,
        top=1.0 - above / height,
        bottom=below / height,
        hspace=GAP_IN / PANEL_IN,
    )
    axes = figure.subplots(count, 1, sharex=True)
    times = motion.times_ms
    top = axes[0]
    for panel, reading in zip(axes, motion.readings, strict=False):
        _range(panel, reading.times_ms, reading.raw_spread, RAW_RANGE)
        _range(panel, reading.times_ms, reading.sensed_spread, SENSED_RANGE)
        label = f"{reading.channel}, raw"
        panel.plot(reading.times_ms, reading.raw, color="0.6", lw=0.6, label=label)
        if reading.sensed is not None:
            behind = "behind 400 Hz"
            panel.plot(reading.times_ms, reading.sensed, color=VERMILION, lw=1.2, label=behind)
        if reading.channel == motion.channel and motion.rigid is not None:
            rigid = motion.rigid / STANDARD_GRAVITY
            panel.plot(times, rigid, color=BLUE, ls="--", lw=1.4, label=motion.rigid_words)
        panel.set_ylabel(f"{reading.channel}\n[{reading.unit}]")
    _range(axes[read], times, motion.velocity_spread, OTHER_RANGE, scale=3.6)
    _range(axes[read + 1], times, motion.moved_spread, OTHER_RANGE, scale=1e3)
    axes[read].plot(times, 3.6 * motion.velocity, color=BLUE)
    axes[read].set_ylabel(motion.velocity_words)
    axes[read + 1].plot(times, 1e3 * motion.moved, color=BLUE)
    axes[read + 1].set_ylabel(motion.moved_words)
    if motion.travel is not None:
        _range(axes[-1], times, motion.travel_spread, OTHER_RANGE, scale=1e3)
        axes[-1].plot(times, 1e3 * motion.travel, color=BLUE, label="unbelted occupant")
        limit = 1e3 * FREE_TRAVEL_M
        axes[-1].axhline(limit, color="0.4", ls="--", lw=0.8, label=f"{limit:.0f} mm")
        axes[-1].set_ylabel("free-flight\ntravel [mm]")
        axes[-1].set_ylim(0.0, LARGEST_TRAVEL_MM)
    handles: list[Artist] = []
    for number, (time, restraints) in enumerate(motion.required):
        colour, style = LOOKS[number % len(LOOKS)]
        for panel in axes:
            line = panel.axvline(time, color=colour, ls=style, lw=1.0)
        line.set_label(f"required by {time:.1f} ms: {', '.join(restraints)}")
        handles.append(line)
    legends = list(axes[:read]) + ([axes[-1]] if motion.travel is not None else [])
    for panel in legends:
        own = [line for line in panel.get_lines() if line not in handles]
        own = [line for line in own if not str(line.get_label()).startswith("_")]
        panel.legend(handles=own, loc="best", fontsize=8)
    for panel in axes[:-1]:
        panel.xaxis.set_visible(False)  # marks without labels, each as slow to draw as text
    axes[-1].set_xlabel("time from time zero [ms]")
    for panel in axes:
        panel.yaxis.set_label_coords(Y_LABEL_IN / (WIDTH_IN - LEFT_IN - RIGHT_IN), 0.5)
    handles += ranges
    if handles:
        figure.legend(
            handles=handles, loc="upper left", fontsize=8, frameon=False, borderaxespad=0.2
        )
    top.set_title(motion.title)
    figure.supxlabel(footer, y=0.05 / height, fontsize=7, ha="center", va="bottom")
    return figure
